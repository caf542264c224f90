"""How right the share of a whole site is: one recording or several, simulated receivers or the errors of real ones.

    PYTHONPATH=.dev python tests/studies/sites.py --first 5000 --count 24
    PYTHONPATH=.dev python tests/studies/sites.py --series FOLDER --only wrist-1,hand-1 --sets lanes,spiral

Prints a row for each set of sites (``tests/support/site_walks.py``), and what was told of the chance by place and of
missed strips. FOLDER holds the errors of real receivers, as ``site_walks.real_errors`` reads them; with it, sites take
the series in turn, and the receiver is told as ``--gps``.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "support"), str(ROOT / "tests" / "studies"), str(ROOT / "demo")]

from calibrate import FRAME, outing_of  # noqa: E402
from gap_walks import samples  # noqa: E402
from site_walks import ONE, SEVERAL, SiteWalks, draw_site, real_errors, spacings_m  # noqa: E402
from truth import swept_at  # noqa: E402

from fieldcomb.coverage.areas.areas import Area  # noqa: E402
from fieldcomb.coverage.raster.cells import OUTSIDE  # noqa: E402
from fieldcomb.coverage.survey.inputs import SiteInput  # noqa: E402
from fieldcomb.coverage.survey.results import Result  # noqa: E402
from fieldcomb.coverage.survey.survey import survey  # noqa: E402

CELL_M = 0.25
RIM_M = 1.0
HELD_OUT = ("car-1", "hand-2", "still-2", "wrist-2")  # nothing was fitted to these series
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the program made of one site, beside the truth: percents; chances (n,); strips (m, 2) of sureness, share.

    never : (k, 3) of pieces to do as never swept, their m2, and the share never swept as told and in truth.
    """

    true: float
    recorded: float
    estimate: float
    low: float
    high: float
    chance: Floats
    swept: Floats
    rim: NDArray[np.bool_]
    strips: Floats
    never: Floats


def surveyed(site: SiteWalks, spacings: int, *, edge: bool = True) -> Result:
    """Survey a simulated site, with or without its boundary; so many spacings are measured on each recording."""
    rng = np.random.default_rng(spacings)
    lon, lat = FRAME.to_lonlat(*np.array(site.field.exterior.coords).T)
    area = Area("site", "", None, None, shapely.Polygon(np.column_stack([lon, lat])))
    measured = [spacings_m(walk, spacings, rng) if spacings else [] for walk in site.walks]
    outings = [outing_of(walk, chr(ord("a") + k), spacings_m=measured[k]) for k, walk in enumerate(site.walks)]
    return survey(SiteInput("field", "UTC", CELL_M, FRAME, (area,) if edge else ()), outings)


def told(site: SiteWalks, spacings: int = 0, *, edge: bool = True) -> Told:
    """What the program makes of a simulated site; without an edge the truth is that of the ground between the walks."""
    result = surveyed(site, spacings, edge=edge)
    total = result.report.total
    assert total.estimate.pct is not None and total.estimate.low is not None and total.estimate.high is not None
    chances, estimate = _chances(site, result, edge=edge), total.estimate
    true = site.true_pct if edge else 100 * float(chances[1].mean())
    numbers = true, total.swept_pct, estimate.pct, estimate.low, estimate.high
    return Told(*numbers, *chances, *_pieces(site, result))


def _swept(site: SiteWalks, places: Floats) -> NDArray[np.bool_]:
    return np.asarray(np.logical_or.reduce([swept_at(walk.walk, walk.swath_m, places) for walk in site.walks]))


def _chances(site: SiteWalks, result: Result, *, edge: bool) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    chance = result.layers.chance
    assert chance is not None
    x, y = np.meshgrid(*chance.grid.centres())
    on = ~np.isnan(chance.cells)
    if edge:
        on &= shapely.contains_xy(site.field, x, y)
    rim = ~shapely.contains_xy(site.field.buffer(-RIM_M), x[on], y[on])
    return chance.cells[on].astype(float), _swept(site, np.column_stack([x[on], y[on]])).astype(float), rim


def _pieces(site: SiteWalks, result: Result) -> tuple[Floats, Floats]:
    """Strips with a tier, (m, 2) of sureness and share unswept; and pieces that are to do, as never swept."""
    strips = [strip for strip in result.report.strips if strip.tier]
    never = [piece for coil in result.report.todo[:1] for piece in coil.pieces if piece.reason == "never swept"]
    places = [samples(piece.shape) for piece in (*strips, *never)]
    swept = _swept(site, np.concatenate(places)) if places else np.zeros(0, bool)
    share = [1 - part.mean() for part in np.split(swept, np.cumsum([len(p) for p in places])[:-1]) if part.size]
    told_strips = [(strip.confidence or 0.0, one) for strip, one in zip(strips, share[: len(strips)], strict=True)]
    told_never = [(p.area_m2, p.unswept_pct / 100, one) for p, one in zip(never, share[len(strips) :], strict=True)]
    return np.array(told_strips).reshape(-1, 2), np.array(told_never).reshape(-1, 3)


def draw_pictures(site: SiteWalks, folder: Path) -> Told:
    """Draw passes as recorded, and the chance by place, of one site: 4 pixels a metre and more, off the site grey."""
    result = surveyed(site, 0)
    passes, chance = result.layers.passes, result.layers.chance
    assert chance is not None
    pixels = np.full((*passes.shape, 3), 225, np.uint8)
    for count, colour in enumerate(((255, 255, 255), (150, 200, 150), (70, 150, 90), (20, 100, 60))):
        pixels[passes == count] = colour
    pixels[(passes > 3) & (passes != OUTSIDE)] = (20, 100, 60)
    write_png(folder / "accuracy-recorded.png", pixels.repeat(2, axis=0).repeat(2, axis=1))
    share = np.nan_to_num(chance.cells)[..., None]
    pixels = np.where(np.isnan(chance.cells)[..., None], 225, 255 - share * np.array([235, 155, 195])).astype(np.uint8)
    write_png(folder / "accuracy-chance.png", pixels.repeat(4, axis=0).repeat(4, axis=1))
    return told(site)


def write_png(path: Path, pixels: NDArray[np.uint8]) -> None:
    """Write red, green and blue, (rows, cols, 3)."""
    rows, cols, bands = pixels.shape
    with rasterio.open(path, "w", driver="PNG", width=cols, height=rows, count=bands, dtype="uint8") as picture:
        picture.write(np.moveaxis(pixels, 2, 0))


def line(name: str, found: Sequence[Told]) -> str:
    """One line of the table."""
    true, recorded, pct, low, high = np.array([(t.true, t.recorded, t.estimate, t.low, t.high) for t in found]).T
    p, t, rim = (np.concatenate([getattr(one, key) for one in found]) for key in ("chance", "swept", "rim"))
    tenth = np.minimum((10 * p).astype(int), 9)
    off = np.abs(np.bincount(tenth, weights=p - t)).sum() / p.size
    brier, constant = ((p - t) ** 2).mean(), np.mean([one.swept.var() for one in found])
    cells = [
        name,
        str(len(found)),
        _error(recorded - true),
        _error(pct - true),
        f"{((true >= low) & (true <= high)).mean():.2f}",
        f"{(high - low).mean():.1f}",
        f"{t[rim].mean():.2f}/{p[rim].mean():.2f}" if rim.any() else "",
        f"{t[~rim].mean():.2f}/{p[~rim].mean():.2f}",
        f"{off:.3f}",
        f"{brier:.3f}/{constant:.3f}",
        *_right(np.concatenate([one.strips for one in found])),
        _never_swept(np.concatenate([one.never for one in found])),
    ]
    return f"| {' | '.join(cells)} |"


def _error(error: Floats) -> str:
    return f"{error.mean():+.1f}/{np.sqrt((error**2).mean()):.1f}"


def _right(strips: Floats) -> list[str]:
    """Certain and likely pieces, and of how many of them half was unswept there."""
    tiers = [strips[strips[:, 0] >= 0.85], strips[(strips[:, 0] >= 0.5) & (strips[:, 0] < 0.85)]]
    return [f"{(tier[:, 1] >= 0.5).mean():.2f} of {len(tier)}" if len(tier) else "" for tier in tiers]


def _never_swept(pieces: Floats) -> str:
    """Of ground to do as never swept, the share that never was, in truth and as told, and how much ground it is."""
    area_m2, told_share, true = pieces.T
    whole_m2 = float(area_m2.sum())
    return (
        f"{area_m2 @ true / whole_m2:.2f}/{area_m2 @ told_share / whole_m2:.2f} of {whole_m2:.0f} m2"
        if whole_m2
        else ""
    )


HEADER = (
    "| set | sites | as recorded: bias/rms | estimate: bias/rms | inside | width | rim: true/told | elsewhere | off by "
    "| Brier/true share everywhere | certain right | likely right | to do, never swept: true/told "
    "|\n|---|---|---|---|---|---|---|---|---|---|---|---|---|"
)


def main() -> None:
    """Print the table that was asked for."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--first", type=int, default=5000)
    asked.add_argument("--count", type=int, default=24)
    asked.add_argument("--sets", default=",".join((*ONE, *SEVERAL)))
    asked.add_argument("--gps", default="typical")
    asked.add_argument("--series", type=Path, help="folder with the errors of real receivers")
    asked.add_argument("--only", default="", help="names of series; those held out if not given")
    asked.add_argument("--spacings", type=int, default=0, help="spacings measured on each recording")
    asked.add_argument("--no-edge", action="store_true", help="without the boundary: the ground between the walks")
    asked.add_argument("--pictures", type=Path, help="folder for two pictures of the first site of the first set")
    options = asked.parse_args()
    series = real_errors(options.series) if options.series else {}
    names = options.only.split(",") if options.only else list(HELD_OUT)
    if options.pictures:
        of = draw_pictures(draw_site(options.sets.split(",")[0], options.first), options.pictures)
        print(f"truly {of.true:.1f}, recorded {of.recorded:.1f}, told {of.estimate:.0f} ({of.low:.0f}-{of.high:.0f})")
        return
    print(HEADER)
    every: list[Told] = []
    for name in options.sets.split(","):
        seeds = range(options.first, options.first + options.count)
        errors = [series[names[k % len(names)]] if series else None for k in range(len(seeds))]
        sites = [draw_site(name, seed, options.gps, error) for seed, error in zip(seeds, errors, strict=True)]
        found = [told(site, options.spacings, edge=not options.no_edge) for site in sites]
        print(line(name, found), flush=True)
        every += found
    print(line("all", every))


if __name__ == "__main__":
    main()
