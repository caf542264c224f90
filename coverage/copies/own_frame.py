"""Metres from a site's own corner, which say nothing of where on earth it is, nor, when turned, which way is north."""

import math

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

Ring = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class OwnFrame:
    """Site metres turned, counted to the right and up from the corner of the ground.

    cos, sin : of the angle by which ground is turned. left_m, bottom_m : the corner in turned metres.
    wide_m, high_m : how far the ground reaches from it.
    """

    cos: float
    sin: float
    left_m: float
    bottom_m: float
    wide_m: float
    high_m: float

    def from_site(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
        """Site metres as metres from the corner; shape kept."""
        right = x_m * self.cos + y_m * self.sin - self.left_m
        up = y_m * self.cos - x_m * self.sin - self.bottom_m
        return right, up


def own_frame(shape: BaseGeometry, north_up: bool) -> OwnFrame:
    """Return metres from the corner of some ground, turned to lie along its longest side unless north stays up.

    Turned ground has its bulk to the left, so that the two ways in which it could lie give one drawing.
    """
    hull = shape.convex_hull
    angle = 0.0 if north_up else _long_side_rad(hull)
    corners = shapely.get_coordinates(hull)
    cos, sin = math.cos(angle), math.sin(angle)
    turned = corners @ np.array([[cos, -sin], [sin, cos]])
    left, bottom = (float(v) for v in turned.min(axis=0))
    right, top = (float(v) for v in turned.max(axis=0))
    if not north_up:
        middle = shape.centroid
        if middle.x * cos + middle.y * sin > (left + right) / 2:
            return OwnFrame(-cos, -sin, -right, -top, right - left, top - bottom)
    return OwnFrame(cos, sin, left, bottom, right - left, top - bottom)


def _long_side_rad(hull: BaseGeometry) -> float:
    """Direction of the longest side of the smallest rectangle round a shape, counter-clockwise from east."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(hull))
    steps = np.diff(corners, axis=0)
    if not len(steps):
        return 0.0
    x, y = steps[int(np.argmax(np.round(np.hypot(*steps.T), 6)))]
    return math.atan2(float(y), float(x))


def own_rings(shape: BaseGeometry, frame: OwnFrame, step_m: int) -> tuple[Ring, ...]:
    """Return the edges of a shape in whole steps of metres from the corner, without corners that repeat."""
    rings = []
    for polygon in shapely.get_parts(shape):
        for ring in (polygon.exterior, *polygon.interiors):
            right, up = frame.from_site(*shapely.get_coordinates(ring).T)
            points = [(step_m * round(a / step_m), step_m * round(b / step_m)) for a, b in zip(right, up, strict=True)]
            kept = [point for n, point in enumerate(points) if n == 0 or point != points[n - 1]]
            if len(set(kept)) > 2:
                rings.append(tuple(kept))
    return tuple(rings)
