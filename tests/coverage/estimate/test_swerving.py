"""How far a walker swerves within lanes, from how much more a recording wavers across them than along."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.estimate.regularity import KAPPA, PRIOR, lanes_of, make_stations
from fieldcomb.coverage.estimate.swerving import Wavering, wavering, with_wavering
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats

PACE_M_S, LANE_M, LANES = 0.3, 45.0, 24
SPACING_M = 1.5


def walk(swerve_m: float, error_m: float, turned_rad: float = 0.0) -> SearchPath:
    """Lanes there and back at a steady pace, swerving over 10 m, with an error that fades over 20 s on each axis."""
    rng = np.random.default_rng(7)
    along = np.arange(0, LANE_M, PACE_M_S)
    x = np.concatenate([along if k % 2 == 0 else along[::-1] for k in range(LANES)])
    lane = np.repeat(SPACING_M * np.arange(LANES), along.size)
    phase = rng.uniform(0, 2 * np.pi, LANES).repeat(along.size)
    y = lane + swerve_m * np.sqrt(2) * np.sin(2 * np.pi * x / 10 + phase)
    error = faded(rng.standard_normal((x.size, 2))) * error_m
    x, y = x + error[:, 0], y + error[:, 1]
    cos, sin = np.cos(turned_rad), np.sin(turned_rad)
    x, y = cos * x - sin * y, sin * x + cos * y
    line_x = np.convolve(np.pad(x, 10, mode="edge"), np.ones(21) / 21, "valid")
    line_y = np.convolve(np.pad(y, 10, mode="edge"), np.ones(21) / 21, "valid")
    return SearchPath(np.arange(x.size, dtype=float), x, y, line_x, line_y, np.full(x.size, PACE_M_S))


def faded(kicks: Floats) -> Floats:
    """Normal values second by second whose correlation fades over 20 s."""
    keep = np.exp(-1 / 20)
    out = kicks.copy()
    for k in range(1, len(out)):
        out[k] = keep * out[k - 1] + np.sqrt(1 - keep**2) * kicks[k]
    return out


def seen(way: SearchPath) -> Wavering:
    """What is seen of a walk, which must be something."""
    found = wavering([way], lanes_of(make_stations([way])))
    assert found is not None
    return found


def mean_kappa(found: Wavering | None) -> float:
    """Kappa to be expected of a walk of which only the wavering is known."""
    return float(KAPPA @ with_wavering(KAPPA, PRIOR, found, SPACING_M))


def test_a_straight_walk_wavers_alike_across_and_along() -> None:
    """Where only the receiver errs, and as much each way, both are alike to one part in four."""
    found = seen(walk(0.0, 0.5))
    assert found.across_m2 == pytest.approx(found.along_m2, rel=0.25)


def test_a_swerving_walk_wavers_more_across() -> None:
    """A swerve of 0.4 m shows across the lanes beside an error of 0.5 m, and hardly along them."""
    straight, swerving = seen(walk(0.0, 0.5)), seen(walk(0.4, 0.5))
    assert swerving.across_m2[1] > 1.5 * straight.across_m2[1]
    assert swerving.along_m2 == pytest.approx(straight.along_m2, rel=0.1)
    assert mean_kappa(swerving) > mean_kappa(straight) + 0.05


def test_it_says_little_beside_a_large_error() -> None:
    """Beside an error of 3 m the same swerve moves what is expected by a quarter of that beside 0.5 m at most."""
    small, large = (mean_kappa(seen(walk(0.4, e))) - mean_kappa(seen(walk(0.0, e))) for e in (0.5, 3.0))
    assert abs(large) < small / 4


def test_the_way_that_lanes_run_makes_no_difference() -> None:
    """Lanes turned by any angle waver the same."""
    usual, turned = seen(walk(0.3, 0.5)), seen(walk(0.3, 0.5, 1.0))
    assert turned.across_m2 == pytest.approx(usual.across_m2, rel=0.02)


def test_a_ring_says_nothing() -> None:
    """A spiral has no straight lanes, so its bends do not pass for swerving."""
    angle = np.sqrt(np.arange(0, 4000) * 2 * PACE_M_S * 2 * np.pi / SPACING_M)
    radius = SPACING_M * angle / (2 * np.pi)
    x, y = radius[800:] * np.cos(angle[800:]), radius[800:] * np.sin(angle[800:])
    way = SearchPath(np.arange(x.size, dtype=float), x, y, x, y, np.full(x.size, PACE_M_S))
    assert wavering([way], lanes_of(make_stations([way]))) is None


def test_a_short_walk_says_nothing() -> None:
    """Of two lanes nothing is told, and what was thought before stays."""
    way = walk(0.4, 0.5)
    some = slice(0, 200)
    short = SearchPath(*(getattr(way, name)[some] for name in ("t_s", "x_m", "y_m", "line_x_m", "line_y_m", "step_m")))
    found = wavering([short], lanes_of(make_stations([short])))
    assert found is None and with_wavering(KAPPA, PRIOR, found, SPACING_M) is PRIOR


@given(st.floats(1e-6, 1e4), st.floats(1e-6, 1e4), st.integers(200, 20_000), st.floats(0.3, 6.0))
def test_chances_stay_chances(across_m2: float, along_m2: float, seconds: int, spacing_m: float) -> None:
    """Whatever was seen, chances sum to one, and none is lost: less than a fifth of what it was before is possible."""
    told = with_wavering(KAPPA, PRIOR, Wavering((across_m2,) * 2, (along_m2,) * 2, seconds), spacing_m)
    assert told.sum() == pytest.approx(1) and (told >= 0.19 * PRIOR).all()
