"""How good a recording is, and which setting of the recorder would make the next one better."""

import numpy as np

from fieldcomb.tracks.motion.cleaning import OUT_OF_RANGE, SPIKE, STILL_M, TOO_FAR, Fixes
from fieldcomb.tracks.motion.pace import (
    STOP_CORE_S,
    STOP_PACE_M_S,
    STOP_REACH_S,
    drift_pace_m_s,
    every_second,
    stop_limit_m_s,
)
from fieldcomb.tracks.motion.states import no_search_notes
from fieldcomb.tracks.quality.settling import EARLY_S, jumps, unsettled_s, without_position_s
from fieldcomb.tracks.quality.snapping import snapped_share
from fieldcomb.tracks.recording import Flags, Floats, Track, runs_of
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

VERDICTS = ("good", "usable", "poor")  # from best to worst

SILENCE_AT_STOP_S = 15.0
GOOD_INTERVAL_S = 2.0
USABLE_INTERVAL_S = 5.5
COARSE_M = 0.9  # steps of the grid that rounded positions lie on
HELD_JUMP_M = 0.3  # a held place that jumps less is only rounded
HELD_S = 30.0  # a place held for longer is a stop, where holding is no fault
HELD_SHARE = 0.15
INTERVAL_RATIO = 2.5  # between the longer and the shorter intervals
SNAPPED_SHARE, MOSTLY_SNAPPED_SHARE = 0.2, 0.5
NO_POSITION_S = 5.0
DEGREE_M = 111_195.0  # mean length of a degree of latitude; only to say how coarse rounding is


@dataclass(frozen=True, slots=True)
class Verdict:
    """good, usable or poor; what to change, one sentence each; and the usual seconds between fixes."""

    verdict: str
    advice: tuple[str, ...]
    interval_s: float | None


def judge(track: Track, fixes: Fixes, dropped: dict[str, int], no_search: str = "") -> Verdict:
    """Judge one file by its fixes as read, its fixes as cleaned, and what was left out of it.

    ``no_search`` is that of its walk: a ride is called a ride, and how well it was recorded does not matter then.
    """
    if no_search:
        return Verdict("poor", no_search_notes(no_search), None)
    wrong_s, kept = unsettled_s(fixes), _Kept.of(fixes) if fixes.timed and len(fixes) > 1 else None
    faults = [*_begin(track, fixes, wrong_s)]
    if kept:
        faults += [*_rhythm(kept), *_gaps(fixes, kept, wrong_s)]
    faults += [*_places(track, fixes), *_wild(track, dropped)]
    if not len(fixes):
        return Verdict("poor", tuple(text for _, text in faults), None)
    if not fixes.timed:
        faults.append((1, "No times in the file: record a track with times, not a planned route or a shortened export"))
    interval = kept.interval_s if kept else None
    worst = max((weight for weight, _ in faults), default=0)
    return Verdict(VERDICTS[worst], tuple(text for _, text in faults), interval)


Fault = tuple[int, str]  # 0 worth saying, 1 usable, 2 poor


@dataclass(frozen=True, slots=True, eq=False)
class _Kept:
    """Steps from fix to fix, and by what rule the recorder kept them.

    step_s, step_m : float64 (n - 1,).
    interval_s, short_s, long_s : the usual step; what one step in ten is at most, and what one is at least.
    apart_m : distance after which the recorder keeps a fix; 0 when it goes by time.
    uneven : whether it keeps fixes as it sees fit; single ones that are lost do not make it so.
    """

    step_s: Floats
    step_m: Floats
    interval_s: float
    short_s: float
    long_s: float
    apart_m: float
    uneven: bool

    @staticmethod
    def of(fixes: Fixes) -> "_Kept":
        step_s, step_m = np.diff(fixes.t_s), np.hypot(np.diff(fixes.x_m), np.diff(fixes.y_m))
        short_s, long_s = (float(v) for v in np.quantile(step_s, [0.1, 0.9]))
        apart_m = _by_distance_m(step_m, short_s, long_s)
        uneven = len(fixes) >= 60 and long_s > GOOD_INTERVAL_S and long_s >= INTERVAL_RATIO * short_s
        return _Kept(step_s, step_m, float(np.median(step_s)), short_s, long_s, apart_m, uneven)


def _by_share(share: float) -> int:
    """Weigh what is lost by its share of the recording."""
    return 2 if share > 0.2 else 1 if share > 0.02 else 0


def _begin(track: Track, fixes: Fixes, wrong_s: float) -> list[Fault]:
    """Walked before the receiver had found its place."""
    remedy = "stand in the open and wait for a good fix before you start"
    lasting = max(float(np.ptp(fixes.t_s)), 1.0) if fixes.timed else 1.0
    faults: list[Fault] = []
    empty_s = without_position_s(track)
    if empty_s >= NO_POSITION_S and len(fixes):
        share = empty_s / (empty_s + lasting)
        faults.append((_by_share(share), f"The first {empty_s:.0f} s have no position: {remedy}"))
    if wrong_s:
        faults.append(
            (_by_share(wrong_s / lasting), f"Positions had not settled in the first {wrong_s:.0f} s: {remedy}")
        )
    return faults


def _rhythm(kept: _Kept) -> list[Fault]:
    """How often the recorder kept a fix, and by what rule."""
    interval = kept.interval_s
    weight = 0 if interval <= GOOD_INTERVAL_S else 1 if interval <= USABLE_INTERVAL_S else 2
    if kept.apart_m:
        text = f"A fix only every {kept.apart_m:.1f} m: set the recorder to one every second, not by distance"
        return [(weight, text)]
    if kept.uneven:
        text = (
            f"Fixes at uneven times, {kept.short_s:.0f} to {kept.long_s:.0f} s apart: switch smart recording off and "
            "record one every second"
        )
        return [(max(weight, 1), text)]
    if weight:
        return [(weight, f"A fix every {interval:.0f} s: set the recorder to one every second, or turns are cut short")]
    return []


def _by_distance_m(step_m: Floats, short_s: float, long_s: float) -> float:
    """Distance after which the recorder keeps a fix; 0 when it goes by time.

    By distance, hardly a step is shorter than the rule or much longer, while their times differ; by time it is the
    other way round, and each stop leaves short steps.
    """
    if step_m.size < 60:
        return 0.0
    least, usual, most = np.quantile(step_m, [0.05, 0.5, 0.75])
    even = usual > 0 and least > 0.8 * usual and most < 1.25 * usual
    return float(usual) if even and long_s > 1.2 * short_s else 0.0


def _gaps(fixes: Fixes, kept: _Kept, wrong_s: float) -> list[Fault]:
    step_s, step_m, apart_m = kept.step_s, kept.step_m, kept.apart_m
    lost = np.diff(fixes.piece) > 0
    faults: list[Fault] = []
    if wrong_s:
        lost[[k for k in jumps(fixes.t_s, fixes.x_m, fixes.y_m) if fixes.t_s[k] - fixes.t_s[0] <= EARLY_S]] = False
    if apart_m:  # such a recorder is silent at every stop, and then a step away from it
        lost &= step_m > 1.5 * apart_m
    if lost.any():
        gone, longest = float(step_s[lost].sum()), float(step_s[lost].max())
        share = gone / max(float(fixes.t_s[-1] - fixes.t_s[0]), 1.0)
        text = (
            f"Drop-outs: {int(lost.sum())}, the longest {longest:.0f} s: wear the recorder high and under the open sky"
        )
        faults.append((_by_share(share), text))
    still = (step_m < STILL_M) & (step_m < STOP_PACE_M_S * step_s)  # else fixes were lost while walking on
    silent = (step_s > max(SILENCE_AT_STOP_S, 4 * kept.interval_s)) & still & ~lost
    count = int(silent.sum())
    if count == 0 or apart_m or kept.uneven or (count == 1 and _stands(fixes, silent)):
        return faults  # by distance or as it sees fit, a recorder is silent at stops anyway
    silences = format_count(count, "silence")
    return [*faults, (0, f"{silences} while standing: switch auto-pause off, so that stops are recorded")]


def _stands(fixes: Fixes, silent: Flags) -> bool:
    """Tell whether standing was recorded somewhere, other than in a silence."""
    gone = [(fixes.t_s[k], fixes.t_s[k + 1]) for k in np.flatnonzero(silent)]
    for number in sorted(set(fixes.piece.tolist())):
        mine = fixes.piece == number
        if mine.sum() < 2:
            continue
        seconds = every_second(fixes.t_s[mine], fixes.x_m[mine], fixes.y_m[mine])
        pace = drift_pace_m_s(seconds.x_m, seconds.y_m)
        slow = pace < stop_limit_m_s(pace)
        for begin, end in gone:  # the means near a silence are those of the silence
            slow &= (seconds.real_s < begin - STOP_REACH_S) | (seconds.real_s > end + STOP_REACH_S)
        edges = runs_of(slow)
        if (edges[:, 1] - edges[:, 0] >= STOP_CORE_S).any():
            return True
    return False


def _places(track: Track, fixes: Fixes) -> list[Fault]:
    if len(fixes) < 60:
        return []
    faults: list[Fault] = []
    grain_m = max(_grain_deg(track.lat_deg), _grain_deg(track.lon_deg)) * DEGREE_M
    if grain_m > COARSE_M:
        text = f"Positions are rounded to about {grain_m:.1f} m: export with more decimals (seven are plenty)"
        return [(1 if grain_m < 3 else 2, text)]  # whatever else shows may come of that
    held_s = _held_s(fixes)
    if held_s:
        text = f"The position repeatedly stays put for about {held_s:.0f} s, then jumps: switch power saving off"
        faults.append((1, text))
    snapped = snapped_share(fixes, grain_m)
    if snapped > SNAPPED_SHARE:
        text = (
            f"{100 * snapped:.0f} % of the path lies on exactly the same lines, as on a map: "
            "switch 'lock on road', or snapping to paths, off"
        )
        faults.append((2 if snapped > MOSTLY_SNAPPED_SHARE else 1, text))
    return faults


def _held_s(fixes: Fixes) -> float:
    """Seconds for which the place is usually held while walking; 0 when that is rare.

    A place held for longer than 30 s is a stop: to hold it there is no fault.
    """
    if not fixes.timed:
        return 0.0
    step_m = np.append(np.hypot(np.diff(fixes.x_m), np.diff(fixes.y_m)), 0)
    held = step_m[:-1] == 0
    edges = runs_of(held)
    first, last = edges.T
    lasting = fixes.t_s[np.minimum(last + 1, len(fixes) - 1)] - fixes.t_s[first]
    short = lasting <= HELD_S
    jumped = short & (step_m[last] > HELD_JUMP_M)
    moving = len(fixes) - (last - first)[~short].sum()
    share = (last - first)[jumped].sum() / max(moving, 1)
    return float(np.median(lasting[jumped])) if share > HELD_SHARE else 0.0


def _grain_deg(values: Floats) -> float:
    """Smallest power of ten (from 1e-7 degree) on which all values lie; 0 when they are finer."""
    known = values[np.isfinite(values)]
    for decimals in range(2, 7):
        if known.size and np.abs(known - np.round(known, decimals)).max() < 10.0 ** -(decimals + 3):
            return 10.0**-decimals
    return 0.0


def _wild(track: Track, dropped: dict[str, int]) -> list[Fault]:
    wild = sum(dropped.get(reason, 0) for reason in (SPIKE, OUT_OF_RANGE, TOO_FAR))
    if wild == 0:
        return []
    share = wild / max(len(track), 1)
    text = f"Fixes that jumped away and were left out: {wild}; wait in the open for a good fix before you start"
    return [(_by_share(share), text)]
