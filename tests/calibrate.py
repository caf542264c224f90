"""How right the estimate of the truly swept share is: simulated walks with known truth, one row a kind and receiver.

    PYTHONPATH=.dev python tests/calibrate.py --first 4000 --count 40

Prints a table for docs/accuracy.md. Seeds below 4000 were looked at while the
estimate was made, and say nothing new about it.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "demo")]

from drift_walks import KINDS, DriftWalk, draw  # noqa: E402

from fieldcomb.coverage.areas import Area  # noqa: E402
from fieldcomb.coverage.coils import Coil, Swing  # noqa: E402
from fieldcomb.coverage.placing import SiteInput  # noqa: E402
from fieldcomb.coverage.results import OutingResult  # noqa: E402
from fieldcomb.coverage.survey import survey  # noqa: E402
from fieldcomb.coverage.walks import OutingInput, RecordingInput  # noqa: E402
from fieldcomb.tracks.frame import SiteFrame  # noqa: E402
from fieldcomb.tracks.track import Recording, Track  # noqa: E402

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


def outing_of(walk: DriftWalk, name: str = "a", *, swath_told: bool = True, swath_factor: float = 1.0) -> OutingInput:
    """The walk as an outing."""
    lon, lat = FRAME.to_lonlat(walk.fixes.x_m, walk.fixes.y_m)
    track = Track(lon, lat, walk.fixes.t_s + START_S, np.zeros(lon.size, np.int32))
    swing = Swing(Coil("28cm", 0.28, 0.28), walk.swath_m * swath_factor, 1.0, walk.gps, swath_told, False)
    item = RecordingInput(f"{name}.gpx", Recording(f"{name}.gpx", track), swing)
    return OutingInput(name, None, None, lambda: (item,))


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
        if told.swept_est_pct is None or told.swept_low is None or told.swept_high is None:
            raise SystemExit(f"{row} {seed}: {told.est_reason}")
        values = (walk.true_pct, told.swept_pct, told.swept_est_pct, told.swept_low, told.swept_high)
        found.append((*values, float(bool(told.strips_placed))))
    true, recorded, pct, low, high, placed = np.array(found).T
    error = pct - true
    rms, rms_recorded = (float(np.sqrt((e**2).mean())) for e in (error, recorded - true))
    inside = int(((true >= low) & (true <= high)).sum())
    swath = "told" if row.swath_told else f"default, {row.swath_factor - 1:+.0%}"
    return (
        f"| {row.kind} | {row.gps} | {swath} | {len(seeds)} | {(recorded - true).mean():+.1f} | {rms_recorded:.1f} "
        f"| {error.mean():+.1f} | {rms:.1f} | {inside} | {(high - low).mean():.1f} | {placed.mean():.0%} |"
    )


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--first", type=int, default=4000)
    asked.add_argument("--count", type=int, default=40)
    asked.add_argument("--kinds", default=",".join(KINDS))
    told = asked.parse_args()
    print("| kind | receiver | swing width | walks | as recorded: bias | rms ", end="")
    print("| estimate: bias | rms | inside | width | placed |")
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    for row in ROWS:
        if row.kind in told.kinds.split(","):
            print(line(row, range(told.first, told.first + told.count)), flush=True)


if __name__ == "__main__":
    main()
