"""What is said about a recording, and that each advice comes for its cause only."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely
from truth import scenarios
from walker import GOOD, TYPICAL, Fixes, Piece, TrueWalk, add_stops, build, lanes, record

from fieldcomb.tracks.clean import clean
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.track import Track
from fieldcomb.tracks.verdict import Verdict, judge

FRAME = SiteFrame(-30.0, 40.0)  # at sea
START_S = 1_770_000_000.0

INTERVAL, DROPOUT, PAUSE = "A fix every", "Drop-outs", "auto-pause"
ROUNDED, HELD, WILD, TIMELESS = "rounded", "power saving", "jumped away", "No times"
ALL = (INTERVAL, DROPOUT, PAUSE, ROUNDED, HELD, WILD, TIMELESS)


@cache
def walk() -> TrueWalk:
    """Lanes with digs and pauses; about an hour."""
    rng = np.random.default_rng(4)
    path = lanes(shapely.box(0, 0, 25, 40), 1.5, 0.0, rng)
    return build([add_stops(Piece(path), rng, digs=8, pauses=3)], rng)


def track(fixes: Fixes, decimals: int = 8) -> Track:
    """A recording as a file holds it."""
    lon, lat = FRAME.to_lonlat(fixes.x_m, fixes.y_m)
    n = np.zeros(lon.size, np.int32)
    return Track(np.round(lon, decimals), np.round(lat, decimals), fixes.t_s + START_S, n)


def judged(recording: Track) -> Verdict:
    """Clean and judge one recording."""
    cleaned = clean([recording], FRAME)
    return judge(recording, cleaned.fixes, cleaned.dropped[0])


def causes(verdict: Verdict) -> set[str]:
    """Which kinds of advice were given."""
    found = {cause for cause in ALL for text in verdict.advice if cause in text}
    assert len(found) == len(verdict.advice), verdict.advice
    return found


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("interval_s", [0.2, 1.0, 2.0])
@pytest.mark.parametrize("noise", [None, GOOD, TYPICAL], ids=["exact", "good", "typical"])
def test_a_clean_recording_is_good_and_gets_no_advice(seed: int, interval_s: float, noise: object) -> None:
    """Recorded every second or two, or faster, by a good or typical receiver, any walk is good without advice."""
    rng = np.random.default_rng(seed)
    for scenario in scenarios(seed)[:-1] if interval_s >= 1 else [scenarios(seed)[3]]:
        fixes = record(scenario.outings[0].walk, interval_s, phase=0.1, noise=noise, rng=rng)  # type: ignore[arg-type]
        assert judged(track(fixes, 7)) == Verdict("good", (), pytest.approx(interval_s, abs=1e-4)), scenario.name


def test_six_decimals_at_five_hertz_are_no_power_saving() -> None:
    """Places rounded to 11 cm repeat when recorded five times a second; that is no fault."""
    assert judged(track(record(walk(), 0.2, decimals=6), 6)).verdict == "good"


@pytest.mark.parametrize(("interval_s", "verdict"), [(3.0, "usable"), (5.0, "usable"), (10.0, "poor")])
def test_a_fix_every_few_seconds(interval_s: float, verdict: str) -> None:
    """A fix every 3 or 5 s is usable, every 10 s poor; the advice names the interval."""
    found = judged(track(record(walk(), interval_s)))
    assert found.verdict == verdict
    assert causes(found) == {INTERVAL}
    assert f"every {interval_s:.0f} s" in found.advice[0]
    assert found.interval_s == interval_s


def test_drop_outs_weigh_by_their_share() -> None:
    """Drop-outs are told with the longest; a little of the time is usable, a third of it is poor."""
    end = float(walk().t_s[-1])
    some = judged(track(record(walk(), 1.0, dropout=[(500, 600), (1500, 1650)])))
    assert causes(some) == {DROPOUT}
    assert some.verdict == "usable"
    assert "Drop-outs: 2, the longest 15" in some.advice[0]
    most = judged(track(record(walk(), 1.0, dropout=[(end / 3, 2 * end / 3)])))
    assert causes(most) == {DROPOUT}
    assert most.verdict == "poor"


def test_auto_pause_is_told() -> None:
    """A recorder that falls silent at every stop is told to be set otherwise; the recording is still good."""
    stops = [(s.start_s + 3, s.end_s - 1) for s in walk().stops if s.end_s - s.start_s > 25]
    found = judged(track(record(walk(), 1.0, lost=stops)))
    assert causes(found) == {PAUSE}
    assert found.verdict == "good"
    assert f"{len(stops)} silences" in found.advice[0]


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("interval_s", [1.0, 3.0])
def test_fixes_lost_while_walking_are_no_auto_pause(seed: int, interval_s: float) -> None:
    """Silences of 10-25 s while walking on are not taken for a recorder that pauses itself."""
    outing = scenarios(seed)[-1].outings[0]
    assert PAUSE not in causes(judged(track(outing.record(interval_s, seed))))


@pytest.mark.parametrize(("decimals", "verdict"), [(5, "usable"), (4, "poor")])
def test_rounded_positions(decimals: int, verdict: str) -> None:
    """Positions with five decimals (1.1 m) are usable, with four (11 m) poor; the advice names the size."""
    found = judged(track(record(walk(), 1.0, decimals=decimals), decimals))
    assert ROUNDED in causes(found)
    assert HELD not in causes(found)
    assert found.verdict == verdict
    assert f"about {111_195 * 10.0**-decimals:.1f} m" in " ".join(found.advice)


def test_a_receiver_that_sleeps() -> None:
    """A receiver that gives the same place for four seconds and then jumps is told to stop saving power."""
    fixes = record(walk(), 1.0)
    held = np.arange(fixes.t_s.size) // 4 * 4
    asleep = Fixes(fixes.t_s, fixes.x_m[held], fixes.y_m[held], fixes.is_spike)
    found = judged(track(asleep))
    assert causes(found) == {HELD}
    assert found.verdict == "usable"


@pytest.mark.parametrize(("spikes", "verdict"), [(5, "good"), (60, "usable")])
def test_wild_fixes(spikes: int, verdict: str) -> None:
    """Fixes that jumped away are told with their number; few of them leave the recording good."""
    fixes = record(walk(), 1.0, spikes=spikes, rng=np.random.default_rng(1))
    found = judged(track(fixes))
    assert causes(found) == {WILD}
    assert f"left out: {int(fixes.is_spike.sum())}; wait" in found.advice[0]
    assert found.verdict == verdict


def test_no_times() -> None:
    """A file without times is usable at most, and only that is said."""
    fixes = record(walk(), 1.0)
    found = judged(track(Fixes(fixes.t_s * np.nan, fixes.x_m, fixes.y_m, fixes.is_spike)))
    assert causes(found) == {TIMELESS}
    assert found == Verdict("usable", found.advice, None)


def test_nothing_left_is_not_called_timeless() -> None:
    """A file with times of which no fix was usable is poor, and is not said to have no times."""
    fixes = record(walk(), 1.0)
    lost = track(Fixes(fixes.t_s, fixes.x_m * np.nan, fixes.y_m, fixes.is_spike))
    found = judged(lost)
    assert found.verdict == "poor"
    assert TIMELESS not in causes(found)
