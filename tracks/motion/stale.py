"""Stale fixes: those far from all others, such as the place where a receiver was last switched off, or 0, 0."""

import numpy as np

from fieldcomb.tracks.recording import Flags, Floats, Int32s

STALE_APART_M = 1000.0  # fixes with no other between them over such a way are apart
# Chosen for this project: what is no searched ground of its own, so far away.
ONE_PLACE_M = 20.0
FEW_FIXES = 10
JUMP_M_S = 100.0
PLACE_M = 2.0  # ground is counted in squares of this side


def find_stale(t_s: Floats, x_m: Floats, y_m: Floats) -> Flags:
    """Fixes more than 1 to 2 km from the ground of the walk that are no ground of their own, however many they are.

    The ground of the walk is that with at least half of all places; where there is none, no fix is stale. Elsewhere
    fixes are stale when they are all in one place, when they are few, or when every way there and back is a jump at
    more than 100 m/s. What was walked between, such as a ride, joins places into one ground.

    t_s, x_m, y_m : (n,) in the order recorded. Without a clock for all fixes no pace is looked at.
    """
    stale = np.zeros(x_m.size, bool)
    group = _groups(x_m, y_m)
    if x_m.size == 0 or group.max() == 0:
        return stale
    places = np.unique(np.stack([group, np.floor(x_m / PLACE_M), np.floor(y_m / PLACE_M)]), axis=1)
    ground = np.bincount(places[0].astype(int))
    main = int(ground.argmax())
    if ground[main] < 2 or 2 * ground[main] < ground.sum():
        return stale
    for number in range(ground.size):
        here = group == number
        if number == main:
            continue
        one_place = np.hypot(np.ptp(x_m[here]), np.ptp(y_m[here])) <= ONE_PLACE_M
        if one_place or here.sum() <= FEW_FIXES or _jumped_to(here, t_s, x_m, y_m):
            stale |= here
    return stale


def _groups(x_m: Floats, y_m: Floats) -> Int32s:
    """Number the grounds apart: squares of 1 km that touch are one ground."""
    square = np.floor(np.stack([x_m, y_m], axis=1) / STALE_APART_M).astype(np.int64)
    entered = np.ones(x_m.size, bool)  # sorting the squares as they were entered costs less than those of all fixes
    entered[1:] = (square[1:] != square[:-1]).any(axis=1)
    first = np.flatnonzero(entered)
    squares, of_first = np.unique(square[first], axis=0, return_inverse=True)
    number = {(int(col), int(row)): -1 for col, row in squares}
    count = 0
    for start in number:
        waiting = [start] if number[start] < 0 else []
        while waiting:
            col, row = waiting.pop()
            if number[col, row] < 0:
                number[col, row] = count
                around = ((col + i, row + j) for i in (-1, 0, 1) for j in (-1, 0, 1))
                waiting += [square for square in around if number.get(square, 0) < 0]
        count += number[start] == count
    lasting = np.diff(first, append=x_m.size)
    return np.array(list(number.values()), np.int32)[np.repeat(of_first.reshape(-1), lasting)]


def _jumped_to(here: Flags, t_s: Floats, x_m: Floats, y_m: Floats) -> bool:
    """Whether every step between these fixes and others is faster than anybody travels."""
    if not np.isfinite(t_s).all():
        return False
    step = np.flatnonzero(here[1:] != here[:-1])
    way_m = np.hypot(np.diff(x_m)[step], np.diff(y_m)[step])
    return bool((way_m > JUMP_M_S * np.abs(np.diff(t_s)[step])).all())
