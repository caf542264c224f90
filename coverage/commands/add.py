"""The command that adds an outing to a site."""

from pathlib import Path
from typing import Any

import click

from fieldcomb.coverage.commands.options import (
    GivenOnce,
    check_typed,
    jobs_option,
    path,
    read_jobs,
    walk_options,
    walks_to_add,
)
from fieldcomb.tracks.errors import UsageError


@click.command("add", cls=GivenOnce)
@click.argument("site", type=path, metavar="SITE")
@click.argument("tracks", nargs=-1, type=path, metavar="TRACK...")
@walk_options
@click.option("--each", is_flag=True, help="Make each file, and each recording in a zip archive, its own outing.")
@click.option(
    "--roster",
    type=path,
    metavar="FILE",
    help="A table (CSV) for a team: columns file, searcher, coil, swath, gps, carried, spacing, from, to; a row a "
    "recording, and a row without a file for everyone who did not record.",
)
@jobs_option
def add_command(
    site: str, tracks: tuple[str, ...], each: bool, roster: str | None, jobs: str | None, **given: Any
) -> None:
    """Add one outing to a site: one recording, or several of one day.

    The files are copied into the site as they are, all of them or, when one cannot be used, none. What you type here
    can be corrected later with: fieldcomb edit.

    With --each a zip archive, such as the export of a whole account, is taken apart: every recording of this site in it
    becomes an outing, and everything else in it is listed with the reason.

    \b
    Example:
      fieldcomb add north-field saturday.gpx --coil small=13x20cm --swath 1.3m --label "west side"
    """
    typed = check_typed(given)
    many = read_jobs(jobs)
    if roster is None and not tracks:
        raise UsageError("no TRACK was given", hint="Write: fieldcomb add SITE walk.gpx")
    if roster is not None and each:
        raise UsageError("--each and --roster were both given", hint="A roster is for one outing of a team")
    from fieldcomb.coverage.actions.add import add
    from fieldcomb.coverage.actions.given_walks import Split, with_roster
    from fieldcomb.coverage.commands.console import say, tell_added, tell_assumed
    from fieldcomb.coverage.pool.workers import Workers
    from fieldcomb.coverage.site.folder import shown

    walks = walks_to_add(typed, tracks, split=Split.RECORDINGS if each else Split.TOGETHER)
    if roster is not None:
        walks = with_roster(walks, walks_to_add(typed, [roster]).walks[0], say)
    with Workers(many, say) as workers:
        added = add(Path(site), walks, say, workers)
    tell_added(added)
    tell_assumed(added)
    say(f"Draw the map with: fieldcomb report {shown(site)}")
