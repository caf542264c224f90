"""The command that draws a map of walks at once, without a site."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click

from fieldcomb.coverage.commands.console import say, show_report, tell_added, tell_assumed
from fieldcomb.coverage.commands.options import (
    GivenOnce,
    Kept,
    boundary_option,
    cell_option,
    check_typed,
    depth_option,
    epsg_option,
    full_option,
    jobs_option,
    json_option,
    path,
    read_epsg,
    read_jobs,
    read_option,
    walk_options,
    walks_to_add,
    words,
)
from fieldcomb.coverage.pool.loading import SCIPY, load
from fieldcomb.coverage.pool.workers import Workers

# The smallest walk of the demo, 80 kB, is drawn in four fifths of the time, for two fifths more of the processor.
STARTS_BYTES = 50_000
# What the process beside the command is asked for, in this order: reading and walking, drawing a walk anew, finding
# strips, and the page. What the command needs for the rest it loads meanwhile.
BESIDE = (
    "fieldcomb.coverage.actions.loaded_walks",
    "scipy.linalg",
    "fieldcomb.coverage.survey.outing_alone",
    "scipy.ndimage",
    "scipy.sparse.csgraph",
    "rasterio.features",
    "fieldcomb.coverage.pages.map_page",
)
LATER = (
    "fieldcomb.coverage.report.mark_words",
    "rasterio.features",
    "fieldcomb.coverage.survey.survey",
    "fieldcomb.coverage.report.summary",
    "fieldcomb.coverage.actions.draw",
    "scipy.ndimage",
    "fieldcomb.coverage.gis.geotiff",
)


@click.command("map", cls=GivenOnce)
@click.argument("tracks", nargs=-1, required=True, type=path, metavar="TRACK...")
@walk_options
@boundary_option
@cell_option
@depth_option
@click.option("-o", "out", type=path, metavar="DIR", help="Output folder. Default: WALK-map, next to the first file.")
@jobs_option
@epsg_option
@full_option
@json_option
def map_command(
    tracks: tuple[str, ...],
    boundary: str | None,
    cell: str,
    out: str | None,
    full: bool,
    as_json: bool,
    depth: str | None,
    jobs: str | None,
    epsg: str | None,
    **given: Any,
) -> None:
    """Draw a map of one or more walks, without keeping a site.

    Each TRACK is a recording of a walk, and an outing of its own. The map, the numbers and the missed strips go into a
    folder next to the first file. Times without an offset are UTC.

    \b
    Example:
      fieldcomb map saturday.gpx sunday.gpx --coil 28cm --swath 1.4m
    """
    typed = check_typed(given)
    read_option("cell", cell)
    deep = read_option("depth", depth)
    many, system = read_jobs(jobs), read_epsg(epsg)
    with Workers(many, say) as workers:
        if _size_bytes(tracks) >= STARTS_BYTES:
            workers.start(BESIDE, LATER)  # first of all: loading the rest takes as long as reading
            if len(tracks) > 1:  # of which the command walks some; of a single one it is still loaded while waiting
                load(SCIPY)
        _draw(tracks, typed, boundary, cell, out, workers, full=full, as_json=as_json, depth_m=deep, epsg=system)


def _draw(
    tracks: tuple[str, ...],
    typed: Kept,
    boundary: str | None,
    cell: str,
    out: str | None,
    workers: Workers,
    *,
    full: bool,
    as_json: bool,
    depth_m: float | None,
    epsg: int | None,
) -> None:
    """Read the walks, draw the map, and print what it says."""
    from fieldcomb.coverage.actions.add import addition_to
    from fieldcomb.coverage.actions.given_walks import Split
    from fieldcomb.coverage.actions.new_site import new_site_files
    from fieldcomb.coverage.site.folder import site_of
    from fieldcomb.coverage.site.old_copies import clear_old_copies

    clear_old_copies()
    stem = _stem(tracks[0])
    name = words(stem) if len(tracks) == 1 else f"{words(stem)} and {len(tracks) - 1} more"
    files, _ = new_site_files(name, "UTC", cell, boundary, say=say)
    place = Path(out) if out else Path(tracks[0]).parent / f"{stem}-map"
    walks = walks_to_add(typed, tracks, split=Split.FILES)
    addition = addition_to(site_of(files, Path()), replace(walks, stored=False), say, workers)
    tell_added(addition.added)
    tell_assumed(addition.added)
    from fieldcomb.coverage.actions.draw import draw_addition

    draw = partial(draw_addition, addition, place, epsg=epsg, depth_m=depth_m, workers=workers)
    show_report(draw, place, as_json=as_json, full=full)


def _size_bytes(paths: Sequence[str]) -> int:
    """Size of some files together; what cannot be looked at is told when it is read."""
    size = 0
    for one in paths:
        with suppress(OSError):
            size += Path(one).stat().st_size
    return size


def _stem(path: str) -> str:
    """Name of a file without its ending: ``walk.gpx.gz`` gives ``walk``."""
    path = path.removesuffix(".gz").removesuffix(".zip")
    return Path(path).stem or "walk"
