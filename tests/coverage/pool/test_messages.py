"""What the command and the processes beside it send each other."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from fieldcomb.coverage.pool.messages import LARGE_BYTES, contents_of, parcel_of, receive, send

SIZES = [0, 1, LARGE_BYTES - 1, LARGE_BYTES, LARGE_BYTES + 1, 3 * LARGE_BYTES]
KINDS = ["u1", "?", "i2", "f4", "f8"]


def sent(*message: Any) -> bytes:
    """Return the bytes of a message."""
    stream = io.BytesIO()
    send(stream, *message)
    return stream.getvalue()


def arrays() -> st.SearchStrategy[list[np.ndarray[Any, Any]]]:
    """Arrays small and large, of every kind that rasters have, in one piece or not."""

    def made(kind: str, size: int, step: int) -> np.ndarray[Any, Any]:
        whole = np.arange(size * step).astype(kind)
        return whole.reshape(2, -1)[:, ::step] if size * step % 2 == 0 else whole[::step]

    one = st.builds(made, st.sampled_from(KINDS), st.sampled_from(SIZES), st.sampled_from([1, 2]))
    return st.lists(one, max_size=4)


@given(messages=st.lists(arrays(), min_size=1, max_size=3))
def test_what_is_received_is_what_was_sent(messages: list[list[np.ndarray[Any, Any]]]) -> None:
    """Numbers in any array, small or large, come over as they are, and can be changed there without changing these."""
    stream = io.BytesIO(b"".join(sent(number, "walk", parcel_of(each)) for number, each in enumerate(messages)))
    for number, each in enumerate(messages):
        of, name, found = receive(stream)
        assert (of, name) == (number, "walk")
        for there, here in zip(contents_of(found), each, strict=True):
            assert there.dtype == here.dtype and there.flags.writeable
            assert_array_equal(there, here)
            before = here.copy()
            there[...] = 0
            assert_array_equal(here, before)
    with pytest.raises(EOFError):
        receive(stream)


def test_an_array_that_two_values_share_is_sent_once_and_still_shared() -> None:
    """Passes of all coils and of the only one are the same cells on both sides."""
    cells = np.ones((1000, 1000), np.uint8)
    whole = sent(1, parcel_of({"all": cells, "33cm": cells}))
    assert len(whole) < 1.1 * cells.nbytes
    found = contents_of(receive(io.BytesIO(whole))[1])
    assert found["all"] is found["33cm"]


@pytest.mark.parametrize("kept", [0.0, 0.5, 0.99])
def test_a_message_that_was_cut_off_is_none(kept: float) -> None:
    """Of a process that was killed while it answered nothing is taken."""
    whole = sent(1, 2, parcel_of(np.arange(2 * LARGE_BYTES)))
    with pytest.raises(EOFError):
        receive(io.BytesIO(whole[: int(kept * len(whole))]))
