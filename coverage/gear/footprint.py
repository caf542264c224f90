"""How much ground a coil hears at a depth: a model of two wire loops, not of any real coil.

What is assumed: a small target, flat loops of thin wire, and soil that does nothing. The response to a small target is
B_tx . B_rx there: what the transmit loop does to it, and what the receive loop would do if it were driven
(reciprocity). `reach` is how deep below the coil the target that matters is just heard on the axis; the response there
is the threshold, and the footprint at a depth is where the response is at least that.

    concentric   the transmit loop is the coil's outline, an ellipse; the receive loop has half its size and its centre
    dd           two loops like a D and its mirror image, each the outline cut by a straight line across the coil, so
                 that they overlap along the middle by 0.08 of the width

The overlap is where, in this model, a D receives nothing of the other: worked out for round and long coils with wires
1 to 4 % of the width apart, 0.06 to 0.09. A footprint is never wider or longer than the coil, and only what hangs
together with the axis counts. Signs do not (|B . B|): where the response changes its sign, it is silent along a thin
line; a gap up to 2 cm, the size of a coin, does not end the footprint. A long dd coil is silent on its axis at one
depth too, and hears below it again: the coil moves, so what it hears deeper it hears above as well, and a footprint is
never smaller than one below it.
"""

import math
from functools import lru_cache

import numpy as np

from fieldcomb.coverage.gear.coils import WINDINGS
from fieldcomb.coverage.gear.loop_field import polygon_field
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.tracks.recording import Floats

RECEIVE_SIZE = 0.5  # of the transmit loop of a concentric coil; chosen for this project
OVERLAP = 0.08  # of the width of a dd coil
BRIDGE_M = 0.02
SIDES = 120  # of the polygon that stands for an ellipse
SAMPLES = 120  # from the axis to the rim
LAYERS = 32  # depths down to the reach that are looked at: of 16 the longest was missed by up to 0.2 % of the coil
SHALLOWEST = 0.02  # of the coil's size: nearer to it the wires themselves would be seen


def usual_reach_m(width_m: float, length_m: float) -> float:
    """One coil diameter (common practice, no source); for a long coil that of a round one with its area."""
    return math.sqrt(width_m * length_m)


def reach_m(swing: Swing) -> float:
    """How deep below the coil the target that matters is just heard, in metres; one coil diameter if not typed."""
    return usual_reach_m(swing.coil.width_m, swing.coil.length_m) if swing.reach_m is None else swing.reach_m


def reach_in_soil_m(swing: Swing) -> float:
    """How deep that is below the soil; below 0 when the coil was carried too high."""
    return reach_m(swing) - swing.lift_m


def heard_size_m(swing: Swing, depth_m: float | None) -> tuple[float, float]:
    """Width and length in metres of the ground heard at a depth below the soil; without a depth those of the coil."""
    coil = swing.coil
    if depth_m is None:
        return coil.width_m, coil.length_m
    return footprint_m(coil.width_m, coil.length_m, coil.winding, depth_m + swing.lift_m, reach_m(swing))


@lru_cache(maxsize=256)
def footprint_m(
    width_m: float, length_m: float, winding: str, depth_m: float, reach_m: float | None = None
) -> tuple[float, float]:
    """Width and length in metres of the ground that a coil hears at a depth below it.

    width_m, length_m : the coil, left to right and fore and aft.
    winding : dd or concentric.
    depth_m : from the coil down, so the lift above the soil is in it. At 0 the footprint is the coil itself.
    reach_m : how deep the target that matters is just heard on the axis; one coil diameter if not given.

    Returns width and length, along the two axes of the coil; both 0 from the reach on.
    """
    if winding not in WINDINGS:
        raise ValueError(f"winding {winding!r} is not known; {', '.join(WINDINGS)} were expected")
    reach = usual_reach_m(width_m, length_m) if reach_m is None else reach_m
    if depth_m >= reach:
        return 0.0, 0.0
    if depth_m <= 0:
        return width_m, length_m
    deep = max(depth_m, SHALLOWEST * min(width_m, length_m))
    least = response(width_m, length_m, winding, np.array([[0.0, 0.0, -max(reach, deep)]]))[0]
    depths = [deep, *(d for d in np.linspace(0, reach, LAYERS, endpoint=False) if d > deep)]
    extents = [0.0, 0.0]
    for axis, rim in enumerate((width_m / 2, length_m / 2)):
        for depth in depths:
            extents[axis] = max(extents[axis], _extent_m(width_m, length_m, winding, depth, least, axis))
            if extents[axis] == rim:
                break
    return 2 * extents[0], 2 * extents[1]


def response(width_m: float, length_m: float, winding: str, at_m: Floats) -> Floats:
    """|B_tx . B_rx| for a current of 1 A in both, in T^2, at places (k, 3): right, forward and up from the centre."""
    transmit, receive = _loops(width_m, length_m, winding)
    sent = polygon_field(transmit, at_m)
    heard = polygon_field(receive, at_m)
    return np.asarray(np.abs((sent * heard).sum(axis=1)))


def _extent_m(width_m: float, length_m: float, winding: str, depth_m: float, least: float, axis: int) -> float:
    """How far from the axis the response stays above a threshold, along one axis of the coil and not beyond its rim."""
    rim = (width_m, length_m)[axis] / 2
    away = np.linspace(0.0, rim, SAMPLES + 1)
    at = np.zeros((away.size, 3))
    at[:, axis], at[:, 2] = away, -depth_m
    loud = response(width_m, length_m, winding, at) / least
    far = np.flatnonzero(loud >= 1)
    if far.size == 0:
        return 0.0
    torn = np.flatnonzero(np.diff(np.append(-1, far)) * (rim / SAMPLES) > BRIDGE_M + rim / SAMPLES)
    last = int(far[torn[0] - 1]) if torn.size and torn[0] else 0 if torn.size else int(far[-1])
    if last == SAMPLES:
        return rim
    part = (loud[last] - 1) / (loud[last] - loud[last + 1]) if loud[last] > 1 > loud[last + 1] else 0.0
    return float(away[last] + part * (away[last + 1] - away[last]))


@lru_cache(maxsize=64)
def _loops(width_m: float, length_m: float, winding: str) -> tuple[Floats, Floats]:
    """Corners (n, 3) of the transmit and the receive loop."""
    outline = _arc(width_m, length_m, 0.0)
    if winding == "concentric":
        return outline, outline * RECEIVE_SIZE
    left = _arc(width_m, length_m, math.acos(OVERLAP))
    return left, (left * [-1.0, 1.0, 1.0])[::-1]  # mirrored, and so turned about once more


def _arc(width_m: float, length_m: float, open_rad: float) -> Floats:
    """The ellipse from ``open_rad`` round to its mirror; closing it cuts off what lies to the right."""
    turn = np.linspace(open_rad, 2 * math.pi - open_rad, SIDES, endpoint=open_rad > 0)
    return np.column_stack([width_m / 2 * np.cos(turn), length_m / 2 * np.sin(turn), np.zeros(turn.size)])
