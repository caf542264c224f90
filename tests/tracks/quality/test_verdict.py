"""What is said about a recording, and that each advice comes for its cause only."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from truth import Scenario
from truth import scenarios as new_scenarios
from walker import GOOD, POOR, TYPICAL, Fixes, Noise, Piece, TrueWalk, add_stops, build, go, lanes, record, straight

from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.motion.cleaning import clean
from fieldcomb.tracks.quality.verdict import Verdict, judge
from fieldcomb.tracks.recording import Track

FRAME = SiteFrame(-30.0, 40.0)  # at sea
START_S = 1_770_000_000.0

INTERVAL, DROPOUT, PAUSE = "A fix every", "Drop-outs", "auto-pause"
ROUNDED, HELD, WILD, TIMELESS = "rounded", "power saving", "jumped away", "No times"
SNAPPED = "lock on road"
EMPTY, UNSETTLED = "have no position", "Positions had not settled"
DISTANCE, SMART = "by distance", "smart recording"
ALL = (INTERVAL, DROPOUT, PAUSE, ROUNDED, HELD, WILD, TIMELESS, SNAPPED, EMPTY, UNSETTLED, DISTANCE, SMART)


@cache
def scenarios(seed: int) -> list[Scenario]:
    """All kinds of walk, made once."""
    return new_scenarios(seed)


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


@pytest.mark.parametrize(("interval_s", "decimals"), [(1.0, 6), (3.0, 7), (5.0, 6)])
def test_any_walk_by_any_receiver_is_free_of_these_faults(interval_s: float, decimals: int) -> None:
    """Whatever the walk, the receiver and the recorder: no snapping, no bad start, no holding, no distance rule."""
    rng = np.random.default_rng(3)
    for scenario in scenarios(1):
        for noise in (None, TYPICAL, POOR):
            fixes = record(scenario.outings[0].walk, interval_s, noise=noise, rng=rng)
            found = causes(judged(track(fixes, decimals)))
            assert found <= {INTERVAL, WILD}, scenario.name
            assert WILD not in found or noise is POOR


def noisy(interval_s: float = 1.0, seed: int = 1, noise: Noise = TYPICAL) -> Fixes:
    """The walk as a usual receiver has it."""
    return record(walk(), interval_s, noise=noise, rng=np.random.default_rng(seed))


def moved(fixes: Fixes, east_m: object, north_m: object = 0.0) -> Fixes:
    """Fixes shifted by so much."""
    return Fixes(fixes.t_s, fixes.x_m + east_m, fixes.y_m + north_m, fixes.is_spike)


def on_paths(fixes: Fixes, apart_m: float, bearing_deg: float) -> Fixes:
    """Move each fix onto parallel paths of a map, and stay on one until another is clearly nearer."""
    a = np.radians(bearing_deg)
    along, across = fixes.x_m * np.sin(a) + fixes.y_m * np.cos(a), fixes.x_m * np.cos(a) - fixes.y_m * np.sin(a)
    path, place = np.empty(across.size), round(across[0] / apart_m)
    for k, v in enumerate(across / apart_m):
        place = round(v) if abs(v - place) > 0.8 else place
        path[k] = place * apart_m
    return Fixes(fixes.t_s, along * np.sin(a) + path * np.cos(a), along * np.cos(a) - path * np.sin(a), fixes.is_spike)


@pytest.mark.parametrize("interval_s", [1.0, 2.0])
@pytest.mark.parametrize("bearing_deg", [0.0, 30.0])
@pytest.mark.parametrize("decimals", [6, 7])
def test_snapping_to_paths_is_told(interval_s: float, bearing_deg: float, decimals: int) -> None:
    """A walk moved onto the paths of a map is poor, and the advice names the setting, whatever way the paths lead."""
    found = judged(track(on_paths(noisy(interval_s), 6.0, bearing_deg), decimals))
    assert causes(found) == {SNAPPED}
    assert found.verdict == "poor"


def test_a_walk_snapped_for_a_part_is_usable() -> None:
    """When a smaller part of the way was moved onto paths, the recording is usable."""
    fixes = noisy()
    snapped = on_paths(fixes, 6.0, 0.0)
    x = np.where(fixes.t_s < 0.4 * fixes.t_s[-1], snapped.x_m, fixes.x_m)
    found = judged(track(Fixes(fixes.t_s, x, snapped.y_m, fixes.is_spike)))
    assert causes(found) == {SNAPPED}
    assert found.verdict == "usable"


def out_and_back(noise: Noise | None) -> Track:
    """One straight lane of 150 m, four times."""
    rng = np.random.default_rng(5)
    ends = [(0.0, 0.0), (40.0, 145.0)]
    there = build([Piece(straight(*ends, *ends[::-1], *ends[1:], ends[0]))], rng)
    return track(record(there, 1.0, noise=noise, rng=rng), 7)


@pytest.mark.parametrize("noise", [Noise(0, 0, 0.3), Noise(0, 0.3, 0), Noise(0.3, 0, 0), Noise(0.1, 0.1, 0.03)])
def test_a_lane_walked_out_and_back_is_not_snapped(noise: Noise) -> None:
    """The same lane, again and again, is not called snapped when the receiver errs by 10 to 30 cm of any kind."""
    assert judged(out_and_back(noise)) == Verdict("good", (), 1.0)


def test_the_very_same_line_twice_is_called_snapped() -> None:
    """A lane that comes back to the centimetre over its whole length is: no walker and no receiver does that."""
    assert causes(judged(out_and_back(None))) == {SNAPPED}


@pytest.mark.parametrize("noise", [None, GOOD.scaled(0.3), TYPICAL])
def test_ground_walked_very_often_is_not_snapped(noise: Noise | None) -> None:
    """Forty lanes over 1.5 m of ground always have a line nearby, but not the same one."""
    rng = np.random.default_rng(6)
    x = 1.5 * rng.random(40)
    places = [(float(at), 20.0 * end) for k, at in enumerate(x) for end in (k % 2, (k + 1) % 2)]
    fixes = record(build([Piece(straight(*places))], rng), 1.0, noise=noise, rng=rng)
    assert SNAPPED not in causes(judged(track(fixes, 7)))


def test_a_start_without_a_position() -> None:
    """Fixes without a position at the start are told with their seconds; those of 3 s are not."""
    for seconds, told in ((45, {EMPTY}), (3, set[str]())):
        fixes = noisy()
        x = np.where(fixes.t_s < seconds, np.nan, fixes.x_m)
        found = judged(track(Fixes(fixes.t_s, x, fixes.y_m, fixes.is_spike)))
        assert causes(found) == told
        assert found.verdict == "good"
        assert not told or found.advice[0].startswith(
            f"The first {seconds} s have no position: stand in the open and wait for a good fix"
        )


def settling(kind: str, fixes: Fixes) -> Fixes:
    """A receiver that is still finding its place for about a minute."""
    t, rng = fixes.t_s, np.random.default_rng(2)
    if kind == "uneven":
        size = 3.2 * (t < 90)  # larger ones are left out as spikes, which is told besides
        return moved(fixes, size * (rng.random(t.size) - 0.5), size * (rng.random(t.size) - 0.5))
    if kind == "drift":
        return moved(fixes, np.clip((60 - t) * 0.9, 0, None), np.clip((60 - t) * 3.0, 0, 75))
    return moved(fixes, np.where(t < 60, {"jump": 15.0, "far jump": 40.0}[kind], 0.0))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("interval_s", [1.0, 2.0])
@pytest.mark.parametrize("kind", ["uneven", "jump", "far jump", "drift"])
def test_a_start_that_had_not_settled(kind: str, interval_s: float, seed: int) -> None:
    """A start that swerves, jumps or drifts faster than anybody walks is told, with about its seconds."""
    found = judged(track(settling(kind, noisy(interval_s, seed))))
    assert causes(found) == {UNSETTLED}
    seconds = int(found.advice[0].split()[7])
    assert 55 <= seconds <= 110 if kind == "uneven" else 55 <= seconds <= 75
    assert found.verdict in ("good", "usable")


@pytest.mark.parametrize("kind", ["walk", "drive"])
def test_coming_to_the_site_is_no_bad_start(kind: str) -> None:
    """Who walks or drives to the site with the recorder on had a settled start."""
    rng = np.random.default_rng(3)
    path = lanes(shapely.box(0, 0, 25, 40), 1.5, 0.0, rng)
    start = (float(path[0][0]), float(path[1][0]))
    far = {"walk": go((-90.0, -60.0), start), "drive": Piece(straight((-700.0, 0.0), start), (6.0, 9.0), 2)}[kind]
    fixes = record(build([far, add_stops(Piece(path), rng, digs=6)], rng), 1.0, noise=TYPICAL, rng=rng)
    assert judged(track(fixes)).advice == ()


@pytest.mark.parametrize("noise", [None, GOOD.scaled(0.3), TYPICAL])
def test_a_brisk_start_at_uneven_intervals_is_no_bad_start(noise: Noise | None) -> None:
    """Who walks fast to the first lane, with a fix every 3 to 5 s, is told about the interval and nothing else."""
    for seed in (1, 2):
        rng = np.random.default_rng(seed)
        for scenario in scenarios(seed):
            fixes = record(scenario.outings[0].walk, (3.0, 5.0), noise=noise, rng=rng)
            assert causes(judged(track(fixes, 7))) == {INTERVAL}, scenario.name


@pytest.mark.parametrize(
    ("name", "verdict", "told"),
    [
        ("outing-1-west-large", "good", set()),
        ("outing-2-east-large", "usable", {DROPOUT}),
        ("outing-3-middle-medium", "usable", {INTERVAL}),
        ("outing-4-junk-small", "good", set()),
    ],
)
def test_the_recordings_of_the_demo(name: str, verdict: str, told: set[str]) -> None:
    """The demo's recordings are told the drop-out of the second and the slow recorder of the third, and no more."""
    path = Path(__file__).parents[3] / "demo" / f"{name}.gpx"
    recording = read_recording(path.read_bytes(), path.name).track
    frame = SiteFrame(float(recording.lon_deg[0]), float(recording.lat_deg[0]))
    cleaned = clean([recording], frame)
    found = judge(recording, cleaned.fixes, cleaned.dropped[0])
    assert found.verdict == verdict
    assert causes(found) == told


def held(fixes: Fixes, seconds: float) -> Fixes:
    """A receiver that keeps its place for so long."""
    first = np.searchsorted(fixes.t_s, np.floor(fixes.t_s / seconds) * seconds - 1e-6)
    return Fixes(fixes.t_s, fixes.x_m[first], fixes.y_m[first], fixes.is_spike)


@pytest.mark.parametrize(
    ("interval_s", "seconds"), [(1.0, 3), (1.0, 4), (1.0, 15), (3.0, 6), (3.0, 12), (5.0, 10), (5.0, 20)]
)
def test_a_place_held_while_walking(interval_s: float, seconds: int) -> None:
    """A held place is told at any interval, with about how long it is held."""
    found = judged(track(held(noisy(interval_s), float(seconds))))
    assert causes(found) - {INTERVAL} == {HELD}
    assert found.verdict == "usable"
    assert f"for about {seconds} s, then jumps" in " ".join(found.advice)


@pytest.mark.parametrize("interval_s", [1.0, 3.0, 5.0])
def test_a_place_held_while_digging_is_no_fault(interval_s: float) -> None:
    """A receiver that keeps its place during stops, and jumps a little after them, is not told to change."""
    fixes = noisy(interval_s)
    x, y = fixes.x_m.copy(), fixes.y_m.copy()
    for stop in walk().stops:
        here = np.flatnonzero((fixes.t_s >= stop.start_s) & (fixes.t_s <= stop.end_s))
        x[here], y[here] = x[here[:1]], y[here[:1]]
    assert HELD not in causes(judged(track(Fixes(fixes.t_s, x, y, fixes.is_spike))))


def kept(fixes: Fixes, index: object) -> Fixes:
    """Some of the fixes."""
    return Fixes(*(part[index] for part in (fixes.t_s, fixes.x_m, fixes.y_m, fixes.is_spike)))


@pytest.mark.parametrize("noise", [None, TYPICAL], ids=["exact", "typical"])
@pytest.mark.parametrize(("apart_m", "verdict"), [(1.0, "usable"), (3.0, "poor"), (5.0, "poor")])
def test_a_fix_every_few_metres(noise: Noise | None, apart_m: float, verdict: str) -> None:
    """A recorder that goes by distance is told to go by time; its silences at stops are no other fault."""
    fixes = record(walk(), 1.0, noise=noise, rng=np.random.default_rng(4))
    index = [0]
    for k in range(fixes.t_s.size):
        if np.hypot(fixes.x_m[k] - fixes.x_m[index[-1]], fixes.y_m[k] - fixes.y_m[index[-1]]) >= apart_m:
            index.append(k)
    found = judged(track(kept(fixes, index)))
    assert causes(found) == {DISTANCE}
    assert noise is not None or found.verdict == verdict


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_smart_recording(seed: int) -> None:
    """A recorder that keeps only the fixes that it finds worth keeping is told to keep one every second."""
    fixes = noisy(seed=seed, noise=GOOD)
    line = shapely.LineString(np.column_stack([fixes.t_s, fixes.x_m, fixes.y_m])[:, 1:])
    worth = shapely.get_coordinates(line.simplify(0.35))
    index = np.flatnonzero(np.isin(fixes.x_m, worth[:, 0]) | (np.arange(fixes.x_m.size) % 25 == 0))
    found = judged(track(kept(fixes, index)))
    assert causes(found) == {SMART}
    assert found.verdict == "usable"


def test_lost_fixes_are_no_smart_recording() -> None:
    """A recorder every second that loses one fix in five is not told to switch anything."""
    fixes = record(walk(), 1.0, lost=0.2, noise=TYPICAL, rng=np.random.default_rng(4))
    assert judged(track(fixes)) == Verdict("good", (), 1.0)


def test_one_silence_is_told_when_no_stop_was_recorded() -> None:
    """A walk whose only stop is a silence is told about auto-pause; one that recorded its other stops is not."""
    rng = np.random.default_rng(7)
    piece = add_stops(Piece(lanes(shapely.box(0, 0, 12, 40), 1.5, 0.0, rng)), rng, digs=1)
    once = build([piece], rng)
    silent = [(once.stops[0].start_s + 3, once.stops[0].end_s - 1)]
    found = judged(track(record(once, 1.0, lost=silent, noise=TYPICAL, rng=rng)))
    assert causes(found) == {PAUSE}
    assert found.advice[0].startswith("1 silence while standing: switch auto-pause off")
    longest = max(walk().stops, key=lambda s: s.end_s - s.start_s)
    silent = [(longest.start_s + 3, longest.end_s - 1)]
    assert judged(track(record(walk(), 1.0, lost=silent, noise=TYPICAL, rng=rng))).advice == ()


@given(
    seed=st.integers(0, 2**32 - 1),
    count=st.integers(0, 400),
    interval_s=st.sampled_from([0.0, 0.01, 1.0, 7.0, 86_400.0]),
    size_m=st.sampled_from([0.0, 0.01, 1.0, 100.0, 1e6]),
    timed=st.booleans(),
)
def test_any_recording_gets_a_verdict(seed: int, count: int, interval_s: float, size_m: float, timed: bool) -> None:
    """Whatever a file holds, it is judged in one of three words, and every advice is one sentence of its own."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(interval_s * rng.integers(0, 3, count)) if timed else np.full(count, np.nan)
    x, y = size_m * rng.standard_normal((2, count))
    x[rng.random(count) < 0.1] = np.nan
    if count and rng.random() < 0.5:
        x, y = np.cumsum(np.nan_to_num(x)) / 10, np.cumsum(y) / 10
    found = judged(track(Fixes(t, x, y, np.zeros(count, bool)), int(rng.integers(4, 9))))
    assert found.verdict in ("good", "usable", "poor")
    assert len(causes(found)) == len(found.advice)
