"""What the marks of a recording change: searching switched off and on, and another coil from here on."""

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from fieldcomb.coverage.gear.coils import parse_coil
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.coverage.site.settings import Settings, Typed, first_typed, swing_of
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.frame import wrap_lon
from fieldcomb.tracks.marks.timeline import Presses, read_marks
from fieldcomb.tracks.marks.vocabulary import fold
from fieldcomb.tracks.recording import Span, Track

LEAST_WALK_M = 0.5  # a piece of a recording that leads no farther is no walk: the coil was changed where it began
LEAST_FIXES = 5
METRES_A_DEGREE = 111_000.0  # of latitude; near enough to tell walking from standing


def presses_of(settings: Settings, *typed: Typed) -> Presses | None:
    """Find what presses of the lap button meant, where anybody typed it; UsageError when it cannot be."""
    text = first_typed([level.laps for level in (*typed, settings.defaults)])
    if text is None:
        return None
    meaning, _, name = text.partition(":")
    if meaning != "coil":
        return Presses(meaning)
    first = swing_of(settings, *typed).coil.name
    if name:
        return Presses("coil", first, coil_named(settings, typed, name))
    known = sorted(settings.coils)
    others = [coil for coil in known if coil != first]
    if len(known) != 2 or len(others) != 1:
        names = ", ".join(known) or "none"
        problem = f"laps 'coil' needs a site with two named coils, one of them in use; coils here: {names}"
        raise UsageError(problem, hint=f"Coil in use: {first}. Name the other one, such as coil:small")
    return Presses("coil", first, swing_with(settings, typed, others[0]).coil.name)


def coil_named(settings: Settings, typed: Sequence[Typed], text: str) -> str:
    """Return the name of the coil that a mark calls so: one of the site, in any letter case, or a size.

    Words after the name are passed over. UsageError when there is no such coil, or it cannot be swung as typed.
    """
    said = dict.fromkeys((text, *text.split()[:1]))
    for one in said:
        same = [name for name in settings.coils if fold(name) == fold(one)]
        found = one if one in settings.coils else same[0] if len(same) == 1 else None
        if found is not None:
            return swing_with(settings, typed, found).coil.name
    size = "".join(text.lower().split()) if text[:1].isdecimal() else text
    known = {name: entry.coil for name, entry in settings.coils.items()}
    return swing_with(settings, typed, parse_coil(size, known).name).coil.name


def swing_with(settings: Settings, typed: Sequence[Typed], coil: str) -> Swing:
    """How another coil is swung: as site.toml has it, since what was typed for the outing was for its first coil."""
    rest = (replace(level, coil=None, swath=None, sweep=None) for level in typed)
    return swing_of(settings, Typed(coil=coil), *rest)


def with_marks(settings: Settings, typed: Sequence[Typed], item: RecordingInput) -> RecordingInput:
    """Return a recording with its marks read, before it is cut where the coil was changed."""
    read = read_marks(
        item.recording, settings.words, presses_of(settings, *typed), item.window, partial(coil_named, settings, typed)
    )
    return replace(item, marks=read.marks, off=read.off, mark_notes=read.notes)


def by_coil(settings: Settings, typed: Sequence[Typed], item: RecordingInput) -> tuple[RecordingInput, ...]:
    """Cut a recording where the coil was changed: the same file with several windows, each with its swing.

    Each piece keeps the marks made in it; those without a time go with the first. A recording whose coil was never
    changed comes back as it is.
    """
    if not has_clock(item.recording.track):
        return (item,)
    pieces, notes = _walked_pieces(_pieces(item), item)
    starts = [item.window[0], *(start for start, _ in pieces[1:])]
    windows: list[Span] = list(zip(starts, [*starts[1:], item.window[1]], strict=True))
    cut = []
    for number, (window, (_, name)) in enumerate(zip(windows, pieces, strict=True)):
        swing = item.swing if name == item.swing.coil.name else swing_with(settings, typed, name)
        later = (sum(mark.time_s is not None and mark.time_s >= start for start in starts[1:]) for mark in item.marks)
        marks = tuple(mark for mark, count in zip(item.marks, later, strict=True) if count == number)
        mark_notes = () if number else (*item.mark_notes, *notes)  # once for the file
        cut.append(replace(item, window=window, swing=swing, marks=marks, mark_notes=mark_notes))
    return tuple(cut)


Piece = tuple[float, str]  # begins at, in Unix seconds; name of the coil


def _pieces(item: RecordingInput) -> list[Piece]:
    pieces = [(item.window[0], item.swing.coil.name)]
    for mark in item.marks:
        if mark.kind == "coil" and mark.time_s is not None and mark.name != pieces[-1][1]:
            pieces.append((mark.time_s, mark.name))
    return pieces


def _walked_pieces(pieces: list[Piece], item: RecordingInput) -> tuple[list[Piece], list[str]]:
    """Leave out pieces without a walk, as when a coil is named at the very start; the next takes their time."""
    if len(pieces) == 1:
        return pieces, []
    ends = [*(start for start, _ in pieces[1:]), item.window[1]]
    walked = [_walked(item.recording.track, start, end) for (start, _), end in zip(pieces, ends, strict=True)]
    if not any(walked):
        return pieces[:1], []
    kept: list[Piece] = []
    for piece, good in zip(pieces, walked, strict=True):
        if good and (not kept or kept[-1][1] != piece[1]):
            kept.append(piece)
    gone = list(dict.fromkeys(name for (_, name), good in zip(pieces, walked, strict=True) if not good))
    used = {name for _, name in kept}
    notes = [f"Coil {name} was named, but no walk was recorded with it" for name in gone if name not in used]
    return kept, notes


def has_clock(track: Track) -> bool:
    """Whether enough fixes have times for cleaning to keep the times."""
    placed = np.isfinite(track.lon_deg) & np.isfinite(track.lat_deg)
    known = int((placed & np.isfinite(track.time_s)).sum())
    return known >= max(2, int(placed.sum()) / 2)


def _walked(track: Track, start_s: float, end_s: float) -> bool:
    """Tell whether a span holds a walk; the outer tenths of its fixes are passed over, so that no stray fix is one."""
    inside = (track.time_s >= start_s) & (track.time_s < end_s)
    inside &= (np.abs(track.lon_deg) <= 180) & (np.abs(track.lat_deg) <= 90)
    lon, lat = track.lon_deg[inside], track.lat_deg[inside]
    if lon.size < LEAST_FIXES:
        return False
    east = wrap_lon(lon - lon[0]) * math.cos(math.radians(float(lat[0])))
    spread = (np.ptp(np.quantile(v, (0.1, 0.9))) * METRES_A_DEGREE for v in (east, lat))
    return bool(max(spread) >= LEAST_WALK_M)
