"""How right the estimate of the truly swept share is: simulated walks with known truth, one row a kind and receiver.

    PYTHONPATH=.dev python tests/studies/calibrate.py --first 9100 --count 40
    PYTHONPATH=.dev python tests/studies/calibrate.py --strips --first 9100 --count 40
    PYTHONPATH=.dev python tests/studies/calibrate.py --chance --first 9100 --count 20

Prints tables for docs/accuracy.md: of the estimate, of strips, and of the
chance by place. Seeds below 4000, and 9000 to 9040, were looked at while these were made, and say
nothing new about them.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "support"), str(ROOT / "demo")]

from drift_walks import KINDS, DriftWalk, draw  # noqa: E402
from gap_walks import draw_gaps, found, unswept_between, unswept_in_place  # noqa: E402
from truth import swept_at  # noqa: E402

from fieldcomb.coverage.areas.areas import Area  # noqa: E402
from fieldcomb.coverage.gear.coils import Coil  # noqa: E402
from fieldcomb.coverage.gear.swing import Swing  # noqa: E402
from fieldcomb.coverage.ground.ground_results import Strip  # noqa: E402
from fieldcomb.coverage.outings.inputs import OutingInput, RecordingInput  # noqa: E402
from fieldcomb.coverage.survey.inputs import SiteInput  # noqa: E402
from fieldcomb.coverage.survey.results import OutingResult  # noqa: E402
from fieldcomb.coverage.survey.survey import survey  # noqa: E402
from fieldcomb.tracks.frame import SiteFrame  # noqa: E402
from fieldcomb.tracks.marks.vocabulary import Mark  # noqa: E402
from fieldcomb.tracks.recording import Recording, Track  # noqa: E402

FRAME = SiteFrame(-30.0, 40.0)  # at sea
START_S = 1_770_000_000.0


@dataclass(frozen=True)
class Row:
    """Kind, receiver, whether the swath was told, and how wrong a default swath is."""

    kind: str
    gps: str
    swath_told: bool = True
    swath_factor: float = 1.0


ROWS = (
    *(Row(kind, "typical") for kind in KINDS),
    *(Row(kind, "good") for kind in ("lanes", "wandering")),
    *(Row(kind, "poor") for kind in ("lanes", "straight", "wandering")),
    *(Row(kind, "2cm") for kind in ("lanes", "ragged", "wandering")),
    *(Row("lanes", "typical", False, factor) for factor in (0.9, 1.1)),
)


def site_of(walk: DriftWalk, cell_m: float) -> SiteInput:
    """The walk's field as a site."""
    lon, lat = FRAME.to_lonlat(*np.array(walk.field.exterior.coords).T)
    area = Area("site", "", None, None, shapely.Polygon(np.column_stack([lon, lat])))
    return SiteInput("field", "UTC", cell_m, FRAME, (area,))


def outing_of(
    walk: DriftWalk,
    name: str = "a",
    *,
    swath_told: bool = True,
    swath_factor: float = 1.0,
    spacings_m: Sequence[float] = (),
) -> OutingInput:
    """The walk as an outing, with spacings between lanes measured by tape."""
    lon, lat = FRAME.to_lonlat(walk.fixes.x_m, walk.fixes.y_m)
    track = Track(lon, lat, walk.fixes.t_s + START_S, np.zeros(lon.size, np.int32))
    swing = Swing(Coil("28cm", 0.28, 0.28), walk.swath_m * swath_factor, 1.0, walk.gps, swath_told, False)
    marks = tuple(Mark("spacing", "", None, m, f"spacing {m:.2f}m", None, None, None, "waypoint") for m in spacings_m)
    item = RecordingInput(f"{name}.gpx", Recording(f"{name}.gpx", track), swing, marks=marks)
    return OutingInput(name, None, None, (lambda: (item,),))


def estimate(walk: DriftWalk, row: Row, cell_m: float = 0.1) -> OutingResult:
    """What the program makes of a walk."""
    outing = outing_of(walk, swath_told=row.swath_told, swath_factor=row.swath_factor)
    return survey(site_of(walk, cell_m), [outing]).report.outings[0]


def line(row: Row, seeds: range) -> str:
    """One line of the table."""
    found = []
    for seed in seeds:
        walk = draw(row.kind, seed, row.gps, hectares=(0.1, 0.6))
        told = estimate(walk, row)
        if told.estimate.pct is None or told.estimate.low is None or told.estimate.high is None:
            raise SystemExit(f"{row} {seed}: {told.estimate.reason}")
        values = (walk.true_pct, told.ground.swept_pct, told.estimate.pct, told.estimate.low, told.estimate.high)
        found.append((*values, float(bool(told.estimate.strips_placed))))
    true, recorded, pct, low, high, placed = np.array(found).T
    error = pct - true
    rms, rms_recorded = (float(np.sqrt((e**2).mean())) for e in (error, recorded - true))
    inside = int(((true >= low) & (true <= high)).sum())
    swath = "told" if row.swath_told else f"default, {row.swath_factor - 1:+.0%}"
    return (
        f"| {row.kind} | {row.gps} | {swath} | {len(seeds)} | {(recorded - true).mean():+.1f} | {rms_recorded:.1f} "
        f"| {error.mean():+.1f} | {rms:.1f} | {inside} | {(high - low).mean():.1f} | {placed.mean():.0%} |"
    )


GAPS = (
    *((gap_m, "2cm") for gap_m in (1.0, 1.5, 3.0)),
    (2.0, "50cm"),
    *((gap_m, "good") for gap_m in (1.5, 3.0, 4.5)),
    *((gap_m, "typical") for gap_m in (3.0, 4.5, 6.0, 6.5)),
    *((gap_m, "poor") for gap_m in (6.0, 9.0)),
)
FOUND = 0.5  # of the middle line of a gap
SURENESS = (0.0, 0.1, 0.25, 0.5, 0.7, 0.85, 0.95, 1.01)


def strips_line(gap_m: float, gps: str, seeds: range, pieces: list[tuple[float, float]]) -> str:
    """One line of the table of strips; adds to ``pieces`` how sure each was and how much of it was unswept there."""
    gaps: list[tuple[float, float]] = []
    told: list[tuple[str | None, float, float]] = []
    for seed in seeds:
        of = draw_gaps(seed, gps, gap_m)
        strips = survey(site_of(of.walk, 0.1), [outing_of(of.walk)]).report.strips
        listed = [strip for strip in strips if strip.tier]
        gaps += found(of, [strip.shape for strip in listed])
        there = unswept_in_place(of, [strip.shape for strip in strips])
        pieces += [
            (strip.confidence or 0.0, share) for strip, share in zip(strips, there, strict=True) if _large(strip)
        ]
        between = unswept_between(of, [(strip.shape, strip.bearing_deg) for strip in listed])
        at = [share for strip, share in zip(strips, there, strict=True) if strip.tier]
        told += [(strip.tier, *shares) for strip, *shares in zip(listed, at, between, strict=True)]
    place, passes = (sum(share >= FOUND for share in side) for side in zip(*gaps, strict=True))
    cells = [f"{gap_m:g} m", gps, str(len(gaps)), str(place), str(passes)]
    for tier in ("certain", "likely"):
        mine = [shares for name, *shares in told if name == tier]
        cells += [str(len(mine)), *(str(sum(share[side] >= 0.5 for share in mine)) for side in (0, 1))]
    return f"| {' | '.join(cells)} |"


def _large(strip: Strip) -> bool:
    return strip.width_m >= 0.6 and strip.length_m >= 4 and strip.area_m2 >= 3


def print_strips(seeds: range) -> None:
    """Print how many gaps were found, how many told pieces are right, and how right the chances of pieces are."""
    print("| gap | receiver | gaps | found there | between the same passes | certain | half unswept there ", end="")
    print("| between the same passes | likely | there | between |")
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    pieces: list[tuple[float, float]] = []
    for gap_m, gps in GAPS:
        print(strips_line(gap_m, gps, seeds, pieces if gps != "2cm" else []), flush=True)
    sure, share = np.array(pieces).T
    print("\n| told chance | pieces | mean told | half unswept there |\n|---|---|---|---|")
    for low, high in itertools.pairwise(SURENESS):
        mine = (sure >= low) & (sure < high)
        if mine.any():
            right = (share[mine] >= 0.5).mean()
            print(f"| {low:g} to {min(high, 1):g} | {mine.sum()} | {sure[mine].mean():.2f} | {right:.2f} |")


def chance_line(row: Row, seeds: range) -> str:
    """One line of the table of the chance by place."""
    told, true, constant = [], [], []
    for seed in seeds:
        walk = draw(row.kind, seed, row.gps, hectares=(0.1, 0.6))
        chance = survey(site_of(walk, 0.1), [outing_of(walk)]).layers.chance
        assert chance is not None
        x, y = np.meshgrid(*chance.grid.centres())
        on = ~np.isnan(chance.cells) & shapely.contains_xy(walk.field.buffer(-0.4), x, y)
        swept = swept_at(walk.walk, walk.swath_m, np.column_stack([x[on], y[on]]))
        told.append(chance.cells[on].astype(float))
        true.append(swept.astype(float))
        constant.append(swept.mean() * (1 - swept.mean()))
    p, t = np.concatenate(told), np.concatenate(true)
    tenth = np.minimum((10 * p).astype(int), 9)
    off = np.abs(np.bincount(tenth, weights=p - t)).sum() / p.size
    brier = np.mean([((a - b) ** 2).mean() for a, b in zip(told, true, strict=True)])
    whole = t.mean() * (1 - t.mean())
    return (
        f"| {row.kind} | {row.gps} | {len(seeds)} | {off:.3f} | {brier:.4f} | {np.mean(constant):.4f} | {whole:.4f} |"
    )


def print_chance(seeds: range) -> None:
    """Print how right the chance by place is, beside one chance everywhere: each walk's true share, and that of all."""
    print("| kind | receiver | walks | off by | Brier score | its true share everywhere | that of all walks |")
    print("|---|---|---|---|---|---|---|")
    for row in ROWS:
        if row.gps in ("good", "typical") and row.swath_told:
            print(chance_line(row, seeds), flush=True)


def main() -> None:
    """Print the table that was asked for."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--first", type=int, default=9040)
    asked.add_argument("--count", type=int, default=40)
    asked.add_argument("--kinds", default=",".join(KINDS))
    asked.add_argument("--strips", action="store_true", help="strips between lanes with gaps, instead of the estimate")
    asked.add_argument("--chance", action="store_true", help="the chance by place, instead of the estimate")
    told = asked.parse_args()
    if told.strips or told.chance:
        seeds = range(told.first, told.first + told.count)
        (print_strips if told.strips else print_chance)(seeds)
        return
    print("| kind | receiver | swing width | walks | as recorded: bias | rms ", end="")
    print("| estimate: bias | rms | inside | width | placed |")
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    for row in ROWS:
        if row.kind in told.kinds.split(","):
            print(line(row, range(told.first, told.first + told.count)), flush=True)


if __name__ == "__main__":
    main()
