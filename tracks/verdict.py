"""How good a recording is, and which setting of the recorder would make the next one better."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldcomb.tracks.clean import OUT_OF_RANGE, SPIKE, STILL_M, Fixes
from fieldcomb.tracks.pace import STOP_PACE_M_S
from fieldcomb.tracks.track import Floats, Track

VERDICTS = ("good", "usable", "poor")  # from best to worst

SILENCE_AT_STOP_S = 15.0
GOOD_INTERVAL_S = 2.0
USABLE_INTERVAL_S = 5.5
COARSE_M = 0.9  # steps of the grid that rounded positions lie on
HELD_JUMP_M = 0.3  # a held place that jumps less is only rounded
DEGREE_M = 111_195.0  # mean length of a degree of latitude; only to say how coarse rounding is


@dataclass(frozen=True, slots=True)
class Verdict:
    """good, usable or poor; what to change, one sentence each; and the usual seconds between fixes."""

    verdict: str
    advice: tuple[str, ...]
    interval_s: float | None


def judge(track: Track, fixes: Fixes, dropped: dict[str, int]) -> Verdict:
    """Judge one file by its fixes as read, its fixes as cleaned, and what was left out of it."""
    faults = [*_gaps(fixes), *_places(track, fixes), *_wild(track, dropped)]
    if not len(fixes):
        return Verdict("poor", tuple(text for _, text in faults), None)
    if not fixes.timed:
        faults.append((1, "No times in the file: record a track with times, not a planned route or a shortened export"))
    interval = float(np.median(np.diff(fixes.t_s))) if fixes.timed and len(fixes) > 1 else None
    worst = max((weight for weight, _ in faults), default=0)
    return Verdict(VERDICTS[worst], tuple(text for _, text in faults), interval)


Fault = tuple[int, str]  # 0 worth saying, 1 usable, 2 poor


def _gaps(fixes: Fixes) -> list[Fault]:
    if not fixes.timed or len(fixes) < 2:
        return []
    step_s = np.diff(fixes.t_s)
    step_m = np.hypot(np.diff(fixes.x_m), np.diff(fixes.y_m))
    lost = np.diff(fixes.piece) > 0
    faults: list[Fault] = []
    interval = float(np.median(step_s))
    if interval > GOOD_INTERVAL_S:
        text = f"A fix every {interval:.0f} s: set the recorder to one every second, or turns are cut short"
        faults.append((1 if interval <= USABLE_INTERVAL_S else 2, text))
    if lost.any():
        gone, longest = float(step_s[lost].sum()), float(step_s[lost].max())
        share = gone / max(float(fixes.t_s[-1] - fixes.t_s[0]), 1.0)
        text = (
            f"Drop-outs: {int(lost.sum())}, the longest {longest:.0f} s: wear the recorder high and under the open sky"
        )
        faults.append((2 if share > 0.2 else 1 if share > 0.02 else 0, text))
    still = (step_m < STILL_M) & (step_m < STOP_PACE_M_S * step_s)  # else fixes were lost while walking on
    silent = (step_s > max(SILENCE_AT_STOP_S, 4 * interval)) & still & ~lost
    if silent.sum() >= 2:
        text = f"{int(silent.sum())} silences while standing: switch auto-pause off, so that stops are recorded"
        faults.append((0, text))
    return faults


def _places(track: Track, fixes: Fixes) -> list[Fault]:
    if len(fixes) < 60:
        return []
    faults: list[Fault] = []
    grain_m = max(_grain_deg(track.lat_deg), _grain_deg(track.lon_deg)) * DEGREE_M
    if grain_m > COARSE_M:
        text = f"Positions are rounded to about {grain_m:.1f} m: export with more decimals (seven are plenty)"
        faults.append((1 if grain_m < 3 else 2, text))
    step_m = np.append(np.hypot(np.diff(fixes.x_m), np.diff(fixes.y_m)), 0)
    held = step_m[:-1] == 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], held.astype(np.int8), [0]]))).reshape(-1, 2)
    short = ((edges[:, 1] - edges[:, 0] <= 10) & (step_m[edges[:, 1]] > HELD_JUMP_M)).sum()
    if short > len(fixes) / 20 and grain_m <= COARSE_M:
        faults.append((1, "The position often stays put for some fixes and then jumps: switch power saving off"))
    return faults


def _grain_deg(values: Floats) -> float:
    """Smallest power of ten (from 1e-7 degree) on which all values lie; 0 when they are finer."""
    known = values[np.isfinite(values)]
    for decimals in range(2, 7):
        if known.size and np.abs(known - np.round(known, decimals)).max() < 10.0 ** -(decimals + 3):
            return 10.0**-decimals
    return 0.0


def _wild(track: Track, dropped: dict[str, int]) -> list[Fault]:
    wild = dropped.get(SPIKE, 0) + dropped.get(OUT_OF_RANGE, 0)
    if wild == 0:
        return []
    share = wild / max(len(track), 1)
    text = f"Fixes that jumped away and were left out: {wild}; wait for a good fix before you start, in the open"
    return [(2 if share > 0.2 else 1 if share > 0.02 else 0, text)]
