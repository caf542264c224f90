"""The command line: options in, one call of the library, its result written out."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import click

from fieldcomb.coverage.commands.edit import edit_command
from fieldcomb.coverage.commands.options import (
    WalkOptions,
    boundary_option,
    cell_option,
    check_walk_options,
    depth_m,
    depth_option,
    named,
    path,
    read_option,
    typed_options,
    walk_options,
    words,
)
from fieldcomb.coverage.commands.serve import serve_command
from fieldcomb.coverage.site.fields import Place
from fieldcomb.tracks.errors import FieldcombError, UsageError
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import parse_date

# Everything heavier is imported inside the command that needs it, so that --help answers at once.


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="fieldcomb", message="fieldcomb %(version)s")
def cli() -> None:
    """See which ground your coil has passed over, how often, and what was missed.

    fieldcomb reads the GPS recordings (GPX, FIT, TCX and more) of walks with a metal detector and draws a map that
    opens in any browser, with percentages and the strips that are still to search. Nothing is sent anywhere.

    \b
    One walk, at once:
      fieldcomb map walk.gpx --coil 28cm --swath 1.4m
    A site that you come back to:
      fieldcomb new north-field --zone Europe/Oslo
      fieldcomb add north-field saturday.gpx --coil 28cm
      fieldcomb report north-field
    """


@cli.command("map")
@click.argument("tracks", nargs=-1, required=True, type=path, metavar="TRACK...")
@walk_options
@boundary_option
@cell_option
@depth_option
@click.option("-o", "out", type=path, metavar="DIR", help="Folder for the map; WALK-map beside the first file else.")
@click.option("--json", "as_json", is_flag=True, help="Print report.json instead of the table.")
def map_command(
    tracks: tuple[str, ...],
    boundary: str | None,
    cell: str,
    out: str | None,
    as_json: bool,
    depth: str | None,
    **given: Any,
) -> None:
    """Draw a map of one or more walks, without keeping a site.

    Each TRACK is a recording of a walk, and an outing of its own. The map, the numbers and the missed strips go into a
    folder beside the first file. Times typed without an offset are UTC.

    \b
    Example:
      fieldcomb map saturday.gpx sunday.gpx --coil 28cm --swath 1.4m
    """
    options = check_walk_options(given)
    read_option("cell", cell)
    deep = depth_m(depth)
    from fieldcomb.coverage.actions.add import add
    from fieldcomb.coverage.commands.console import say, tell_added, tell_assumed
    from fieldcomb.coverage.site.folder import new_site

    stem = _stem(tracks[0])
    with TemporaryDirectory(prefix="fieldcomb-", ignore_cleanup_errors=True) as temp:
        site = Path(temp) / "site"
        name = words(stem) if len(tracks) == 1 else f"{words(stem)} and {len(tracks) - 1} more"
        new_site(site, name=name, cell=cell, boundary=boundary, say=say)
        added = add(
            site, _walks(options, tracks), _typed(options), label=options.label, note=options.note, each=True, say=say
        )
        tell_added(added)
        tell_assumed(added)
        read = {one.sha256: one.recording for outing in added for one in outing.recordings}
        _report(site, Path(out) if out else Path(tracks[0]).parent / f"{stem}-map", as_json, depth=deep, read=read)


@cli.command("new")
@click.argument("site", type=path, metavar="SITE")
@boundary_option
@click.option("--edge", type=path, metavar="WALK", help="Or: a recording of a walk all round the edge of the site.")
@typed_options(Place.SITE)
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
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.site.folder import new_site, shown

    made = new_site(
        Path(site), name=name, zone=zone or "UTC", cell=cell or "10cm", boundary=boundary, edge=edge, say=say
    )
    if made is not None:
        from fieldcomb.coverage.actions.draw import write_edge

        write_edge(Path(site), made, name or shown(Path(site).absolute().name), say)
    say(f"Site {shown(site)} is ready. Add a walk with: fieldcomb add {shown(site)} walk.gpx")
    if zone is None:
        say("Dates and typed times are UTC. For another zone change the line zone in its site.toml")


@cli.command("add")
@click.argument("site", type=path, metavar="SITE")
@click.argument("tracks", nargs=-1, type=path, metavar="TRACK...")
@walk_options
@click.option("--each", is_flag=True, help="Make one outing of each file, and of each recording in a zip archive.")
@click.option(
    "--roster",
    type=path,
    metavar="FILE",
    help="A table (CSV) for a team: columns file, searcher, coil, swath, gps, carried, from, to; one row a recording, "
    "and one without a file for everybody who did not record.",
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
    from fieldcomb.coverage.commands.console import say, tell_added, tell_assumed
    from fieldcomb.coverage.site.folder import shown

    walks, people = (_walks(options, tracks), ()) if roster is None else _team(options, roster, tracks, say)
    if each:
        from fieldcomb.coverage.actions.account_export import take_apart

        walks = take_apart(Path(site), walks, say=say)
    added = add(
        Path(site),
        walks,
        _typed(options),
        label=options.label,
        note=options.note,
        each=each,
        unrecorded=people,
        say=say,
    )
    tell_added(added)
    tell_assumed(added)
    say(f"See the map with: fieldcomb report {shown(site)}")


@cli.command("report")
@click.argument("site", type=path, metavar="SITE")
@click.option("--between", nargs=2, type=words, metavar="A B", help="Set two outings beside each other.")
@click.option("--since", type=words, metavar="DATE", help="Only outings from this day on, such as 2026-03-01.")
@depth_option
@click.option("-o", "out", type=path, metavar="DIR", help="Folder for the map; SITE/out if not given.")
@click.option("--json", "as_json", is_flag=True, help="Print report.json instead of the table.")
def report_command(
    site: str,
    between: tuple[str, str] | None,
    since: str | None,
    depth: str | None,
    out: str | None,
    as_json: bool,
) -> None:
    """Draw the map of a site, with percentages and missed strips of all its outings.

    Opens nothing and sends nothing: open map.html in your browser.

    \b
    Example:
      fieldcomb report north-field
    """
    day = named("--since", parse_date, since) if since is not None else None
    deep = depth_m(depth)
    from fieldcomb.coverage.site.folder import OUT

    _report(Path(site), Path(out) if out else Path(site) / OUT, as_json, day, between, deep)


@cli.command("card")
@click.argument("site", type=path, metavar="[SITE]", required=False)
@click.option("-o", "out", type=path, metavar="FILE", help="Where to write it; card.html in SITE/out, or here, else.")
def card_command(site: str | None, out: str | None) -> None:
    """Make a page to print and carry: recorder settings, the marks that fieldcomb reads, and cautions.

    With a SITE it has the site's own words for marks and its coils. Print it from any browser; it fits on one page.

    \b
    Example:
      fieldcomb card north-field
    """
    from fieldcomb.coverage.actions.draw import write_outputs
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.pages.card import CARD_FILE, card_html
    from fieldcomb.coverage.site.folder import OUT, opened, shown
    from fieldcomb.tracks.errors import SiteError

    settings = None
    if site is not None:
        with opened(Path(site), say, reading=True) as found:
            settings = found.settings
    file = Path(out) if out else (Path(site) / OUT if site else Path()) / CARD_FILE
    if file.is_dir():
        raise SiteError("is a folder, not a file", file=shown(file), hint="Give a file name with -o, such as card.html")
    write_outputs(file.parent, {file.name: card_html(settings).encode()})
    say(f"The card is {shown(file)}. Print it from your browser")


cli.add_command(edit_command)
cli.add_command(serve_command)


# ----------------------------------------------------------------------------------------- shared by commands


def _report(
    site: Path,
    out: Path,
    as_json: bool,
    since: date | None = None,
    between: tuple[str, str] | None = None,
    depth: float | None = None,
    read: Mapping[str, Any] | None = None,
) -> None:
    from fieldcomb.coverage.actions.edit import inputs
    from fieldcomb.coverage.commands.console import Progress, say
    from fieldcomb.coverage.site.folder import OUT, shown

    given = inputs(site, since=since, between=between, read=read or {}, say=say)
    from fieldcomb.coverage.actions.draw import MAP_FILE, make_outputs, write_outputs
    from fieldcomb.coverage.cache.folder import KEPT, Shelf
    from fieldcomb.coverage.report.report_json import report_json, table
    from fieldcomb.coverage.survey.survey import survey

    for note in given.notes:
        say(f"note: {note}")
    progress = Progress()
    shelf = Shelf(site / OUT / KEPT, closed=out != site / OUT)
    store = None if shelf.closed and not shelf.folder.is_dir() else shelf
    try:
        result = survey(given.site, given.outings, between=between, depth_m=depth, progress=progress, store=store)
        progress("drawing the map", 0, 1)
        files = make_outputs(result)
    finally:
        progress.close()
    write_outputs(out, files)
    shelf.tidy()
    click.echo(report_json(result.report) if as_json else table(result.report), nl=False)
    say(f"The map is {shown(out / MAP_FILE)}")


def _stem(path: str) -> str:
    """Name of a file without its ending: ``walk.gpx.gz`` gives ``walk``."""
    path = path.removesuffix(".gz").removesuffix(".zip")
    return Path(path).stem or "walk"


def _typed(options: WalkOptions) -> Any:
    from fieldcomb.coverage.site.settings import Typed

    return Typed(**options.typed)  # type: ignore[arg-type]


def _walks(options: WalkOptions, tracks: Sequence[str]) -> list[Any]:
    from fieldcomb.coverage.actions.add import Walk

    return [Walk(track, options.start, options.end) for track in tracks]


def _team(
    options: WalkOptions, roster: str, tracks: Sequence[str], say: Callable[[str], None]
) -> tuple[list[Any], tuple[str, ...]]:
    """Read a roster; gives its walks, and who searched without a recording."""
    from dataclasses import replace

    from fieldcomb.coverage.actions.add import walks_of_roster
    from fieldcomb.coverage.site.folder import read_file, shown
    from fieldcomb.coverage.site.roster import read_roster
    from fieldcomb.tracks.errors import SiteError

    rows, notes = read_roster(read_file(roster, SiteError), shown(roster))
    for note in notes:
        say(f"note: {note}")
    walks, people = walks_of_roster(rows, roster, tracks)
    walks_in = [replace(walk, start=walk.start or options.start, end=walk.end or options.end) for walk in walks]
    return walks_in, people


# ------------------------------------------------------------------------------------------------- the edge


def main(args: Sequence[str] | None = None) -> int:
    """Run the command line and give its exit code: 0 done, 1 a file is at fault, 2 wrong usage."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a terminal that lacks a letter must not end the work
    try:
        code = cli.main(args=args, prog_name="fieldcomb", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except FieldcombError as error:
        return _fail(str(error), error.exit_code)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return 2
    except click.UsageError as error:
        command = error.ctx.command_path if error.ctx else "fieldcomb"
        return _fail(f"{error.format_message().rstrip('.')}. See: {command} --help", 2)
    except click.Abort:
        return _fail("stopped. A change to a site is made whole or not at all", 130)
    except BrokenPipeError:
        return _no_stdout()
    except OSError as error:
        _no_stdout()
        file = f"{error.filename}: " if error.filename else ""
        return _fail(f"{file}the system refused ({(error.strerror or str(error)).lower()})", 1)
    except MemoryError:
        return _fail("there is not enough memory for this. A larger cell, such as 20cm, needs less", 1)


def _fail(message: str, code: int) -> int:
    click.echo(f"fieldcomb: {harmless(message)}", err=True)
    return code


def _no_stdout() -> int:
    """Send what is left for a closed or full stdout nowhere, so that leaving does not fail once more."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 1
