"""Ground still to do, ranked for each of the user's coils, from what all outings have left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.estimate.chance import Chance
from fieldcomb.coverage.gear.coils import OwnCoil
from fieldcomb.coverage.ground.pass_tally import PassTally
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.todo.junk import DUG, NOT_MEASURED
from fieldcomb.coverage.todo.losses import (
    CAUSES,
    DEEP,
    FAST,
    JUNK,
    LOST,
    NEVER,
    NOT_DUG,
    ONE_WAY,
    Losses,
    Patch,
    cells_in,
    format_reason,
    main_reason,
    patches,
    searchable,
    worth_it,
)
from fieldcomb.coverage.todo.masking import alone, footprint_m2
from fieldcomb.coverage.todo.remaining import RemainingTargets
from fieldcomb.coverage.todo.results import TodoCoil, TodoPiece
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

LEAST_BARE = 0.4  # of a cell that no receiver placed, to list it as never swept: most of the rest was swept
LOST_SHARE = 0.5  # chance that ground across a drop-out was swept: a coin toss, since it is not known


@dataclass(frozen=True, slots=True, eq=False)
class BareGround:
    """Shares of each coarse cell: not swept, thereof not recorded, and swept in one direction only.

    by_passes : not swept by the passes of single outings; ``share`` is what the chance map says.
    """

    share: Floats
    by_passes: Floats
    gone: Floats
    one_way: Floats
    usable: Mask

    @property
    def kept(self) -> Floats:
        """Share of the ground that passes swept which is still taken for swept."""
        swept = 1 - self.by_passes
        return np.divide(1 - self.share, swept, out=np.ones_like(swept), where=swept > 0)

    def as_told(self, left_out: Floats) -> BareGround:
        """Return the ground as the chance map says that it was left out.

        One story: what the map calls likely swept is no ground to do, and what the report calls missed is.
        """
        return replace(self, share=left_out, gone=np.minimum(self.gone, left_out))


def bare_ground(targets: RemainingTargets, tally: PassTally) -> BareGround:
    """Return the ground not swept, or swept in one direction only; call it while the tally still has its bearings."""
    whole = targets.coarse.whole
    # Strips that a receiver cannot place are not taken as drawn: what counts is the chance that no one passed there.
    bare = targets.bare if targets.any_drawn else whole(tally.passes == 0)
    one_way = whole(tally.one_way()) if targets.settings.crosswise else np.zeros_like(bare)
    gone = np.minimum(whole(tally.lost()), bare)
    # Nobody is sent to ground that others have searched, with or without a recording that counts here.
    searched = tally.said_walked() | tally.swept_by_others()
    usable = (targets.coarse.cells > 0) & (whole(searched) < 0.5)
    return BareGround(bare, bare, gone, one_way, usable)


@dataclass(frozen=True, slots=True, eq=False)
class CoilGains:
    """What one more pass with a coil brings: float64 (rows, cols) on ``grid``, targets if one lay in every 100 m2."""

    coil: str
    swath_m: float
    m2_per_minute: float | None
    gain: Floats
    grid: Grid


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """Ground to do with each coil, what one more pass brings anywhere, and the ground that may be searched at all.

    chance : of each place to be swept; None where it is not known.
    """

    coils: tuple[TodoCoil, ...]
    gains: tuple[CoilGains, ...]
    allowed: BaseGeometry
    chance: Chance | None = None

    def likelier_unswept(self, shape: BaseGeometry) -> bool:
        """Whether most of some ground is likelier left out than swept, as the chance map says; true without one."""
        cells = None if self.chance is None else self.chance.cells.ravel()[cells_in(shape, self.chance.grid)]
        return cells is None or bool(np.nanmean(cells) < 0.5)


def rank_ground(targets: RemainingTargets, bare: BareGround, chance: Chance | None) -> Ranking:
    """Rank the ground for each coil; ``chance`` is that of ``targets.chances`` to be swept, where it is known."""
    if targets.any_drawn and chance is not None:
        left_out = np.nan_to_num(1.0 - chance.cells)
        bare = bare.as_told(targets.chances.resample_to(left_out, targets.coarse.grid))
    allowed = _allowed(targets)
    ranked = [_for_coil(own, targets, bare, allowed) for own in targets.own]
    return Ranking(tuple(coil for coil, _ in ranked), tuple(gains for _, gains in ranked), allowed, chance)


def _allowed(targets: RemainingTargets) -> BaseGeometry:
    areas = targets.ground.areas
    no_go, blocked = ([area.shape for area in areas if area.kind == kind] for kind in ("no-go", "blocked"))
    stand_off_m = max(targets.settings.stand_off_m, targets.r95_m)
    return searchable(targets.ground.shape, no_go, blocked, stand_off_m)


def losses_of(own: OwnCoil, targets: RemainingTargets, bare: BareGround) -> Losses:
    """Return the share of targets that a coil would hear alone now, by the reason why they are left."""
    settings, foot = targets.settings, footprint_m2(own.coil.width_m, own.coil.length_m)
    heard = alone(targets.met, foot)
    full, dug, deep, slow = (
        remaining.open_to(foot, targets.met)
        for remaining in (targets.left, targets.had_dug, targets.had_reached, targets.had_time)
    )
    never, lost = (bare.share - bare.gone) * heard, bare.gone * heard
    kept = bare.kept
    parts = {
        NEVER: never,
        LOST: lost * (1 - LOST_SHARE),
        JUNK: np.maximum(slow - bare.by_passes * heard, 0) * kept,
        FAST: np.maximum(deep - slow, 0) * kept,
        DEEP: np.maximum(dug - deep, 0) * kept,
        NOT_DUG: np.maximum(full - dug, 0) * kept,
        ONE_WAY: bare.one_way * settings.crosswise * heard,
    }
    reaches = targets.depth_share(own)
    return Losses({reason: share * reaches for reason, share in parts.items()}, targets.usual_left)


def _for_coil(
    own: OwnCoil, targets: RemainingTargets, bare: BareGround, allowed: BaseGeometry
) -> tuple[TodoCoil, CoilGains]:
    rate, own_pace = targets.m2_per_minute(own)
    losses = losses_of(own, targets, bare)
    gains = losses.open_to_it * targets.share_of_next_pass(own)
    gain = gains.ravel()
    clear = losses.without(NEVER, targets.any_drawn & (bare.share < LEAST_BARE))
    mask = bare.usable & worth_it(clear)
    ground = patches(mask, main_reason(clear), targets.coarse.grid, allowed)
    made = [(float(gain[patch.cells].mean()), patch) for patch in ground]
    made.sort(key=lambda pair: (-round(pair[0], 9), -pair[1].shape.area))
    listed = tuple(_piece(own, rank, mean, patch, targets, rate, bare) for rank, (mean, patch) in enumerate(made, 1))
    area_m2 = sum(piece.area_m2 for piece in listed)
    by_reason: dict[str, float] = {}
    for piece in listed:
        by_reason[piece.reason] = by_reason.get(piece.reason, 0.0) + piece.area_m2
    mostly = max(by_reason, key=lambda reason: by_reason[reason]) if by_reason else ""
    to_do = TodoCoil(own.coil.name, rate, own_pace, area_m2, _minutes(area_m2, rate), mostly, listed)
    return to_do, CoilGains(own.coil.name, own.swath_m, rate, gains, targets.coarse.grid)


def _minutes(area_m2: float, rate: float | None) -> float | None:
    return None if rate is None else area_m2 / rate


def _piece(
    own: OwnCoil, rank: int, gain: float, patch: Patch, targets: RemainingTargets, rate: float | None, bare: BareGround
) -> TodoPiece:
    name, shape = own.coil.name, patch.shape
    junk, error = _junk_in(patch.cells, targets)
    point = shape.representative_point()
    lon, lat = targets.frame.to_lonlat([point.x], [point.y])
    heard = targets.heard_places()
    return TodoPiece(
        id=f"{name} {rank}",
        coil=name,
        rank=rank,
        reason=format_reason(patch.reason, targets.used_in(patch.cells)),
        cause=CAUSES[patch.reason],
        area_m2=float(shape.area),
        minutes=_minutes(float(shape.area), rate),
        gain_per_100_m2=gain,
        gain_per_hour=None if rate is None else gain * rate * 60 / 100,
        junk_per_m2=junk,
        junk_error_per_m2=error,
        heard_not_dug=int(shapely.contains_xy(shape, heard[:, 0], heard[:, 1]).sum()),
        centre=(float(lon[0]), float(lat[0])),
        shape=shape,
        unswept_pct=100 * float(bare.share.ravel()[patch.cells].mean()),
    )


def _junk_in(cells: NDArray[np.intp], targets: RemainingTargets) -> tuple[float | None, float | None]:
    """Mean junk there now, and two sigma; None where most was not counted: what was dug is only a lower bound."""
    source = targets.then.source.ravel()[cells]
    known = cells[(source != NOT_MEASURED) & (source != DUG)]
    if 2 * len(known) < len(cells):
        return None, None
    return float(targets.met.ravel()[known].mean()), 2 * float(targets.then.sd_per_m2.ravel()[known].mean())
