"""Which marks of a recording are touches of pegs, and the walk tied to them; in words what was not used.

Pegs of the site's table have their places. Any other fixed thing does as well when it is touched again on the walk.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.peg_drift import (
    MANY,
    NO_FIX,
    ONCE,
    TWICE,
    UNTIMED,
    WRONG,
    Peg,
    Tied,
    Touch,
    Unused,
    standing_s,
    tie,
    unknown_peg,
)
from fieldcomb.tracks.units import format_count, format_length
from fieldcomb.tracks.values import dataclass

# A mark without a time is one of these, when the walk comes by its place only once.
MARK_REACH_M = 15.0
SAME_VISIT_S = 60.0
CLEARLY_M = 2.0  # another visit must lie so much farther off
ON_PEG_M = 0.05  # a mark without a time that lies on the peg itself was loaded into the recorder, not set on the walk

SPARSE_S = 600.0  # fewer touches than one in this time help little; they pay from half of it on (simulated)


@dataclass(frozen=True, slots=True)
class PegMark:
    """A mark that names a peg: ``name`` without the word peg; time in Unix seconds; place in degrees as recorded."""

    name: str
    time_s: float | None
    lon_deg: float | None
    lat_deg: float | None


def peg_key(name: str) -> str:
    """Return a peg's name as it is compared: letter case, blanks and the word peg before it make no difference.

    >>> peg_key(" Peg  NE corner"), peg_key("ne corner"), peg_key("peg")
    ('ne corner', 'ne corner', 'peg')
    """
    words = name.casefold().split()
    return " ".join(words[1:] if len(words) > 1 and words[0] == "peg" else words)


def peg_touches(marks: Sequence[Mark]) -> tuple[PegMark, ...]:
    """Return the marks of a recording that name pegs."""
    pegs = (mark for mark in marks if mark.kind == "peg")
    return tuple(PegMark(mark.name, mark.time_s, mark.lon_deg, mark.lat_deg) for mark in pegs)


def tie_to_pegs(
    marks: Sequence[Sequence[PegMark]], pegs: Sequence[Peg], fixes: Fixes, frame: SiteFrame, gps: str
) -> tuple[Tied, tuple[str, ...]]:
    """Match marks to pegs by their names, and take the drift off that the touches show.

    marks : those of each file of the walk.
    pegs : those whose places are known. What else the marks name is a peg whose place is not: it tells of drift when
        it is touched twice or more. Without either nothing is done and nothing reported.
    fixes : cleaned fixes of all files.
    frame : the site's, for the places of marks.
    gps : class of the receiver, or a length as typed.

    Returns the fixes as they are to be swept; and what was met and not used, for the user.
    """
    known = {peg_key(peg.name): peg for peg in pegs}
    unknown = _unknown([mark for own in marks for mark in own], known)
    if not any(marks) or not (pegs or unknown):
        return Tied(fixes), ()
    touches, notes = _matched(marks, known | unknown, fixes, frame)
    placed = receiver(gps)
    tied = tie(fixes, touches, placed.slow_m, placed.fast_m)
    if not pegs and not tied.residuals:  # names set here and there, and no pegs
        return tied, tuple(_unused([one for one in tied.unused if one.why == WRONG]))
    return tied, (*notes, *_unused(tied.unused), *_sparse(tied))


def _unknown(marks: Sequence[PegMark], known: Mapping[str, Peg]) -> dict[str, Peg]:
    """Pegs that are not in the table, by their keys; only marks with a time make one."""
    names = {peg_key(mark.name): mark.name for mark in reversed(marks) if mark.time_s is not None}
    return {key: unknown_peg(name) for key, name in names.items() if key not in known}


def _matched(
    marks: Sequence[Sequence[PegMark]], known: Mapping[str, Peg], fixes: Fixes, frame: SiteFrame
) -> tuple[list[Touch], list[str]]:
    """Touches by name and time, and sentences on marks that make none; without a clock a touch has the time NaN."""
    touches: list[Touch] = []
    strange: list[str] = []
    nowhere: list[str] = []
    by_place = 0
    for source, mark in ((source, mark) for source, own in enumerate(marks) for mark in own):
        peg = known.get(peg_key(mark.name))
        if peg is None:
            strange.append(mark.name)
            continue
        time_s = _by_place(mark, peg, fixes, source, frame) if mark.time_s is None else mark.time_s
        by_place += mark.time_s is None and time_s is not None
        if time_s is None and fixes.timed:
            nowhere.append(mark.name)
        else:
            touches.append(Touch(peg, math.nan if time_s is None else time_s, source))
    return touches, _match_notes(strange, nowhere, by_place)


def _by_place(mark: PegMark, peg: Peg, fixes: Fixes, source: int, frame: SiteFrame) -> float | None:
    """Time of the fix nearest to a mark without one; None unless the walk came by there once."""
    own = np.flatnonzero(fixes.source == source)
    if mark.lon_deg is None or mark.lat_deg is None or own.size == 0 or not fixes.timed:
        return None
    if not peg.located:
        return None
    x, y = (float(v) for v in frame.to_metres(mark.lon_deg, mark.lat_deg))
    if not math.hypot(x - peg.x_m, y - peg.y_m) > ON_PEG_M:
        return None
    away, t = np.hypot(fixes.x_m[own] - x, fixes.y_m[own] - y), fixes.t_s[own]
    nearest = int(away.argmin())
    if not away[nearest] <= MARK_REACH_M:
        return None
    begin_s = end_s = time_s = float(t[nearest])
    for low, high in standing_s(fixes):
        if low <= time_s <= high:
            begin_s, end_s = low, high
    other = (t < begin_s - SAME_VISIT_S) | (t > end_s + SAME_VISIT_S)
    return None if (away[other] <= away[nearest] + CLEARLY_M).any() else time_s


# ------------------------------------------------------------------------------------------------------------- words


def _names(names: Sequence[str]) -> str:
    return ", ".join(dict.fromkeys(names))


def _match_notes(strange: Sequence[str], nowhere: Sequence[str], by_place: int) -> list[str]:
    said = []
    if strange:
        said.append(f"Peg marks that are not in pegs.csv, not used without a time: {_names(strange)}")
    if by_place:
        said.append(f"Peg marks without a time, used where the walk passed their places: {by_place}")
    if nowhere:
        why = "the walk passes their places more than once or never, or they lie on the peg itself"
        said.append(f"Peg marks without a time, not used because {why}: {_names(nowhere)}")
    return said


_WHY = {
    UNTIMED: "Peg touches not used, because the recording has no times",
    NO_FIX: "Peg touches not used, because no fix remains from that time",
    TWICE: "Peg touches marked twice, counted once",
    ONCE: "Pegs that are not in pegs.csv and were touched only once, not used",
    MANY: "More peg touches than a walk can have, none of them used",
}


def _unused(unused: Sequence[Unused]) -> list[str]:
    said = []
    for why, words in _WHY.items():
        names = [case.touch.peg.name for case in unused if case.why == why]
        if names:
            said.append(f"{words}: {_names(names) if why != MANY else len(names)}")
    for one in unused:
        if one.why == WRONG:
            off = f"is {format_length(one.off_m)} off, farther than such a receiver drifts"
            said.append(f"A touch of peg {one.touch.peg.name} {off}, and was not used: was it another peg?")
    return said


def _sparse(tied: Tied) -> list[str]:
    count = len(tied.residuals)
    if not count:
        return []
    every_s = float(tied.fixes.t_s[-1] - tied.fixes.t_s[0]) / count
    if every_s <= SPARSE_S:
        return []
    often = format_count(count, "touch of a peg", "touches of pegs")
    return [f"{often} in {every_s * count / 60:.0f} min of recording: pegs help most when touched about every 5 min"]
