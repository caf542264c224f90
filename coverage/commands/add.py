"""The command that adds an outing to a site."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from fieldcomb.coverage.commands.options import WalkOptions, check_walk_options, path, typed_of, walk_options
from fieldcomb.tracks.errors import UsageError


@click.command("add")
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
def add_command(site: str, tracks: tuple[str, ...], each: bool, roster: str | None, **given: Any) -> None:
    """Add one outing to a site: one recording, or several of one day.

    The files are copied into the site as they are, all of them or, when one cannot be used, none. What you type here
    can be corrected later with: fieldcomb edit.

    With --each a zip archive, such as the export of a whole account, is taken apart: every recording of this site in it
    becomes an outing, and everything else in it is listed with the reason.

    \b
    Example:
      fieldcomb add north-field saturday.gpx --coil small=13x20cm --swath 1.3m --label "west side"
    """
    options = check_walk_options(given)
    if roster is None and not tracks:
        raise UsageError("no TRACK was given", hint="Write: fieldcomb add SITE walk.gpx")
    if roster is not None and each:
        raise UsageError("--each and --roster were both given", hint="A roster is for one outing of a team")
    from fieldcomb.coverage.actions.add import add
    from fieldcomb.coverage.actions.given_walks import WalkToAdd
    from fieldcomb.coverage.commands.console import say, tell_added, tell_assumed
    from fieldcomb.coverage.site.folder import shown

    people: tuple[str, ...] = ()
    if roster is None:
        walks = [WalkToAdd(track, options.start, options.end) for track in tracks]
    else:
        walks, people = _team(options, roster, tracks, say)
    if each:
        from fieldcomb.coverage.actions.account_export import take_apart

        walks = take_apart(Path(site), walks, say=say)
    added = add(
        Path(site),
        walks,
        typed_of(options),
        label=options.label,
        note=options.note,
        each=each,
        unrecorded=people,
        say=say,
    )
    tell_added(added)
    tell_assumed(added)
    say(f"Draw the map with: fieldcomb report {shown(site)}")


def _team(
    options: WalkOptions, roster: str, tracks: Sequence[str], say: Callable[[str], None]
) -> tuple[list[Any], tuple[str, ...]]:
    """Read a roster; returns its walks, and who searched without a recording."""
    from dataclasses import replace

    from fieldcomb.coverage.actions.given_walks import walks_of_roster
    from fieldcomb.coverage.site.folder import read_file, shown
    from fieldcomb.coverage.site.roster import read_roster
    from fieldcomb.tracks.errors import SiteError

    rows, notes = read_roster(read_file(roster, SiteError), shown(roster))
    for note in notes:
        say(f"note: {note}")
    walks, people = walks_of_roster(rows, roster, tracks)
    walks_in = [replace(walk, start=walk.start or options.start, end=walk.end or options.end) for walk in walks]
    return walks_in, people
