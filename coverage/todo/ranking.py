"""Ranks the ground that is still to do, for each coil of the user's, from what all outings have left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.gear.own_coil import OwnCoil
from fieldcomb.coverage.ground.tally import Mask, Tally, crosswise
from fieldcomb.coverage.todo.junk import DUG, NOT_MEASURED
from fieldcomb.coverage.todo.losses import (
    DEEP,
    FAST,
    JUNK,
    LOST,
    NEVER,
    NOT_DUG,
    ONE_WAY,
    Losses,
    Patch,
    main_reason,
    patches,
    say_reason,
    searchable,
    worth_it,
)
from fieldcomb.coverage.todo.masking import alone, footprint_m2
from fieldcomb.coverage.todo.remaining import Ledger
from fieldcomb.coverage.todo.results import TodoCoil, TodoPiece
from fieldcomb.tracks.recording import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Bare:
    """Shares of each coarse cell that no pass was counted on, of it not recorded, and swept in one direction only.

    by_passes : bare by the passes alone; ``bare`` is more where a missed strip is told.
    """

    bare: Floats
    by_passes: Floats
    gone: Floats
    one_way: Floats
    usable: Mask

    @property
    def kept(self) -> Floats:
        """Share of the ground that passes swept which is still taken for swept."""
        swept = 1 - self.by_passes
        return np.divide(1 - self.bare, swept, out=np.ones_like(swept), where=swept > 0)

    def with_strips(self, chance: Floats) -> Bare:
        """Take in the chance that a missed strip is there: ground that the report tells of is ground to do."""
        return replace(self, bare=np.maximum(self.bare, chance))


def bare_ground(ledger: Ledger, tally: Tally) -> Bare:
    """Tell the ground that was not swept, or in one direction only; before the bearings of the tally are forgotten."""
    whole = ledger.coarse.whole
    # Strips that a receiver cannot place are not taken as drawn: what counts is the chance that nobody passed there.
    bare = ledger.bare if ledger.any_drawn else whole(tally.passes == 0)
    one_way = whole(_one_way(tally)) if ledger.settings.crosswise else np.zeros_like(bare)
    gone = np.minimum(whole(tally.not_recorded & (tally.passes == 0)), bare)
    usable = (ledger.coarse.cells > 0) & (whole(tally.said_walked()) < 0.5)
    return Bare(bare, bare, gone, one_way, usable)


def rank_ground(ledger: Ledger, found: Bare, told: Floats) -> tuple[TodoCoil, ...]:
    """Rank the ground for each coil; ``told`` is the chance of a missed strip on each of the cells of chances."""
    if ledger.any_drawn:
        found = found.with_strips(ledger.chances.onto(told, ledger.coarse.grid))
    allowed = _allowed(ledger)
    return tuple(_for_coil(one, ledger, found, allowed) for one in ledger.own)


def _allowed(ledger: Ledger) -> BaseGeometry:
    areas = ledger.ground.areas
    no_go, blocked = ([area.shape for area in areas if area.kind == kind] for kind in ("no-go", "blocked"))
    stand_off_m = max(ledger.settings.stand_off_m, ledger.r95_m)
    return searchable(ledger.ground.shape, no_go, blocked, stand_off_m)


def losses_of(one: OwnCoil, ledger: Ledger, found: Bare) -> Losses:
    """Tell why targets are left that a coil would hear alone now."""
    settings, foot = ledger.settings, footprint_m2(one.coil.width_m, one.coil.length_m)
    heard = alone(ledger.met, foot)
    full, dug, deep, slow = (
        remaining.open_to(foot, ledger.met)
        for remaining in (ledger.left, ledger.had_dug, ledger.had_reached, ledger.had_time)
    )
    never, lost = (found.bare - found.gone) * heard, found.gone * heard
    kept = found.kept
    parts = {
        NEVER: never,
        LOST: lost * (1 - settings.not_recorded),
        JUNK: np.maximum(slow - found.by_passes * heard, 0) * kept,
        FAST: np.maximum(deep - slow, 0) * kept,
        DEEP: np.maximum(dug - deep, 0) * kept,
        NOT_DUG: np.maximum(full - dug, 0) * kept,
        ONE_WAY: found.one_way * settings.crosswise * heard,
    }
    reaches = ledger.hears(one)
    return Losses({reason: share * reaches for reason, share in parts.items()}, ledger.usual_left)


def _for_coil(one: OwnCoil, ledger: Ledger, found: Bare, allowed: BaseGeometry) -> TodoCoil:
    rate, own_pace = ledger.m2_per_minute(one)
    losses = losses_of(one, ledger, found)
    gain = losses.open_to_it.ravel() * ledger.chance(one)
    mask = found.usable & worth_it(losses, ledger.settings)
    ground = patches(mask, main_reason(losses), ledger.coarse.grid, allowed, ledger.settings.least_m2)
    made = [(float(gain[patch.cells].mean()), patch) for patch in ground]
    made.sort(key=lambda pair: (-round(pair[0], 9), -pair[1].shape.area))
    listed = tuple(_piece(one, rank, mean, patch, ledger, rate, found) for rank, (mean, patch) in enumerate(made, 1))
    area_m2 = sum(piece.area_m2 for piece in listed)
    by_reason: dict[str, float] = {}
    for piece in listed:
        by_reason[piece.reason] = by_reason.get(piece.reason, 0.0) + piece.area_m2
    mostly = max(by_reason, key=lambda reason: by_reason[reason]) if by_reason else ""
    return TodoCoil(one.coil.name, rate, own_pace, area_m2, _minutes(area_m2, rate), mostly, listed)


def _minutes(area_m2: float, rate: float | None) -> float | None:
    return None if rate is None else area_m2 / rate


def _piece(
    one: OwnCoil, rank: int, gain: float, patch: Patch, ledger: Ledger, rate: float | None, found: Bare
) -> TodoPiece:
    name, shape = one.coil.name, patch.shape
    junk, error = _junk_in(patch.cells, ledger)
    point = shape.representative_point()
    lon, lat = ledger.frame.to_lonlat([point.x], [point.y])
    heard = ledger.heard_places()
    return TodoPiece(
        id=f"{name} {rank}",
        coil=name,
        rank=rank,
        reason=say_reason(patch.reason, ledger.used_in(patch.cells)),
        area_m2=float(shape.area),
        minutes=_minutes(float(shape.area), rate),
        gain_per_100_m2=gain,
        gain_per_hour=None if rate is None else gain * rate * 60 / 100,
        junk_per_m2=junk,
        junk_error_per_m2=error,
        heard_not_dug=int(shapely.contains_xy(shape, heard[:, 0], heard[:, 1]).sum()),
        centre=(float(lon[0]), float(lat[0])),
        shape=shape,
        unswept_pct=100 * float(found.bare.ravel()[patch.cells].mean()),
    )


def _junk_in(cells: NDArray[np.intp], ledger: Ledger) -> tuple[float | None, float | None]:
    """Mean junk there now, and two sigma; None where most was not counted: what was dug is only a lower bound."""
    source = ledger.then.source.ravel()[cells]
    known = cells[(source != NOT_MEASURED) & (source != DUG)]
    if 2 * len(known) < len(cells):
        return None, None
    return float(ledger.met.ravel()[known].mean()), 2 * float(ledger.then.sd_per_m2.ravel()[known].mean())


def _one_way(tally: Tally) -> Mask:
    """Cells that were swept, and in no second direction."""
    out = tally.passes > 0
    for row in range(0, out.shape[0], 256):
        part = slice(row, row + 256)
        out[part] &= ~crosswise(tally.bearings[part])
    return np.asarray(out)
