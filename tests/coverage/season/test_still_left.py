"""How many are left: with limits, as at least, or not at all."""

from dataclasses import replace

import numpy as np
import pytest
from find_sites import searched_stock

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.gear.target_ids import DigRule
from fieldcomb.coverage.season.season_results import NO_SIGN, OTHER_GROUND, CoilEffort, LeftInGround
from fieldcomb.coverage.season.still_left import how_many_left

RULES = {
    coil: DigRule(None, (("low", frozenset(range(40, 60))), ("high", frozenset(range(60, 100)))))
    for coil in ("large", "small")
}


def outings(counts: list[int], coil: str = "large", ground_m2: float = 500.0) -> list[CoilEffort]:
    """One outing a day with this coil, all on the same ground."""
    days = [f"2026-03-{n:02}" for n, _ in enumerate(counts, 1)]
    return [CoilEffort(f"{day}a", day, coil, ground_m2, 1.0, ground_m2) for day in days]


def finds(counts: list[int], coil: str = "large", number: int = 50, start: int = 1) -> list[Find]:
    """So many keeps in each outing."""
    days = [f"2026-03-{n:02}a" for n, count in enumerate(counts, 1) for _ in range(count)]
    return [Find(start + k, "keep", outing=day, coil=coil, number=(number, number)) for k, day in enumerate(days)]


def left(counts: list[int], **more: str) -> LeftInGround:
    """The first answer, for the whole site."""
    return how_many_left(finds(counts), outings(counts), {}, **more)[0]


def test_a_stock_of_which_half_is_found_each_time() -> None:
    """16, 8, 4 and 2 of 32: two are left, and that is what all methods say."""
    lines = how_many_left(finds([16, 8, 4, 2]), outings([16, 8, 4, 2]), {})
    assert [line.method for line in lines] == ["leslie", "ricker", "delury", "carle-strub"]
    assert lines[0].estimate == pytest.approx(2) and lines[0].at_least == 2
    assert lines[0].kept == 30 and lines[0].outings == 4
    for line in lines[1:]:
        assert line.estimate is not None and 0 <= line.estimate < 8 and line.low is not None


def test_nothing_is_said_where_finds_do_not_fall_off() -> None:
    """Ten each time is no sign that it is getting less, and there is no number at all."""
    line = left([10, 10, 11, 9])
    assert line.why == NO_SIGN and line.estimate is None and line.at_least is None and line.high is None


def test_too_few_outings_or_finds_say_so() -> None:
    """Three outings and five finds are the least."""
    assert "3 outings" in left([9]).why
    assert "5 finds" in left([2, 1, 1]).why
    assert "5 finds" in left([0, 0, 8]).why


def test_two_outings_of_equal_effort_are_two_passes() -> None:
    """40 and then 10: 53 in all by two passes, so 3 are left; 10 and 9 say nothing."""
    line = left([40, 10])
    assert line.method == "two-pass" and line.estimate == pytest.approx(1600 / 30 - 50)
    assert line.low is not None and line.high is not None and line.low <= 1600 / 30 - 50 <= line.high
    assert left([10, 9]).why == NO_SIGN


def test_an_event_begins_a_new_count() -> None:
    """After ploughing on the 3rd only two outings count, which is too few for a line and of equal effort."""
    line = left([16, 8, 4, 2], since="2026-03-03")
    assert (line.outings, line.kept, line.method) == (2, 6, "two-pass")


def test_outings_on_different_ground_take_from_different_stocks() -> None:
    """West, middle, east: fewer finds in each say that there was less there, and not that it is getting less."""
    apart = [replace(one, again_m2=0.1 * one.ground_m2) for one in outings([16, 8, 4, 2])]
    (line,) = how_many_left(finds([16, 8, 4, 2]), apart, {})
    assert line.why == OTHER_GROUND and line.at_least is None
    (pair,) = how_many_left(finds([40, 10]), apart[:2], {})
    assert "3 outings" in pair.why
    mostly = [replace(one, again_m2=0.6 * one.ground_m2) for one in apart]
    assert [one.method for one in how_many_left(finds([16, 8, 4, 2]), mostly, {})] == ["leslie", "ricker", "delury"]


def test_an_outing_without_finds_counts_as_searched() -> None:
    """Nothing found on the fourth day is what says most of how little is left."""
    line = left([16, 8, 4, 0])
    assert line.outings == 4 and line.estimate is not None and line.estimate < 4


def test_each_coil_has_its_own_line_and_says_what_is_not_in_it() -> None:
    """High numbers came only with the small coil: the large coil's line cannot know of them."""
    counts = [16, 8, 4, 2]
    both = finds(counts) + finds(counts, "small", 70, 100)
    efforts = [one for pair in zip(outings(counts), outings(counts, "small"), strict=True) for one in pair]
    lines = [line for line in how_many_left(both, efforts, RULES) if line.method == "leslie"]
    by_name = {(line.coil, line.of_class): line for line in lines}
    assert set(by_name) == {
        *(("", name) for name in ("", "low", "high")),
        *(("large", name) for name in ("", "low")),
        *(("small", name) for name in ("", "high")),
    }
    assert by_name["large", ""].not_in_it == ("high",) and by_name["small", ""].not_in_it == ("low",)
    assert by_name["", ""].kept == 60 and by_name["large", ""].kept == 30


def test_at_least_is_seldom_more_than_there_is_when_finds_grow_harder() -> None:
    """On 200 sites whose pieces differ in how easily they are found, `at least` is wrong on no more than 10 %."""
    wrong = given = 0
    for seed in range(200):
        stock, found, effort = searched_stock(np.random.default_rng(seed), spread=0.7)
        rows = [
            CoilEffort(one.outing, one.day, "large", 500 * spent, None, 500 * spent)
            for one, spent in zip(outings(found), effort, strict=True)
        ]
        line = how_many_left(finds(found), rows, {})[0]
        if line.at_least is not None:
            given += 1
            wrong += line.at_least > stock - sum(found)
    assert given > 100 and wrong <= 0.1 * given


def test_limits_mostly_hold_a_stock_that_is_found_evenly() -> None:
    """On 200 sites where every piece is as easily found, the limits hold what is left on 85 % or more."""
    held = given = 0
    for seed in range(200):
        stock, found, effort = searched_stock(np.random.default_rng(seed))
        rows = [
            CoilEffort(one.outing, one.day, "large", 500 * spent, None, 500 * spent)
            for one, spent in zip(outings(found), effort, strict=True)
        ]
        line = how_many_left(finds(found), rows, {})[0]
        if line.low is not None and line.high is not None:
            given += 1
            held += line.low <= stock - sum(found) <= line.high
    assert given > 100 and held >= 0.85 * given
