"""How often a signal was worth digging, beside the ranking of ground, and in it when the user wants that."""

import numpy as np
import pytest
from shapely.geometry import MultiPolygon, box

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.gear.target_ids import DigRule
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.season.worth_digging import chance_worth, rank_by_finds, worth_digging, worth_of
from fieldcomb.coverage.todo.ranking import CoilGains, Ranking
from fieldcomb.coverage.todo.results import TodoCoil, TodoPiece

RULES = {"small": DigRule(None, (("low", frozenset(range(40, 60))),))}


def found(coil: str, kept: int, junk: int, number: int = 50) -> list[Find]:
    """Finds with one coil."""
    kinds = ["keep"] * kept + ["junk"] * junk
    return [Find(n, kind, coil=coil, number=(number, number)) for n, kind in enumerate(kinds, 1)]


def ground(coil: str, gain: float) -> tuple[TodoCoil, CoilGains]:
    """One piece of ground to do with a coil, and what it brings anywhere."""
    shape = box(0, 0, 10, 10)
    piece = TodoPiece(
        f"{coil} 1", coil, 1, "junk", "junk", 100.0, 5.0, gain, 10 * gain, None, None, 0, (0.0, 0.0), shape
    )
    gains = CoilGains(coil, 1.0, 20.0, np.full((2, 2), gain), Grid(5.0, 0, 2, 2, 2))
    return TodoCoil(coil, 20.0, True, 100.0, 5.0, "junk", (piece,)), gains


def test_signals_are_counted_by_coil_and_by_the_class_that_the_coil_tells() -> None:
    """The large coil's numbers were never told apart; a find without a coil is nobody's; nothing dug says nothing."""
    finds = [*found("small", 2, 17), *found("small", 1, 0, 80), *found("large", 1, 1), *found("", 5, 0)]
    finds.append(Find(99, "left", coil="medium", number=(50, 50)))
    counted = {(one.coil, one.of_class): one.share for one in worth_digging(finds, RULES)}
    assert {key: (share.kept, share.dug) for key, share in counted.items()} == {
        ("large", ""): (1, 2),
        ("small", ""): (3, 20),
        ("small", "low"): (2, 19),
    }


def test_of_the_class_that_matters_or_else_of_all() -> None:
    """With a target the share of its class counts; a class that the coil never dug falls back on all its signals."""
    worth = worth_digging([*found("small", 2, 17), *found("small", 1, 0, 80)], RULES)
    low, whole = worth_of(worth, "small", "low"), worth_of(worth, "small", "high")
    assert low is not None and whole is not None and (low.of_class, whole.of_class) == ("low", "")
    assert worth_of(worth, "large", None) is None and chance_worth(None) == 0.5
    assert chance_worth(low) == pytest.approx(3 / 21)


def test_a_coil_that_dug_junk_comes_after_one_that_dug_finds() -> None:
    """By the model both bring nearly the same; of the large coil's signals 1 of 9 was kept, of the small one's 8."""
    (large, wide), (small, narrow) = ground("large", 0.11), ground("small", 0.10)
    before = Ranking((large, small), (wide, narrow), MultiPolygon())
    worth = worth_digging([*found("large", 1, 8), *found("small", 8, 1)], {})
    after = rank_by_finds(before, worth, None)
    gains = {coil.coil: coil.pieces[0].gain_per_100_m2 for coil in after.coils}
    assert gains == pytest.approx({"large": 0.11 * 2 / 11, "small": 0.10 * 9 / 11})
    assert after.gains[0].gain == pytest.approx(np.full((2, 2), 0.02)) and after.coils[0].pieces[0].gain_per_hour
    assert before.coils[0].pieces[0].gain_per_100_m2 == 0.11
