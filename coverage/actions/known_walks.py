"""Walks that are in the site already under other bytes: exported once more, packed, or recorded twice."""

import hashlib
from collections.abc import Iterator, Sequence
from datetime import date, timedelta

from fieldcomb.coverage.actions.loaded_walks import LoadedWalk, outing_day
from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.coverage.outings.same_person import Seen, one_person, trace_of
from fieldcomb.coverage.site.folder import Say, Site, read_file, shown
from fieldcomb.coverage.site.settings import TRACKS, OutingEntry, RecordingEntry, overlap, swing_of, window_of
from fieldcomb.tracks.errors import FieldcombError, TrackError
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.motion.cleaning import Fixes, clean
from fieldcomb.tracks.quality.duplicates import SAME_FIXES, same_fixes
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True, eq=False)
class _Old:
    """A recording of the site, read again; ``outing`` is the one that it belongs to."""

    outing: OutingEntry
    entry: RecordingEntry
    item: RecordingInput


def look_for_again(site: Site, frame: SiteFrame, new: Sequence[LoadedWalk], say: Say) -> None:
    """Compare walks that are to be added with those of the site from the same days.

    site, frame : the open site.
    new : the new walks, with their fixes.
    say : takes a note where a walk may be the same person's as one that is there.

    Raises TrackError: a walk has the very fixes of one that is there, under other bytes.
    """
    traces: dict[int, Seen] = {}
    days = {outing_day(one.first_s, site.settings.zone) for one in new}
    for old in _near_in_time(site, days):
        known = _seen(old.item, clean([old.item.recording.track], frame, [old.item.window]).fixes)
        for number, one in enumerate(new):
            item = one.item
            if one.fixes is None or not overlap(item.window, old.item.window):
                continue
            if same_fixes(item.recording.track, old.item.recording.track):
                if old.outing.left_out and _longer(item, old):
                    continue
                raise _copy(item, old)
            traces[number] = traces.get(number) or _seen(item, one.fixes)
            if one_person(traces[number], known):
                which = f"{old.entry.name} of outing {old.outing.id}"
                say(HintKind.ONE_PERSON(file=item.shown_as, other=which))


def _copy(item: RecordingInput, old: _Old) -> TrackError:
    problem = f"holds the same recording as {old.entry.name}, which was added before, in outing {old.outing.id}"
    left_out = HintKind.TAKE_BACK if old.outing.left_out else HintKind.CORRECT
    kind = HintKind.HOLDS_MORE if _longer(item, old) else left_out
    return TrackError(problem, file=item.shown_as, hint=kind(outing=old.outing.id))


def _longer(item: RecordingInput, old: _Old) -> bool:
    return SAME_FIXES * len(item.recording.track) > len(old.item.recording.track)


def _near_in_time(site: Site, days: set[str]) -> Iterator[_Old]:
    wanted = tuple({day for text in days for day in _around(text)})
    for outing in site.outings:
        if not outing.id.startswith(wanted):
            continue
        for entry in outing.recordings:
            try:
                path = site.folder / TRACKS / entry.stored
                data = read_file(path)
                if hashlib.sha256(data).hexdigest() != entry.sha256:
                    continue  # the report says so
                window = window_of(entry.start, entry.end, site.settings.zone)
                swing = swing_of(site.settings, entry.typed, outing.typed)
                recording = read_recording(data, shown(entry.name))
            except FieldcombError:
                continue  # the report names faults of the site; they must not stop a new walk
            yield _Old(outing, entry, RecordingInput(entry.name, recording, swing, entry.searcher, window))


def _around(day: str) -> list[str]:
    try:
        middle = date.fromisoformat(day)
        return [(middle + timedelta(days=k)).isoformat() for k in (-1, 0, 1)]
    except (ValueError, OverflowError):
        return [day]


def _seen(item: RecordingInput, fixes: Fixes) -> Seen:
    return Seen(item.searcher, trace_of(fixes, item.swing.gps), ())
