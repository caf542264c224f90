"""Drawing a map: surveying, and writing the output folder."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from fieldcomb.coverage.actions.add import Added, Addition
from fieldcomb.coverage.actions.outputs import make_outputs, own_out, write_outputs
from fieldcomb.coverage.cache.folder import KEPT, OUT, Shelf
from fieldcomb.coverage.gis.coordinates import gis_frame
from fieldcomb.coverage.intake.survey_inputs import SurveyInputs, survey_inputs
from fieldcomb.coverage.pool.memory import give_back
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.register.thumbnails import Thumbnails, make_thumbnails
from fieldcomb.coverage.site.folder import Say
from fieldcomb.coverage.survey.results import Report, Result
from fieldcomb.coverage.survey.survey import ProgressCallback, survey
from fieldcomb.tracks.hints import Hint

WroteCallback = Callable[[Mapping[str, bytes], Sequence[str | Hint]], None]


def draw_site(
    folder: Path,
    out: Path | None = None,
    *,
    since: date | str | None = None,
    between: tuple[str, str] | None = None,
    coil: str | None = None,
    epsg: int | None = None,
    depth_m: float | None = None,
    added: Sequence[Added] = (),
    say: Say,
    progress: ProgressCallback,
    workers: Workers = ALONE,
    wrote: WroteCallback = lambda files, said: None,
) -> Report:
    """Survey a site and write its output folder.

    out : the output folder; the site's own if not given. Only in the site's own are results kept for the next time.
    since : only outings from this day on, or since the last event of this kind.
    between : (id, id), two outings to compare.
    epsg : the coordinate system of files for a GIS; the site's frame if not given.
    coil : the coil in hand, as typed: a name of the site's, or a size. Ground to go to is for it.
    depth_m : how deep below the soil it is asked what the coil itself covered.
    added : outings that were just added, whose walks need not be read again.
    say, progress : take notes for the user, and how far the work is.
    workers : do what can be done side by side.
    wrote : called with the files that were written, and what was said of the site itself.

    Returns what was written, as numbers.
    """
    out = own_out(folder) if out is None or out == folder / OUT else out
    given = survey_inputs(folder, since=since, between=between, coil=coil, say=say)
    shelf = Shelf(folder / OUT / KEPT, closed=out != folder / OUT)
    shelf.clear_unfinished()
    store = None if shelf.closed and not shelf.folder.is_dir() else shelf
    pictures = make_thumbnails(folder, given.site.finds, store)
    notes = (*given.site.notes, *pictures.notes)
    given = replace(given, site=replace(given.site, notes=notes))
    run = partial(
        _surveyed, folder, say, between=between, depth_m=depth_m, in_hand=given.in_hand, store=store, workers=workers
    )
    report = _draw(given, out, added, run, say, progress, epsg, workers, pictures, wrote)
    shelf.tidy()
    return report


def _surveyed(folder: Path, say: Say, *given: Any, **wished: Any) -> Result:
    """Survey a site, and have the files of its plans say which lanes are closed now, before a map is drawn of it."""
    from fieldcomb.coverage.actions.close_lanes import close_lanes  # a map alone has no plans

    result = survey(*given, **wished)
    close_lanes(folder, result.report, say)
    return result


def draw_addition(
    addition: Addition,
    out: Path,
    *,
    epsg: int | None = None,
    depth_m: float | None,
    say: Say,
    progress: ProgressCallback,
    workers: Workers = ALONE,
) -> Report:
    """Survey the walks of an addition, as if its site had no others, and write the output folder."""
    given = SurveyInputs(addition.site.as_input(addition.frame), addition.inputs, addition.site.notes)
    run = partial(survey, depth_m=depth_m, workers=workers)
    return _draw(given, out, addition.added, run, say, progress, epsg, workers)


def _draw(
    given: SurveyInputs,
    out: Path,
    added: Sequence[Added],
    run: Callable[..., Result],
    say: Say,
    progress: ProgressCallback,
    epsg: int | None,
    workers: Workers,
    pictures: Thumbnails | None = None,
    wrote: WroteCallback = lambda files, said: None,
) -> Report:
    to = gis_frame(given.site.frame, epsg)
    said: list[str | Hint] = [f"note: {note}" for note in given.notes]
    for note in said:
        say(note)
    give_back()  # what reading the walks has freed
    result = run(given.site, given.outings, progress=progress, checked={one.id: one.checked for one in added})
    for one in result.report.left_out:
        said.append(one.sentence)
        say(one.sentence)
    progress("drawing the map", 0, 1)
    give_back()
    files = make_outputs(result, to, workers, pictures.of if pictures else None)
    write_outputs(out, files)
    wrote(files, said)
    return result.report
