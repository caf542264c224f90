"""Work in threads: results in order, one made ahead, errors where they belong."""

import threading

import pytest

from fieldcomb.coverage.pool.ahead import at_once, one_ahead


@pytest.mark.parametrize("jobs", [1, 2, 4])
@pytest.mark.parametrize("count", [0, 1, 2, 7])
def test_results_come_in_order(jobs: int, count: int) -> None:
    """However much is done at once, each result stands where its task stood."""
    assert list(one_ahead(lambda n: n * n, range(count), jobs)) == [n * n for n in range(count)]
    assert at_once(lambda n: n * n, range(count), jobs) == [n * n for n in range(count)]


def test_the_next_result_is_made_while_one_is_worked_with() -> None:
    """With two jobs what is due next is made before it is asked for, and no more than that; with one it is not."""
    made = [threading.Event() for _ in range(4)]
    results = one_ahead(lambda n: made[n].set(), range(4), 2)
    next(results)
    assert made[1].wait(120)
    assert not made[2].is_set()
    results.close()
    made = [threading.Event() for _ in range(4)]
    results = one_ahead(lambda n: made[n].set(), range(4), 1)
    next(results)
    assert not made[1].is_set()


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_is_raised_when_its_result_is_due(jobs: int) -> None:
    """What goes wrong with the second does not take the first away."""
    results = one_ahead(lambda n: 1 // n, [1, 0, 1], jobs)
    assert next(results) == 1
    with pytest.raises(ZeroDivisionError):
        next(results)
    with pytest.raises(ZeroDivisionError):
        at_once(lambda n: 1 // n, [1, 0, 1], jobs)
