"""The marks of a recording: its waypoints and presses of the lap button, in order of time, and what they change.

What depends on what came before is worked out here: off and on, the coil at hand, the lane at hand.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import shapely

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.frame import distance_m, wrap_lon
from fieldcomb.tracks.marks.vocabulary import ENGLISH, NOTE, PRESS, Mark, Words, is_generic, mark_text, read_text
from fieldcomb.tracks.recording import EVER, Floats, Lap, Recording, Span, Track, Waypoint
from fieldcomb.tracks.units import format_count, format_length
from fieldcomb.tracks.values import dataclass

MARK_SLACK_S = 60.0  # marks of a moment count so long before the first fix and after the last one
GAP_S, GAP_M = 30.0, 25.0  # over a silence longer than both, the place of a press is not known
FAR_MARK_M = 200.0
CALENDAR_S = (-62_135_510_400.0, 253_402_214_400.0)  # the years 1 to 9999, less a day for time zones
MOST_QUOTED = 5  # sentences on single marks; the rest is counted


@dataclass(frozen=True, slots=True)
class Presses:
    """What a press of the lap button meant: one of LAP_MEANINGS; for ``coil`` the coil at the start and the other."""

    meaning: str
    first_coil: str = ""
    other_coil: str = ""


@dataclass(frozen=True, slots=True)
class Marks:
    """The marks of a recording, in order of time, those without one last.

    off : spans without searching, in Unix seconds. notes : sentences for the user.
    """

    marks: tuple[Mark, ...]
    off: tuple[Span, ...]
    notes: tuple[str, ...]


def read_marks(
    recording: Recording,
    words: Words = ENGLISH,
    presses: Presses | None = None,
    window: Span = EVER,
    coil_named: Callable[[str], str] = str,
) -> Marks:
    """Read the marks of a recording.

    recording : with its waypoints and laps.
    words : folded words, and the kind of mark that each makes.
    presses : what presses of the lap button without words meant; None leaves them as they are.
    window : (from, to), marks outside are counted and not used; marks without a time are used.
    coil_named : gives a coil's own name for what a mark calls it; UsageError when there is no such coil.
    """
    waypoints = [_waypoint(waypoint, words) for waypoint in recording.waypoints]
    pressed, notes = _presses(recording, words)
    found = sorted([*waypoints, *pressed], key=lambda m: (m.time_s is None, m.time_s or 0.0))
    used = [mark for mark in found if mark.time_s is None or window[0] <= mark.time_s < window[1]]
    if len(used) < len(found):
        notes.append(f"{format_count(len(found) - len(used), 'mark')} outside the chosen time window, not used")
    lasting = _lasting(recording.track, window)
    state = _State(presses, coil_named, lasting)
    marks = tuple(state.take(mark) for mark in used)
    notes += _odd(marks)
    notes += _far(marks, recording.track)
    return Marks(marks, tuple(state.spans()), tuple(notes))


def _lasting(track: Track, window: Span) -> Span | None:
    """Times of the first and the last fix in the window; None without a clock."""
    times = track.time_s[np.isfinite(track.time_s) & np.isfinite(track.lon_deg)]
    times = times[(times >= window[0]) & (times < window[1])]
    return (float(times.min()), float(times.max())) if times.size else None


def _moment(time_s: float | None) -> float | None:
    """Unix seconds, or None for what is no moment of the calendar."""
    known = time_s is not None and CALENDAR_S[0] <= time_s <= CALENDAR_S[1]  # false for NaN too
    return float(time_s) if known and time_s is not None else None


def _waypoint(waypoint: Waypoint, words: Words) -> Mark:
    meaning = read_text(waypoint.name, waypoint.note, words)
    lon, lat = waypoint.lon_deg, waypoint.lat_deg
    on_earth = abs(lon) <= 180 and abs(lat) <= 90  # false for NaN too
    place: tuple[float | None, float | None] = (lon, lat) if on_earth else (None, None)
    why = meaning.why or ("" if on_earth else "its position is not on the globe")
    time_s = _moment(waypoint.time_s)
    text = mark_text(waypoint.name, waypoint.note)
    return Mark(
        meaning.kind, meaning.name, meaning.number, meaning.size_m, text, time_s, place[0], place[1], "waypoint", why
    )


# ----------------------------------------------------------------------------------------------- the lap button


def _presses(recording: Recording, words: Words) -> tuple[list[Mark], list[str]]:
    """Laps that were ended by hand, as marks; words kept with other laps stay as notes."""
    laps = sorted(recording.laps, key=lambda lap: (np.isnan(lap.start_s), lap.start_s))
    fixes = _timed(recording.track)
    marks: list[Mark] = []
    automatic = unsaid = 0
    for number, lap in enumerate(laps):
        last = number == len(laps) - 1
        end_s = lap.end_s if np.isfinite(lap.end_s) or last else laps[number + 1].start_s
        unsaid += lap.by_hand is None and not last
        automatic += lap.by_hand is False and not last
        if _ended_by_hand(lap, last, end_s, fixes):
            marks.append(_press(lap, end_s, words, fixes))
        elif not is_generic(lap.name):
            marks.append(replace(_press(lap, end_s, {}, fixes), kind=NOTE))
    notes = []
    if automatic:
        notes.append(f"{format_count(automatic, 'lap')} that the recorder began by itself, not counted as marks")
    if unsaid:
        notes.append(
            "The file does not say how its laps were ended, so each boundary between two counts as a press of the "
            f"lap button ({unsaid})"
        )
    return marks, notes


def _ended_by_hand(lap: Lap, last: bool, end_s: float, fixes: tuple[Floats, Floats, Floats]) -> bool:
    """The last lap of all is ended by stopping the recording, unless it says by hand and the walk went on."""
    if not last:
        return lap.by_hand is not False
    return lap.by_hand is True and fixes[0].size > 0 and end_s < float(fixes[0][-1])


def _press(lap: Lap, end_s: float, words: Words, fixes: tuple[Floats, Floats, Floats]) -> Mark:
    meaning = read_text(lap.name, "", words)
    kind = PRESS if meaning.kind == NOTE and is_generic(lap.name) else meaning.kind
    time_s = _moment(end_s)
    lon, lat = _place(time_s, fixes)
    name = "" if kind == PRESS else meaning.name
    return Mark(kind, name, meaning.number, meaning.size_m, lap.name.strip(), time_s, lon, lat, "lap", meaning.why)


def _timed(track: Track) -> tuple[Floats, Floats, Floats]:
    """Times, longitudes and latitudes of the fixes that have all three, in order of time."""
    good = np.isfinite(track.time_s) & (np.abs(track.lon_deg) <= 180) & (np.abs(track.lat_deg) <= 90)
    order = np.argsort(track.time_s[good], kind="stable")
    return track.time_s[good][order], track.lon_deg[good][order], track.lat_deg[good][order]


def _place(time_s: float | None, fixes: tuple[Floats, Floats, Floats]) -> tuple[float | None, float | None]:
    """Where the walker was at a moment; None where the recording does not show it."""
    times, lon, lat = fixes
    if time_s is None or times.size == 0 or not times[0] - MARK_SLACK_S <= time_s <= times[-1] + MARK_SLACK_S:
        return None, None
    after = int(np.clip(np.searchsorted(times, time_s), 1, max(times.size - 1, 1)))
    before, after = after - 1, min(after, times.size - 1)
    silent = times[after] - times[before] > GAP_S
    if silent and distance_m(lon[before], lat[before], lon[after], lat[after]) > GAP_M:
        return None, None
    east = lon[before] + wrap_lon(lon - lon[before])  # across 180 degrees the way is short too
    part = slice(before, after + 1)
    found = float(np.interp(time_s, times[part], east[part])), float(np.interp(time_s, times[part], lat[part]))
    return wrap_lon(found[0]) if abs(found[0]) > 180 else found[0], found[1]


# ------------------------------------------------------------------------------------- what depends on the one before


class _State:
    """Goes through the marks in order of time: what is on, with which coil, in which lane."""

    def __init__(self, presses: Presses | None, coil_named: Callable[[str], str], lasting: Span | None) -> None:
        self.presses = presses
        self.coil_named = coil_named
        self.lasting = lasting
        self.coil = presses.first_coil if presses else ""
        self.lane = 1
        self.off_since: float | None = None
        self.off: list[Span] = []

    def take(self, mark: Mark) -> Mark:
        """Return the mark as it is to be understood."""
        if mark.kind == PRESS and self.presses is not None:
            mark = self._meant(mark, self.presses)
        if mark.kind in ("off", "on", "coil"):
            why = self._too_late_or_early(mark.time_s) or self._turn(mark)
            if why:
                return replace(mark, kind=NOTE, name=mark.text or "press of the lap button", why=why)
            return replace(mark, name=self.coil) if mark.kind == "coil" else mark
        if mark.kind == "lane" and mark.number is not None:
            self.lane = mark.number
        return mark

    def _meant(self, mark: Mark, presses: Presses) -> Mark:
        if presses.meaning == "off":
            return replace(mark, kind="off" if self.off_since is None else "on")
        if presses.meaning == "lanes":
            return replace(mark, kind="lane", number=self.lane + 1)
        if presses.meaning == "finds":
            return replace(mark, kind="keep")
        other = presses.first_coil if self.coil == presses.other_coil else presses.other_coil
        return replace(mark, kind="coil", name=other)

    def _too_late_or_early(self, time_s: float | None) -> str:
        if self.lasting is None:
            return "the recording has no times, so it changes nothing"
        if time_s is None:
            return "it has no time, so it changes nothing"
        if not self.lasting[0] - MARK_SLACK_S <= time_s <= self.lasting[1] + MARK_SLACK_S:
            return "its time is outside this recording, so it changes nothing"
        return ""

    def _turn(self, mark: Mark) -> str:
        """Take over what a mark of a moment changes; returns why it changes nothing."""
        time_s = mark.time_s or 0.0
        if mark.kind == "coil":
            try:
                self.coil = self.coil_named(mark.name)
            except UsageError as error:
                return f"{error.problem}, so the coil was not changed. {error.hint or ''}".strip()
        elif mark.kind == "off":
            if self.off_since is not None:
                return "searching was already off"
            self.off_since = time_s
        elif self.off_since is None:
            return "searching was not off"
        else:
            self.off.append((self.off_since, time_s))
            self.off_since = None
        return ""

    def spans(self) -> list[Span]:
        """Spans that are off; one that was not ended lasts to the end of the recording."""
        if self.off_since is None or self.lasting is None:
            return self.off
        end_s = max(self.lasting[1], self.off_since)  # a mark may be set a moment after the recording has ended
        return [*self.off, (self.off_since, float(np.nextafter(end_s, np.inf)))]


# ------------------------------------------------------------------------------------------------------- sentences


def _odd(marks: Sequence[Mark]) -> list[str]:
    odd = [mark for mark in marks if mark.why]
    said = [f"Mark {mark.text or 'of the lap button'!r}: {mark.why}" for mark in odd[:MOST_QUOTED]]
    return (
        said
        if len(odd) <= MOST_QUOTED
        else [*said, f"{len(odd) - MOST_QUOTED} more marks could not be used as written"]
    )


def _far(marks: Sequence[Mark], track: Track) -> list[str]:
    """Say how many waypoints lie far from the walk, and how far."""
    good = (np.abs(track.lon_deg) <= 180) & (np.abs(track.lat_deg) <= 90)
    lon, lat = track.lon_deg[good], track.lat_deg[good]
    places = [(m.lon_deg, m.lat_deg) for m in marks if m.origin == "waypoint"]
    set_by_hand = [(x, y) for x, y in places if x is not None and y is not None]
    if lon.size == 0 or not set_by_hand:
        return []
    places_deg = np.array(set_by_hand)
    middle, narrow = float(np.median(lon)), float(np.cos(np.radians(np.median(lat))))
    east, marks_east = (wrap_lon(value - middle) * narrow for value in (lon, places_deg[:, 0]))
    tree = shapely.STRtree(shapely.points(east, lat))
    nearest = tree.nearest(shapely.points(marks_east, places_deg[:, 1])).tolist()
    away = (distance_m(x, y, float(lon[k]), float(lat[k])) for (x, y), k in zip(set_by_hand, nearest, strict=True))
    far = [m for m in away if m > FAR_MARK_M]
    if not far:
        return []
    lie = "lies" if len(far) == 1 else "lie"
    several, farthest = f"{format_count(len(far), 'mark')} {lie}", format_length(max(far))
    return [f"{several} more than {format_length(FAR_MARK_M)} from this walk, up to {farthest}"]
