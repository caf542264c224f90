"""Adding walks to a site: all of them are read and looked at before anything is written."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from fieldcomb.coverage.actions.account_export import Account, is_account
from fieldcomb.coverage.actions.given_walks import Split, WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.known_walks import look_for_again
from fieldcomb.coverage.actions.loaded_walks import (
    LoadedOuting,
    LoadedWalk,
    ReadIn,
    in_roster,
    load_walks,
    outing_day,
    site_place,
)
from fieldcomb.coverage.areas.from_marks import Marked, marked_areas
from fieldcomb.coverage.cache.folder import KEPT, OUT, Shelf
from fieldcomb.coverage.cache.memo import Memo
from fieldcomb.coverage.intake.initials import initials_in
from fieldcomb.coverage.intake.survey_inputs import made_from
from fieldcomb.coverage.outings.inputs import HeldPart, OutingInput
from fieldcomb.coverage.outings.walking import CheckedOuting
from fieldcomb.coverage.outings.walks import TooFarError, join_walks
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.site.folder import Say, Site, keep_coil, opened, read_file, shown, stored_files
from fieldcomb.coverage.site.journal import write_all
from fieldcomb.coverage.site.naming import free_name, next_id, safe_name
from fieldcomb.coverage.site.settings import (
    OUTINGS_FILE,
    SITE_FILE,
    TRACKS,
    OutingEntry,
    RecordingEntry,
    overlap,
    swing_of,
    window_of,
)
from fieldcomb.coverage.site.settings_file import read_outings, read_settings
from fieldcomb.coverage.site.settings_text import with_frame, with_outing
from fieldcomb.coverage.survey.inputs import choose_frame, far_apart
from fieldcomb.tracks.errors import SiteError, TrackError, UsageError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.recording import EVER
from fieldcomb.tracks.values import dataclass

WALKS_APART_S = 6 * 3600.0  # a recording that stands still in time for longer holds two walks


@dataclass(frozen=True, slots=True, eq=False)
class Added:
    """One outing that was added; ``checked`` is what a survey goes on with."""

    id: str
    recordings: tuple[ReadIn, ...]
    checked: CheckedOuting


@dataclass(frozen=True, slots=True, eq=False)
class Addition:
    """Outings that can be added to a site.

    site : the site with them. frame : its frame from now on. outings : the new ones, in the order of ``added``.
    files : contents to be written into the site folder, by name. inputs : the new ones as a survey takes them.
    """

    site: Site
    frame: SiteFrame
    outings: tuple[OutingEntry, ...]
    files: dict[str, bytes]
    inputs: tuple[OutingInput, ...]
    added: tuple[Added, ...]


def add(folder: Path, given: WalksToAdd, say: Say, workers: Workers = ALONE) -> tuple[Added, ...]:
    """Add walks to the site in a folder: all of them or, when one of them is at fault, none.

    Of an archive that is split into its recordings, what cannot be added is listed with its reason, and the rest added.
    The walks are kept for the next report, so that it need not read the files again.
    """
    from fieldcomb.coverage.survey.survey import CACHED_TYPES  # a map alone keeps nothing
    from fieldcomb.coverage.survey.walking_in_order import keep_checked

    shelf = Shelf(folder / OUT / KEPT)
    with opened(folder, say) as site:
        shelf.clear_unfinished()
        addition = addition_to(site, given, say, workers)
        _write(site, addition)
        checked = [
            replace(one.checked, made_from=made_from(addition.site, one.id, addition.frame)) for one in addition.added
        ]
        memory = Memo(shelf, CACHED_TYPES)
        for outing, one in zip(addition.inputs, checked, strict=True):
            keep_checked(outing, one, memory)
    areas = marked_areas(_marked(addition), addition.frame, "UTC")
    if any(area.kind == "no-go" for area in areas):
        from fieldcomb.coverage.actions.close_lanes import close_more_lanes  # few walks close any ground

        close_more_lanes(folder, areas, addition.frame, say)
    return tuple(replace(one, checked=new) for one, new in zip(addition.added, checked, strict=True))


def _marked(addition: Addition) -> list[Marked]:
    walked = [one.checked.walked for one in addition.added]
    return [Marked(one.id, one.start_s, one.marks) for one in walked if one is not None]


def addition_to(site: Site, given: WalksToAdd, say: Say, workers: Workers = ALONE) -> Addition:
    """Read and check walks as ``add`` does, and return what would be written; each is read, cleaned and walked once."""
    typed = given.typed
    known, coil = keep_coil(site, typed.coil, typed.swath, typed.sweep)
    # The swing typed with a new name belongs to the coil, so that correcting it there corrects all its outings.
    typed = replace(typed, coil=coil) if known is site else replace(typed, coil=coil, swath=None, sweep=None)
    site, walks = _own_coils(known, given.walks)
    swing_of(site.settings, typed)
    frame, groups = _checked_outings(site, replace(given, typed=typed, walks=walks), say, workers)
    from fieldcomb.coverage.report.mark_words import tell_marks  # brings much along, and the walks are read without it

    zone = site.settings.zone
    for group in groups:
        _tell_days(group.files, zone, say)
        for one in group.files:
            for line in tell_marks(one.item.marks, one.item.mark_notes, zone.key):
                say(f"note: {shown(one.walk.path)}: {line}")
    outings: list[OutingEntry] = []
    files: dict[str, bytes] = {}
    taken = {path.name for path in stored_files(site)}
    for group in groups:
        ids = [outing.id for outing in (*site.outings, *outings)]
        outing_id = next_id(outing_day(group.files[0].first_s, zone), ids, taken)
        recordings = _stored(outing_id, group.files, taken, files)
        outings.append(OutingEntry(outing_id, given.label, given.note, typed, False, recordings, given.unrecorded))
    site = replace(site, outings=(*site.outings, *outings))
    short = initials_in(site)
    inputs = [_as_input(entry, group, short) for entry, group in zip(outings, groups, strict=True)]
    added = [_added(one, group, frame, short) for one, group in zip(inputs, groups, strict=True)]
    return Addition(site, frame, tuple(outings), files, tuple(inputs), tuple(added))


def _checked_outings(site: Site, given: WalksToAdd, say: Say, workers: Workers) -> tuple[SiteFrame, list[LoadedOuting]]:
    """Read walks and check them; returns the site's frame from now on, and what is to be an outing each."""
    alone, archives = [], []
    for walk in given.walks:
        data = walk.content()
        if given.split is Split.RECORDINGS and is_account(data):
            archives.append(walk)
        else:
            alone.append((walk, data))
    frame = site.settings.frame or (choose_frame(site.areas, ()) if site.areas else None)
    place = None if frame is None else site_place(site, given.typed, frame)
    loaded = load_walks(site.settings, alone, given.typed, workers, place, stored=given.stored)
    _refuse_doubles(site, loaded)
    account = Account(site, given.typed, place, loaded)
    for walk in archives:
        account.take(walk, walk.content())
    recordings = [*(one.item.recording for one in loaded), *account.recordings]
    if place is None and recordings:
        place = site_place(site, given.typed, choose_frame((), recordings))
    groups: list[LoadedOuting] = []
    try:
        if place is not None and loaded:
            together = [loaded] if given.split is Split.TOGETHER else [[one] for one in loaded]
            groups = place.walked_each(together, workers)
            look_for_again(site, place.frame, [one for group in groups for one in group.files], say)
        groups += [] if place is None else account.outings(place)
    except TooFarError as error:
        apart = far_apart(recordings, [shown(walk.path) for walk in given.walks]) if frame is None else None
        raise apart or error from error
    account.tell(say)
    if place is None or not groups:
        file = ", ".join(shown(walk.path) for walk in archives)
        hint = "The list above says why for each. Is this the right archive for this site?"
        raise TrackError("holds nothing that can be added to this site", file=file, hint=hint)
    return place.frame, groups


def _as_input(entry: OutingEntry, group: LoadedOuting, short: Mapping[str, str]) -> OutingInput:
    unrecorded = tuple(short[name] for name in entry.unrecorded)
    part = HeldPart(group.pieces)
    return OutingInput(entry.id, entry.label, entry.note, (part,), unrecorded, size_bytes=group.size_bytes)


def _added(outing: OutingInput, group: LoadedOuting, frame: SiteFrame, short: Mapping[str, str]) -> Added:
    walked = join_walks(outing, group.chains, frame)
    walks = tuple(replace(one, searcher=short[one.searcher] if one.searcher else None) for one in walked.walks)
    recordings = tuple(
        replace(one, searcher=short[one.searcher] if one.searcher else None) for one in walked.recordings
    )
    checked = CheckedOuting(frame, None, replace(walked, walks=walks, recordings=recordings))
    return Added(outing.id, tuple(one.read_in for one in group.files), checked)


def _own_coils(site: Site, walks: Sequence[WalkToAdd]) -> tuple[Site, list[WalkToAdd]]:
    """Take the coils that rows of a roster name for good (``small=13x20cm``) into the site's coils."""
    out = []
    for walk in walks:
        own = walk.typed
        try:
            known, coil = keep_coil(site, own.coil, own.swath)
        except UsageError as error:
            raise in_roster(error, walk) from error
        swath = own.swath if known is site else None  # as for the whole outing, it belongs to the new coil
        out.append(replace(walk, typed=replace(own, coil=coil, swath=swath)))
        site = known
    return site, out


def _tell_days(group: Sequence[LoadedWalk], zone: ZoneInfo, say: Say) -> None:
    """Say when files of several days are about to become one outing, and what a window leaves of a recording."""
    days = sorted({outing_day(one.first_s, zone) for one in group})
    if len(days) > 1:
        say(HintKind.SEVERAL_DAYS(count=len(days), days=", ".join(days)))
    for one in group:
        times = one.item.recording.track.time_s
        times = times[np.isfinite(times)]
        low, high = one.item.window
        walked = np.sort(times[(times >= low) & (times <= high)])
        begun = walked[np.diff(walked, prepend=-math.inf) > WALKS_APART_S]
        if len(own := sorted({outing_day(float(time), zone) for time in begun})) > 1:
            say(HintKind.SEVERAL_WALKS(file=shown(one.walk.path), count=len(own), days=", ".join(own)))
        if one.item.window != EVER and times.size:
            begin, end = (datetime.fromtimestamp(t, UTC).astimezone(zone) for t in (times.min(), times.max()))
            outside = -math.inf < low < times.min() or times.max() < high < math.inf
            beyond = "; a typed time lies outside it: is the zone right?" if outside else ""
            until = f"{end:%H:%M}" if end.date() == begin.date() else f"{end:%Y-%m-%d %H:%M}"
            said = f"recorded {begin:%Y-%m-%d %H:%M} to {until} ({zone.key})"
            say(f"note: {shown(one.walk.path)}: {said}{beyond}")


def _refuse_doubles(site: Site, loaded: Sequence[LoadedWalk]) -> None:
    """The same file may come twice only with times that do not overlap, as when the coil was changed."""
    for number, one in enumerate(loaded):
        for other in loaded[:number]:
            if one.sha256 == other.sha256 and overlap(one.item.window, other.item.window):
                problem = f"is the same recording as {shown(other.walk.path)}, named twice in this command"
                raise TrackError(problem, file=shown(one.walk.path), hint=HintKind.GIVE_ONCE_OR_CUT())
        for outing in site.outings:
            for old in outing.recordings:
                same = one.sha256 == old.sha256
                if same and overlap(one.item.window, window_of(old.start, old.end, site.settings.zone)):
                    raise _double(one, outing, old)


def _double(one: LoadedWalk, outing: OutingEntry, old: RecordingEntry) -> TrackError:
    problem = f"was added before, in outing {outing.id} as {old.name}"
    kind = HintKind.TAKE_BACK if outing.left_out else HintKind.CORRECT_OR_CUT
    return TrackError(problem, file=shown(one.walk.path), hint=kind(outing=outing.id))


def _stored(
    outing_id: str, group: Sequence[LoadedWalk], taken: set[str], files: dict[str, bytes]
) -> tuple[RecordingEntry, ...]:
    """Return the recordings of an outing with the names of their files, and put their contents into ``files``.

    ``taken`` are names that are in use; the new ones are added to them.
    """
    stored: dict[str, str] = {}
    recordings = []
    for one in group:
        if one.sha256 not in stored:
            name = stored[one.sha256] = free_name(f"{outing_id}-{safe_name(one.name)}", taken)
            taken.add(name)
            files[f"{TRACKS}/{name}"] = one.data
        walk, name = one.walk, stored[one.sha256]
        recordings.append(RecordingEntry(name, one.name, one.sha256, walk.start, walk.end, walk.typed, walk.searcher))
    return tuple(recordings)


def _write(site: Site, addition: Addition) -> None:
    """Write the files, then the settings, and last the outings, which make all of it count."""
    settings, text, files = addition.site.settings, site.outings_file.text, dict(addition.files)
    content = settings.file.text if settings.frame else with_frame(settings.file.text, addition.frame)
    for outing in addition.outings:
        text = with_outing(text, outing)
    written = read_outings(text.encode(), site.outings_file.name, settings.zone)[1]
    if read_settings(content.encode(), settings.file.name).frame != addition.frame or written != addition.site.outings:
        hint = f"Write outings in it as [[outing]], as in a fresh {OUTINGS_FILE}"
        raise SiteError("its layout leaves no room for another outing", file=site.outings_file.name, hint=hint)
    if content.encode() != read_file(site.folder / SITE_FILE, SiteError):
        files[SITE_FILE] = content.encode()
    files[OUTINGS_FILE] = text.encode()
    write_all(site.folder, files)
