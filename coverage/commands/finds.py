"""The command for the record of finds."""

from collections.abc import Sequence
from pathlib import Path

import click

from fieldcomb.coverage.commands.options import GivenOnce, full_option, jobs_option, path, read_jobs, words
from fieldcomb.tracks.errors import UsageError

MOST_LISTED_ROWS = 15


@click.command("finds", cls=GivenOnce)
@click.argument("site", type=path, metavar="SITE")
@click.argument("values", nargs=-1, type=words, metavar="[WHAT=TEXT]...")
@click.option("--collect", is_flag=True, help="Add a row for each mark keep, junk or left that has none yet.")
@click.option("--stops", is_flag=True, help="With --collect: also for each dig without a mark.")
@click.option("--set", "number", type=words, metavar="NO", help="Write what follows into the row of this find.")
@click.option(
    "--register", type=path, metavar="FILE", help="Write the kept finds for a finds register: .csv, .geojson or .gpx."
)
@click.option(
    "--grid", type=words, metavar="GRID", help="References as degrees, utm, british, irish, mgrs or EPSG:25832."
)
@click.option(
    "--figures", type=words, metavar="N", help="Figures of a reference: 6, 8 or 10. Default: as the place is known."
)
@click.option("--all", "everything", is_flag=True, help="With --register: junk and what was left in the ground too.")
@click.option("--json", "as_json", is_flag=True, help="Print the finds as report.json has them.")
@full_option
@jobs_option
def finds_command(
    site: str,
    values: tuple[str, ...],
    collect: bool,
    stops: bool,
    number: str | None,
    register: str | None,
    grid: str | None,
    figures: str | None,
    everything: bool,
    as_json: bool,
    full: bool,
    jobs: str | None,
) -> None:
    """List what was found on a site, and what it adds up to.

    The finds are in SITE/finds.csv, one row each, made to be filled in with a spreadsheet. The number is what you
    write on the bag; it is never given twice. Columns of your own are kept.

    \b
    Example:
      fieldcomb finds north-field --collect
      fieldcomb finds north-field --set 14 what="lead token" number=61-66 depth=12cm
      fieldcomb finds north-field --register finds-2026.csv --grid utm
    """
    processes = read_jobs(jobs)
    if stops and not collect:
        raise UsageError("--stops was given without --collect", hint="Use them together")
    doing = {"--set": number is not None, "--collect": collect, "--register": register is not None}
    if len(both := [option for option, is_so in doing.items() if is_so]) > 1:
        raise UsageError(f"{' and '.join(both)} were both given", hint="Use one after the other")
    if register is None and (grid or figures or everything):
        raise UsageError("--grid, --figures and --all go with --register", hint="Name a file: --register finds.csv")
    if number is not None:
        _set(site, number, values)
        return
    if values:
        raise UsageError(f"{values[0]!r} was given without a find", hint="Say which one: --set 14 what=button")
    if register is not None:
        _register(site, register, grid or "degrees", figures, everything)
        return
    if collect:
        _collect(site, stops, processes)
    _list(site, full, as_json)


def _set(site: str, number: str, values: Sequence[str]) -> None:
    if not (number.isascii() and number.isdigit() and len(number) < 10):
        raise UsageError(f"--set: {number!r} is not the number of a find", hint="Write it like --set 14 what=button")
    typed: dict[str, str] = {}
    for value in values:
        name, equals, text = value.partition("=")
        if not equals:
            hint = 'Write it like what="lead token", with quotes round a text of several words'
            raise UsageError(f"{value!r} is not understood", hint=hint)
        if name in typed:
            raise UsageError(f"{name} was given twice", hint="Give it once")
        typed[name] = text
    if not typed:
        raise UsageError("--set was given nothing to write", hint="Write it like --set 14 what=button depth=12cm")
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.register.change_find import set_find

    changed = set_find(Path(site), int(number), typed, say=say)
    for line in changed:
        say(f"Find {number}: {line}")
    if not changed:
        say(f"Find {number}: already has these values; nothing changed")


def _collect(site: str, stops: bool, processes: int) -> None:
    from fieldcomb.coverage.commands.console import Progress, say
    from fieldcomb.coverage.pool.workers import Workers
    from fieldcomb.coverage.register.collect_finds import collect_finds
    from fieldcomb.tracks.units import format_count

    progress = Progress()
    with Workers(processes, say) as workers:
        try:
            done = collect_finds(Path(site), stops=stops, say=say, progress=progress, workers=workers)
        finally:
            progress.close()
    if done.new:
        first, last = done.new[0].find_no, done.new[-1].find_no
        numbers = f"number {first}" if first == last else f"numbers {first} to {last}"
        say(f"{format_count(len(done.new), 'new find')} written into finds.csv, {numbers}")
    elif done.marked:
        say("Every marked find has its row already; nothing changed")
    else:
        say("No mark keep, junk or left was found, so there is nothing to collect. fieldcomb card says how to mark")


def _register(site: str, file: str, grid: str, figures: str | None, everything: bool) -> None:
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.register.register_file import check_wishes, registered_words, write_register
    from fieldcomb.coverage.site.folder import shown

    done = write_register(Path(site), Path(file), check_wishes(grid, figures, everything), say=say)
    for line in registered_words(done, shown(file)):
        say(line)


def _list(site: str, full: bool, as_json: bool) -> None:
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.finds.fields import find_fields
    from fieldcomb.coverage.register.change_find import list_finds
    from fieldcomb.coverage.register.listing import finds_rows, finds_total
    from fieldcomb.tracks.files.json_text import to_json

    listed = list_finds(Path(site), say=say)
    for note in listed.notes:
        say(f"note: {note}")
    if as_json:
        click.echo(to_json([find_fields(find) for find in listed.finds], indent=2))
        return
    if not listed.finds:
        click.echo("No finds yet")
        say("Collect them from your marks with --collect, or write them into finds.csv yourself")
        return
    shown = listed.finds if full else listed.finds[:MOST_LISTED_ROWS]
    click.echo("\n".join([*finds_total(listed.finds), "", *finds_rows(shown, listed.zone)]))
    if len(shown) < len(listed.finds):
        click.echo(f"... and {len(listed.finds) - len(shown)} more")
        say("All of them: --full")
