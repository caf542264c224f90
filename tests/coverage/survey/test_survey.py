"""A whole survey in memory: what goes in comes out once, in order, and adds up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from recordings import DAY_S, FRAME, START_S, area, field, fixes, item, outing, part, serpentine, site, swing

from fieldcomb.coverage.outings.times import OutingTimes
from fieldcomb.coverage.raster.cells import OUTSIDE
from fieldcomb.coverage.survey.inputs import choose_frame
from fieldcomb.coverage.survey.outing_layers import MOST_RASTERS
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.errors import SiteError, TrackError
from fieldcomb.tracks.frame import SiteFrame, distance_m
from fieldcomb.tracks.recording import Recording, Track

LANES = serpentine(20, 30, 1.5, x0_m=0.75)  # of a field of 30 x 30 m, all of it
WALK = fixes(LANES)


def day(number: int) -> float:
    """Start of a walk on a day."""
    return START_S + number * DAY_S


def lane(x_m: float, number: int, length_m: float = 30.0) -> Track:
    """One lane to the north, walked on day ``number``."""
    return fixes([(x_m, 0), (x_m, length_m)], start_s=day(number))


def same_rasters(one: Result, other: Result) -> bool:
    """Whether two surveys swept the same, as often."""
    return bool((one.layers.passes == other.layers.passes).all()) and one.report.total == other.report.total


# ------------------------------------------------------------------------------------------------------------ one walk


def test_even_lanes_sweep_the_field() -> None:
    """Lanes a swath apart over all of a field sweep all of it, once, and leave nothing missed."""
    result = survey(site(field(30, 30)), [outing("a", item(WALK))])
    report = result.report
    assert report.site.area_m2 == pytest.approx(900) and report.site.boundary == "given"
    assert report.total.swept_pct == pytest.approx(100, abs=0.1)
    assert report.total.passes_m2["1"] > 0.95 * 900
    assert report.strips == () and report.between is None
    [told] = report.outings
    assert told.ground.new_m2 == told.ground.swept_m2 and told.ground.total_pct == told.ground.swept_pct
    assert told.ground.outside_m2 > 0 and told.no_go.area_m2 == 0


def test_a_forgotten_lane_is_a_strip_where_it_is() -> None:
    """Lane 8 left out: the strips are that lane, whose middle is 12.75 m from the west edge."""
    walk = fixes(serpentine(20, 30, 1.5, x0_m=0.75, skip=[8]))
    report = survey(site(field(30, 30)), [outing("a", item(walk, replace(swing(), gps="2cm")))]).report
    assert report.total.swept_pct == pytest.approx(95, abs=0.3)
    assert sum(s.area_m2 for s in report.strips) == pytest.approx(45, abs=2)
    for strip in report.strips:
        x, _ = FRAME.to_metres(*strip.centre)
        assert x == pytest.approx(12.75, abs=0.4)


def test_times_add_up() -> None:
    """Searching, standing, transit and drop-outs make up the whole time; speed is searching over its time."""
    track = fixes([(5, -60), (5, 90)])
    told = survey(site(field(30, 30)), [outing("a", item(track))]).report.outings[0]
    spent = (told.times.searching_s, told.times.stopped_s, told.times.transit_s, told.times.dropout_s)
    assert told.times.elapsed_s == pytest.approx(150 / 0.4)
    assert sum(s or 0 for s in spent) == pytest.approx(told.times.elapsed_s)
    assert told.times.speed_m_s == pytest.approx(0.4, rel=0.02)
    assert told.times.walked_m == pytest.approx(150, rel=0.01)
    assert told.times.searching_s == pytest.approx((30 + 2 * 25) / 0.4, rel=0.02)  # farther off counts as on the way
    assert told.times.transit_s == pytest.approx(70 / 0.4, rel=0.02)
    assert told.minutes_per_100_m2 == pytest.approx((told.times.searching_s or 0) / 60 / (told.ground.swept_m2 / 100))


def test_without_times_there_are_passes_but_no_pace() -> None:
    """A file without times gives the same ground, and null wherever a clock is needed."""
    untimed = fixes(LANES, start_s=None)
    timed, plain = (survey(site(field(30, 30)), [outing("a", item(track))]).report for track in (WALK, untimed))
    assert plain.total.swept_pct == pytest.approx(timed.total.swept_pct, abs=0.1)
    told = plain.outings[0]
    assert told.times == OutingTimes(told.times.walked_m, *[None] * 9)
    assert told.minutes_per_100_m2 is None and told.head.start_s is None


def test_transit_is_not_searching() -> None:
    """Walking quickly across the field to the lanes and back sweeps nothing."""
    quick = fixes([(29, 0), (29, 30)], pace_m_s=1.4)
    report = survey(
        site(field(30, 30)), [outing("a", item(lane(5, 0))), outing("b", item(quick, top_pace_m_s=0.9))]
    ).report
    first, second = report.outings
    assert first.ground.swept_m2 > 40 and second.ground.swept_m2 == 0
    assert second.times.transit_s == pytest.approx(30 / 1.4, abs=1.5)


def test_an_outing_without_any_searching_is_no_trouble() -> None:
    """A recording that is all transit, on a site with a boundary, sweeps nothing: all is open ground."""
    report = survey(site(field(30, 30)), [outing("a", item(lane(5, 0), top_pace_m_s=0.1))]).report
    assert report.total.swept_m2 == 0 and report.outings[0].times.speed_m_s is None
    assert [s.kind for s in report.strips] == ["open"]
    assert report.strips[0].area_m2 == pytest.approx(900)


# ----------------------------------------------------------------------------------------------------- several outings


def test_outings_are_counted_in_order_of_time() -> None:
    """Whatever order they are given in, the earlier outing has the new ground; those without times come last."""
    given = [
        outing("late", item(lane(5, 2))),
        outing("no clock", item(fixes([(5, 0), (5, 30)], start_s=None))),
        outing("early", item(lane(5, 1))),
    ]
    report = survey(site(field(30, 30)), given).report
    assert [o.head.id for o in report.outings] == ["early", "late", "no clock"]
    assert [o.ground.new_m2 > 0 for o in report.outings] == [True, False, False]
    assert report.total.passes_m2["3+"] == pytest.approx(report.total.swept_m2, rel=0.01)


def test_totals_after_each_outing_never_fall() -> None:
    """Each outing tells the share swept so far and the hours so far; both only rise, and end at the total."""
    xs = [3.0, 3.5, 10.0, 3.0, 21.0]
    report = survey(site(field(30, 30)), [outing(str(n), item(lane(x, n))) for n, x in enumerate(xs)]).report
    shares = [o.ground.total_pct for o in report.outings]
    hours = [o.times.total_hours or 0 for o in report.outings]
    assert shares == sorted(shares) and shares[-1] == pytest.approx(report.total.swept_pct)
    assert hours == sorted(hours) and hours[-1] == pytest.approx(5 * 75 / 3600, rel=0.02)
    assert sum(o.ground.new_m2 for o in report.outings) == pytest.approx(report.total.swept_m2)


def test_coils_are_added_up_apart() -> None:
    """Two coils on two lanes and one common one: each has its two, together there are three."""
    small = swing(1.5, "13x20cm")
    items = [item(lane(x, n), how) for n, (x, how) in enumerate([(4, None), (10, None), (10, small), (20, small)])]
    result = survey(site(field(30, 30)), [outing(str(n), one) for n, one in enumerate(items)])
    coils = {c.coil: c for c in result.report.coils}
    assert {name: c.outings for name, c in coils.items()} == {"28cm": 2, "13x20cm": 2}
    assert all(c.swept_m2 == pytest.approx(90, rel=0.01) for c in coils.values())
    assert result.report.total.swept_m2 == pytest.approx(135, rel=0.01)
    assert result.report.outings[2].ground.again_other_coil_m2 == result.report.outings[2].ground.swept_m2
    inside = result.layers.passes != OUTSIDE
    together = sum(layer[inside].astype(int) for layer in result.layers.by_coil.values())
    assert (together == result.layers.passes[inside]).all()


def test_splitting_a_file_changes_nothing() -> None:
    """A recording split in two files of one outing gives the same raster, wherever it is split."""
    whole = survey(site(field(30, 30)), [outing("a", item(WALK))])
    for k in (1, 400, 777, len(WALK) - 1):
        files = [item(part(WALK, np.arange(a, b)), file=f"{a}.gpx") for a, b in ((0, k), (k, len(WALK)))]
        if min(k, len(WALK) - k) > 1:
            assert same_rasters(whole, survey(site(field(30, 30)), [outing("a", *files[::-1])]))


def test_another_outing_on_the_same_ground_is_a_second_pass() -> None:
    """The same walk on another day: everything twice, nothing new."""
    again = Track(WALK.lon_deg, WALK.lat_deg, WALK.time_s + DAY_S, WALK.segment)
    once = survey(site(field(30, 30)), [outing("a", item(WALK))])
    both = survey(site(field(30, 30)), [outing("a", item(WALK)), outing("b", item(again))])
    inside = once.layers.passes != OUTSIDE
    assert (both.layers.passes[inside] == 2 * once.layers.passes[inside]).all()
    assert both.report.outings[1].ground.new_m2 == 0 and both.report.total.twice_pct == 100


def test_a_drop_out_starts_a_new_pass_and_leaves_a_third_state() -> None:
    """A lane with 40 s and 12 m without a recording: that corridor is neither swept nor missed."""
    track = lane(15, 0)
    keep = np.flatnonzero((track.time_s < day(0) + 20) | (track.time_s > day(0) + 60))
    result = survey(site(field(30, 30)), [outing("a", item(part(track, keep)))])
    told = result.report.outings[0]
    assert told.ground.not_recorded_m2 == pytest.approx(
        (42 * 0.4 - 1.5) * 1.5 + 2 * (0.75 * 1.5 - np.pi * 0.75**2 / 2), abs=1
    )
    assert told.times.dropout_s == pytest.approx(42, abs=0.1)
    assert result.layers.not_recorded.area == pytest.approx(told.ground.not_recorded_m2, rel=0.02)
    missed = sum(s.area_m2 for s in result.report.strips)
    assert missed == pytest.approx(900 - told.ground.swept_m2 - told.ground.not_recorded_m2, rel=0.01)


def test_more_than_twelve_outings_are_drawn_as_outlines() -> None:
    """The last twelve outings are rasters, older ones outlines of what they swept; numbers are told of all."""
    outings = [outing(str(n), item(lane(1.0 + n, n))) for n in range(15)]
    result = survey(site(field(30, 30), cell_m=0.25), outings)
    rasters = [layer.passes is not None for layer in result.layers.outings]
    assert rasters == [False] * (15 - MOST_RASTERS) + [True] * MOST_RASTERS
    for n, layer in enumerate(result.layers.outings):
        if layer.outline is not None:
            assert layer.grid is None
            swept = shapely.box(0.25 + n, 0, 1.75 + n, 30)
            assert layer.outline.area == pytest.approx(45, abs=35) and layer.outline.buffer(0.01).contains(
                swept.buffer(-0.2)
            )
        else:
            assert layer.passes is not None and layer.grid is not None
            assert layer.passes.shape == (layer.grid.rows, layer.grid.cols)
            assert np.count_nonzero((layer.passes > 0) & (layer.passes < OUTSIDE)) * 0.0625 == pytest.approx(45)
        assert sum(len(line) for walk in layer.walks for line in walk.lines) >= 70
    assert len(result.report.outings) == 15 and all(o.ground.swept_m2 > 0 for o in result.report.outings)


@given(st.lists(st.tuples(st.integers(2, 28), st.integers(2, 28)), min_size=2, max_size=5), st.data())
@settings(deadline=None, max_examples=15)
def test_another_walk_never_lowers_a_percentage(corners: list[tuple[int, int]], data: st.DataObject) -> None:
    """Whatever is walked on another day, no share of swept ground falls, and passes make up the site."""
    if len(set(corners)) < 2:
        corners = [(2, 2), (9, 9)]
    first = outing("a", item(lane(data.draw(st.integers(2, 28)), 0)))
    more = outing("b", item(fixes(corners, start_s=day(data.draw(st.sampled_from([-1, 1]))))))
    before = survey(site(field(30, 30), cell_m=0.25), [first]).report.total
    after = survey(site(field(30, 30), cell_m=0.25), [first, more]).report.total
    assert after.swept_pct >= before.swept_pct
    assert sum(after.passes_m2.values()) == pytest.approx(900)


# -------------------------------------------------------------------------------------------------------------- between


def test_two_outings_beside_each_other_make_up_the_site() -> None:
    """With two of three outings chosen, ground is in both, in one, or in neither, and that sums to the site."""
    outings = [outing("a", item(lane(5, 0))), outing("b", item(lane(5.5, 1, 20.0))), outing("c", item(lane(20, 2)))]
    result = survey(site(field(30, 30)), outings, between=("b", "a"))
    told = result.report.between
    assert told is not None and (told.first, told.second) == ("b", "a")
    assert told.both_m2 == pytest.approx(20 + 0.5, abs=0.5)  # b ends after 20 m, and reaches half a swath beyond
    assert told.first_only_m2 == pytest.approx(10 + 0.5, abs=0.5)
    assert told.second_only_m2 == pytest.approx(10 + 15 - 0.7, abs=0.5)
    parts = (told.neither_m2, told.first_only_m2, told.second_only_m2, told.both_m2)
    assert sum(parts) == pytest.approx(900)
    assert [o.head.id for o in result.report.outings] == ["a", "b"]
    drawn = result.layers.difference
    assert drawn is not None
    assert [np.count_nonzero(drawn == k) * 0.01 for k in range(4)] == pytest.approx(parts)


def test_an_outing_beside_itself_is_all_in_both() -> None:
    """The same outing named twice differs nowhere."""
    told = survey(site(field(30, 30)), [outing("a", item(lane(5, 0)))], between=("a", "a")).report.between
    assert told is not None and told.first_only_m2 == told.second_only_m2 == 0 < told.both_m2


def test_an_outing_that_is_not_there_is_refused_with_those_that_are() -> None:
    """A slip in an outing's name is answered with the names there are."""
    with pytest.raises(SiteError, match="no outing 'x'") as caught:
        survey(site(field(30, 30)), [outing("a", item(WALK)), outing("b", item(WALK))], between=("a", "x"))
    assert "a, b" in str(caught.value.hint)


def test_no_outings_are_refused() -> None:
    """Without an outing there is nothing to report."""
    with pytest.raises(SiteError, match="no outings"):
        survey(site(field(30, 30)), [])


# -------------------------------------------------------------------------------------------- a boundary from the walks


@pytest.mark.parametrize("corners", [[(0, 0), (0, 40)], [(0, 0), (25, 25)]])
def test_a_lone_lane_is_its_own_ground(corners: list[tuple[float, float]]) -> None:
    """Without a boundary a single straight lane is all the ground there is, and all of it is swept."""
    report = survey(site(), [outing("a", item(fixes(corners)))]).report
    length_m = float(np.hypot(*np.diff(corners, axis=0)[0]))
    assert report.site.boundary == "from walks"
    assert report.total.swept_pct > 99
    assert report.site.area_m2 == pytest.approx(1.5 * length_m + np.pi * 0.75**2, rel=0.03)
    assert report.total.swept_m2 == pytest.approx(1.5 * length_m + np.pi * 0.75**2, rel=0.03)


def test_gaps_between_lanes_belong_to_the_ground() -> None:
    """Lanes 6 m apart make one ground with the gaps between them missed."""
    report = survey(site(), [outing("a", item(fixes(serpentine(6, 40, 6.0))))]).report
    assert report.site.area_m2 == pytest.approx(31.5 * 41.5, rel=0.03)
    assert report.total.swept_pct == pytest.approx(100 * 6 / 21, abs=6)


def test_two_grounds_apart_stay_apart() -> None:
    """Two fields 200 m apart are two grounds; what lies between them belongs to neither."""
    walks = [fixes(serpentine(8, 30, 1.5, x0_m=x0), start_s=day(n)) for n, x0 in enumerate((0.0, 200.0))]
    report = survey(site(), [outing(str(n), item(walk)) for n, walk in enumerate(walks)]).report
    assert report.site.area_m2 == pytest.approx(2 * 12 * 31.5, rel=0.02)
    assert report.total.swept_pct > 99


# ---------------------------------------------------------------------------------------------------------- far away


def test_a_walk_far_from_the_site_is_refused_with_the_distance() -> None:
    """A walk 60 km off is another site's: the message says how far, and names the file."""
    away = fixes([(60_000, 0), (60_000, 50)])
    with pytest.raises(TrackError, match="60 km away from the site") as caught:
        survey(site(field(30, 30)), [outing("a", item(away, file="other.gpx"))])
    assert "other.gpx" in str(caught.value)


def test_a_walk_within_a_kilometre_of_the_site_is_of_that_site() -> None:
    """A walk that comes no nearer to a drawn site than 1 km is another site's; one at 990 m is taken."""
    near, far = (fixes([(15, 30 + away), (15, 80 + away)]) for away in (990, 1010))
    assert survey(site(field(30, 30)), [outing("a", item(near))]).report.total.swept_pct == 0
    with pytest.raises(TrackError, match="1 040 m away from the site"):
        survey(site(field(30, 30)), [outing("a", item(far))])


def test_the_file_that_is_far_away_is_the_one_named() -> None:
    """Of an outing of a walk in two files and one of another site, the message names the other site's file."""
    first, second = part(WALK, np.arange(500)), part(WALK, np.arange(500, 1000))
    away = fixes([(60_000, 0), (60_000, 50)], start_s=day(0) + 5000)
    items = [item(track, file=name) for name, track in (("1.gpx", first), ("2.gpx", second), ("other.gpx", away))]
    with pytest.raises(TrackError) as caught:
        survey(site(field(30, 30)), [outing("a", *items)])
    assert "other.gpx" in str(caught.value)


def test_the_frame_lies_on_the_boundary_or_on_the_middle_of_the_walks() -> None:
    """The frame is centred on the boundary; without one on the walks, where a wild fix does not pull it away."""
    lon, lat = FRAME.to_lonlat([100.0], [50.0])
    given_ground = area(shapely.box(0, 0, 200, 100))
    assert _apart_m(choose_frame([given_ground], []), float(lon[0]), float(lat[0])) < 0.1
    wild = Track(np.append(WALK.lon_deg, [0.0, np.nan]), np.append(WALK.lat_deg, [0.0, 95.0]), np.zeros(len(WALK) + 2),
                 np.zeros(len(WALK) + 2, np.int32))  # fmt: skip
    lon, lat = FRAME.to_lonlat([15.0], [15.0])
    assert _apart_m(choose_frame([], [Recording("w.gpx", wild)]), float(lon[0]), float(lat[0])) < 5
    nowhere = Track(np.array([np.nan]), np.array([1.0]), np.zeros(1), np.zeros(1, np.int32))
    with pytest.raises(TrackError, match="no fix has a usable position"):
        choose_frame([], [Recording("none.gpx", nowhere)])
    for lat_deg in (90.0, -85.1):
        pole = Track(np.linspace(-180, 180, 9), np.full(9, lat_deg), np.arange(9.0), np.zeros(9, np.int32))
        with pytest.raises(TrackError, match=r"pole.fit: lies at latitude -?\d+.*maps are drawn to 85"):
            choose_frame([], [Recording("pole.fit", pole)])
    indoors = Track(np.full(9, np.nan), np.full(9, np.nan), np.arange(9.0), np.zeros(9, np.int32))
    with pytest.raises(TrackError, match=r"was recorded without positions.*none of 9 fixes has one"):
        choose_frame([], [Recording("indoors.fit", indoors)])


def _apart_m(frame: SiteFrame, lon_deg: float, lat_deg: float) -> float:
    return distance_m(frame.lon_deg, frame.lat_deg, lon_deg, lat_deg)


@pytest.mark.parametrize("between", [None, ("2", "0")])
def test_progress_is_told_to_the_end(between: tuple[str, str] | None) -> None:
    """Whoever waits is told what is being done, and how much of what is really done."""
    told: list[tuple[str, int, int]] = []
    outings = [outing(str(n), item(lane(5, n))) for n in range(3)]
    survey(site(field(30, 30), cell_m=0.25), outings, between=between, progress=lambda *step: told.append(step))
    count = 3 if between is None else 2
    for step in ("reading", "sweeping"):
        assert [(done, whole) for what, done, whole in told if what == step] == [(n, count) for n in range(count)]
    assert told[-1] == ("finding strips", 0, 1)


def test_the_same_survey_gives_the_same_result() -> None:
    """Run twice, a survey gives the same numbers, strips and rasters."""
    once, again = (survey(site(field(30, 30)), [outing("a", item(lane(5, 0)))]) for _ in range(2))
    assert same_rasters(once, again)
    assert once.report.outings == again.report.outings
    assert [s.shape.wkt for s in once.report.strips] == [s.shape.wkt for s in again.report.strips]
