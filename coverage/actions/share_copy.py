"""Making a copy of a report that gives no more away than its reader may know."""

from contextlib import suppress
from datetime import date
from pathlib import Path

from fieldcomb.coverage.actions.outputs import write_outputs
from fieldcomb.coverage.cache.folder import KEPT, OUT, Shelf
from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.contents import CopyInputs, make_copy
from fieldcomb.coverage.copies.copy_page import COPY_FILES, copy_html
from fieldcomb.coverage.copies.drawn_ground import closed_ground
from fieldcomb.coverage.copies.shared_finds import open_finds
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.intake.initials import initials_in, initials_of
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.site.folder import Say, finds_in, opened, read_file
from fieldcomb.coverage.site.journal import refuse_link
from fieldcomb.coverage.site.lane_plans import free_file
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import ProgressCallback, survey
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

COPIES = "copies"
UNREAD_MARKS = "its marks could not be read"


@dataclass(frozen=True, slots=True)
class SharedFile:
    """A copy that was written, and what was left out of it: for every site the same, and in this one.

    earlier : name under which the copy that was there before is kept beside it; empty where it was the same, or none.
    """

    path: Path
    left_out: tuple[str, ...]
    here: tuple[str, ...]
    earlier: str = ""


def share_copy(
    folder: Path,
    audience: Audience,
    out: Path | None = None,
    *,
    title: str | None = None,
    since: date | str | None = None,
    say: Say,
    progress: ProgressCallback,
    workers: Workers = ALONE,
) -> SharedFile:
    """Survey a site and write a copy of its report for an owner, a club or the public.

    out : folder of the copy; the folder of copies in the site if not given, so that it lies apart from the precise map.
    title : in place of the site's name.

    A copy that is there already and says something else is kept: somebody may have it, or have changed it by hand.

    Raises SiteError: as a report does, or marks that cannot be read: nobody knows then which ground is closed.
    """
    if out is None:
        out = folder / COPIES
        refuse_link(out, HintKind.OUT_IS_A_LINK())
    inputs = survey_inputs(folder, since=since, say=say)
    given = copy_inputs(folder, inputs.site.finds, title, say=say)
    for note in inputs.notes:
        say(f"note: {note}")
    shelf = Shelf(folder / OUT / KEPT, closed=True)
    store = shelf if shelf.folder.is_dir() else None
    result = survey(inputs.site, inputs.outings, progress=progress, store=store, workers=workers)
    for one in result.report.left_out:
        say(one.sentence)
    _check_closed(result)
    copy = make_copy(result, audience, given)
    path = out / COPY_FILES[audience]
    files = {path.name: copy_html(copy).encode()}
    earlier = read_file(path, SiteError) if path.is_file() and not path.is_symlink() else files[path.name]
    kept = "" if earlier == files[path.name] else free_file(out, f"{path.stem}-before", path.suffix)
    write_outputs(out, {**({kept: earlier} if kept else {}), **files})
    return SharedFile(path, copy.left_out, _left_out_here(result, given), kept)


def copy_inputs(folder: Path, finds: tuple[Find, ...], title: str | None = None, *, say: Say) -> CopyInputs:
    """Return what goes into a copy beside the result, with everybody's name, so that it can be taken out of texts."""
    with opened(folder, say, reading=True) as site:
        people = initials_in(site)
        with suppress(SiteError):  # finds that cannot be read are in no copy, which the survey says
            read = finds_in(site)
            people |= initials_of([*people, *(one.finder for one in read.finds if one.finder)]) if read else {}
        seen = {outing.id: outing.seen for outing in site.outings if outing.seen}
        filled = {outing.id: outing.filled for outing in site.outings if outing.filled}
    return CopyInputs(title, people, finds, seen, filled)


def _check_closed(result: Result) -> None:
    unread = [one.outing for one in result.report.left_out if not one.marks_read]
    if unread or any(UNREAD_MARKS in note for note in result.report.notes):
        which = f" of {', '.join(unread)}" if unread else ""
        problem = f"no copy was made: marks{which} could not be read, so it is not known which ground is closed"
        raise SiteError(problem, hint="Mend what is wrong with the outing, as the report says, and try again")


def _left_out_here(result: Result, given: CopyInputs) -> tuple[str, ...]:
    """Count what there is of what every copy leaves out; for the one who shares it alone, not for the copy."""
    closed = closed_ground(result)
    places = sum(area.kind == "no-go" and bool(area.marked_in) for area in result.layers.areas)
    shut = len(given.finds) - len(open_finds(given.finds, closed, result.report.site.frame))
    photos = sum(len(find.photos) for find in given.finds)
    counts = (
        (places, format_count(places, "closed place")),
        (shut, f"{format_count(shut, 'find')} on closed ground, or of which the place is not known"),
        (photos, format_count(photos, "photograph")),
    )
    return tuple(words for count, words in counts if count)
