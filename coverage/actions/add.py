"""Adding walks to a site: all of them are read and looked at before anything is written."""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from fieldcomb.coverage.actions.coil_changes import by_coil, with_marks
from fieldcomb.coverage.actions.given_walks import WalkToAdd
from fieldcomb.coverage.actions.initials import initials_in
from fieldcomb.coverage.actions.known_walks import look_for_again
from fieldcomb.coverage.actions.survey_inputs import made_from
from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.areas import place_areas
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.outings.inputs import OutingInput, RecordingInput
from fieldcomb.coverage.outings.walks import CheckedOuting, WalkedChain, join_walks, own_fixes, walk_recordings
from fieldcomb.coverage.report.mark_words import tell_marks
from fieldcomb.coverage.site.folder import AREAS_FILE, Say, Site, keep_coil, opened, read_file, shown, stored_files
from fieldcomb.coverage.site.journal import write_all
from fieldcomb.coverage.site.naming import ID_WITHOUT_DATE, free_name, next_id, safe_name
from fieldcomb.coverage.site.settings import (
    OUTINGS_FILE,
    SITE_FILE,
    TRACKS,
    OutingEntry,
    RecordingEntry,
    Settings,
    Typed,
    overlap,
    spacings_typed,
    swing_of,
    top_pace_of,
    window_of,
)
from fieldcomb.coverage.site.settings_file import read_outings, read_settings
from fieldcomb.coverage.site.settings_text import with_frame, with_outing
from fieldcomb.coverage.survey.inputs import check_distance, check_search, check_walked_cells, choose_frame
from fieldcomb.tracks.errors import FieldcombError, SiteError, TrackError, UsageError
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.motion.states import no_search_notes
from fieldcomb.tracks.recording import Floats, Window
from fieldcomb.tracks.units import local_date

CLOCK_UNSET_S = 3 * 86_400.0  # an outing is one visit, so a fix this long before the middle of it has a wrong clock


@dataclass(frozen=True, slots=True)
class ReadIn:
    """What was read from one file: fixes in it, those left out by reason, how it was swung, and what there is to say.

    coil_assumed : nobody named a coil, neither now nor as the site's default.
    """

    file: str
    swing: Swing
    coil_assumed: bool
    fixes: int
    dropped: dict[str, int]
    notes: tuple[str, ...]


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


@dataclass(frozen=True, slots=True, eq=False)
class _Loaded:
    """A walk that has been read, before it is decided where it goes; ``fixes`` are its own, once it is walked."""

    walk: WalkToAdd
    data: bytes
    sha256: str
    window: Window
    item: RecordingInput
    read_in: ReadIn
    fixes: Fixes | None = None
    first_s: float = math.nan  # of the first usable fix

    @property
    def name(self) -> str:
        return shown(Path(self.walk.path).name)


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Files that make one outing, in order of time, and their walks."""

    files: tuple[_Loaded, ...]
    pieces: tuple[RecordingInput, ...]
    chains: tuple[WalkedChain, ...]


def add(
    folder: Path,
    walks: Sequence[WalkToAdd],
    typed: Typed,
    *,
    label: str | None = None,
    note: str | None = None,
    each: bool = False,
    unrecorded: Sequence[str] = (),
    say: Say,
) -> tuple[Added, ...]:
    """Add walks to a site: all of them or, when one of them is at fault, none.

    folder : the site folder.
    walks : files that make one outing, ordered by time here.
    typed : what was typed for all of them; a coil may be named for good (``small=13x20cm``).
    label, note : kept with the outing.
    each : true makes one outing of each file.
    unrecorded : people of the team who searched without a recording.
    say : takes notes for the user.
    """
    with opened(folder, say) as site:
        addition = addition_to(site, walks, typed, label=label, note=note, each=each, unrecorded=unrecorded, say=say)
        _write(site, addition)
        checked = [
            replace(one.checked, made_from=made_from(addition.site, one.id, addition.frame)) for one in addition.added
        ]
    return tuple(replace(one, checked=new) for one, new in zip(addition.added, checked, strict=True))


def addition_to(
    site: Site,
    walks: Sequence[WalkToAdd],
    typed: Typed,
    *,
    label: str | None = None,
    note: str | None = None,
    each: bool = False,
    unrecorded: Sequence[str] = (),
    say: Say,
) -> Addition:
    """Read and check walks as ``add`` does, and return what would be written; each is read, cleaned and walked once."""
    known, coil = keep_coil(site, typed.coil, typed.swath, typed.sweep)
    # The swing typed beside a new name belongs to the coil, so that correcting it there corrects all its outings.
    typed = replace(typed, coil=coil) if known is site else replace(typed, coil=coil, swath=None, sweep=None)
    site, walks = _own_coils(known, walks)
    swing_of(site.settings, typed)
    loaded = [_load(site.settings, walk, typed) for walk in walks]
    _refuse_doubles(site, loaded)
    frame = site.settings.frame or choose_frame(site.areas, [one.item.recording for one in loaded])
    pegs = site.pegs_in(frame)
    areas, _ = place_areas(site.areas, frame, AREAS_FILE)
    together = [[one] for one in loaded] if each else [loaded]
    groups = [_walked(site.settings, typed, files, pegs, frame, areas) for files in together]
    loaded = [one for group in groups for one in group.files]
    days = {outing_day(one.first_s, site.settings.zone) for one in loaded}
    look_for_again(site, frame, [(one.item, one.fixes) for one in loaded if one.fixes is not None], days, say)
    for group in groups:
        _tell_days(group.files, site.settings.zone, say)
        for one in group.files:
            for line in tell_marks(one.item.marks, one.item.mark_notes, site.settings.zone.key):
                say(f"note: {shown(one.walk.path)}: {line}")
    outings: list[OutingEntry] = []
    files: dict[str, bytes] = {}
    for group in groups:
        entry = _entry(site, outings, group.files, typed, label, note, files)
        outings.append(replace(entry, unrecorded=tuple(unrecorded)))
    site = replace(site, outings=(*site.outings, *outings))
    short = initials_in(site)
    inputs = [_as_input(entry, group, short) for entry, group in zip(outings, groups, strict=True)]
    added = [_added(given, group, frame, short) for given, group in zip(inputs, groups, strict=True)]
    return Addition(site, frame, tuple(outings), files, tuple(inputs), tuple(added))


def _walked(
    settings: Settings,
    typed: Typed,
    files: Sequence[_Loaded],
    pegs: tuple[Peg, ...],
    frame: SiteFrame,
    areas: Sequence[AreaShape],
) -> _Group:
    """Walk the files of one outing as a survey does, and see that they are of this site and when each began."""
    cut = [by_coil(settings, (one.walk.typed, typed), replace(one.item, pegs=pegs)) for one in files]
    pieces = tuple(piece for parts in cut for piece in parts)
    of_file = np.repeat(np.arange(len(files)), [len(parts) for parts in cut])
    chains = walk_recordings(pieces, frame)
    check_search([chain.walk for chain in chains], files[0].item.file, areas)
    for chain in chains:
        check_distance(chain.walk, chain.chain[0].shown_as, areas, frame, settings.frame is None)
    check_walked_cells([(chain.walk, chain.chain[0].shown_as) for chain in chains], settings.cell_m, areas)
    seen = [_looked_at(one, chains, np.flatnonzero(of_file == n).tolist()) for n, one in enumerate(files)]
    return _Group(tuple(sorted(seen, key=_first)), pieces, chains)


def _looked_at(one: _Loaded, chains: Sequence[WalkedChain], numbers: Sequence[int]) -> _Loaded:
    """Gather what was met in the pieces of one file, and when its walk began."""
    fixes, dropped = own_fixes(chains, numbers)
    mine = [chain for chain in chains if set(chain.numbers) & set(numbers)]
    met = (
        note
        for chain in mine
        for note in (*chain.cleaned.notes, *chain.walk.notes, *no_search_notes(chain.walk.no_search))
    )
    notes = tuple(dict.fromkeys((*one.item.recording.notes, *met)))
    read_in = replace(one.read_in, dropped=dropped, notes=notes)
    return replace(one, read_in=read_in, fixes=fixes, first_s=begin_s(fixes.t_s))


def _as_input(entry: OutingEntry, group: _Group, short: Mapping[str, str]) -> OutingInput:
    unrecorded = tuple(short[name] for name in entry.unrecorded)
    return OutingInput(entry.id, entry.label, entry.note, partial(tuple, group.pieces), unrecorded)


def _added(outing: OutingInput, group: _Group, frame: SiteFrame, short: Mapping[str, str]) -> Added:
    walked = join_walks(outing, group.chains, frame)
    recordings = [replace(one, searcher=short[one.searcher] if one.searcher else None) for one in walked.recordings]
    checked = CheckedOuting(frame, None, replace(walked, recordings=tuple(recordings)))
    return Added(outing.id, tuple(one.read_in for one in group.files), checked)


def _own_coils(site: Site, walks: Sequence[WalkToAdd]) -> tuple[Site, list[WalkToAdd]]:
    """Take the coils that rows of a roster name for good (``small=13x20cm``) into the site's coils."""
    out = []
    for walk in walks:
        own = walk.typed
        try:
            known, coil = keep_coil(site, own.coil, own.swath)
        except UsageError as error:
            raise _in_roster(error, walk) from error
        swath = own.swath if known is site else None  # as for the whole outing, it belongs to the new coil
        out.append(replace(walk, typed=replace(own, coil=coil, swath=swath)))
        site = known
    return site, out


def _in_roster(error: UsageError, walk: WalkToAdd) -> FieldcombError:
    """Return an error with the line of the roster that it comes from, if there is one."""
    if walk.place is None:
        return error
    file, line = walk.place
    return SiteError(error.problem, file=file, where=f"line {line}", hint=error.hint)


def _tell_days(group: Sequence[_Loaded], zone: ZoneInfo, say: Say) -> None:
    """Say when files of several days are about to become one outing, and what a window leaves of a recording."""
    days = sorted({outing_day(one.first_s, zone) for one in group})
    if len(days) > 1:
        say(HintKind.SEVERAL_DAYS(count=len(days), days=", ".join(days)))
    for one in group:
        times = one.item.recording.track.time_s
        times = times[np.isfinite(times)]
        if one.window != (None, None) and times.size:
            begin, end = (datetime.fromtimestamp(t, UTC).astimezone(zone) for t in (times.min(), times.max()))
            low, high = one.window
            outside = (low is not None and low < times.min()) or (high is not None and high > times.max())
            beyond = "; a typed time lies outside it: is the zone right?" if outside else ""
            said = f"recorded {begin:%Y-%m-%d %H:%M} to {end:%H:%M} ({zone.key})"
            say(f"note: {shown(one.walk.path)}: {said}{beyond}")


def _first(one: _Loaded) -> float:
    return one.first_s if math.isfinite(one.first_s) else math.inf


def _load(settings: Settings, walk: WalkToAdd, typed: Typed) -> _Loaded:
    try:
        window = window_of(walk.start, walk.end, settings.zone)
        swing = swing_of(settings, walk.typed, typed)
    except UsageError as error:
        raise _in_roster(error, walk) from error
    data = walk.content()
    recording = walk.recording or read_recording(data, shown(walk.path), member=walk.data is not None)
    pace = top_pace_of(settings, walk.typed, typed)
    named = replace(recording, file=shown(Path(walk.path).name))
    item = RecordingInput(named.file, named, swing, walk.searcher, window, pace, given_as=recording.file)
    item = replace(item, spacings=spacings_typed(walk.typed, typed))
    item = with_marks(settings, (walk.typed, typed), item)
    assumed = all(level.coil is None for level in (walk.typed, typed, settings.defaults))
    sha256 = hashlib.sha256(data).hexdigest()
    read_in = ReadIn(shown(walk.path), swing, assumed, len(recording.track), {}, ())
    return _Loaded(walk, data, sha256, window, item, read_in)


def begin_s(t_s: Floats) -> float:
    """Return the time of the first fix, those aside whose clock is days before the rest: it was not set yet."""
    if t_s.size == 0 or not np.isfinite(t_s).all():
        return math.nan
    return float(t_s[t_s >= np.median(t_s) - CLOCK_UNSET_S][0])


def _refuse_doubles(site: Site, loaded: Sequence[_Loaded]) -> None:
    """The same file may come twice only with times that do not overlap, as when the coil was changed."""
    for number, one in enumerate(loaded):
        for other in loaded[:number]:
            if one.sha256 == other.sha256 and overlap(one.window, other.window):
                problem = f"is the same recording as {shown(other.walk.path)}, named twice in this command"
                raise TrackError(problem, file=shown(one.walk.path), hint=HintKind.GIVE_ONCE_OR_CUT())
        for outing in site.outings:
            for old in outing.recordings:
                same = one.sha256 == old.sha256
                if same and overlap(one.window, window_of(old.start, old.end, site.settings.zone)):
                    raise _double(one, outing, old)


def _double(one: _Loaded, outing: OutingEntry, old: RecordingEntry) -> TrackError:
    problem = f"was added before, in outing {outing.id} as {old.name}"
    kind = HintKind.TAKE_BACK if outing.left_out else HintKind.CORRECT_OR_CUT
    return TrackError(problem, file=shown(one.walk.path), hint=kind(outing=outing.id))


def _entry(
    site: Site,
    earlier: Sequence[OutingEntry],
    group: Sequence[_Loaded],
    typed: Typed,
    label: str | None,
    note: str | None,
    files: dict[str, bytes],
) -> OutingEntry:
    """Return the entry of an outing with its id and the names of its files; ``files`` takes their contents."""
    taken = {path.name for path in stored_files(site)} | {name.partition("/")[2] for name in files}
    ids = [outing.id for outing in (*site.outings, *earlier)]
    outing_id = next_id(outing_day(group[0].first_s, site.settings.zone), ids, taken)
    stored: dict[str, str] = {}
    recordings = []
    for one in group:
        if one.sha256 not in stored:
            name = free_name(f"{outing_id}-{safe_name(one.name)}", taken)
            stored[one.sha256] = name
            taken.add(name)
            files[f"{TRACKS}/{name}"] = one.data
        walk = one.walk
        recordings.append(
            RecordingEntry(stored[one.sha256], one.name, one.sha256, walk.start, walk.end, walk.typed, walk.searcher)
        )
    return OutingEntry(outing_id, label, note, typed, False, tuple(recordings))


def outing_day(first_s: float, zone: ZoneInfo) -> str:
    """Return the day of a moment as ids of outings have it."""
    day = local_date(first_s, zone)
    return day.isoformat() if day else ID_WITHOUT_DATE


def _write(site: Site, addition: Addition) -> None:
    """Write the files, then the settings, and last the outings, which make all of it count."""
    settings, text, files = addition.site.settings, site.outings_file.text, dict(addition.files)
    content = settings.file.text if settings.frame else with_frame(settings.file.text, addition.frame)
    for outing in addition.outings:
        text = with_outing(text, outing)
    written = read_outings(text.encode(), site.outings_file.name, settings.zone)[1]
    if read_settings(content.encode(), settings.file.name).frame != addition.frame or written != addition.site.outings:
        hint = f"Write outings in it as [[outing]], as in a fresh {OUTINGS_FILE}"
        raise SiteError("its layout leaves no place for one more outing", file=site.outings_file.name, hint=hint)
    if content.encode() != read_file(site.folder / SITE_FILE, SiteError):
        files[SITE_FILE] = content.encode()
    files[OUTINGS_FILE] = text.encode()
    write_all(site.folder, files)
