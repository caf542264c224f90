"""The local page killed in the middle of its work: nothing is lost, doubled or left over when it starts again.

``tests/studies/kill_page.py`` does the same at random points, as often as is wanted.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

if not Path("/proc/self/stat").exists():
    pytest.skip("needs a system that shows processes as files", allow_module_level=True)

import kill_page as study
from kill_ticks import kill_ticks


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[study.KillRange]:
    """Serve a site with one walk, among files of the user's own."""
    served = study.KillRange(tmp_path_factory.mktemp("page"))
    yield served
    served.close()
    assert served.summary.wrong == []


@pytest.mark.parametrize(
    ("what", "victim", "point"),
    [
        (study.SEND, study.SERVER, study.UPLOAD),
        (study.SEND, study.WORKER, study.KEPT),
        (study.CORRECT, study.BOTH, study.KEPT),
        (study.LEAVE_OUT, study.WORKER, study.READING),
    ],
)
def test_a_page_that_is_killed_keeps_what_it_confirmed_and_can_be_asked_again(
    ground: study.KillRange, what: str, victim: str, point: str
) -> None:
    """Whatever is killed, what was asked for is there as a whole or not at all; asked for again, it is there once."""
    ground.kill_once(ground.work(what, random.Random(what)), victim, point, 0.5)
    assert ground.summary.wrong == []


def test_ticks_come_through_kills_of_a_running_server(tmp_path: Path) -> None:
    """Five rounds of two phones that tick lanes: whatever is cut off or killed, every tick is there once at the end."""
    summary = kill_ticks(tmp_path, 5, random.Random(4))
    assert summary.wrong == [] and sum(summary.fates.values()) == 5 and summary.made > 5
