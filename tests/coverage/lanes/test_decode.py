"""Which lanes a recording walked: against all sequences of lanes, and on walks whose lanes are known."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.coverage.lanes.decode import LegAcross, block_state, decode

SLOW = {0.9: 0.2, 1.5: 0.4, 2.4: 0.3, 3.9: 0.1}  # of a typical receiver
STEPS = {1: 0.90, 2: 0.045, 0: 0.035, 3: 0.01, -1: 0.005}


def weigh_all(across: list[float], legs: list[LegAcross]) -> tuple[np.ndarray, np.ndarray, float]:
    """Weigh every sequence of lanes, all listed, straight from the formula.

    Returns the chance of each lane for each leg, of each lane to be walked, and that all were walked.
    """
    many = len(across)
    listed = np.array(list(product(range(many), repeat=len(legs))))
    for place, leg in enumerate(legs):
        listed = listed if leg.lane is None else listed[listed[:, place] == leg.lane]
    b = np.array([leg.across_m for leg in legs]) - np.array(across)[listed]
    weight = np.zeros(len(listed))
    for (sb, prior), tau, way in product(SLOW.items(), (100.0, 400.0, 1500.0), (1, -1)):
        r2 = [(sb / 3) ** 2 * min(1, 50 / leg.seconds) + 0.15**2 for leg in legs]
        p = np.full(len(listed), prior / 6)
        if legs[0].lane is None:
            spread = sb**2 + r2[0]
            p *= np.exp(-(b[:, 0] ** 2) / (2 * spread)) / math.sqrt(spread)
        for i in range(1, len(legs)):
            f = math.exp(-(legs[i].at_s - legs[i - 1].at_s) / tau)
            s = sb**2 / (sb**2 + r2[i - 1])
            v = sb**2 * (1 - f**2 * s) + r2[i]
            step = way * (listed[:, i] - listed[:, i - 1])
            p *= np.array([STEPS.get(int(one), 0) + 0.005 / many for one in step])
            p *= np.exp(-((b[:, i] - f * s * b[:, i - 1]) ** 2) / (2 * v)) / math.sqrt(v)
        weight += p
    weight /= weight.sum()
    visits = np.array([(listed == lane).any(axis=1) for lane in range(many)])
    of_leg = np.array([[weight[listed[:, i] == lane].sum() for lane in range(many)] for i in range(len(legs))])
    return of_leg, visits @ weight, float(weight[visits.all(axis=0)].sum())


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_chances_are_those_of_all_sequences_weighed_one_by_one(data: st.DataObject) -> None:
    """For up to six lanes and five legs the chances equal those of a sum over every sequence of lanes, to 1e-9."""
    many = data.draw(st.integers(1, 6), "lanes")
    across = [1.5 * lane for lane in range(many)]
    legs = []
    for number in range(data.draw(st.integers(1, 5), "legs")):
        label = data.draw(st.one_of(st.none(), st.none(), st.integers(0, many - 1)), "label")
        z = data.draw(st.floats(-3, 1.5 * many + 3), "across")
        legs.append(LegAcross(z, data.draw(st.floats(20, 200), "seconds"), 100.0 * number, label))
    of_leg, walked, whole = weigh_all(across, legs)
    found = decode(np.array(across), legs)
    assert found.of_leg == pytest.approx(of_leg, abs=1e-9)
    assert found.walked == pytest.approx(walked, abs=1e-9)
    assert found.all_walked(range(many)) == pytest.approx(whole, abs=1e-9)


def test_six_lanes_and_six_legs() -> None:
    """The largest case that can be weighed one by one agrees as well."""
    across = [1.5 * lane for lane in range(6)]
    legs = [LegAcross(1.5 * lane + 0.8, 60, 70.0 * place) for place, lane in enumerate((0, 1, 2, 4, 5, 5))]
    of_leg, walked, whole = weigh_all(across, legs)
    found = decode(np.array(across), legs)
    assert found.of_leg == pytest.approx(of_leg, abs=1e-9) and found.walked == pytest.approx(walked, abs=1e-9)
    assert found.all_walked(range(6)) == pytest.approx(whole, abs=1e-9)


def test_a_receiver_of_centimetres_tells_every_lane() -> None:
    """Lanes walked one after another, one left out and every leg on its lane to 2 cm: the one left out is found."""
    across = 1.5 * np.arange(30)
    order = [lane for lane in range(30) if lane != 17]
    rng = np.random.default_rng(1)
    legs = [LegAcross(across[lane] + rng.normal(0, 0.02), 120, 150.0 * place) for place, lane in enumerate(order)]
    found = decode(across, legs, slow_m=0.02)
    assert found.lane_of_leg.tolist() == order
    assert found.walked[17] < 0.1 and np.delete(found.walked, 17).min() > 0.9
    assert block_state(found.all_walked(range(15, 20))) == "walk again"
    assert block_state(found.all_walked(range(5))) == "done"


def test_a_label_settles_its_leg() -> None:
    """A leg with a label lies on that lane, though the receiver was two lanes off, and so do those after it."""
    across = 1.5 * np.arange(20)
    legs = [LegAcross(10.5 + 1.5 * place, 100, 130.0 * place, 9 if place == 0 else None) for place in range(5)]
    assert decode(across, legs).lane_of_leg.tolist() == [9, 10, 11, 12, 13]


def test_without_legs_nothing_was_walked() -> None:
    """A recording without a leg along the lanes says that none was walked."""
    assert decode(1.5 * np.arange(4), []).walked.tolist() == [0, 0, 0, 0]
