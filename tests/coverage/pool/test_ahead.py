"""Work in threads: results in order, one made ahead, errors where they belong."""

import threading

import pytest

from fieldcomb.coverage.pool.ahead import InThreads, at_once, one_ahead


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


@pytest.mark.parametrize("jobs", [1, 2, 3])
def test_what_is_begun_gives_its_own_result_or_error(jobs: int) -> None:
    """Each result comes as often as it is asked for, in any order, and an error comes to whoever asks for it."""
    threads = InThreads(jobs)
    given = [threads.begin(lambda n, by: n / by, n, 2) for n in range(9)]
    assert [one() for one in reversed(given)] == [n / 2 for n in reversed(range(9))]
    assert given[3]() == 1.5
    if jobs > 1:
        wrong = threads.begin(lambda: 1 // 0)
        assert [threads.begin(int, n)() for n in ("7", "8", "9")] == [7, 8, 9]
        with pytest.raises(ZeroDivisionError):
            wrong()


def test_no_more_is_begun_than_may_be_done_at_once() -> None:
    """What waits for its turn would take room: a third piece is begun once the first is done."""
    threads, go, begun = InThreads(2), threading.Event(), []
    for n in range(2):
        threads.begin(lambda n: begun.append(n) or go.wait(120), n)
    third = threading.Thread(target=threads.begin, args=(begun.append, 2))
    third.start()
    third.join(0.05)
    assert third.is_alive() and 2 not in begun
    go.set()
    third.join(120)
    assert not third.is_alive()
