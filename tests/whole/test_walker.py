"""The simulated walks and their truth are right themselves: inputs with an obvious answer, and a plain second count."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import gpxpy
import make_demo
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from truth import match_missed, match_stops, points_in, scenarios, swept_at, true_passes, true_swept_pct
from walker import (
    HZ,
    SEARCH,
    STOP,
    TRANSIT,
    Piece,
    Stop,
    TrueWalk,
    add_stops,
    along_m,
    build,
    detour,
    go,
    lanes,
    record,
    short_lanes,
    spiral,
    straight,
    to_gpx,
    wander,
)
from walker import Waypoint as Mark
from walker import gauss_markov as drift

from fieldcomb.tracks.frame import SiteFrame

DEMO = Path(make_demo.__file__).parent


def rng(seed: int = 7) -> np.random.Generator:
    """Give a generator that draws the same every time."""
    return np.random.default_rng(seed)


def search(*places: tuple[float, float], stops: tuple[tuple[float, float, str], ...] = ()) -> Piece:
    """Search straight from place to place."""
    return Piece(straight(*places), stops=stops)


# --- truth -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("length_m", "swath_m"), [(30.0, 1.6), (12.0, 0.9)])
def test_straight_lane_sweeps_length_times_swath_and_two_half_discs(length_m: float, swath_m: float) -> None:
    """A straight lane sweeps its length times the swing width, and a half-disc at each end."""
    walk = build([search((0, 0), (length_m, 0))], rng())
    around = shapely.box(-3, -3, length_m + 3, 3)
    swept_m2 = true_swept_pct([walk], swath_m, around) / 100 * around.area
    assert swept_m2 == pytest.approx(length_m * swath_m + np.pi * swath_m**2 / 4, rel=0.004)


def test_there_and_back_is_two_passes_but_one_at_the_turn() -> None:
    """A lane walked there and back is two passes, but only one where the walker turns round."""
    walk = build([search((0, 0), (30, 0), (30, 0.2), (0, 0.2))], rng())
    xs = np.arange(0.1, 31.0, 0.2)
    passes = true_passes(walk, 1.6, xs, np.full_like(xs, 0.1))
    # Path between the last touch out and the first touch back, at x: 2 (30 - x - 0.794) + 0.2, against 3.2 m.
    expected = np.where(xs < 27.706, 2, np.where(xs < 30.79, 1, 0))
    near_the_limit = np.abs(xs - 27.706) < 0.05
    assert passes[~near_the_limit].tolist() == expected[~near_the_limit].tolist()


@pytest.mark.parametrize("sway_m", [0.0, 0.3])
def test_digging_makes_no_pass_and_sweeps_nothing(sway_m: float) -> None:
    """Standing and digging, however long and restless, adds no pass and no swept ground."""
    dug = build([search((0, 0), (20, 0), stops=((10.0, 240.0, "dig"),))], rng(), sway_m=sway_m)
    plain = build([search((0, 0), (20, 0))], rng())
    places = points_in(shapely.box(-2, -2, 22, 2), 0.2)
    passes = true_passes(dug, 1.6, places[:, 0], places[:, 1])
    assert dug.t_s[-1] - plain.t_s[-1] == pytest.approx(240.0, abs=0.2)
    assert passes.max() == 1
    assert np.array_equal(passes, true_passes(plain, 1.6, places[:, 0], places[:, 1]))
    assert np.array_equal(swept_at(dug, 1.6, places), swept_at(plain, 1.6, places))


def test_transit_sweeps_nothing_but_counts_as_way() -> None:
    """Walking off and back without swinging sweeps nothing; searching on from the same place is a new pass."""
    walk = build([search((0, 0), (10, 0)), go((10, 0), (10, 30), (10, 0)), search((10, 0), (20, 0))], rng())
    passes = true_passes(walk, 1.6, [5.0, 10.0, 15.0, 10.0], [0.0, 0.0, 0.0, 15.0])
    assert passes.tolist() == [1, 2, 1, 0]


def test_break_in_the_middle_of_transit_sweeps_nothing() -> None:
    """Standing at the gate is not searching, though standing between two sweeps is."""
    rest = Piece(straight((0, 0), (20, 0)), (1.1, 1.5), TRANSIT, ((10.0, 700.0, "break"),))
    walk = build([rest, search((20, 0), (30, 0), stops=((5.0, 60.0, "dig"),))], rng())
    assert swept_at(walk, 1.6, np.array([[10.0, 0.0], [25.0, 0.5]])).tolist() == [False, True]


def test_dropout_is_not_swept_and_starts_a_new_pass() -> None:
    """Ground walked while nothing was recorded is not swept; ground touched before and after has two passes."""
    walk = build([search((0, 0), (40, 0))], rng())
    t0, t1 = (float(np.interp(x, walk.x_m, walk.t_s)) for x in (10.0, 20.0))
    assert true_passes(walk, 1.6, [5.0, 15.0, 25.0], [0.0] * 3, [(t0, t1)]).tolist() == [1, 0, 1]
    t1 = float(np.interp(10.6, walk.x_m, walk.t_s))
    assert true_passes(walk, 1.6, [5.0, 10.3, 25.0], [0.0] * 3, [(t0, t1)]).tolist() == [1, 2, 1]


def test_missed_lane_leaves_its_strip() -> None:
    """Leaving out one lane of many leaves just its strip unswept."""
    site = shapely.box(0, 0, 30, 40)
    places = points_in(shapely.box(0, 2, 30, 38), 0.2)
    walk = build([Piece(lanes(site, 1.5, 0.0, rng(), skip={7}, wobble_m=0.0))], rng())
    missed = places[~swept_at(walk, 1.6, places)]
    # Lane 7 would run at 11.25. Its neighbours, at 9.75 and 12.75, reach 0.8 m: to 10.55 and from 11.95 on.
    # The cell centres between those lie at 10.7, 10.9 ... 11.9.
    assert np.unique(missed[:, 0].round(3)).tolist() == [10.7, 10.9, 11.1, 11.3, 11.5, 11.7, 11.9]
    assert len(missed) == 7 * 180


def plain_count(walk: TrueWalk, swath_m: float, places: np.ndarray) -> np.ndarray:
    """Follow the definition of a pass word by word, one sample after another; for walks without stops."""
    last = np.full(len(places), -np.inf)
    passes = np.zeros(len(places), int)
    walked = 0.0
    for i in range(walk.t_s.size):
        if i:
            walked += float(np.hypot(walk.x_m[i] - walk.x_m[i - 1], walk.y_m[i] - walk.y_m[i - 1]))
        if walk.state[i] == SEARCH:
            near = np.hypot(places[:, 0] - walk.x_m[i], places[:, 1] - walk.y_m[i]) <= swath_m / 2
            passes[near & (walked - last > max(3.0, 2 * swath_m))] += 1
            last[near] = walked
    return passes


def wandering_walk(seed: int) -> TrueWalk:
    """Wander over 9 m x 9 m, walk to a corner without searching, and search across."""
    path = wander(shapely.box(0, 0, 9, 9), 70.0, rng(seed), start=(2.0, 2.0))
    end = float(path[0][-1]), float(path[1][-1])
    back = search((0.0, 0.0), (8.0, 8.0))
    return build([Piece(path), go(end, (0.0, 0.0)), back], rng(seed))


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), swath_m=st.sampled_from([0.9, 1.3, 2.0]))
def test_passes_agree_with_a_plain_count_step_by_step(seed: int, swath_m: float) -> None:
    """The quick count of passes is, cell for cell, the one made by following the walker step by step."""
    walk, places = wandering_walk(seed), points_in(shapely.box(-1, -1, 10, 10), 0.3)
    assert np.array_equal(true_passes(walk, swath_m, places[:, 0], places[:, 1]), plain_count(walk, swath_m, places))


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_passes_do_not_depend_on_direction_and_are_where_it_is_swept(seed: int) -> None:
    """A walk done backwards gives the same passes, and ground has a pass just where it is swept."""
    walk, places = wandering_walk(seed), points_in(shapely.box(-1, -1, 10, 10), 0.3)
    back = replace(walk, x_m=walk.x_m[::-1], y_m=walk.y_m[::-1], state=walk.state[::-1])
    passes = true_passes(walk, 1.5, places[:, 0], places[:, 1])
    again = true_passes(back, 1.5, places[:, 0], places[:, 1])
    # A cell whose way back is 3.00 m to within rounding may fall on either side of the limit.
    assert np.count_nonzero(passes != again) <= 1
    assert np.array_equal(passes > 0, swept_at(walk, 1.5, places))


def test_passes_keep_the_shape_of_the_cells() -> None:
    """A raster of cell centres gives a raster of passes."""
    walk = build([search((0, 0), (10, 0))], rng())
    xs, ys = np.meshgrid(np.arange(0, 10, 1.0), np.array([0.0, 5.0]))
    assert true_passes(walk, 1.0, xs, ys).tolist() == [[1] * 10, [0] * 10]


def test_another_walk_never_lowers_the_percentage() -> None:
    """Two walks together sweep at least as much as either, and no more than their sum."""
    site = shapely.box(0, 0, 20, 20)
    walks = [build([search((2, 3), (18, 15))], rng()), build([search((3, 17), (16, 2))], rng())]
    one, two = (true_swept_pct([walk], 1.5, site) for walk in walks)
    both = true_swept_pct(walks, 1.5, site)
    assert max(one, two) < both < one + two


def test_match_missed_counts_cells() -> None:
    """Precision is the right share of what was called missed, recall the found share of what is missed."""
    called, there = np.array([1, 1, 1, 1, 0, 0], bool), np.array([0, 0, 0, 1, 1, 0], bool)
    assert match_missed(called, there) == (0.25, 0.5)
    assert match_missed(~(called | True), there) == (1.0, 0.0)


def test_match_stops_takes_each_true_stop_once() -> None:
    """A stop found twice, at another time or in another place is a false one."""
    true = [Stop(100.0, 200.0, 0.0, 0.0, "dig"), Stop(500.0, 560.0, 20.0, 0.0, "dig")]
    found = [(150.0, 0.5, 0.5), (190.0, 0.0, 0.0), (530.0, 0.0, 0.0), (900.0, 20.0, 0.0)]
    assert match_stops(found, true) == (0.5, 3)
    assert match_stops([], []) == (1.0, 0)


# --- walks -------------------------------------------------------------------------------------------------------


def test_lanes_run_at_their_bearing_and_spacing() -> None:
    """Lanes at 37 degrees over a square run at 37 degrees, 1.7 m apart."""
    x, y = lanes(shapely.box(0, 0, 30, 30), 1.7, 37.0, rng(), wobble_m=0.0)
    step = np.hypot(np.diff(x), np.diff(y))
    bearing = np.degrees(np.arctan2(np.diff(x), np.diff(y))) % 180
    on_lane = np.abs(bearing - 37.0) < 0.01
    assert step[on_lane].sum() / step.sum() > 0.85
    across = x[1:][on_lane] * np.cos(np.radians(37.0)) - y[1:][on_lane] * np.sin(np.radians(37.0))
    lane = np.round((across - across[0]) / 1.7)
    assert np.allclose(across - across[0], 1.7 * lane, atol=0.01)
    assert np.array_equal(np.unique(lane), np.arange(lane.max() + 1))


def test_paths_have_no_jumps_and_no_sharp_corners() -> None:
    """Lanes and spirals are walked in one go, round the bends."""
    for path in (lanes(shapely.box(0, 0, 20, 30), 1.5, 90.0, rng()), spiral((0, 0), (15, 15), 1.5, rng())):
        x, y = path
        heading = np.unwrap(np.arctan2(np.diff(y), np.diff(x)))
        assert np.hypot(np.diff(x), np.diff(y)).max() < 0.06
        assert np.abs(np.diff(heading)).max() < 0.25


def test_spiral_sweeps_a_disc() -> None:
    """A spiral whose turns lie nearer than the swing width sweeps the whole disc."""
    disc = shapely.Point(0, 0).buffer(12.0)
    walk = build([Piece(spiral((0.0, 0.0), (12.0, 12.0), 1.2, rng()))], rng())
    assert true_swept_pct([walk], 1.9, disc) > 99.0


def test_short_lanes_sweep_their_corner_and_stay_in_it() -> None:
    """Short lanes in a corner sweep nearly all of it."""
    corner = shapely.box(0, 0, 14, 10)
    path = short_lanes(corner, 3.5, 0.75, rng())
    assert corner.buffer(0.3).contains(shapely.LineString(np.column_stack(path)))
    assert true_swept_pct([build([Piece(path, (0.15, 0.2))], rng())], 0.9, corner) > 97.0


def test_detour_keeps_off_the_obstacle() -> None:
    """A path led round an obstacle keeps its distance and ends where it did."""
    path = detour(straight((0, 0), (20, 0)), (10.0, 0.5), 3.0)
    assert np.hypot(path[0] - 10.0, path[1] - 0.5).min() > 2.99
    assert (path[0][0], path[0][-1]) == (0.0, 20.0)
    assert path[1].min() > -2.6  # the shorter way round
    assert path[1].max() < 0.01


def test_walk_keeps_its_pace_and_stands_still_at_stops() -> None:
    """While searching the pace is 0.2-0.4 m/s, in transit 1.1-1.5 m/s, and at a stop nil."""
    path = lanes(shapely.box(0, 0, 20, 30), 1.5, 0.0, rng())
    piece = add_stops(Piece(path), rng(), digs=5, pauses=3, breaks=1)
    walk = build([go((-20.0, 0.0), (path[0][0], path[1][0])), piece], rng())
    pace = np.hypot(np.diff(walk.x_m), np.diff(walk.y_m)) * HZ
    for state, low, high in ((SEARCH, 0.19, 0.401), (TRANSIT, 1.09, 1.501), (STOP, 0.0, 0.0)):
        here = (walk.state[1:] == state) & (walk.state[:-1] == state)
        assert here.sum() > 100
        assert low <= pace[here].min()
        assert pace[here].max() <= high
    assert np.allclose(np.diff(walk.t_s), 1 / HZ)


def test_stops_are_as_long_as_their_kind_and_apart() -> None:
    """Digs last 35-240 s, pauses 5-25 s, breaks over 10 min, and no two are within 3 m."""
    piece = add_stops(
        Piece(lanes(shapely.box(0, 0, 20, 30), 1.5, 0.0, rng())), rng(), digs=9, pauses=5, breaks=1, apart_m=3.0
    )
    stops = build([piece], rng()).stops
    kinds = [s.kind for s in stops]
    assert (kinds.count("dig"), kinds.count("pause"), kinds.count("break")) == (9, 5, 1)
    limits = {"dig": (35, 240), "pause": (5, 25), "break": (600, 900)}
    assert all(limits[s.kind][0] <= s.end_s - s.start_s <= limits[s.kind][1] for s in stops)
    places = np.array([(s.x_m, s.y_m) for s in stops])
    apart = np.hypot(*(places[:, None] - places[None]).T)
    assert apart[~np.eye(len(stops), dtype=bool)].min() > 2.95


def test_pieces_must_join() -> None:
    """A walk cannot jump from the end of one piece to a far start of the next."""
    with pytest.raises(ValueError, match="not where the one before it ended"):
        build([search((0, 0), (5, 0)), search((9, 0), (20, 0))], rng())


def test_too_many_stops_are_refused() -> None:
    """Stops that cannot all keep their distance are refused rather than crowded."""
    with pytest.raises(ValueError, match="no room"):
        add_stops(search((0, 0), (10, 0)), rng(), digs=20)


# --- recordings --------------------------------------------------------------------------------------------------


def test_recording_is_on_the_walk_at_its_times() -> None:
    """Recorded every 3 s from 1.4 s on, each fix is where the walker was then, to a millimetre."""
    walk = build([Piece(lanes(shapely.box(0, 0, 10, 20), 1.5, 0.0, rng()))], rng())
    fixes = record(walk, 3.0, phase=1.4)
    assert fixes.t_s[0] == 1.4
    assert np.allclose(np.diff(fixes.t_s), 3.0)
    assert fixes.t_s[-1] > walk.t_s[-1] - 3.0
    assert np.abs(fixes.x_m - np.interp(fixes.t_s, walk.t_s, walk.x_m)).max() < 0.001
    assert not fixes.is_spike.any()


def test_lost_windows_and_lost_share() -> None:
    """Nothing is recorded in a lost window or drop-out, and a lost share loses that share."""
    walk = build([search((0, 0), (200, 0))], rng())
    fixes = record(walk, 1.0, lost=[(100.0, 105.0)], dropout=[(200.0, 300.0)])
    gone = {t for t in range(int(walk.t_s[-1]) + 1) if t not in set(fixes.t_s.tolist())}
    assert gone == set(range(100, 106)) | set(range(200, 301))
    assert len(record(walk, 1.0, lost=0.2, rng=rng()).t_s) == pytest.approx(0.8 * walk.t_s[-1], rel=0.08)


def test_phone_records_at_uneven_times() -> None:
    """A phone's fixes come every 3 to 5 s, no two steps alike."""
    walk = build([search((0, 0), (200, 0))], rng())
    step = np.diff(record(walk, (3.0, 5.0), rng=rng()).t_s)
    assert 3.0 <= step.min() < 3.2
    assert 4.8 < step.max() <= 5.0


def test_spikes_are_flagged_and_far_off() -> None:
    """Just the flagged fixes are off the walk, by 8-60 m, in as many runs of 1-3 as asked for."""
    walk = build([Piece(lanes(shapely.box(0, 0, 20, 30), 1.5, 0.0, rng()))], rng())
    for interval_s in (1.0, 3.0, 5.0):
        fixes = record(walk, interval_s, spikes=9, rng=rng())
        x, y = np.interp(fixes.t_s, walk.t_s, walk.x_m), np.interp(fixes.t_s, walk.t_s, walk.y_m)
        off = np.hypot(fixes.x_m - x, fixes.y_m - y)
        assert np.all(off[fixes.is_spike] > 7.9)
        assert np.all(off[fixes.is_spike] < 60.1)
        assert np.all(off[~fixes.is_spike] < 0.001)
        runs = np.split(fixes.is_spike, np.flatnonzero(np.diff(fixes.is_spike)) + 1)
        lengths = [run.size for run in runs if run[0]]
        assert len(lengths) == 9
        assert set(lengths) <= {1, 2, 3}


def test_noise_has_its_size_and_memory() -> None:
    """Receiver drift of 1.5 m is 1.5 m rms in the long run and forgets as exp(-time / 25 s)."""
    t = np.cumsum(np.where(np.arange(60_000) % 2 == 0, 1.0, 4.0))
    error = drift(t, 1.5, 25.0, rng())
    assert error.std() == pytest.approx(1.5, rel=0.05)
    ten_later = np.mean(error[:-4] * error[4:]) / error.var()
    assert ten_later == pytest.approx(np.exp(-10 / 25), abs=0.04)


def test_random_recordings_need_a_generator() -> None:
    """Noise without a seeded generator is refused, so that no test is random by accident."""
    with pytest.raises(ValueError, match="rng="):
        record(build([search((0, 0), (9, 0))], rng()), 1.0, spikes=2)


def test_gpx_is_read_back_by_another_reader() -> None:
    """The GPX text holds every fix within 2 cm, whole-second UTC times, marks, and a new segment after a silence."""
    frame = SiteFrame(-28.0, 46.5)
    walk = build([search((0, 0), (60, 20))], rng(), start_s=1_775_898_000.0)
    fixes = record(walk, 1.0, dropout=[(1_775_898_050.0, 1_775_898_120.0)])
    text = to_gpx(fixes, frame, "a < b", [Mark(1_775_898_010.0, 3.0, 1.0, "peg & string")], new_segment_s=60.0)
    read = gpxpy.parse(text)
    points = [p for s in read.tracks[0].segments for p in s.points]
    x, y = frame.to_metres([p.longitude for p in points], [p.latitude for p in points])
    assert np.hypot(x - fixes.x_m, y - fixes.y_m).max() < 0.02
    assert [p.time.timestamp() for p in points] == fixes.t_s.tolist()
    assert len(read.tracks[0].segments) == 2
    assert (read.tracks[0].name, read.waypoints[0].name) == ("a < b", "peg & string")
    assert all(p.elevation is None for p in points)


# --- scenarios and demo ------------------------------------------------------------------------------------------


def test_scenarios_are_alike_for_a_seed_and_life_size() -> None:
    """The same seed gives the same walks; each is about an hour or two on 1500-4000 m2."""
    for one, two in zip(scenarios(3), scenarios(3), strict=True):
        assert 1500 < one.polygon.area < 4000
        for outing, again in zip(one.outings, two.outings, strict=True):
            assert np.array_equal(outing.walk.x_m, again.walk.x_m)
            assert 0.9 < (outing.walk.t_s[-1] - outing.walk.t_s[0]) / 3600 < 2.2
            assert np.array_equal(outing.record(3.0, 1).x_m, again.record(3.0, 1).x_m)


def test_scenario_losses_are_what_they_say() -> None:
    """The bad day has short and longer silences, two drop-outs while walking, and spikes, at each interval."""
    outing = next(s for s in scenarios(5) if s.name == "lanes with losses").outings[0]
    lengths = np.array([end - start for start, end in outing.lost])
    assert np.sum((lengths >= 2) & (lengths <= 8)) == 12
    assert np.sum((lengths >= 10) & (lengths <= 25)) == 4
    for interval_s in (1.0, 3.0, 5.0):
        fixes = outing.record(interval_s, 1)
        assert fixes.is_spike.any()
        for start, end in outing.unrecorded(fixes)[2:]:
            assert 99 < end - start < 162
            assert not np.any((fixes.t_s > start) & (fixes.t_s < end))


def test_dropouts_lower_the_true_percentage() -> None:
    """Ground swept only during the drop-outs does not count as swept."""
    bad_day = next(s for s in scenarios(5) if s.name == "lanes with losses")
    whole = true_swept_pct([bad_day.outings[0].walk], 1.5, bad_day.polygon)
    lost_m2 = (whole - bad_day.swept_pct()) / 100 * bad_day.polygon.area
    assert 60 < lost_m2 < 1.5 * 0.4 * 250


def test_demo_files_are_those_that_the_script_makes() -> None:
    """Running the script again gives the demo files byte for byte, and no other recordings or tables lie there."""
    made = make_demo.demo_files()
    there = {p.name for suffix in ("*.gpx", "*.geojson", "*.csv") for p in DEMO.glob(suffix)}
    assert there == set(made)
    for name, text in made.items():
        assert (DEMO / name).read_bytes() == text.encode(), f"{name}: run python demo/make_demo.py"
    assert sum(len(text) for text in made.values()) < 1_400_000


def test_demo_boundary_has_its_areas() -> None:
    """The boundary file holds the site, and a no-go, a blocked and a junk area with a reason, all inside the site."""
    features = json.loads((DEMO / "boundary.geojson").read_text(encoding="utf-8"))["features"]
    shapes = {f["properties"]["kind"]: shapely.geometry.shape(f["geometry"]) for f in features}
    assert set(shapes) == {"site", "no-go", "blocked", "junk"}
    assert all(f["properties"].get("reason") for f in features if f["properties"]["kind"] != "site")
    assert shapes["site"].contains(shapes["no-go"])
    assert shapes["site"].contains(shapes["blocked"])
    assert shapes["site"].buffer(1e-9).contains(shapes["junk"])
    assert all(shape.exterior.is_ccw for shape in shapes.values())


def test_demo_readme_tells_the_truth() -> None:
    """The percentages in the demo's README are those of the true walks, and nobody swept the monument."""
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    net = make_demo.SITE.difference(make_demo.MONUMENT).difference(make_demo.TREE)
    outings = make_demo.outings()
    for outing in outings:
        pct = true_swept_pct([outing.walk], outing.swath_m, net, dropouts=[outing.dropouts])
        row = next(line for line in readme.splitlines() if outing.file in line and "|" in line)
        assert f"{pct:.1f} %" in row
        assert true_swept_pct([outing.walk], outing.swath_m, make_demo.MONUMENT) == 0
    walks, swaths = [o.walk for o in outings], [o.swath_m for o in outings]
    together = true_swept_pct(walks, swaths, net, dropouts=[o.dropouts for o in outings])
    assert f"All four together: {together:.1f} %" in readme
    of_two = true_swept_pct(walks[:2], swaths[:2], net, dropouts=[o.dropouts for o in outings[:2]])
    assert f"first two together: {of_two:.1f} %" in readme


def test_demo_dropout_is_three_minutes_of_walking() -> None:
    """In the second outing nothing is recorded for 3 min, while the walker goes on for 20 m or more."""
    (outing,) = (o for o in make_demo.outings() if o.dropouts)
    at = int(np.argmax(np.diff(outing.fixes.t_s)))
    assert np.diff(outing.fixes.t_s)[at] == pytest.approx(181.0, abs=1.0)
    step = np.hypot(np.diff(outing.fixes.x_m), np.diff(outing.fixes.y_m))[at]
    assert step > 18
    assert along_m((outing.walk.x_m, outing.walk.y_m))[-1] > 1000
