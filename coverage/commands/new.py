"""The command that starts a site."""

from pathlib import Path

import click

from fieldcomb.coverage.commands.options import GivenOnce, boundary_option, path, read_option, typed_options
from fieldcomb.coverage.site.options_fields import TypedAt


@click.command("new", cls=GivenOnce)
@click.argument("site", type=path, metavar="SITE")
@boundary_option
@click.option("--edge", type=path, metavar="WALK", help="Or: a recording of a walk all round the edge of the site.")
@typed_options(TypedAt.SITE)
def new_command(
    site: str, boundary: str | None, edge: str | None, name: str | None, zone: str | None, cell: str | None
) -> None:
    """Start a site: a folder that keeps the walks and what you typed for them.

    SITE is a new folder. With a boundary, percentages are of the ground inside it; without one they are of the ground
    between your walks.

    \b
    Example:
      fieldcomb new north-field --boundary field.geojson --zone Europe/Oslo
    """
    read_option("cell", cell)
    read_option("zone", zone)
    from fieldcomb.coverage.actions.new_site import new_site, write_edge
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.site.folder import shown

    made = new_site(
        Path(site), name=name, zone=zone or "UTC", cell=cell or "10cm", boundary=boundary, edge=edge, say=say
    )
    if made is not None:
        write_edge(Path(site), made, name or shown(Path(site).absolute().name), say)
    say(f"Site {shown(site)} is ready. Add a walk with: fieldcomb add {shown(site)} walk.gpx")
    if zone is None:
        say("Dates and typed times are UTC. For another zone, change zone in its site.toml")
