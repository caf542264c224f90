"""Everything that a survey of a site takes, looked up in its folder."""

import hashlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path

import shapely

from fieldcomb.coverage.areas.areas import place_areas
from fieldcomb.coverage.finds.find import FINDS_FILE, Find
from fieldcomb.coverage.finds.placing import of_this_site
from fieldcomb.coverage.finds.reading import fewer_notes
from fieldcomb.coverage.gear.coils import OwnCoil, own_coil, parse_coil
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.gear.target_ids import NO_RULE
from fieldcomb.coverage.intake.coil_changes import by_coil, presses_of, with_marks
from fieldcomb.coverage.intake.initials import initials_in, initials_of
from fieldcomb.coverage.outings.inputs import OutingInput, RecordingInput
from fieldcomb.coverage.raster.polygons import Shape
from fieldcomb.coverage.season.events import EVENTS_FILE, GroundEvent
from fieldcomb.coverage.site.folder import (
    AREAS_FILE,
    NO_AREAS,
    PLANTED_FILE,
    Say,
    Site,
    events_in,
    finds_in,
    opened,
    read_file,
    shown,
    stored_files,
)
from fieldcomb.coverage.site.lane_plans import declared_plans
from fieldcomb.coverage.site.settings import (
    OUTINGS_FILE,
    TRACKS,
    OutingEntry,
    RecordingEntry,
    Settings,
    Typed,
    spacings_typed,
    swing_of,
    top_pace_of,
    window_of,
)
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.coverage.todo.planted import PlantedOn, PlantedTarget, place_planted, read_planted
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.recording import Span
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class SurveyInputs:
    """What a survey of the site takes, and what there is to say before it."""

    site: SiteInput
    outings: tuple[OutingInput, ...]
    notes: tuple[str, ...]
    in_hand: OwnCoil | None = None


def survey_inputs(
    folder: Path,
    *,
    since: date | str | None = None,
    between: tuple[str, str] | None = None,
    coil: str | None = None,
    say: Say,
) -> SurveyInputs:
    """Look up everything that a survey of the site takes; the files themselves are read one outing at a time.

    since : the day from which on outings count, or a kind of event: the last one of that kind.

    Raises SiteError: no outings, or a fault in a file of the site. That a file in tracks/ is there, and is still the
    one that was added, is checked when its turn comes.
    """
    with opened(folder, say, reading=True) as site:
        events, said_of_events = _events(site)
        began = _began(since, events, said_of_events) if isinstance(since, str) else since
        chosen, notes = _chosen(site, began.day if isinstance(began, GroundEvent) else began)
        notes += said_of_events
        if isinstance(began, GroundEvent) and began.area:
            what = f"Only {began.area!r} changed on {began.day} ({began.kind})"
            rest = "elsewhere what was walked before is no ground to do, though percentages count outings since alone"
            notes.append(f"{what}; {rest}")
        gone = [NO_AREAS] if NO_AREAS in site.notes else []
        partly = (*gone, *notes)
        if between is not None:
            _check_between(site, chosen, between)
        short = initials_in(site)
        frame = site.settings.frame
        pegs = () if frame is None else site.pegs_in(frame)
        given = tuple(_outing_input(site, site.outings.index(outing), short, pegs) for outing in chosen)
        others, unread = _others(site, chosen, short, pegs)
        notes += unread
        named = {item.stored for outing in site.outings for item in outing.recordings}
        for path in stored_files(site):
            if path.name not in named:
                notes.append(f"{TRACKS}/{shown(path.name)} belongs to no outing and is not used")
        if site.settings.frame is None:
            problem = "key 'frame' is missing though outings were added"
            hint = "Put back what fieldcomb wrote there; report.json has it as frame_origin"
            raise SiteError(problem, file=site.settings.file.name, hint=hint)
        finds, faults = _finds(site, site.settings.frame, between or ([one.id for one in chosen] if since else None))
        whole = replace(site.as_input(site.settings.frame), notes=(*partly, *faults), others=others, finds=finds)
        whole = replace(whole, events=events, since=began)
        if since is None and between is None:  # a sheet says which lanes were walked, and seldom on which day
            lanes, said = declared_plans(site, site.settings.frame)
            whole = replace(whole, lanes=lanes)
            planted, more = _planted(site, whole)
            whole = replace(whole, planted=planted, notes=(*whole.notes, *said, *more))
        return SurveyInputs(whole, given, (*site.notes, *notes), None if coil is None else _in_hand(site, coil))


def _events(site: Site) -> tuple[tuple[GroundEvent, ...], list[str]]:
    """Read what changed the ground, with sentences on what of it cannot be used."""
    try:
        events, notes = events_in(site)
    except SiteError as error:
        return (), [f"Changes of the ground are not counted: {error}"]
    return events, list(notes)


def _began(kind: str, events: Sequence[GroundEvent], said: Sequence[str]) -> GroundEvent:
    """Return the last event of a kind; UsageError where there is none."""
    found = [event for event in events if event.kind == kind]
    if not found:
        known = "; ".join(f"{event.kind} on {event.day}" for event in events) or " ".join(said) or "none"
        hint = f"Write it there with its date, or give a date. Events there: {known}"
        raise UsageError(f"{EVENTS_FILE} has no event {kind!r} to begin from", hint=hint)
    return found[-1]


def _planted(site: Site, whole: SiteInput) -> tuple[tuple[PlantedTarget, ...], list[str]]:
    """Read the targets that were buried on purpose, with sentences on what of them cannot be used."""
    if not (site.folder / PLANTED_FILE).exists():
        return (), []
    try:
        raw = read_file(site.folder / PLANTED_FILE, SiteError, name=PLANTED_FILE)
        rows, notes = read_planted(raw, PLANTED_FILE)
    except SiteError as error:
        return (), [f"Planted targets are not counted: {error}"]
    edge = _edge(site, whole.frame)
    swung = [swing_of(site.settings, r.typed, o.typed) for o in site.outings for r in o.recordings]
    coils = {*site.settings.coils, *(swing.coil.name for swing in swung)}
    targets, faults = place_planted(rows, PlantedOn(whole.frame, edge, whole.lanes, coils), PLANTED_FILE)
    return tuple(targets), [*notes, *faults]


def _edge(site: Site, frame: SiteFrame) -> Shape | None:
    """Return the ground of the site in metres; None where nobody drew it."""
    shapes = [area.shape for area in place_areas(site.areas, frame, AREAS_FILE)[0] if area.kind == "site"]
    return shapely.union_all(shapes) if shapes else None


def _finds(site: Site, frame: SiteFrame, only: Sequence[str] | None) -> tuple[tuple[Find, ...], list[str]]:
    """Read the finds, with initials for those who found them, and sentences on what of them cannot be used.

    only : ids of outings that the report is limited to; None for a report of the whole site.
    """
    try:
        read = finds_in(site)
    except SiteError as error:
        return (), [f"Finds are not counted: {error}"]
    if read is None:
        return (), []
    finds, notes = of_this_site(read.finds, frame, _edge(site, frame), {one.id for one in site.outings}, FINDS_FILE)
    if only is not None:
        finds = tuple(find for find in finds if find.outing in only)
    short = initials_in(site)
    short |= initials_of([*short, *(find.finder for find in finds if find.finder)])
    finds = tuple(replace(find, finder=short[find.finder]) if find.finder else find for find in finds)
    return finds, fewer_notes((*read.notes, *notes))


def _in_hand(site: Site, text: str) -> OwnCoil:
    """Return a coil that was typed: a name of the site's, or a size, as it is usually swung."""
    known = site.settings.coils
    coil = parse_coil(text, {name: entry.coil for name, entry in known.items()})
    entry = known.get(coil.name)
    if entry is None:
        return own_coil(coil, None, None, None, NO_RULE)
    return own_coil(coil, entry.swath_m, entry.sweep_s, entry.reach_m, entry.rule)


def _others(
    site: Site, chosen: Sequence[OutingEntry], short: Mapping[str, str], pegs: tuple[Peg, ...]
) -> tuple[tuple[OutingInput, ...], list[str]]:
    """Outings that are not in the report, for the ground that they marked; a faulty one is reported, not fatal."""
    others: list[OutingInput] = []
    notes = []
    for number, outing in enumerate(site.outings):
        if outing in chosen:
            continue
        try:
            others.append(_outing_input(site, number, short, pegs))
        except (SiteError, UsageError) as error:
            notes.append(f"Outing {outing.id} is not counted, and its marks could not be read: {error.fault}")
    return tuple(others), notes


def _chosen(site: Site, since: date | None) -> tuple[list[OutingEntry], list[str]]:
    file = shown(site.folder)
    if not site.outings:
        raise SiteError("has no outings yet", file=file, hint=HintKind.ADD_A_WALK(site=file))
    chosen = [outing for outing in site.outings if not outing.left_out]
    left = [outing.id for outing in site.outings if outing.left_out]
    notes = [f"Left out, as you asked: {', '.join(left)}"] if left else []
    if not chosen:
        raise SiteError("all of its outings are left out", file=file, hint=HintKind.TAKE_ONE_BACK())
    if since is not None:
        undated = [outing.id for outing in chosen if _day(outing) is None]
        if undated:
            notes.append(f"Left out of a report since {since}, for lack of a date: {', '.join(undated)}")
        dated = [outing for outing in chosen if _day(outing) is not None]
        chosen = [outing for outing in dated if (day := _day(outing)) is not None and day >= since]
        if len(dated) > len(chosen):
            earlier = len(dated) - len(chosen)
            which = format_count(earlier, "earlier outing")
            notes.append(f"Only outings since {since}: {which} left out")
        if not chosen:
            raise SiteError(f"has no outings since {since}", file=file, hint="Choose an earlier date")
    return chosen, notes


def _day(outing: OutingEntry) -> date | None:
    try:
        return date.fromisoformat(outing.id[:10])
    except ValueError:
        return None


def _check_between(site: Site, chosen: Sequence[OutingEntry], between: tuple[str, str]) -> None:
    for outing_id in between:
        outing = site.outings[site.outing_number(outing_id)]
        if outing not in chosen:
            if outing.left_out:
                raise UsageError(f"outing {outing_id!r} is left out", hint=HintKind.TAKE_BACK(outing=outing_id))
            raise UsageError(f"outing {outing_id!r} is of no day since then", hint="Choose an earlier date")
    if between[0] == between[1]:
        raise UsageError("--between was given the same outing twice", hint="Name two different outings")


@dataclass(frozen=True, slots=True)
class _Planned:
    """One recording, looked up but not read yet."""

    outing: str
    path: Path
    entry: RecordingEntry
    searcher: str | None
    swing: Swing
    window: Span
    top_pace_m_s: float | None
    typed: tuple[Typed, Typed]  # for the recording, and for its outing


def _outing_input(site: Site, number: int, short: Mapping[str, str], pegs: tuple[Peg, ...]) -> OutingInput:
    outing = site.outings[number]
    planned = tuple(_planned(site, number, place, short) for place in range(len(outing.recordings)))
    unrecorded = tuple(short[name] for name in outing.unrecorded)
    parts = tuple(partial(_load, site.settings, one, pegs) for one in planned)
    known_by = partial(_known_by, site.settings, planned, pegs)
    return OutingInput(outing.id, outing.label, outing.note, parts, unrecorded, known_by, _size_bytes(planned))


def made_from(site: Site, outing_id: str, frame: SiteFrame) -> tuple[object, ...]:
    """Return all that the walks of an outing depend on, as ``known_by`` of its input returns it."""
    number, short = site.outing_number(outing_id), initials_in(site)
    places = range(len(site.outings[number].recordings))
    return _depends(site.settings, [_planned(site, number, place, short) for place in places], site.pegs_in(frame))


def _planned(site: Site, number: int, place: int, short: Mapping[str, str]) -> _Planned:
    outing = site.outings[number]
    entry = outing.recordings[place]
    try:
        swing = swing_of(site.settings, entry.typed, outing.typed)
        pace = top_pace_of(site.settings, entry.typed, outing.typed)
    except UsageError as error:
        own = entry.typed != Typed()
        keys = ("outing", number, "recording", place, "coil") if own else ("outing", number, "coil")
        raise site.outings_file.fault(keys, f"outing {outing.id}: {error.problem}", error.hint) from error
    _check_laps(site, number, entry.typed)
    who = short[entry.searcher] if entry.searcher else None
    window = window_of(entry.start, entry.end, site.settings.zone)
    path = site.folder / TRACKS / entry.stored
    return _Planned(outing.id, path, entry, who, swing, window, pace, (entry.typed, outing.typed))


def _check_laps(site: Site, number: int, typed: Typed) -> None:
    outing = site.outings[number]
    try:
        presses_of(site.settings, typed, outing.typed)
    except UsageError as error:
        if outing.typed.laps is None:
            raise site.settings.file.fault(("defaults", "laps"), error.problem, error.hint) from error
        keys = ("outing", number, "laps")
        raise site.outings_file.fault(keys, f"outing {outing.id}: {error.problem}", error.hint) from error


def _size_bytes(planned: Sequence[_Planned]) -> int:
    """Return how large files are together; what is missing is told later."""
    size = 0
    for one in planned:
        with suppress(OSError):
            size += one.path.stat().st_size
    return size


def _load(settings: Settings, one: _Planned, pegs: tuple[Peg, ...]) -> tuple[RecordingInput, ...]:
    """Read a file, if it is still the one that was added; cut where the coil was changed."""
    name, data = one.entry.name, _data(one)
    recording = read_recording(data, name)
    item = RecordingInput(name, recording, one.swing, one.searcher, one.window, one.top_pace_m_s)
    item = replace(item, pegs=pegs, spacings=spacings_typed(*one.typed))
    marked = with_marks(settings, one.typed, item)
    return tuple(by_coil(settings, one.typed, marked))


def _data(one: _Planned) -> bytes:
    """Read a file, if it is still the one that was added."""
    file = f"{TRACKS}/{one.entry.stored}"  # whichever way the site was named: it goes into the report
    if not one.path.exists():
        raise SiteError("is missing", file=file, hint=HintKind.FILE_IS_MISSING(name=one.entry.name, outing=one.outing))
    data = read_file(one.path, SiteError, name=file)
    if hashlib.sha256(data).hexdigest() != one.entry.sha256:
        hint = f"Put the file back as it was when it was added as {one.entry.name}; fieldcomb never changes it"
        raise SiteError(
            f"has changed since it was added (its checksum does not match {OUTINGS_FILE})",
            file=file,
            hint=hint,
        )
    return data


def _known_by(settings: Settings, planned: tuple[_Planned, ...], pegs: tuple[Peg, ...]) -> tuple[object, ...]:
    """Return all that ``_load`` depends on; each file is looked at, so that a change is noticed."""
    for one in planned:
        _data(one)
    return _depends(settings, planned, pegs)


def _depends(settings: Settings, planned: Sequence[_Planned], pegs: tuple[Peg, ...]) -> tuple[object, ...]:
    typed = [(p.entry, p.searcher, p.swing, p.window, p.top_pace_m_s, p.typed) for p in planned]
    return (typed, settings.coils, settings.defaults, settings.words, pegs)
