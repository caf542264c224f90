"""The command that draws a map of walks at once, without a site."""

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click

from fieldcomb.coverage.commands.options import (
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


@click.command("map")
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
    from fieldcomb.coverage.actions.add import addition_to
    from fieldcomb.coverage.actions.draw import draw_addition
    from fieldcomb.coverage.actions.given_walks import Split
    from fieldcomb.coverage.actions.new_site import new_site_files
    from fieldcomb.coverage.commands.console import say, show_report, tell_added, tell_assumed
    from fieldcomb.coverage.pool.workers import Workers
    from fieldcomb.coverage.site.folder import site_of
    from fieldcomb.coverage.site.old_copies import clear_old_copies

    clear_old_copies()
    stem = _stem(tracks[0])
    name = words(stem) if len(tracks) == 1 else f"{words(stem)} and {len(tracks) - 1} more"
    files, _ = new_site_files(name, "UTC", cell, boundary, say=say)
    place = Path(out) if out else Path(tracks[0]).parent / f"{stem}-map"
    with Workers(many, say) as workers:
        walks = walks_to_add(typed, tracks, split=Split.FILES)
        addition = addition_to(site_of(files, Path()), walks, say, workers)
        addition = replace(addition, files={})  # nothing is stored, so what the files hold is needed no more
        tell_added(addition.added)
        tell_assumed(addition.added)
        draw = partial(draw_addition, addition, place, epsg=system, depth_m=deep, workers=workers)
        show_report(draw, place, as_json=as_json, full=full)


def _stem(path: str) -> str:
    """Name of a file without its ending: ``walk.gpx.gz`` gives ``walk``."""
    path = path.removesuffix(".gz").removesuffix(".zip")
    return Path(path).stem or "walk"
