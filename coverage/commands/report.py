"""The command that draws the map of a site."""

from functools import partial
from pathlib import Path

import click

from fieldcomb.coverage.commands.options import (
    depth_option,
    epsg_option,
    full_option,
    jobs_option,
    json_option,
    named,
    path,
    read_epsg,
    read_jobs,
    read_option,
    words,
)
from fieldcomb.tracks.units import parse_date


@click.command("report")
@click.argument("site", type=path, metavar="SITE")
@click.option("--between", nargs=2, type=words, metavar="A B", help="Compare two outings.")
@click.option(
    "--since",
    type=words,
    metavar="DATE|EVENT",
    help="Only outings from a day on, or since an event of ground.csv.",
)
@click.option("--coil", type=words, metavar="COIL", help="The coil in your hand: where to go next with it.")
@depth_option
@click.option("-o", "out", type=path, metavar="DIR", help="Output folder. Default: SITE/out.")
@jobs_option
@epsg_option
@full_option
@json_option
def report_command(
    site: str,
    between: tuple[str, str] | None,
    since: str | None,
    coil: str | None,
    depth: str | None,
    out: str | None,
    jobs: str | None,
    epsg: str | None,
    full: bool,
    as_json: bool,
) -> None:
    """Draw the map of a site, with percentages and missed strips of all its outings.

    Then open map.html in your browser. Nothing is sent anywhere.

    \b
    Example:
      fieldcomb report north-field
    """
    from fieldcomb.coverage.season.events import EVENT_KINDS

    begin = since.strip().lower() if since and since.strip().lower() in EVENT_KINDS else None
    day = named("--since", parse_date, since) if since is not None and begin is None else begin
    deep = read_option("depth", depth)
    many, system = read_jobs(jobs), read_epsg(epsg)
    from fieldcomb.coverage.actions.draw import draw_site
    from fieldcomb.coverage.commands.console import say, show_report
    from fieldcomb.coverage.pool.workers import Workers
    from fieldcomb.coverage.site.folder import OUT

    place = Path(out) if out else Path(site) / OUT
    with Workers(many, say) as workers:
        draw = partial(draw_site, Path(site), place, since=day, between=between, coil=coil, epsg=system, depth_m=deep)
        draw = partial(draw, workers=workers)
        show_report(draw, place, as_json=as_json, full=full)
