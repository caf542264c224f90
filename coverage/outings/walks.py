"""An outing's recordings as walks: chained where one file runs on into the next, cleaned, judged."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fieldcomb.coverage.gear.footprint import reach_m
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.outings.amounts import check_fixes, check_lines, check_pieces
from fieldcomb.coverage.outings.inputs import OutingInput, RecordingInput
from fieldcomb.coverage.outings.peg_touches import peg_touches, tie_to_pegs
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.outings.same_person import Seen, find_doubles, lacking, trace_of
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.frame import SiteFrame, distance_m
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.marks.spacings import LaneSpacing
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.cleaning import NO_POSITION, OUT_OF_RANGE, OUTSIDE_WINDOW, TOO_FAR, Cleaned, Fixes, clean
from fieldcomb.tracks.motion.coil_path import find_zigzag
from fieldcomb.tracks.motion.legs import Walk, make_walk
from fieldcomb.tracks.quality.verdict import VERDICTS, judge
from fieldcomb.tracks.recording import EVER, Span, Track
from fieldcomb.tracks.units import format_duration, format_length
from fieldcomb.tracks.values import dataclass

JOIN_S = 30.0  # a new file or segment within this time and way runs on from the last one
JOIN_M = 25.0

BEFORE_WINDOW = frozenset({NO_POSITION, OUT_OF_RANGE, TOO_FAR})  # why a fix is left out in every piece of its file

NO_ZIGZAG = (
    "Typed as carried on the shaft, but it shows no zigzag of a coil, which takes at least three fixes per sweep, "
    "such as five a second. It was treated as carried on the body, with the typed or usual swing width"
)


@dataclass(frozen=True, slots=True, eq=False)
class SwungWalk:
    """A walk, how the coil was swung on it, the file that it begins in, and who walked it where that was stated."""

    walk: Walk
    swing: Swing
    file: str
    spacings: tuple[LaneSpacing, ...] = ()
    searcher: str | None = None


@dataclass(frozen=True, slots=True)
class OutingHead:
    """Which outing it is, when it began (None without a clock), with which coils, and who searched.

    recorded : of how many people there is a recording. unrecorded : initials of those who searched without one.
    """

    id: str
    label: str | None
    note: str | None
    start_s: float | None
    coils: tuple[str, ...]
    recorded: int = 1
    unrecorded: tuple[str, ...] = ()

    @property
    def searchers(self) -> int:
        """How many people searched, recorded or not."""
        return self.recorded + len(self.unrecorded)


@dataclass(frozen=True, slots=True, eq=False)
class WalkedOuting:
    """An outing read and cleaned, in order of time.

    recorded : of how many people there is a recording. unrecorded : initials of those who searched without one.
    """

    id: str
    label: str | None
    note: str | None
    walks: tuple[SwungWalk, ...]
    recordings: tuple[RecordingResult, ...]
    recorded: int = 1
    unrecorded: tuple[str, ...] = ()
    marks: tuple[Mark, ...] = ()

    @property
    def head(self) -> OutingHead:
        """Which outing it is."""
        coils = tuple(dict.fromkeys(w.swing.coil.name for w in self.walks))
        return OutingHead(self.id, self.label, self.note, self.start_s, coils, self.recorded, self.unrecorded)

    @property
    def start_s(self) -> float | None:
        """When the first walk began; None without a clock."""
        starts = [w.walk.start_s for w in self.walks if w.walk.start_s is not None]
        return min(starts) if starts else None

    @property
    def end_s(self) -> float | None:
        """When the last walk ended; None without a clock."""
        ends = [w.walk.end_s for w in self.walks if w.walk.end_s is not None]
        return max(ends) if ends else None


@dataclass(frozen=True, slots=True, eq=False)
class WalkedChain:
    """Files that run on into one another, cleaned and walked, with the result of each.

    numbers : which of the files given they are.
    """

    chain: Sequence[RecordingInput]
    numbers: tuple[int, ...]
    walk: Walk
    cleaned: Cleaned
    results: list[RecordingResult]

    @property
    def swung(self) -> SwungWalk:
        """The walk as it is swept, with the spacings typed for its files, those for all of them once."""
        spacings = tuple(one for own in dict.fromkeys(item.spacings for item in self.chain) for one in own)
        first = self.chain[0]
        return SwungWalk(self.walk, first.swing, first.file, spacings, first.searcher)

    @property
    def seen(self) -> Seen:
        """What shows whether another recording is of the same person."""
        first = self.chain[0]
        best = -min(VERDICTS.index(result.verdict) for result in self.results)
        rank = (best, self.walk.search_m, len(self.cleaned.fixes))
        return Seen(first.searcher, trace_of(self.cleaned.fixes, first.swing.gps), rank)


def walk_recordings(
    items: Sequence[RecordingInput], frame: SiteFrame, alone: Sequence[WalkedChain | None] = ()
) -> tuple[WalkedChain, ...]:
    """Clean and walk the recordings of an outing; raises TrackError for one that cannot be used.

    alone : some of them walked already, as if no other ran on into them; used for those where none does.
    """
    check_fixes(items)
    order = sorted(range(len(items)), key=lambda number: _begin(items[number]))
    chains = []
    for numbers in _chains(items, order):
        known = alone[numbers[0]] if alone and len(numbers) == 1 else None
        walked = known or _walked([items[n] for n in numbers], frame)
        chains.append(replace(walked, numbers=tuple(numbers)))
    check_lines((chain.walk, chain.chain[0].shown_as) for chain in chains)
    return tuple(chains)


def walk_alone(item: RecordingInput, frame: SiteFrame) -> WalkedChain:
    """Clean and walk a recording as if no other ran on into it; raises TrackError when it cannot be used."""
    check_fixes([item])
    return _walked([item], frame)


def join_walks(outing: OutingInput, walked: Sequence[WalkedChain], frame: SiteFrame) -> WalkedOuting:
    """Join the walks of an outing.

    Of two recordings of one person the better one counts, and the other only for the time that the first one lacks.
    """
    instead = find_doubles([one.seen for one in walked]) if len(walked) > 1 else (None,) * len(walked)
    walks: list[SwungWalk] = []
    results: list[RecordingResult] = []
    for one, number in zip(walked, instead, strict=True):
        if number is None:
            walks.append(one.swung)
            results += one.results
        else:
            rest = _only_here(one, walked[number], frame)
            walks += [part.swung for part in rest]
            results += [_marked_as_double(result, walked[number], rest) for result in one.results]
    unnamed = [one for one, n in zip(walked, instead, strict=True) if one.chain[0].searcher is None and n is None]
    recorded = len({one.chain[0].searcher for one in walked} - {None}) + _count_nameless(unnamed)
    return WalkedOuting(
        outing.id,
        outing.label,
        outing.note,
        tuple(walks),
        tuple(results),
        recorded,
        outing.unrecorded,
        _marks([item for one in walked for item in one.chain]),
    )


def _count_nameless(walked: Sequence[WalkedChain]) -> int:
    """Return how many people without a name these are: who goes on in the same file, with another coil, is no other."""
    ends = {(one.chain[-1].file, one.chain[-1].window[1]) for one in walked}
    return sum((one.chain[0].file, one.chain[0].window[0]) not in ends for one in walked)


def own_fixes(chains: Sequence[WalkedChain], numbers: Sequence[int]) -> tuple[Fixes, dict[str, int]]:
    """Return the usable fixes of one file that was given in pieces, and how many were left out, by reason.

    numbers : of its pieces among the recordings given; the pieces are windows of one track.
    """
    mine = [(chain, place) for chain in chains for place, n in enumerate(chain.numbers) if n in numbers]
    parts = [_part(chain.cleaned.fixes, place) for chain, place in mine]
    pieces = [np.full(len(part), number, np.int32) for number, part in enumerate(parts)]
    arrays = ([getattr(part, key) for part in parts] for key in ("t_s", "x_m", "y_m"))
    t_s, x_m, y_m = (np.concatenate(array) for array in arrays)
    lost = [chain.cleaned.dropped[place] for chain, place in mine]
    if len(parts) == 1:
        return parts[0], lost[0]
    piece = np.concatenate(pieces)
    whole: dict[str, int] = {}
    for reason in dict.fromkeys(reason for counts in lost for reason in counts):
        counts = [one.get(reason, 0) for one in lost]
        whole[reason] = max(counts) if reason in BEFORE_WINDOW else sum(counts)
    if OUTSIDE_WINDOW in whole:
        rest = sum(count for reason, count in whole.items() if reason != OUTSIDE_WINDOW) + piece.size
        whole[OUTSIDE_WINDOW] = len(mine[0][0].chain[mine[0][1]].recording.track) - rest
    return Fixes(t_s, x_m, y_m, np.zeros_like(piece), piece), {reason: n for reason, n in whole.items() if n}


def _part(fixes: Fixes, source: int) -> Fixes:
    mine = fixes.source == source
    return Fixes(fixes.t_s[mine], fixes.x_m[mine], fixes.y_m[mine], fixes.source[mine], fixes.piece[mine])


def _walked(chain: Sequence[RecordingInput], frame: SiteFrame) -> WalkedChain:
    walk, cleaned = walk_chain(chain, frame)
    if walk.coil_legs:
        swing = _measured(chain[0].swing, walk)
        chain = [replace(item, swing=swing) for item in chain]
    results = [_result(item, number, cleaned, walk) for number, item in enumerate(chain)]
    return WalkedChain(chain, (0,), walk, cleaned, results)


def _measured(swing: Swing, walk: Walk) -> Swing:
    """Return the swing as a recorder on the shaft measured it."""
    swath_m, sweep_s = round(2 * walk.half_swing_m + swing.coil.width_m, 3), round(walk.sweep_s, 3)
    return replace(swing, swath_m=swath_m, swath_measured=True, sweep_s=sweep_s, sweep_measured=True)


def _only_here(one: WalkedChain, counted: WalkedChain, frame: SiteFrame) -> list[WalkedChain]:
    """Walk what only this recording has: the time before, after and in the drop-outs of the one that counts."""
    rest = []
    for item in one.chain:
        for span in lacking(counted.cleaned.fixes, item.window):
            try:
                rest.append(_walked([replace(item, window=span)], frame))
            except TrackError:  # it has nothing in that time either
                continue
    return rest


def _marked_as_double(result: RecordingResult, counted: WalkedChain, rest: Sequence[WalkedChain]) -> RecordingResult:
    file = counted.chain[0].file
    said = f"The same person at the same time as {file}, which counts instead; this one is kept"
    lasting_s = sum(part.walk.times.searching_s for part in rest if part.walk.times)
    if lasting_s:
        said += f", and counts for the {format_duration(lasting_s)} of searching that only it recorded"
    return replace(result, twin_of=file, notes=(*result.notes, said))


def _marks(items: Sequence[RecordingInput]) -> tuple[Mark, ...]:
    """The marks of an outing in order of time; what two files both hold stands once."""
    found = dict.fromkeys(mark for item in items for mark in item.marks)
    return tuple(sorted(found, key=lambda mark: (mark.time_s is None, mark.time_s or 0.0)))


def walk_chain(chain: Sequence[RecordingInput], frame: SiteFrame) -> tuple[Walk, Cleaned]:
    """Clean files that run on into one another as one walk, so that where a file was split makes no difference."""
    cleaned = clean([item.recording.track for item in chain], frame, [item.window for item in chain])
    for number, item in enumerate(chain):
        _check_usable(item, number, cleaned)
    check_pieces(cleaned.fixes, chain[0].shown_as)
    marks = [peg_touches(item.marks) for item in chain]
    tied, notes = tie_to_pegs(marks, chain[0].pegs, cleaned.fixes, frame, chain[0].swing.gps)
    walk = _make(tied.fixes, chain[0], [span for item in chain for span in item.off])
    return replace(walk, pegs=tied.residuals, peg_places=tied.places, notes=(*walk.notes, *notes)), cleaned


def _make(fixes: Fixes, first: RecordingInput, off: Sequence[Span]) -> Walk:
    """Make a walk of fixes as they are to be swept, by what was typed for the first of its files."""
    pace = first.top_pace_m_s
    if not first.swing.on_shaft:
        return make_walk(fixes, pace, off)
    zigzag = find_zigzag(fixes)
    if zigzag is None:
        walk = make_walk(fixes, pace, off)
        return replace(walk, notes=(*walk.notes, NO_ZIGZAG))
    walk = make_walk(zigzag.centre, pace, off, coil=fixes)
    return replace(walk, half_swing_m=zigzag.half_m, sweep_s=zigzag.sweep_s)


def _check_usable(item: RecordingInput, number: int, cleaned: Cleaned) -> None:
    if item.window != EVER and not np.isfinite(item.recording.track.time_s).any():
        problem = "this file has no times, so no part of it can be chosen by time"
        raise TrackError(problem, file=item.shown_as, hint=HintKind.NO_TIMES())
    mine = cleaned.fixes.source == number
    x, y = cleaned.fixes.x_m[mine], cleaned.fixes.y_m[mine]
    if x.size and (np.ptp(x) > 0 or np.ptp(y) > 0):
        return
    lost = ", ".join(f"{count} {reason}" for reason, count in sorted(cleaned.dropped[number].items()))
    why = f"of {len(item.recording.track)} fixes " + (f"{lost} were left out" if lost else "none is usable")
    if x.size:
        problem = f"the walk has fewer than two places; {why}" if lost else "the walk has fewer than two places"
    else:
        problem = f"no usable fix is left; {why}"
    cut = item.window != EVER
    hint = HintKind.CHECK_TIMES() if cut else "Export the recording again as GPX"
    raise TrackError(problem, file=item.shown_as, hint=hint)


def _begin(item: RecordingInput) -> tuple[bool, float]:
    first = _first_last(item)[0]
    return first is None, first[0] if first else 0.0


Moment = tuple[float, float, float]  # Unix seconds, longitude, latitude


def _first_last(item: RecordingInput) -> tuple[Moment | None, Moment | None]:
    """First and last timed fix inside the recording's window."""
    track = item.recording.track
    low, high = item.window
    usable = np.isfinite(track.time_s) & np.isfinite(track.lon_deg) & (np.abs(track.lat_deg) <= 90)
    usable &= (track.time_s >= low) & (track.time_s < high)
    index = np.flatnonzero(usable)
    if index.size == 0:
        return None, None
    ends = (index[np.argmin(track.time_s[index])], index[np.argmax(track.time_s[index])])
    first, last = ((float(track.time_s[i]), float(track.lon_deg[i]), float(track.lat_deg[i])) for i in ends)
    return first, last


def _chains(items: Sequence[RecordingInput], order: Sequence[int]) -> list[list[int]]:
    """Group recordings that run on: same searcher and swing, the next begins within 30 s and 25 m of the last's end."""
    chains: list[list[int]] = []
    for number in order:
        for chain in reversed(chains):
            if _runs_on(items[chain[-1]], items[number]):
                chain.append(number)
                break
        else:
            chains.append([number])
    return chains


def _runs_on(before: RecordingInput, after: RecordingInput) -> bool:
    if (before.swing, before.searcher, before.top_pace_m_s) != (after.swing, after.searcher, after.top_pace_m_s):
        return False
    last, first = _first_last(before)[1], _first_last(after)[0]
    if last is None or first is None or not 0 <= first[0] - last[0] <= JOIN_S:
        return False
    return distance_m(*last[1:], *first[1:]) <= JOIN_M


def _result(item: RecordingInput, number: int, cleaned: Cleaned, walk: Walk) -> RecordingResult:
    fixes = cleaned.fixes
    verdict = judge(_windowed(item), _part(fixes, number), cleaned.dropped[number], walk.no_search)
    swing = item.swing
    return RecordingResult(
        file=item.file,
        searcher=item.searcher,
        coil=swing.coil.name,
        swath_m=swing.swath_m,
        swath_measured=swing.swath_measured,
        sweep_s=swing.sweep_s,
        sweep_measured=swing.sweep_measured,
        gps=swing.gps,
        carried=swing.carried,
        fixes=len(item.recording.track),
        dropped=dict(sorted(cleaned.dropped[number].items())),
        interval_s=verdict.interval_s,
        verdict=verdict.verdict,
        advice=verdict.advice,
        notes=(*item.recording.notes, *item.mark_notes, *cleaned.notes, *walk.notes),
        twin_of=None,
        pegs=tuple(peg for peg in walk.pegs if peg.source == number),
        reach_m=reach_m(swing),
        lift_m=swing.lift_m,
        lift_measured=swing.lift_measured,
        ground=swing.ground,
        spacings=item.spacings,
    )


def _windowed(item: RecordingInput) -> Track:
    """The track, or only its part inside the time window: the rest is not what is judged."""
    track = item.recording.track
    inside = ~((track.time_s < item.window[0]) | (track.time_s >= item.window[1]))
    return Track(track.lon_deg[inside], track.lat_deg[inside], track.time_s[inside], track.segment[inside])


class TooFarError(TrackError):
    """A walk is another site's."""


def too_far(file: str, away_m: float, what: str = "the site") -> TooFarError:
    """The error for a walk that is another site's."""
    hint = "Is this the right file and the right site?"
    return TooFarError(f"the walk is {format_length(away_m)} away from {what}", file=file, hint=hint)
