"""How much the coil itself passed over: against recordings of the coil's own way, and by what must hold of any walk."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from recordings import DAY_S, FRAME, START_S, area, field, fixes, item, outing, part, serpentine, site
from small_walks import square, walk

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.gear.coils import parse_coil
from fieldcomb.coverage.gear.swing import Swing, make_swing
from fieldcomb.coverage.gear.wedges import share_under_coil
from fieldcomb.coverage.ground import under_coil
from fieldcomb.coverage.ground.ground_results import PACE_SHARES
from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.ground.under_coil import CoilPieces, Under, UnderCoil
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.raster.cells import OUTSIDE
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.survey.results import Report, Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import Track

UNDER = ("under_coil_pct", "under_coil_low_pct", "under_coil_high_pct")


def measured(
    swath_m: float = 1.5, sweep_s: float | None = 1.0, coil: str = "28cm", carried: str | None = None
) -> Swing:
    """A swing whose width was measured; its sweep too, unless None."""
    return make_swing(parse_coil(coil, {}), swath_m, sweep_s, None, carried)


def lanes(pace_m_s: float, count: int = 8, start_s: float | None = START_S) -> Track:
    """Lanes of 30 m a swath of 1.5 m apart: of a field 1.5 m wide for each of them, all."""
    return fixes(serpentine(count, 30, 1.5, x0_m=0.75), pace_m_s=pace_m_s, start_s=start_s)


def surveyed(*tracks: Track, how: Swing | None = None, depth_m: float | None = None) -> Result:
    """Survey walks as one outing each, on the field of eight lanes."""
    given = [outing(str(n), item(track, how or measured())) for n, track in enumerate(tracks)]
    return survey(site(field(12, 30)), given, depth_m=depth_m)


def c(pace_m_s: float, how: Swing | None = None) -> float:
    """Share under the coil in a pass."""
    swing = how or measured()
    coil = swing.coil
    return float(share_under_coil(coil.width_m, coil.length_m, swing.swath_m, swing.sweep_s, pace_m_s))


@pytest.mark.parametrize("pace_m_s", [0.15, 0.3, 0.45])
def test_share_is_what_a_recorder_on_the_shaft_measures(pace_m_s: float) -> None:
    """One lane, once with the recorder on the body and once on the shaft: both tell the same share, to a point.

    In cells of 2 cm: larger ones are too coarse for the narrow tips that the coil covers along the rim of the swath.
    """
    t = np.arange(0, 40 / pace_m_s, 0.1)
    y = pace_m_s * t + 2
    x = 0.6 * (2 / np.pi) * np.arcsin(np.sin(np.pi * t)) + 0.74
    zigzag, straight = (
        Track(*FRAME.to_lonlat(across, y), START_S + t, np.zeros(t.size, np.int32))
        for across in (x, np.full(t.size, 0.74))
    )
    lane = site(area(shapely.box(0, 4, 1.48, 40)), cell_m=0.02)
    body = survey(lane, [outing("a", item(straight, measured(1.48)))]).report.total
    shaft = survey(lane, [outing("a", item(zigzag, measured(1.48, carried="shaft")))]).report.total
    assert body.under.pct == pytest.approx(shaft.swept_pct, abs=1)
    assert shaft.under.pct == pytest.approx(shaft.swept_pct, abs=0.01)  # its wedges are measured, so not swept


@pytest.mark.parametrize("pace_m_s", [0.15, 0.35, 0.6])
def test_one_pass_of_an_even_walk_leaves_its_wedges(pace_m_s: float) -> None:
    """Lanes beside each other at one pace: under the coil is c of all that was swept, to 3 points for the turns."""
    total = surveyed(lanes(pace_m_s)).report.total
    assert total.under.pct == pytest.approx(c(pace_m_s) * total.swept_pct, abs=3)


def test_second_pass_takes_up_of_what_the_first_left() -> None:
    """The same lane walked again on another day leaves (1 - c) of what the first left."""
    track = fixes([(6, -5), (6, 35)], pace_m_s=0.4)
    again = replace(track, time_s=track.time_s + DAY_S)
    once = surveyed(track).report.total
    twice = surveyed(track, again).report
    share = (once.under.pct or 0) / once.swept_pct
    assert share == pytest.approx(c(0.4), abs=0.01)
    assert (twice.total.under.pct or 0) / twice.total.swept_pct == pytest.approx(1 - (1 - share) ** 2, abs=0.002)
    assert twice.outings[0].under.pct == pytest.approx(once.under.pct)


def test_two_coils_add_up_like_two_passes() -> None:
    """Two coils over one lane: each has its own share, and what both leave multiplies."""
    track = fixes([(6, -5), (6, 35)], pace_m_s=0.4)
    again = replace(track, time_s=track.time_s + DAY_S)
    small = measured(1.5, 1.0, "13x20cm")
    report = survey(site(field(12, 30)), [outing("a", item(track, measured())), outing("b", item(again, small))]).report
    left = [1 - (coil.under.pct or 0) / coil.swept_pct for coil in report.coils]
    assert left == pytest.approx([1 - c(0.4), 1 - c(0.4, small)], abs=0.01)
    assert 1 - (report.total.under.pct or 0) / report.total.swept_pct == pytest.approx(left[0] * left[1], abs=0.002)


def test_pace_is_taken_by_pieces_and_not_over_the_whole_walk() -> None:
    """A lane half slow and half fast is told half by half, in the number and on the map of the pace."""
    slow, fast = fixes([(6, 0), (6, 30)], pace_m_s=0.2), fixes([(6, 30), (6, 90)], pace_m_s=0.5)
    after = replace(fast, time_s=fast.time_s + slow.time_s[-1] - START_S + 1)
    whole = Track(
        *(np.concatenate([getattr(t, k) for t in (slow, after)]) for k in ("lon_deg", "lat_deg", "time_s", "segment"))
    )
    result = survey(site(area(shapely.box(5.25, 0, 6.75, 90))), [outing("a", item(whole, measured()))])
    mean = (c(0.2) * 30 + c(0.5) * 60) / 90
    assert result.report.total.under.pct == pytest.approx(100 * mean, abs=2)
    pace = result.layers.pace
    assert pace is not None
    north, south = pace[:550], pace[-250:]
    wanted = [1 + next(k for k, low in enumerate(PACE_SHARES) if c(v) >= low) for v in (0.5, 0.2)]
    for half, kind in ((north, wanted[0]), (south, wanted[1])):
        assert np.mean(half[half != OUTSIDE] == kind) > 0.95
    assert wanted[0] > wanted[1]


def test_sweep_time_that_nobody_measured_makes_a_range() -> None:
    """Without a sweep time both ends of what is usual, 1 and 2 s, are told; with one there is no range."""
    guess, one, two = (surveyed(lanes(0.3), how=measured(sweep_s=s)).report for s in (None, 1.0, 2.0))
    total = guess.total
    assert total.under.high == total.under.pct == pytest.approx(one.total.under.pct)
    assert total.under.low == pytest.approx(two.total.under.pct)
    assert one.total.under.low is None is one.total.under.high
    assert "is a guess (1 to 2 s): count your sweeps" in " ".join(table(guess).split())
    assert "count your sweeps" not in table(one)
    [coil] = guess.coils
    assert coil.pace_95_low_m_s == pytest.approx((coil.pace_95_high_m_s or 0) / 2)


def test_without_times_nothing_is_told_of_the_coil() -> None:
    """No clock, no pace: null for that outing, its coil and all together, and no map of the pace."""
    result = surveyed(lanes(0.4, start_s=None))
    for told in (*result.report.outings, *result.report.coils, result.report.total):
        assert (told.under.pct, told.under.low, told.under.high) == (None, None, None)
    assert result.layers.pace is None
    assert "Under the coil" not in table(result.report)


def test_a_sweep_that_does_not_count_is_no_guess() -> None:
    """Where the only sweep time that nobody measured belongs to an outing without times, there is no range."""
    small = measured(sweep_s=None, coil="20cm")
    given = (outing("a", item(lanes(0.4), measured())), outing("b", item(lanes(0.4, start_s=None), small)))
    total = survey(site(field(12, 30)), given).report.total
    assert total.under.pct is not None and total.under.low is None and total.under.left_out == 1


def test_an_outing_without_times_is_left_out_and_told() -> None:
    """One outing without times takes nothing from what is known of the others: their share stays, with how many are
    not in it, and the ground that was walked without times is told apart on the map of the pace.
    """
    alone = surveyed(lanes(0.4))
    result = surveyed(lanes(0.4), lanes(0.4, count=4, start_s=None))
    [coil], total = result.report.coils, result.report.total
    assert [told.under.left_out for told in (coil, total, alone.report.total)] == [1, 1, 0]
    for told, known in ((coil, alone.report.coils[0]), (total, alone.report.total)):
        assert replace(told.under, left_out=0) == known.under != Under(None)
    assert "not counting 1 outing without times" in " ".join(table(result.report).split())
    assert json.loads(report_json(result.report))["total"]["under_coil_left_out"] == 1
    pace, before = result.layers.pace, alone.layers.pace
    assert pace is not None and before is not None
    unknown = pace == len(PACE_SHARES) + 1
    assert unknown.any() and (pace[~unknown] == before[~unknown]).all()
    assert not (before == len(PACE_SHARES) + 1).any()
    assert "walked without times" in map_html(result) and "walked without times" not in map_html(alone)


@settings(max_examples=15)
@given(
    pace=st.floats(0.1, 0.85),
    swath=st.floats(0.3, 2.0),
    sweep=st.one_of(st.none(), st.floats(0.5, 3.0)),
    depth=st.one_of(st.none(), st.floats(0.01, 0.4)),
    count=st.integers(1, 4),
)
def test_never_more_under_the_coil_than_walked_over(
    pace: float, swath: float, sweep: float | None, depth: float | None, count: int
) -> None:
    """Whatever the walk: from nothing up to the share swept, as numbers and as they are rounded."""
    result = surveyed(lanes(pace, count), how=measured(swath, sweep), depth_m=depth)
    found = json.loads(report_json(result.report))
    for told in (*found["outings"], *found["coils"], found["total"]):
        assert 0 <= told["under_coil_pct"] <= told["swept_pct"]
        if told["under_coil_low_pct"] is not None:
            assert told["under_coil_low_pct"] <= told["under_coil_pct"] <= told["under_coil_high_pct"]


def test_who_does_not_swing_has_all_of_it_under_the_coil() -> None:
    """A swath as wide as the coil is all under it, so the two shares are one and the same."""
    total = surveyed(lanes(0.4), how=measured(0.28)).report.total
    assert total.under.pct == pytest.approx(total.swept_pct)


def test_ground_off_the_site_counts_for_nothing() -> None:
    """A walk beside the site, without a clock, leaves the site's share as it was."""
    beside = fixes([(30, 0), (30, 30)], start_s=None)
    assert surveyed(lanes(0.4), beside).report.total.under.pct == surveyed(lanes(0.4)).report.total.under.pct


# -------------------------------------------------------------------------------------------------------------- depth


def plain(report: Report) -> dict[str, object]:
    """Everything in report.json but the depth and what is told under the coil."""

    def without(value: object) -> object:
        if isinstance(value, dict):
            return {key: without(one) for key, one in value.items() if key not in (*UNDER, "depth_m")}
        return [without(one) for one in value] if isinstance(value, list) else value

    found = without(json.loads(report_json(report)))
    assert isinstance(found, dict)
    return found


def test_depth_changes_only_what_is_told_under_the_coil() -> None:
    """Asked for a depth, every other number and every raster of passes stays as it was, and the depth is told."""
    above, deep = surveyed(lanes(0.3)), surveyed(lanes(0.3), depth_m=0.21)
    assert plain(above.report) == plain(deep.report)
    assert (above.layers.passes == deep.layers.passes).all()
    assert json.loads(report_json(deep.report))["depth_m"] == 0.21
    assert json.loads(report_json(above.report))["depth_m"] is None
    assert (deep.report.total.under.pct or 0) < (above.report.total.under.pct or 0)
    assert "at 21 cm deep, according to a model" in " ".join(table(deep.report).split())


def test_deeper_is_never_more_and_below_the_reach_nothing() -> None:
    """A 28 cm coil carried 5 cm up reaches 23 cm into the soil: less and less on the way there, and nothing beyond."""
    found = [surveyed(lanes(0.3), depth_m=d).report.total.under.pct for d in (0.05, 0.19, 0.21, 0.225, 0.23, 0.5)]
    shares = [one or 0.0 for one in found]
    assert shares == sorted(shares, reverse=True)
    assert shares[2] > shares[3] > 0 == shares[4] == shares[5]


def test_lift_counts_like_depth() -> None:
    """A coil carried 10 cm higher hears at 12 cm what it heard at 22 cm before; another reach moves both."""
    high = replace(measured(), lift_m=0.15)
    one, other = surveyed(lanes(0.3), depth_m=0.22), surveyed(lanes(0.3), how=high, depth_m=0.12)
    assert one.report.total.under.pct == pytest.approx(other.report.total.under.pct)
    far = surveyed(lanes(0.3), how=replace(measured(), reach_m=0.5), depth_m=0.22).report.total
    assert (far.under.pct or 0) > (one.report.total.under.pct or 0)


def test_shaft_hears_less_of_its_own_way_at_depth() -> None:
    """Also where the coil's own way was recorded, a narrower footprint covers less than the coil."""
    t = np.arange(0, 200, 0.1)
    x = 0.6 * (2 / np.pi) * np.arcsin(np.sin(np.pi * t)) + 6
    track = Track(*FRAME.to_lonlat(x, 0.15 * t), START_S + t, np.zeros(t.size, np.int32))
    how = measured(carried="shaft")
    shares = [surveyed(track, how=how, depth_m=d).report.total.under.pct or 0 for d in (None, 0.22, 0.3)]
    assert shares[0] > shares[1] > shares[2] == 0


def test_filled_ground_tells_which_coils_reach_the_old_surface() -> None:
    """With 20 cm of fill a 28 cm coil carried 5 cm up reaches the old surface, with 25 cm no coil does."""
    pits = [
        replace(area(shapely.box(k, 0, k + 2, 2), "filled"), reason=f"pit {k}", depth_cm=d)
        for k, d in ((1, 20), (4, 25), (7, None))
    ]
    small = measured(1.5, 1.0, "15cm")
    walks = [outing("a", item(lanes(0.3), measured())), outing("b", item(part(lanes(0.3), range(100)), small))]
    report = survey(site(field(12, 30), *pits), walks).report
    assert [(one.area, one.depth_m, one.coils) for one in report.filled] == [
        ("pit 1", 0.2, ("28cm",)),
        ("pit 4", 0.25, ()),
    ]
    assert "pit 4, 25 cm of fill: no coil used so far can reach it" in table(report)
    assert "pit 1, 20 cm of fill: 28cm could reach it" in table(report)
    assert json.loads(report_json(report))["filled"][1] == {"area": "pit 4", "depth_m": 0.25, "coils": []}


# ----------------------------------------------------------------------------------------------------- the command line


@pytest.fixture
def small_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A site of one small walk, with its ground and its lift typed."""
    (tmp_path / "walk.gpx").write_text(walk())
    (tmp_path / "edge.geojson").write_text(square(-1, -1, 6, 21))
    folder = tmp_path / "site"
    assert main(["new", str(folder), "--boundary", str(tmp_path / "edge.geojson")]) == 0
    typed = ["--coil", "c=28cm", "--sweeps", "27", "--ground", "wet turf", "--lift", "8cm"]
    assert main(["add", str(folder), str(tmp_path / "walk.gpx"), *typed]) == 0
    capsys.readouterr()
    return folder


def reported(folder: Path, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, object]:
    """What ``report --json`` prints."""
    capsys.readouterr()
    assert main(["report", str(folder), "--json", *more]) == 0
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    return found


def test_ground_and_lift_are_kept_told_and_corrected(small_site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was typed stands in outings.toml and in the report; edit changes it, and empty text takes it back."""
    text = (small_site / "outings.toml").read_text()
    assert 'ground = "wet turf"' in text and 'lift = "8cm"' in text

    def told() -> tuple[object, ...]:
        [recording] = reported(small_site, capsys)["outings"][0]["recordings"]  # type: ignore[index]
        return tuple(recording[key] for key in ("ground", "lift_m", "lift_measured", "reach_m"))

    assert told() == ("wet turf", 0.08, True, 0.28)
    assert main(["edit", str(small_site), "2026-03-07a", "--lift", "3cm", "--ground", ""]) == 0
    assert told() == (None, 0.03, True, 0.28)
    assert main(["edit", str(small_site), "2026-03-07a", "--lift", ""]) == 0
    assert told() == (None, 0.05, False, 0.28)


def test_reach_of_a_coil_comes_from_site_toml(small_site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A reach written for a coil counts: at 30 cm a coil that reaches 45 cm hears what one of 28 cm does not."""
    before = reported(small_site, capsys, "--depth", "30cm")["total"]
    file = small_site / "site.toml"
    file.write_text(file.read_text().replace("[coils.c]\n", '[coils.c]\nreach = "45cm"\n'))
    after = reported(small_site, capsys, "--depth", "30cm")["total"]
    assert before["under_coil_pct"] == 0 < after["under_coil_pct"]  # type: ignore[index]
    assert before["swept_pct"] == after["swept_pct"]  # type: ignore[index]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["--depth", "15"], "--depth: depth '15' has no unit"),
        (["--depth", "5m"], "--depth: '5m' is deeper than any coil hears"),
        (["--lift", "3m"], "--lift: a lift of 3m is higher than anyone searches"),
    ],
)
def test_impossible_depth_or_lift_is_refused(
    typed: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A depth or lift that cannot be is refused before any work, with the option's name."""
    assert main(["map", str(tmp_path / "walk.gpx"), *typed]) == 2
    assert said in capsys.readouterr().err


@dataclass(frozen=True)
class OnPart:
    """What one outing did on some rows and columns of a site: pieces of walks, and passes, by coil."""

    here: tuple[slice, slice]
    pieces: dict[str, CoilPieces]
    counts: dict[str, NDArray[np.int16]]

    @property
    def grid(self) -> Grid:
        """The cells of the part."""
        rows, cols = self.here
        return Grid(0.25, cols.start, -rows.start, rows.stop - rows.start, cols.stop - cols.start)

    def left(self) -> dict[str, NDArray[np.int64]]:
        """What its passes leave on the part, by coil, all of it at once."""
        found = {}
        for name, pieces in self.pieces.items():
            lost = np.zeros((2, self.grid.rows, self.grid.cols), np.uint16)
            pieces.lose(self.counts[name], np.ones(lost.shape[1:], bool), pieces.spans(self.grid), lost)
            found[name] = lost.astype(np.int64)
        return found

    def add_to(self, under: UnderCoil) -> Under:
        """Add it."""
        there = slice(0, self.grid.rows), slice(0, self.grid.cols)
        whole = sum(self.counts.values(), np.zeros((self.grid.rows, self.grid.cols), np.int16))
        swept = OutingPasses(self.grid, whole, self.counts, self.here, there, whole.astype(np.uint8), [])
        pieces = iter(self.pieces.values())
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(under_coil, "coil_pieces", lambda walks, depth_m: next(pieces))
            return under.add([], swept)


def outing_on_part(rng: np.random.Generator, rows: int, cols: int) -> OnPart:
    """Some outing with one or two coils on some part of a site."""
    top, left = (int(rng.integers(0, most)) for most in (rows, cols))
    here = slice(top, int(rng.integers(top, rows)) + 1), slice(left, int(rng.integers(left, cols)) + 1)
    shape = here[0].stop - top, here[1].stop - left
    pieces, counts = {}, {}
    for name in ("28cm", "13x20cm")[: rng.integers(1, 3)]:
        legs = [Leg(*(rng.uniform((0, -rows), (cols, 0), (2, 2)).T / 4)) for _ in range(rng.integers(1, 5))]
        pieces[name] = CoilPieces(legs, np.full(len(legs), 0.75), rng.uniform(0, 16, (2, len(legs))), own=False)
        counts[name] = rng.choice(np.array([0, 1, 1, 2], np.int16), shape)
        counts[name].flat[0] = 1
    return OnPart(here, pieces, counts)


@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(1, 90), st.sampled_from([1, 50, 200, 10**6]))
@settings(max_examples=60, deadline=None)
def test_what_passes_leave_adds_up_alike_however_few_rows_are_worked_on_at_once(
    seed: int, rows: int, cols: int, at_once: int
) -> None:
    """Outings with one coil or two, on all of a site or a part of it, leave their sum, and each has its own share."""
    rng = np.random.default_rng(seed)
    under = UnderCoil(np.ones((rows, cols), bool), guessed=True)
    sums: dict[str, NDArray[np.int64]] = {}
    for one in [outing_on_part(rng, rows, cols) for _ in range(3)]:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(under_coil, "CELLS_AT_ONCE", 2 * at_once)
            patch.setattr(under_coil, "CELLS_IN_CACHE", at_once)
            told = one.add_to(under)
        left = one.left()
        together = np.minimum(sum(left.values()), 65535)
        bare = np.where(together < 20 * 2048, np.exp(-together / 2048), 0)
        assert told.pct == pytest.approx(100 * (1 - bare[0]).sum() / (rows * cols), abs=1e-9)
        for name, lost in left.items():
            layer = sums.setdefault(name, np.zeros((2, rows, cols), np.int64))[:, *one.here]
            layer[:] = np.minimum(layer + lost, 65535)
    assert under.by_coil.keys() == sums.keys()
    for name, expected in sums.items():
        np.testing.assert_array_equal(under.by_coil[name], expected)


@given(
    st.integers(0, 2**32 - 1), st.integers(1, 9), st.integers(1, 40), st.sampled_from([1, 100, 10**6]), st.booleans()
)
@settings(max_examples=60, deadline=None)
def test_pace_on_the_map_is_the_mean_share_of_the_passes_of_each_cell(
    seed: int, rows: int, cols: int, at_once: int, untimed: bool
) -> None:
    """The class of a cell is the first whose lower end the mean pass reaches; off the site or unswept has its own."""
    rng = np.random.default_rng(seed)
    under = UnderCoil(rng.random((rows, cols)) < 0.9, guessed=False)
    names = ("28cm", "13x20cm")[: rng.integers(1, 3)]
    under.by_coil = {name: rng.integers(0, 9000, (1, rows, cols), dtype=np.uint16) for name in names}
    under.no_clock = rng.random((rows, cols)) < 0.1 if untimed else None
    count = rng.integers(0, 5, (rows, cols), dtype=np.uint8)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(under_coil, "CELLS_IN_CACHE", at_once)
        drawn = under.pace_layer(count)
    assert drawn is not None
    for at in np.ndindex(rows, cols):
        lost = sum(int(layer[0][at]) for layer in under.by_coil.values())
        share = 1 - np.exp(-lost / 2048 / max(int(count[at]), 1)) + 1e-4
        if not under.inside[at]:
            assert drawn[at] == OUTSIDE
        elif not count[at]:
            assert drawn[at] == 0
        elif under.no_clock is not None and under.no_clock[at]:
            assert drawn[at] == len(PACE_SHARES) + 1
        elif min(abs(share - end) for end in PACE_SHARES) > 1e-5:
            assert drawn[at] == 1 + next(n for n, end in enumerate(PACE_SHARES) if share >= end)
