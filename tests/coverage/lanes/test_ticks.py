"""Ticks of lanes from phones: each is kept once, in whatever order and however often it is sent."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.lanes.ticks import LaneTick, latest, read_ticks, tick_of, told_otherwise, with_new
from fieldcomb.tracks.errors import SiteError

LANES = range(1, 21)


def tick(number: int, lane: int, state: str, at_ms: int, phone: str = "aaaaaaaa") -> LaneTick:
    """A tick with a number for its id."""
    return LaneTick(f"{number:08x}", lane, state, at_ms, phone)


ticks = st.lists(
    st.builds(
        tick,
        st.integers(0, 60),
        st.integers(1, 20),
        st.sampled_from(["y", "n", "part", ""]),
        st.integers(0, 10**13),
        st.sampled_from(["aaaaaaaa", "bbbbbbbb"]),
    ),
    max_size=40,
    unique_by=lambda one: one.id,
)


@given(ticks, st.integers(0, 2**32 - 1))
def test_sending_again_and_in_pieces_changes_nothing(sent: list[LaneTick], seed: int) -> None:
    """Whatever is sent twice, and in whatever pieces, the file holds each tick once, and says the same of each lane."""
    chance, raw, known = random.Random(seed), b"", set[str]()
    waiting = list(sent)
    while waiting:
        piece = chance.sample(waiting, chance.randint(1, len(waiting)))
        raw = with_new(raw, known, piece + piece[:2])
        known |= {one.id for one in piece}
        waiting = [one for one in waiting if one not in piece or chance.random() < 0.2]
    kept = read_ticks(raw, "ticks.csv", LANES) if raw else ()
    assert sorted(kept, key=lambda one: one.id) == sorted(sent, key=lambda one: one.id)


def test_the_last_tick_holds_and_can_be_taken_back() -> None:
    """Ticked, then taken back, then ticked in part: the one with the latest time holds, whenever it arrived."""
    sent = [tick(1, 4, "y", 100), tick(3, 4, "part", 300), tick(2, 4, "", 200)]
    assert latest(sent)[4].state == "part" and latest(sent[:1] + sent[2:])[4].state == ""


def test_two_phones_that_disagree_are_told() -> None:
    """A lane that one phone has done and the other not is told; one that both have done is not."""
    sent = [tick(1, 4, "y", 1), tick(2, 4, "n", 2, "bbbbbbbb"), tick(3, 5, "y", 1), tick(4, 5, "y", 2, "bbbbbbbb")]
    assert told_otherwise(sent) == [4]


@pytest.mark.parametrize(
    "sent",
    [
        None,
        [],
        {"id": "0001", "lane": 1, "done": "y", "at_ms": 1},
        {"id": "00000001", "lane": 99, "done": "y", "at_ms": 1},
        {"id": "00000001", "lane": True, "done": "y", "at_ms": 1},
        {"id": "00000001", "lane": 1, "done": "maybe", "at_ms": 1},
        {"id": "00000001", "lane": 1, "done": "y", "at_ms": 1.5},
        {"id": "00000001", "lane": 1, "done": ["y"], "at_ms": 1},
        {"id": "=cmd|' /C calc'", "lane": 1, "done": "y", "at_ms": 1},
        {"id": "00000001\r\n", "lane": 1, "done": "y", "at_ms": 10**30},
    ],
)
def test_what_is_no_tick_is_not_kept(sent: object) -> None:
    """Anything but a tick of a lane of this plan is refused, and so cannot come into the file."""
    assert tick_of(sent, LANES, "aaaaaaaa") is None


@pytest.mark.parametrize("row", ["x,1,y,1,aaaaaaaa", "00000001,99,y,1,aaaaaaaa", "00000001,1,y,-1,aaaaaaaa"])
def test_a_damaged_file_is_told_with_its_line(row: str) -> None:
    """A line that nobody wrote is named."""
    with pytest.raises(SiteError) as error:
        read_ticks(f"id,lane,done,at_ms,phone\r\n{row}\r\n".encode(), "ticks.csv", LANES)
    assert error.value.where == "line 2"
