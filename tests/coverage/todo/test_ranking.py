"""What is still to do by coil: on simulated sites the ground that was left is found, and none that is done or shut."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from recordings import DAY_S, FRAME, START_S, area, field, fixes, item, outing, part, serpentine, site
from shapely.geometry import LineString, Polygon, box
from walker import GOOD, TYPICAL, Noise

from fieldcomb.coverage.areas.areas import Area
from fieldcomb.coverage.gear.coils import Coil, OwnCoil, parse_coil
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.gear.swing import Swing, make_swing
from fieldcomb.coverage.gear.target_ids import DigRule, parse_numbers
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.report.todo_words import PROMISE
from fieldcomb.coverage.report.vectors import todo_geojson
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.coverage.todo.assumptions import USUAL, TodoSettings
from fieldcomb.coverage.todo.results import TodoCoil
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.recording import Track

SIDE_M, CORNER_M = 40.0, 12.0
CORNER = box(SIDE_M - CORNER_M, 0, SIDE_M, CORNER_M)
LARGE = OwnCoil(Coil("large", 0.28, 0.28), 1.48, 1.0)
SMALL = OwnCoil(Coil("small", 0.13, 0.20), 1.33, 1.0)
ROUND = OwnCoil(Coil("round", 0.15, 0.15), 1.35, 1.0)


def swung(one: OwnCoil, gps: str = "typical") -> Swing:
    """The coil swung as its entry says."""
    return replace(make_swing(one.coil, one.swath_m, one.sweep_s, gps), rule=one.rule)


def mark(kind: str, x_m: float, y_m: float, number: int | None = None) -> Mark:
    """A mark without a time at a place in site metres."""
    lon, lat = FRAME.to_lonlat([x_m], [y_m])
    return Mark(kind, "", number, None, kind, None, float(lon[0]), float(lat[0]), "waypoint")


def walked(
    name: str,
    corners: ArrayLike,
    one: OwnCoil = LARGE,
    marks: tuple[Mark, ...] = (),
    *,
    day: int = 0,
    pace: float = 0.3,
    gps: str = "2cm",
    noise: Noise | None = None,
) -> OutingInput:
    """An outing along corners, without error or with that of a receiver, the same each time."""
    track = fixes(corners, pace_m_s=pace, start_s=START_S + day * DAY_S)
    if noise is not None:
        random = np.random.default_rng(day)
        x, y = FRAME.to_metres(track.lon_deg, track.lat_deg)
        lon, lat = FRAME.to_lonlat(x + noise.draw(track.time_s, random), y + noise.draw(track.time_s, random))
        track = replace(track, lon_deg=lon, lat_deg=lat)
    return outing(name, item(track, swung(one, gps), marks=marks))


def lanes(width_m: float = SIDE_M, height_m: float = SIDE_M, x0_m: float = 0.0) -> list[tuple[float, float]]:
    """Lanes that sweep a rectangle with a swath of 1.48 m."""
    count = int(np.ceil(width_m / 1.3))
    return serpentine(count, height_m, width_m / count, x0_m=x0_m + width_m / count / 2)


def todo(
    *outings: OutingInput,
    coils: tuple[OwnCoil, ...] = (LARGE, SMALL),
    areas: tuple[Area, ...] = (),
    assumed: TodoSettings = USUAL,
) -> Report:
    """Survey the field of 40 x 40 m."""
    ground = replace(site(field(SIDE_M, SIDE_M), *areas, cell_m=0.2), coils=coils, todo=assumed)
    return survey(ground, outings).report


def of_coil(report: Report, name: str) -> TodoCoil:
    """What is to do with one coil."""
    return next(coil for coil in report.todo if coil.coil == name)


def places(random: np.random.Generator, per_m2: float, shape: Polygon) -> list[tuple[float, float]]:
    """Throw places into a box."""
    left, bottom, right, top = shape.bounds
    count = random.poisson(per_m2 * shape.area)
    return [(float(x), float(y)) for x, y in random.random((count, 2)) * [right - left, top - bottom] + [left, bottom]]


@cache
def corner_marks(seed: int, digs: float = 0.3, *, laid: str = "spread") -> tuple[Mark, ...]:
    """A junk corner of 10 per m2: some of it dug, and five count squares, spread over it, anywhere, or at one end."""
    random = np.random.default_rng(seed)
    dug = [mark("junk", *place) for place in places(random, digs, CORNER)]
    elsewhere = [p for p in places(random, 0.02, box(0, 0, SIDE_M, SIDE_M)) if not CORNER.contains(shapely.Point(p))]
    even = np.array([(0.25, 0.25), (0.75, 0.25), (0.5, 0.5), (0.25, 0.75), (0.75, 0.75)]) * CORNER_M
    end = {"north-west": [0.2, CORNER_M - 1.7], "south-east": [CORNER_M - 1.7, 0.2]}
    free = random.random((5, 2))
    at = even if laid == "spread" else free * CORNER_M if laid == "anywhere" else free * 1.5 + end[laid]
    squares = at + np.array([SIDE_M - CORNER_M, 0])
    counted = [mark("count", float(x), float(y), int(random.poisson(10))) for x, y in squares]
    return (*dug, *(mark("junk", *place) for place in elsewhere), *counted)


def overlap(shape: Polygon, truth: Polygon) -> float:
    """Intersection over union."""
    return float(shape.intersection(truth).area / shape.union(truth).area)


# --------------------------------------------------------------------------------------------------------- junk corner


@pytest.mark.parametrize("small", [SMALL, ROUND], ids=lambda one: one.coil.name)
@pytest.mark.parametrize("seed", range(4))
def test_the_junk_corner_comes_first(seed: int, small: OwnCoil) -> None:
    """A junk corner that a 28 cm coil has searched is the first ground for a small coil, with its reason, and nothing
    is to do for junk on the clean ground around.
    """
    report = todo(walked("a", lanes(), LARGE, corner_marks(seed)), coils=(LARGE, small))
    found = of_coil(report, small.coil.name)
    first = found.pieces[0]
    assert first.reason == "too much junk for large" and found.mostly == first.reason
    assert overlap(first.shape, CORNER) >= 0.6
    for piece in found.pieces:
        assert piece.shape.distance(CORNER) == 0
    assert first.junk_per_m2 == pytest.approx(10, abs=4) and (first.junk_error_per_m2 or 0) > 1
    assert of_coil(report, "large").pieces == ()


@pytest.mark.parametrize("laid", ["anywhere", "north-west", "south-east"])
def test_squares_laid_anywhere_find_the_corner_nearly_always(laid: str) -> None:
    """With five squares anywhere in the corner, or all on 1.5 m at one end of it, its ground still comes first, and
    well placed in 9 of 10 cases: how densely was dug tells how far the junk goes.
    """
    found = [of_coil(todo(walked("a", lanes(), LARGE, corner_marks(n, laid=laid))), "small") for n in range(10)]
    assert all(one.pieces[0].reason == "too much junk for large" for one in found)
    assert sum(overlap(one.pieces[0].shape, CORNER) >= 0.6 for one in found) >= 9


def test_without_digs_squares_alone_find_the_corner() -> None:
    """Where nothing was dug, count squares alone find the corner, if not its edge."""
    first = of_coil(todo(walked("a", lanes(), LARGE, corner_marks(3, digs=0.0))), "small").pieces[0]
    assert first.reason == "too much junk for large" and overlap(first.shape, CORNER) >= 0.5


def test_once_the_junk_is_dug_the_corner_is_done() -> None:
    """After an outing in which the corner's junk was dug, it is not on the list any more."""
    dug = tuple(mark("junk", *place) for place in places(np.random.default_rng(5), 9.7, CORNER))
    again = walked("b", lanes(CORNER_M, CORNER_M, SIDE_M - CORNER_M), LARGE, dug, day=1)
    report = todo(walked("a", lanes(), LARGE, corner_marks(0)), again)
    assert of_coil(report, "small").pieces == () and of_coil(report, "small").mostly == ""
    assert report.junk is not None and report.junk.dug > 1000


def test_without_sweeping_the_holes_again_the_corner_is_open_to_every_coil() -> None:
    """Who digs the junk out and does not sweep the holes again leaves what it hid: then any coil may find it now."""
    dug = tuple(mark("junk", *place) for place in places(np.random.default_rng(5), 9.7, CORNER))
    walk = walked("a", lanes(), LARGE, (*corner_marks(0), *dug))
    kept, found = (todo(walk, assumed=TodoSettings(recheck=again)) for again in (False, True))
    assert [coil.pieces for coil in found.todo] == [(), ()]
    for coil in kept.todo:
        assert coil.pieces[0].reason == "too much junk for large" and overlap(coil.pieces[0].shape, CORNER) >= 0.6


def test_once_a_small_coil_was_there_the_corner_is_done() -> None:
    """Two slow passes of the small coil take the corner off the list."""
    there = lanes(CORNER_M, CORNER_M, SIDE_M - CORNER_M)
    again = [walked(f"small {day}", there, SMALL, day=day, pace=0.1) for day in (1, 2)]
    report = todo(walked("a", lanes(), LARGE, corner_marks(0)), *again)
    assert [p.reason for p in of_coil(report, "small").pieces if "junk" in p.reason] == []


def test_clean_ground_has_nothing_to_do_for_junk() -> None:
    """On a clean field that was swept once at an even pace there is nothing to do, and iron was not measured."""
    report = todo(walked("a", lanes()))
    assert all(coil.pieces == () for coil in report.todo)
    assert report.junk is not None and report.junk.not_measured_pct == pytest.approx(100)
    assert "iron not measured here: 100 % of the site" in " ".join(table(report).split())


def test_junk_that_was_counted_beside_a_piece_is_not_told_of_it() -> None:
    """Half a field that nobody swept has no number of junk from a square at its edge; a piece round it has."""
    marks = (mark("count", 20.5, 20, 4),)
    report = todo(walked("a", lanes(width_m=20), LARGE, marks))
    [wide] = of_coil(report, "large").pieces
    assert wide.area_m2 > 700 and wide.junk_per_m2 is None
    drawn = todo(walked("a", lanes()), areas=(replace(area(CORNER, "junk"), per_m2=10.0),))
    assert of_coil(drawn, "small").pieces[0].junk_per_m2 == pytest.approx(10)


def test_a_number_drawn_with_junk_ground_counts() -> None:
    """Ground drawn as junk with per_m2 is the first ground for the small coil; without the number it only marks it."""
    drawn = area(CORNER, "junk")
    told, untold = (todo(walked("a", lanes()), areas=(one,)) for one in (replace(drawn, per_m2=10.0), drawn))
    assert overlap(of_coil(told, "small").pieces[0].shape, CORNER) > 0.9
    assert of_coil(untold, "small").pieces == ()


# ---------------------------------------------------------------------------------------------- a receiver metres off


@pytest.mark.parametrize("day", range(3))
def test_a_wandering_watch_does_not_hide_the_junk(day: int) -> None:
    """On a field swept whole with a watch that is metres off, hardly any ground is on the list as never swept, though
    the recorded lanes part and leave gaps; the junk corner comes first all the same.
    """
    corners = serpentine(30, SIDE_M, SIDE_M / 30, x0_m=0.67)
    report = todo(walked("a", corners, LARGE, corner_marks(day), day=day, gps="typical", noise=TYPICAL))
    assert report.total.passes_m2["0"] > 0.1 * report.site.area_m2
    bare_m2 = sum(piece.area_m2 for piece in of_coil(report, "large").pieces if piece.reason == "never swept")
    assert bare_m2 < 0.03 * report.site.area_m2
    first = of_coil(report, "small").pieces[0]
    assert first.reason == "too much junk for large" and overlap(first.shape, CORNER) >= 0.6


def test_lanes_that_were_left_out_are_found_by_a_good_receiver() -> None:
    """Four lanes left out, on eight days with a good receiver: over the days most of them is listed as never swept,
    more than six tenths of what is listed never was, and the share told is that within a tenth.
    """
    corners = serpentine(30, SIDE_M, SIDE_M / 30, x0_m=0.67, skip=(12, 13, 14, 15))
    truth = LineString(corners).buffer(LARGE.swath_m / 2, cap_style="flat")
    gap_m2 = SIDE_M**2 - truth.intersection(box(0, 0, SIDE_M, SIDE_M)).area
    days, listed_m2, bare_m2, told_m2 = 8, 0.0, 0.0, 0.0
    for day in range(days):
        report = todo(walked("a", corners, day=day, gps="good", noise=GOOD))
        found = [piece for piece in of_coil(report, "large").pieces if piece.reason == "never swept"]
        parts = [place for place in report.places if place.unswept_pct is not None]
        assert table(report).count("% of it, ") == len(parts)
        listed_m2 += sum(piece.area_m2 for piece in found)
        bare_m2 += sum(piece.shape.difference(truth).area for piece in found)
        told_m2 += sum(piece.area_m2 * piece.unswept_pct / 100 for piece in found)
    assert bare_m2 > 0.6 * days * gap_m2 and bare_m2 > 0.6 * listed_m2
    assert told_m2 / listed_m2 == pytest.approx(bare_m2 / listed_m2, abs=0.1)


def test_strips_that_are_told_are_ground_to_do() -> None:
    """What the report calls a certain or likely strip is ground to do, never swept: two forgotten lanes."""
    corners = serpentine(30, SIDE_M, SIDE_M / 30, x0_m=0.67, skip=(14, 15))
    still = Noise(0.28, 0.09, 0.03)
    report = todo(walked("a", corners, day=1, gps="30cm", noise=still))
    told = [strip for strip in report.strips if strip.tier and strip.area_m2 > 10]
    listed = shapely.union_all(
        [piece.shape for piece in of_coil(report, "large").pieces if piece.reason == "never swept"]
    )
    assert told and all(strip.shape.intersection(listed).area > 0.5 * strip.shape.area for strip in told)


# ------------------------------------------------------------------------------------------------------------- reasons


def test_never_swept() -> None:
    """Half a field that nobody walked is the first ground of every coil."""
    report = todo(walked("a", lanes(width_m=20)))
    for coil in report.todo:
        [piece] = coil.pieces
        assert piece.reason == "never swept" and overlap(piece.shape, box(20, 0, 40, 40)) > 0.95
        assert piece.gain_per_100_m2 > 0.4


def test_walked_too_fast() -> None:
    """The half of a field that was walked three times as fast as the rest is on the list, for that reason."""
    slow, fast = walked("a", lanes(20)), walked("b", lanes(20, x0_m=20), day=1, pace=0.85)
    pieces = of_coil(todo(slow, fast), "large").pieces
    assert pieces[0].reason == "walked too fast" and overlap(pieces[0].shape, box(20, 0, 40, 40)) > 0.85


def test_haste_within_a_walk_is_found() -> None:
    """Half a field that was rushed at the end of an even walk is on the list; the rest of that walk is not."""
    slow, fast = (fixes(lanes(20, x0_m=x), pace_m_s=pace, start_s=None) for x, pace in ((0, 0.25), (20, 0.8)))
    lon, lat = (np.concatenate([getattr(slow, name), getattr(fast, name)]) for name in ("lon_deg", "lat_deg"))
    track = Track(lon, lat, START_S + np.arange(lon.size, dtype=float), np.zeros(lon.size, np.int32))
    pieces = of_coil(todo(outing("a", item(track, swung(LARGE)))), "large").pieces
    assert pieces[0].reason == "walked too fast" and overlap(pieces[0].shape, box(20, 0, 40, 40)) > 0.85


def test_too_deep() -> None:
    """For targets 35 cm down, ground that only a small coil swept is too deep for it, and the large one can do it."""
    wide = OwnCoil(Coil("wide", 0.45, 0.45), 1.65, 1.0)
    assumed = TodoSettings(depth_m=0.35)
    report = todo(walked("a", lanes(), SMALL), coils=(wide, SMALL), assumed=assumed)
    assert of_coil(report, "wide").pieces[0].reason == "too deep for small"
    assert of_coil(report, "small").pieces == ()


def test_filled_ground_is_for_a_coil_that_reaches_the_old_surface() -> None:
    """Under 30 cm of fill lies what a 28 cm coil does not reach: a coil that does has it on its list for that reason,
    and the other has nothing to do there. Without a depth nobody can say so.
    """
    wide = OwnCoil(Coil("wide", 0.45, 0.45), 1.65, 1.0, reach_m=0.6)
    fill = box(5, 5, 20, 20)
    told, untold = (
        todo(walked("a", lanes()), coils=(wide, LARGE), areas=(replace(area(fill, "filled"), depth_cm=depth),))
        for depth in (30.0, None)
    )
    [first] = of_coil(told, "wide").pieces
    assert first.reason == "too deep for large" and overlap(first.shape, fill) > 0.9
    assert of_coil(told, "large").pieces == () and of_coil(untold, "wide").pieces == ()


def test_a_deep_target_is_heard_on_less_ground() -> None:
    """Near the end of its reach a coil hears a narrower piece of ground, so a pass over fresh ground finds less."""
    wide = OwnCoil(Coil("wide", 0.45, 0.45), 1.65, 1.0, reach_m=0.40)
    gains = []
    for depth_m in (0.1, 0.33):
        report = todo(walked("a", lanes(20)), coils=(wide,), assumed=TodoSettings(depth_m=depth_m))
        [gain] = [p.gain_per_100_m2 for p in of_coil(report, "wide").pieces if p.reason == "never swept"]
        gains.append(gain)
    assert 0 < gains[1] < 0.9 * gains[0]


def test_one_direction_only() -> None:
    """When a second direction is reckoned to find more, ground without one is on the list; crossed ground is not."""
    assumed = TodoSettings(crosswise=0.4)
    across = [(y, x) for x, y in lanes(20, 40)]
    pieces = of_coil(todo(walked("a", lanes()), walked("b", across, day=1), assumed=assumed), "large").pieces
    assert pieces[0].reason == "one direction only" and overlap(pieces[0].shape, box(0, 20, 40, 40)) > 0.9


def test_not_dug() -> None:
    """Where the class of targets that matters was mostly left, ground is on the list as not dug."""
    rule = DigRule(parse_numbers("60-99"), (("low", parse_numbers("16-45")),))
    picky = replace(LARGE, rule=rule)
    report = todo(walked("a", lanes(), picky), assumed=TodoSettings(target="low"))
    assert of_coil(report, "large").pieces[0].reason == "not dug"


def test_not_recorded() -> None:
    """A wide gap in a recording is ground to do, told as not recorded and not as never swept."""
    wide = make_swing(LARGE.coil, 6.0, None, None)
    kept = part(fixes([(3, 0), (3, 40)], pace_m_s=0.3), [*range(30), *range(110, 134)])
    report = todo(outing("a", item(kept, wide)), coils=(LARGE,))
    reasons = {piece.reason for piece in of_coil(report, "large").pieces}
    assert reasons == {"never swept", "not recorded"}


# ------------------------------------------------------------------------------------------------ shut ground, numbers


@settings(max_examples=25)
@given(st.floats(5, 35), st.floats(5, 35), st.sampled_from(["good", "typical", "poor", "4m"]))
def test_shut_ground_is_never_in_it(x_m: float, y_m: float, gps: str) -> None:
    """No piece lies nearer to no-go ground than 5 m or the receiver's 95 % radius, and none in blocked ground."""
    shut, tree = box(x_m, y_m, x_m + 4, y_m + 3), box(1, 30, 9, 38)
    report = todo(
        walked("a", [(1, 1), (1, 39)], gps=gps),
        areas=(area(shut, "no-go"), area(tree, "blocked")),
    )
    off_m = max(5.0, receiver(gps).r95_m)
    for coil in report.todo:
        assert coil.pieces
        for piece in coil.pieces:
            # The stand-off's round corners are drawn with 16 pieces a quarter: 0.1 % short at most.
            assert piece.shape.distance(shut) >= off_m * 0.998 - 1e-6
            assert piece.shape.intersection(tree).area == pytest.approx(0, abs=1e-6)
            assert box(0, 0, SIDE_M, SIDE_M).buffer(1e-3).covers(piece.shape)


def test_minutes_are_those_of_this_user() -> None:
    """A coil that was used has its own pace over ground; another has it by comparison of swing widths; without a
    clock there are no minutes.
    """
    report = todo(walked("a", lanes(20)))
    large, small = of_coil(report, "large"), of_coil(report, "small")
    [told] = report.outings
    assert (
        large.m2_per_minute == pytest.approx(told.ground.swept_m2 / (told.times.searching_s or 1) * 60)
        and large.own_pace
    )
    assert small.m2_per_minute == pytest.approx((large.m2_per_minute or 0) * 1.33 / 1.48) and not small.own_pace
    assert large.minutes == pytest.approx(large.area_m2 / (large.m2_per_minute or 1))
    untimed = outing("a", item(fixes(lanes(20), start_s=None), swung(LARGE)))
    assert [(coil.minutes, coil.m2_per_minute) for coil in todo(untimed).todo] == [(None, None)] * 2


def test_coils_in_use_stand_in_for_coils_by_name() -> None:
    """Without coils in site.toml the list is for those that were used."""
    assert [coil.coil for coil in todo(walked("a", lanes(20)), coils=()).todo] == ["large"]


def test_two_outings_beside_each_other_have_no_list() -> None:
    """A comparison of two outings says nothing of what is to do."""
    ground = replace(site(field(SIDE_M, SIDE_M), cell_m=0.2), coils=(LARGE,))
    two = [walked("a", lanes(20)), walked("b", lanes(20), day=1)]
    assert survey(ground, two, between=("a", "b")).report.todo == ()


def test_what_was_heard_and_left_is_counted() -> None:
    """Marks ``left`` are counted, in all and by piece, with the ground round them."""
    marks = (mark("left", 10, 10), mark("left", 30, 20))
    report = todo(walked("a", lanes(20), LARGE, marks))
    assert report.junk is not None and report.junk.heard_not_dug == 2
    assert report.junk.heard_m2 == pytest.approx(2 * np.pi * 2.5**2, rel=0.02)
    assert of_coil(report, "large").pieces[0].heard_not_dug == 1


def test_files_and_report_say_the_same() -> None:
    """report.json and todo.geojson tell of the same pieces, and the table names the reason."""
    report = todo(walked("a", lanes(20), LARGE, corner_marks(0)))
    told = json.loads(report_json(report))
    pieces = [piece for coil in told["todo"] for piece in coil["pieces"]]
    features = json.loads(todo_geojson(report))["features"]
    assert [feature["properties"] for feature in features] == pieces and pieces
    shapes = [Polygon(in_metres(f["geometry"]["coordinates"][0])) for f in features]
    assert [s.area for s in shapes] == pytest.approx([piece["area_m2"] for piece in pieces], rel=0.05)
    text = " ".join(table(report).split())
    assert "not reached yet, " in text and " with large" in text and PROMISE in text
    assert told["searched_for"]["low"]["not_stated_pct"] == pytest.approx(told["total"]["swept_pct"], abs=0.02)


def in_metres(ring: list[list[float]]) -> list[tuple[float, float]]:
    """A ring of degrees in site metres."""
    x, y = FRAME.to_metres(*np.asarray(ring).T)
    return list(zip(x.tolist(), y.tolist(), strict=True))


def test_the_same_survey_gives_the_same_list() -> None:
    """The same recordings give the same list, byte for byte, in whatever order they are given."""
    two = [walked("a", lanes(20), LARGE, corner_marks(0)), walked("b", lanes(20), SMALL, day=1)]
    assert todo_geojson(todo(*two)) == todo_geojson(todo(*reversed(two)))


def test_parse_coil_names_stay_as_typed() -> None:
    """A coil given by size is called so in the list."""
    one = OwnCoil(parse_coil("28cm", {}), 1.48, 1.0)
    report = todo(walked("a", lanes(20), one), coils=(one,))
    assert report.todo[0].pieces[0].id == "28cm 1"
