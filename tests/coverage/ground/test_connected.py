"""Connected ground, numbered run by run, against scipy's numbering cell by cell."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy.ndimage import label

from fieldcomb.coverage.ground.connected import connected_parts


@given(arrays(np.uint8, array_shapes(min_dims=2, max_dims=2, max_side=12), elements=st.integers(0, 3)))
def test_parts_are_those_that_scipy_finds_in_the_same_order(kind: np.ndarray) -> None:
    """Pieces of missed ground are told apart as scipy.ndimage.label does for each kind, and numbered alike."""
    labels, counts = connected_parts(kind)
    expected, so_far = np.zeros(kind.shape, int), 0
    for number, count in enumerate(counts, 1):
        found, many = label(kind == number)
        expected[found > 0] = found[found > 0] + so_far
        so_far += many
        assert count == many
    np.testing.assert_array_equal(labels, expected)
    assert kind.max() <= len(counts)


def test_parts_that_touch_at_a_corner_only_are_two() -> None:
    """Ground that meets in a point is no one piece to walk."""
    labels, counts = connected_parts(np.array([[1, 0, 2], [0, 1, 2], [1, 1, 1]], np.uint8))
    assert labels.tolist() == [[1, 0, 3], [0, 2, 3], [2, 2, 2]]
    assert counts == [2, 1]


def test_a_site_of_many_rows_is_numbered_as_one() -> None:
    """A strip that runs through all blocks of rows that are worked on at once is one piece."""
    kind = np.zeros((1500, 1200), np.uint8)
    kind[:, 700] = 1
    kind[::10, 300:600] = 3
    labels, counts = connected_parts(kind)
    assert counts == [1, 0, 150]
    assert (labels[:, 700] == 1).all()
    assert labels[1490, 599] == 151
