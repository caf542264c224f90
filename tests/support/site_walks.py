"""Sites as they are really searched, in one recording or several, with the share of the ground that was truly swept.

Between the ground that was walked and the boundary lies a rim of up to 2 m that nobody walked. Blocks of one site lap
over each other or leave a gap. Errors are those of a simulated class of receiver, or a real receiver's series.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path as FilePath
from types import MappingProxyType

import numpy as np
import shapely
from drift_walks import (
    DriftWalk,
    Errors,
    Evenness,
    cut_across,
    evenness,
    field,
    long_way,
    uneven_lanes,
    walked,
)
from numpy.typing import NDArray
from shapely.geometry import Polygon
from truth import points_in, searching, swept_at
from walk_paths import STEP_M, Path
from walker import gauss_markov, spiral, uniform, wander

Floats = NDArray[np.float64]

ONE = ("lanes", "ragged", "straight", "crosswise", "wandering", "winding", "spiral")
SEVERAL = (
    "two blocks",
    "four blocks",
    "six blocks",
    "thirds on three days",
    "crosswise on a second day",
    "same block again",
    "block and crossing block",
    "team of four",
    "season of eight",
    "lanes left out",
    "wandering three times",
)
HECTARES = {1: (0.1, 0.35), 2: (0.15, 0.4)}  # one recording, several
DAY_S = 86_400.0
WIDEST_RIM_M = 2.0
SEAM_M = (-1.0, 2.0)  # blocks lap over each other by 1 m, up to leaving 2 m between them
PLACES_M = 0.25
SPACING_STEP = 2  # samples of a true walk


@dataclass(frozen=True, slots=True, eq=False)
class SiteWalks:
    """Recordings of one site, in order of time; the share truly swept by all, and how wide the unwalked rim is."""

    name: str
    field: Polygon
    walks: tuple[DriftWalk, ...]
    true_pct: float
    rim_m: float


@dataclass(slots=True, eq=False)
class _Searcher:
    """Walks parts of a field in one person's manner."""

    area: Polygon
    gps: str
    rng: np.random.Generator
    errors: Errors | None
    even: Evenness
    spacing_m: float
    swath_m: float
    bearing_deg: float

    def lanes(
        self,
        part: Polygon,
        turn_deg: float = 0.0,
        wider: float = 1.0,
        left_out: Mapping[int, float] = MappingProxyType({}),
    ) -> Path:
        """Lanes over a part of the field; turned from the main bearing, wider apart, and with ground left out."""
        return uneven_lanes(part, self.spacing_m * wider, self.bearing_deg + turn_deg, self.even, self.rng, left_out)

    def record(self, kind: str, *paths: Path, swath_m: float | None = None) -> DriftWalk:
        """One recording of some paths."""
        return walked(kind, self.gps, self.area, list(paths), swath_m or self.swath_m, self.rng, self.errors)


def draw_site(name: str, seed: int, gps: str = "typical", errors: Errors | None = None) -> SiteWalks:
    """Draw a site of ``ONE`` or ``SEVERAL``; the same numbers, the same site."""
    rng = np.random.default_rng([seed, *name.encode()])
    area = field(rng, HECTARES[1 if name in ONE else 2])
    rim_m = uniform(rng, 0.0, WIDEST_RIM_M)
    kind = name if name in ("ragged", "straight") else "lanes"
    spacing_m = 1.5 * math.exp(0.12 * float(rng.standard_normal()))
    bearing = long_way(area) + uniform(rng, -12, 12)
    who = _Searcher(area, gps, rng, errors, evenness(kind, rng), spacing_m, uniform(rng, 1.25, 1.75), bearing)
    inner = area.buffer(-rim_m, join_style="mitre")
    walks = _one(name, who, inner) if name in ONE else _several(name, who, inner)
    later = [replace(walk, fixes=replace(walk.fixes, t_s=walk.fixes.t_s + k * DAY_S)) for k, walk in enumerate(walks)]
    places = points_in(area, PLACES_M)
    swept = np.logical_or.reduce([swept_at(walk.walk, walk.swath_m, places) for walk in walks])
    return SiteWalks(name, area, tuple(later), 100 * float(swept.mean()), rim_m)


def _one(name: str, who: _Searcher, inner: Polygon) -> list[DriftWalk]:
    rng = who.rng
    if name == "crosswise":
        wide = uniform(rng, 1.0, 1.6)
        return [who.record(name, who.lanes(inner, 0.0, wide), who.lanes(inner, 90.0, wide))]
    if name in ("wandering", "winding"):
        return [_wandering(who, inner, uniform(rng, 0.5, 1.5), winding=name == "winding")]
    if name == "spiral":
        size_m = 0.46 * math.sqrt(inner.area)
        stretch = uniform(rng, 0.9, 1.2)
        x, y = spiral((0.0, 0.0), (size_m * stretch, size_m / stretch), who.spacing_m, rng)
        return [who.record(name, (x, y))]
    return [who.record(name, who.lanes(inner))]


def _wandering(who: _Searcher, part: Polygon, effort: float, *, winding: bool) -> DriftWalk:
    """From one fresh place to another, or winding about without any aim."""
    length_m = part.area / who.swath_m * effort
    start = part.representative_point()
    path = wind(part, length_m, who.rng) if winding else wander(part, length_m, who.rng, start=(start.x, start.y))
    return who.record("wandering", path)


def wind(area: Polygon, length_m: float, rng: np.random.Generator) -> Path:
    """A path that bends at random, with a radius of 3 to 8 m mostly, and is thrown back at the edge of an area."""
    bend, stays_m = 1 / uniform(rng, 3.0, 8.0), uniform(rng, 3.0, 8.0)
    count = math.ceil(length_m / STEP_M)
    bends = bend * gauss_markov(STEP_M * np.arange(count), 1.0, stays_m, rng)
    shapely.prepare(area)
    middle = area.centroid
    x, y = np.empty(count), np.empty(count)
    at, heading = (middle.x, middle.y), uniform(rng, 0, 2 * math.pi)
    for k, more in enumerate(bends.tolist()):
        heading += more * STEP_M
        ahead = at[0] + STEP_M * math.cos(heading), at[1] + STEP_M * math.sin(heading)
        if not area.contains(shapely.Point(ahead)):
            heading = math.atan2(middle.y - at[1], middle.x - at[0]) + uniform(rng, -1.2, 1.2)
            ahead = at[0] + STEP_M * math.cos(heading), at[1] + STEP_M * math.sin(heading)
        x[k], y[k] = at = ahead
    return x, y


def _several(name: str, who: _Searcher, inner: Polygon) -> list[DriftWalk]:
    rng, record = who.rng, partial(who.record, "lanes")
    along = partial(_parts, inner, who.bearing_deg, rng)
    if name in ("two blocks", "thirds on three days", "team of four"):
        count = {"two blocks": 2, "thirds on three days": 3}.get(name, 4)
        return [record(who.lanes(part)) for part in along(count)]
    if name in ("four blocks", "six blocks"):
        columns = along(2 if name == "four blocks" else 3)
        blocks = [b for part in columns for b in _parts(part, who.bearing_deg + 90, rng, 2)]
        return [record(who.lanes(block, 90.0 * (rng.random() < 0.3))) for block in blocks]
    if name == "crosswise on a second day":
        return [record(who.lanes(inner)), record(who.lanes(inner, 90.0))]
    if name == "same block again":
        block = cut_across(cut_across(inner, who.bearing_deg, 0.0, 0.5), who.bearing_deg + 90, 0.0, 0.6)
        return [record(who.lanes(block)) for _ in range(2)]
    if name == "block and crossing block":
        first = cut_across(inner, who.bearing_deg, 0.0, 0.6)
        second = cut_across(inner, who.bearing_deg + 90, 0.0, 0.55)
        return [record(who.lanes(first)), record(who.lanes(second, 90.0))]
    if name == "wandering three times":
        return [_wandering(who, inner, uniform(rng, 0.3, 0.7), winding=k > 0) for k in range(3)]
    if name == "lanes left out":
        count = int(who.area.area**0.5 / who.spacing_m)
        at = {int(count * uniform(rng, 0.25, 0.75)): who.spacing_m * float(rng.integers(1, 4))}
        halves = along(2)
        return [record(who.lanes(halves[0], left_out=at)), record(who.lanes(halves[1]))]
    return _season(who, inner)


def _season(who: _Searcher, inner: Polygon) -> list[DriftWalk]:
    """Eight evenings with three coils: half of the field in blocks, then across some of it, and a wander."""
    rng = who.rng
    swaths_m = [who.swath_m * by for by in (0.8, 1.0, 1.2)]
    parts = _parts(inner, who.bearing_deg, rng, 5)
    walks = [who.record("lanes", who.lanes(part), swath_m=swaths_m[k % 3]) for k, part in enumerate(parts)]
    for k, (low, high) in enumerate(((0.0, 0.35), (0.3, 0.6))):
        across = cut_across(inner, who.bearing_deg + 90, low, high)
        walks.append(who.record("lanes", who.lanes(across, 90.0), swath_m=swaths_m[k]))
    middle = cut_across(inner, who.bearing_deg, 0.3, 0.7)
    return [*walks, _wandering(who, middle, uniform(rng, 0.3, 0.7), winding=True)]


def _parts(area: Polygon, bearing_deg: float, rng: np.random.Generator, count: int) -> list[Polygon]:
    """Cut a field across into strips that lap over, or leave a gap between them."""
    bearing = math.radians(bearing_deg)
    across_m = float(np.ptp(np.array(area.exterior.coords) @ [math.cos(bearing), -math.sin(bearing)]))
    half = uniform(rng, *SEAM_M) / 2 / across_m
    edges = np.linspace(0, 1, count + 1)
    inside = [(k > 0, k < count - 1) for k in range(count)]
    return [
        cut_across(area, bearing_deg, edges[k] + half * low, edges[k + 1] - half * high)
        for k, (low, high) in enumerate(inside)
    ]


def spacings_m(walk: DriftWalk, count: int, rng: np.random.Generator, sd_m: float = 0.05) -> list[float]:
    """Spacings between lanes as the walker measures them: from a place on one lane to the next pass abeam of it.

    The first pass on a parallel course within 5 m, after 3 m of way or more. Nobody measures in a turn.
    """
    here = searching(walk.walk)
    x, y = (np.asarray(v)[here][::SPACING_STEP] for v in (walk.walk.x_m, walk.walk.y_m))
    moved = np.hypot(np.diff(x), np.diff(y)) > 1e-6
    x, y = x[1:][moved], y[1:][moved]
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    before, after = (np.clip(np.searchsorted(way, way + by), 0, way.size - 1) for by in (-4.0, 4.0))
    heading = np.arctan2(y[after] - y[before], x[after] - x[before])
    straight = np.hypot(y[after] - y[before], x[after] - x[before]) > 0.95 * (way[after] - way[before])
    found: list[float] = []
    for place in rng.permutation(np.flatnonzero(straight))[: 20 * count].tolist():
        later = np.flatnonzero(way > way[place] + 3.0)
        ahead = (x[later] - x[place]) * math.cos(heading[place]) + (y[later] - y[place]) * math.sin(heading[place])
        across = (y[later] - y[place]) * math.cos(heading[place]) - (x[later] - x[place]) * math.sin(heading[place])
        abeam = (ahead[:-1] * ahead[1:] <= 0) & (np.abs(across[:-1]) < 5.0)
        abeam &= np.abs(np.cos(heading[later[:-1]] - heading[place])) > 0.9
        if abeam.any():
            found.append(abs(float(across[int(np.argmax(abeam))])) + sd_m * float(rng.standard_normal()))
        if len(found) == count:
            break
    return [max(across, 0.2) for across in found]


def real_errors(folder: FilePath) -> dict[str, Errors]:
    """Errors of real receivers by name: files .npz with ``err_cm``, int16 (n, 2), a row a second, east and north.

    A walk takes a piece from a random place, turned and mirrored at random; a series that is too short is mirrored at
    its end.
    """
    return {path.stem: partial(_piece, np.load(path)["err_cm"] / 100.0) for path in sorted(folder.glob("*.npz"))}


def _piece(series: Floats, count: int, rng: np.random.Generator) -> Floats:
    there_and_back = np.concatenate([series, series[::-1]])
    start = int(rng.integers(there_and_back.shape[0]))
    off = there_and_back[(start + np.arange(count)) % there_and_back.shape[0]]
    angle = uniform(rng, 0, 2 * math.pi)
    turned = off @ np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    return turned * [1.0, 1.0 if rng.random() < 0.5 else -1.0]
