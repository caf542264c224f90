"""A recorder on the shaft: the coil's own way is swept, and the swing is measured instead of assumed."""

from __future__ import annotations

import numpy as np
import pytest
from recordings import FRAME, START_S, field, item, outing, site

from fieldcomb.coverage.gear.coils import parse_coil
from fieldcomb.coverage.gear.swing import Swing, make_swing
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.motion.cleaning import clean
from fieldcomb.tracks.motion.coil_path import find_zigzag
from fieldcomb.tracks.recording import Track

COIL_M = 0.28


def zigzag(
    half_m: float = 0.6, sweep_s: float = 1.0, pace_m_s: float = 0.3, *, hz: float = 10.0, length_m: float = 60.0
) -> Track:
    """A coil that goes from side to side, evenly, while its searcher walks north; a minute's dig half-way."""
    t = np.arange(0, length_m / pace_m_s, 1 / hz)
    x = half_m * (2 / np.pi) * np.arcsin(np.sin(np.pi * t / sweep_s)) + 5
    y = pace_m_s * t + 2
    half = t.size // 2
    index = np.concatenate([np.arange(half), np.full(round(60 * hz), half), np.arange(half, t.size)])
    lon, lat = FRAME.to_lonlat(x[index], y[index])
    return Track(lon, lat, START_S + np.arange(index.size) / hz, np.zeros(index.size, np.int32))


def on(carried: str) -> Swing:
    """A 28 cm coil whose swing nobody measured."""
    return make_swing(parse_coil("28cm", {}), None, None, None, carried)


def surveyed(track: Track, carried: str = "shaft") -> Result:
    """Survey the walk alone on a field, in cells of 5 cm."""
    return survey(site(field(10, 64), cell_m=0.05), [outing("2026-02-02a", item(track, on(carried)))])


@pytest.mark.parametrize(("half_m", "sweep_s"), [(0.6, 1.0), (0.4, 0.8), (0.75, 1.6)])
def test_swing_width_and_sweep_time_are_measured(half_m: float, sweep_s: float) -> None:
    """From the zig-zag alone the swing width is found to within a tenth of a sweep's way, and the sweep time to 2 %."""
    found = find_zigzag(clean([zigzag(half_m, sweep_s)], FRAME).fixes)
    assert found is not None and found.sweep_s == pytest.approx(sweep_s, rel=0.02)
    assert half_m * (1 - 0.1 / sweep_s) <= found.half_m <= half_m + 0.01


def test_report_uses_the_measured_swing() -> None:
    """The report shows the measured swing width and sweep, and marks them as measured."""
    (told,) = surveyed(zigzag()).report.outings[0].recordings
    assert (told.carried, told.swath_measured, told.sweep_measured) == ("shaft", True, True)
    assert told.swath_m == pytest.approx(1.2 + COIL_M, abs=0.09) and told.sweep_s == pytest.approx(1, rel=0.02)


@pytest.mark.parametrize(("pace_m_s", "covered"), [(0.143, 0.95), (0.307, 0.655), (0.413, 0.525)])
def test_ground_between_two_sweeps_is_not_swept(pace_m_s: float, covered: float) -> None:
    """Of the full swath the coil itself covers the share that a zig-zag of its footprint covers by geometry."""
    report = surveyed(zigzag(pace_m_s=pace_m_s)).report
    assert report.total.swept_m2 / (60 * (1.2 + COIL_M)) == pytest.approx(simulated(pace_m_s), abs=0.015)
    assert simulated(pace_m_s) == pytest.approx(covered, abs=0.02)


def simulated(pace_m_s: float) -> float:
    """Share of the full swath within half a coil of the zig-zag, worked out on points."""
    t = np.arange(0, 12, 0.01)
    way = 0.6 * (2 / np.pi) * np.arcsin(np.sin(np.pi * t)), pace_m_s * t
    u, s = np.meshgrid(np.arange(-0.735, 0.74, 0.01), np.linspace(way[1][400], way[1][800], 200, endpoint=False))
    near = np.hypot(u[..., None] - way[0], s[..., None] - way[1]).min(axis=-1) <= COIL_M / 2
    return float(near.mean())


def test_a_straight_walk_is_one_pass_and_a_dig_is_a_dig() -> None:
    """Sweep upon sweep over one place is still one pass, and standing with the coil down is a dig."""
    result = surveyed(zigzag())
    passes = result.report.total.passes_m2
    assert passes["2"] + passes["3+"] < 0.01 * passes["1"]
    (out,) = result.report.outings
    assert out.times.digs == 1 and out.times.speed_m_s == pytest.approx(0.3, rel=0.05) and out.times.transit_s == 0


def test_carried_on_the_arm_the_same_walk_sweeps_its_swing() -> None:
    """Carried on the arm, a recording is the person's way: the swing width as usual is put on it."""
    (told,) = surveyed(zigzag(half_m=0.001), "arm").report.outings[0].recordings
    assert (told.swath_m, told.swath_measured) == (1.48, False)


@pytest.mark.parametrize("track", [zigzag(hz=1.0), zigzag(half_m=0.02)], ids=["a fix a second", "no swing"])
def test_without_a_zigzag_it_is_told(track: Track) -> None:
    """With a fix a second, or no swing in it, a recording cannot be the coil's way: told, and taken as on the body."""
    result = surveyed(track)
    (told,) = result.report.outings[0].recordings
    assert not told.swath_measured and any("no zigzag" in note for note in told.notes)
    assert result.report.total.swept_m2 > 0.9 * 60 * 1.2
