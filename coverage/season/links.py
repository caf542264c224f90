"""Finds linked into groups by how near they lie, for many layouts of the same finds at once."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from fieldcomb.coverage.gear.receivers import R95_SIGMAS
from fieldcomb.coverage.raster.cells import Indices
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

LEAST_LINKED = 3  # two finds side by side are no group


@dataclass(frozen=True, slots=True, eq=False)
class FindPlaces:
    """Where finds lie, in site metres; arrays (n,) in the same order.

    recording : number of the one that each was found in; two in one share most of their error.
    sigma_m : of that receiver on each axis.
    """

    x_m: Floats
    y_m: Floats
    recording: Indices
    sigma_m: Floats

    def __len__(self) -> int:
        """How many finds there are."""
        return int(self.x_m.size)

    def only(self, kept: Indices) -> FindPlaces:
        """Return some of the finds."""
        return FindPlaces(self.x_m[kept], self.y_m[kept], self.recording[kept], self.sigma_m[kept])


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Groups of linked finds, of which each has three or more.

    layout : (g,) which layout each group is in. count : (g,) how many finds. longest_m : (g,) the longest link that the
    group allows. members : (m,) numbers of places, group after group.
    """

    layout: Indices
    count: Indices
    longest_m: Floats
    members: Indices

    @property
    def starts(self) -> Indices:
        """Where the members of each group begin."""
        return np.cumsum(self.count) - self.count


def between_m(scale_m: float, sigma_m: float) -> float:
    """How far apart two finds of different recordings may be shown and still be linked: the error of both counts."""
    return max(scale_m, R95_SIGMAS * math.sqrt(2) * sigma_m)


@dataclass(frozen=True, slots=True, eq=False)
class Layouts:
    """Finds in many layouts side by side, and every pair of them that may be linked at some scale.

    x, y : (layouts * n,) places, layout after layout. one, other : numbers of places. apart_m : between them.
    error_m : up to which the two are linked at any scale, since their recordings differ; 0 in one recording.
    """

    count: int  # finds in one layout
    x: Floats
    y: Floats
    one: Indices
    other: Indices
    apart_m: Floats
    error_m: Floats


def lay_side_by_side(places: FindPlaces, x_m: Floats, y_m: Floats, scale_m: float) -> Layouts:
    """Lay layouts beside each other, so far apart that none is linked with the next, and pair what is near.

    places : the finds, for their recordings. x_m, y_m : (layouts, n) where each lies in each layout.
    scale_m : the largest at which they will be linked.
    """
    from scipy.spatial import cKDTree

    layouts, count = x_m.shape
    sigma_m = float(places.sigma_m.max()) if np.ptp(places.recording) else 0.0
    farthest_m = between_m(scale_m, sigma_m)
    left = float(x_m.min())
    width = float(x_m.max()) - left + 2 * farthest_m
    points = np.column_stack(((x_m + width * np.arange(layouts)[:, None]).ravel(), y_m.ravel()))
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    one, other = tree.query_pairs(farthest_m, output_type="ndarray").T
    apart = np.hypot(*(points[one] - points[other]).T)
    first, second = one % count, other % count
    error = R95_SIGMAS * math.sqrt(2) * np.maximum(places.sigma_m[first], places.sigma_m[second])
    error[places.recording[first] == places.recording[second]] = 0.0
    return Layouts(count, x_m.ravel(), y_m.ravel(), one, other, apart, error)


def link(laid: Layouts, scale_m: float, least: int = LEAST_LINKED) -> Groups:
    """Link finds that lie nearer than a scale, or of two recordings nearer than their errors, into groups.

    least : finds that a group must have to be kept.
    """
    allowed = np.maximum(laid.error_m, scale_m)
    near = laid.apart_m < allowed
    one, other = laid.one[near], laid.other[near]
    label = labels(one, other, laid.x.size)
    size = np.bincount(label)
    longest = np.zeros(size.size)
    np.maximum.at(longest, label[one], allowed[near])
    nodes = np.flatnonzero(size[label] >= least)
    nodes = nodes[np.argsort(label[nodes], kind="stable")]
    kept = np.flatnonzero(size >= least)
    count = size[kept].astype(np.int64)
    first = nodes[np.cumsum(count) - count]
    return Groups(first // laid.count, count, longest[kept], nodes)


def labels(one: Indices, other: Indices, count: int) -> Indices:
    """Number of the group of each of ``count`` things, from 0, which these pairs join."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = coo_array((np.ones(len(one), np.int8), (one, other)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def joined(one: Indices, other: Indices, count: int, least: int) -> list[list[int]]:
    """Groups of ``least`` or more of ``count`` things that these pairs join, each in rising order.

    >>> joined(np.array([0, 4]), np.array([2, 3]), 5, 2)
    [[0, 2], [3, 4]]
    """
    label = labels(one, other, count)
    groups = [np.flatnonzero(label == number).tolist() for number in np.flatnonzero(np.bincount(label) >= least)]
    return sorted(groups)


def widened_m2(laid: Layouts, groups: Groups, which: NDArray[np.bool_]) -> Floats:
    """Area of the convex hull of some groups, widened by half the longest link: A + P r + pi r² (Steiner's formula)."""
    of = np.repeat(np.arange(which.size), groups.count)
    members = groups.members[which[of]]
    numbered = np.repeat(np.arange(int(which.sum())), groups.count[which])
    hulls = shapely.convex_hull(
        shapely.multipoints(np.column_stack((laid.x[members], laid.y[members])), indices=numbered)
    )
    around = shapely.length(hulls)
    around = np.where(shapely.get_type_id(hulls) == shapely.GeometryType.LINESTRING, 2 * around, around)
    by_m = groups.longest_m[which] / 2
    return np.asarray(shapely.area(hulls) + around * by_m + np.pi * by_m**2)
