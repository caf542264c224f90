"""Ticks of lanes from phones: each is kept once, in whatever order and however often it is sent."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.lanes.ticks import (
    LaneTick,
    TickedLane,
    read_ticks,
    tick_of,
    ticked_lanes,
    told_otherwise,
    with_new,
)
from fieldcomb.tracks.errors import SiteError

LANES = range(1, 21)


def tick(
    number: int, lane: int, state: str, at_ms: int, phone: str = "aaaaaaaa", undoes: int | None = None
) -> LaneTick:
    """A tick with a number for its id."""
    return LaneTick(f"{number:08x}", lane, state, at_ms, phone, "" if undoes is None else f"{undoes:08x}")


ticks = st.lists(
    st.builds(
        tick,
        st.integers(0, 60),
        st.integers(1, 20),
        st.sampled_from(["y", "n", "part", "", "start"]),
        st.integers(0, 10**13),
        st.sampled_from(["aaaaaaaa", "bbbbbbbb"]),
    ),
    max_size=40,
    unique_by=lambda one: one.id,
)


@given(ticks, st.integers(0, 2**32 - 1))
def test_sending_again_and_in_pieces_changes_nothing(sent: list[LaneTick], seed: int) -> None:
    """Whatever is sent twice, and in whatever pieces, the file holds each tick once, and says the same of each lane."""
    chance, raw = random.Random(seed), b""
    waiting = list(sent)
    while waiting:
        piece = chance.sample(waiting, chance.randint(1, len(waiting)))
        raw = with_new(raw, read_ticks(raw, "ticks.csv", LANES) if raw else (), piece + piece[:2])
        waiting = [one for one in waiting if one not in piece or chance.random() < 0.2]
    kept = read_ticks(raw, "ticks.csv", LANES) if raw else ()
    assert sorted(kept, key=lambda one: one.id) == sorted(sent, key=lambda one: one.id)


def test_the_last_tick_holds_and_can_be_taken_back() -> None:
    """Ticked, then taken back, then ticked in part: the one with the latest time holds, whenever it arrived."""
    sent = [tick(1, 4, "y", 100), tick(3, 4, "part", 300), tick(2, 4, "", 200)]
    assert ticked_lanes(sent)[4].state == "part" and ticked_lanes(sent[:1] + sent[2:])[4].state == ""


def test_a_lane_has_the_times_between_start_and_done() -> None:
    """Begun, done: both times hold. Begun again, it stays done until it is ticked; not walked, it has no times."""
    sent = [tick(1, 4, "start", 100), tick(2, 4, "y", 200)]
    assert ticked_lanes(sent) == {4: TickedLane("y", 100, 200)}
    assert ticked_lanes([*sent, tick(3, 4, "start", 300)]) == {4: TickedLane("y", 300, None)}
    assert ticked_lanes([*sent, tick(3, 4, "n", 300)]) == {4: TickedLane("n", None, None)}
    assert ticked_lanes([tick(2, 4, "y", 200)]) == {4: TickedLane("y", None, 200)}


@given(ticks, st.data())
def test_a_tick_that_is_undone_never_was(sent: list[LaneTick], data: st.DataObject) -> None:
    """Whatever is ticked before and after, and in whatever order it arrives: undone, all is as it was without it."""
    if not sent:
        return
    gone = data.draw(st.sampled_from(sent))
    undo = LaneTick("ffffffff", gone.lane, "undo", 10**13, gone.phone, gone.id)
    rest = [one for one in sent if one is not gone]
    mixed = data.draw(st.permutations([*sent, undo]))
    order = {one.id: place for place, one in enumerate(mixed)}
    kept = sorted(rest, key=lambda one: order[one.id])
    assert ticked_lanes(mixed) == {gone.lane: TickedLane()} | ticked_lanes(kept)
    assert told_otherwise(mixed) == told_otherwise(kept)


def test_a_file_of_an_earlier_version_or_a_spreadsheet_is_written_anew() -> None:
    """Without the last column, with semicolons and a byte order mark: every tick is read and none is added twice."""
    raw = "\ufeffid;lane;done;at_ms;phone\r\n00000001;4;y;100;aaaaaaaa\r\n".encode()
    old = read_ticks(raw, "ticks.csv", LANES)
    assert old == (tick(1, 4, "y", 100),)
    again = with_new(raw, old, [tick(1, 4, "y", 100), tick(2, 5, "n", 200)])
    assert read_ticks(again, "ticks.csv", LANES) == (*old, tick(2, 5, "n", 200))
    assert with_new(again, read_ticks(again, "ticks.csv", LANES), [tick(3, 5, "y", 300)]).startswith(again)


def test_a_file_beyond_a_megabyte_is_read() -> None:
    """40,000 ticks, 2 MB, more than any other table may have: all are there, and one more is added."""
    many = [tick(number, number % 20 + 1, "y", 1_770_000_000_000 + number) for number in range(40_000)]
    raw = with_new(b"", (), many)
    assert len(raw) > 1_500_000 and list(read_ticks(raw, "ticks.csv", LANES)) == many
    assert len(read_ticks(with_new(raw, many, [tick(50_000, 3, "n", 1)]), "ticks.csv", LANES)) == 40_001


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
        {"id": "00000001", "lane": 1, "done": "undo", "at_ms": 1},
        {"id": "00000001", "lane": 1, "done": "undo", "at_ms": 1, "undoes": "=1+1"},
        {"id": "00000001", "lane": 1, "done": "y", "at_ms": 1, "undoes": "00000000"},
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
