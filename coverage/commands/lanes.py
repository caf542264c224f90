"""The command that plans lanes."""

from pathlib import Path

import click

from fieldcomb.coverage.commands.options import GivenOnce, jobs_option, named, path, read_jobs, words
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import parse_length_m

MOST_MINUTES = 100_000
MOST_TEAMS = 200


@click.command("lanes", cls=GivenOnce)
@click.argument("site", type=path, metavar="SITE")
@click.option("--coil", type=words, metavar="COIL", help="The coil that you will carry.")
@click.option(
    "--spacing",
    type=words,
    metavar="LENGTH",
    help="Distance from lane to lane. Default: the swing width less the coil.",
)
@click.option(
    "--bearing",
    type=words,
    metavar="DEG",
    help="Direction of the lanes, in degrees from north; or across: at a right angle to the lanes walked so far. "
    "Default: the direction that needs the fewest lanes.",
)
@click.option(
    "--inside", type=words, metavar="AREA", help="Only in one area, by its reason; or todo: where to go next."
)
@click.option("--minutes", type=words, metavar="N", help="Only the lanes that find most in this time.")
@click.option("--sample", type=words, metavar="LENGTH", help="Lanes this far apart on purpose, to try the ground.")
@click.option("--teams", type=words, metavar="N", help="Share the lanes out among this many people.")
@click.option("--label-every", type=words, metavar="N", help="Mark the number of every Nth lane. Default: 5.")
@click.option(
    "--sheet",
    type=path,
    metavar="FILE",
    help="A filled-in sheet (CSV with the columns lane and done): enter it in its plan, instead of making a plan.",
)
@click.option("--name", type=words, metavar="TEXT", help="Name of the plan. Default: 1, 2, 3 ...")
@jobs_option
def lanes_command(
    site: str,
    coil: str | None,
    spacing: str | None,
    bearing: str | None,
    inside: str | None,
    minutes: str | None,
    sample: str | None,
    teams: str | None,
    label_every: str | None,
    sheet: str | None,
    name: str | None,
    jobs: str | None,
) -> None:
    """Plan numbered lanes, to be set out with a tape and pegs.

    A watch cannot say which lane was missed; a numbered lane and a tick on a sheet can. The plan is written into
    SITE/lanes: a sheet to print, a table, and routes for a watch or phone. No-go ground and what stands in the way are
    left out. Afterwards enter the ticked sheet with --sheet, or fill in lanes.csv of the plan yourself.

    \b
    Example:
      fieldcomb lanes north-field --coil small --minutes 90
    """
    if sheet is not None:
        _tick(site, sheet, name)
        return
    if spacing is not None and sample is not None:
        raise UsageError("--spacing and --sample were both given", hint="Use --sample to leave ground between lanes")
    apart = spacing if sample is None else sample
    apart_m = (
        None
        if apart is None
        else named("--spacing" if sample is None else "--sample", parse_length_m, apart, "spacing")
    )
    towards = _bearing(bearing)
    most = _number("--minutes", minutes, MOST_MINUTES)
    many = _number("--teams", teams, MOST_TEAMS) or 1
    every = _number("--label-every", label_every, 1000) or 5
    processes = read_jobs(jobs)
    from fieldcomb.coverage.actions.plan_lanes import LaneWishes, plan_site_lanes
    from fieldcomb.coverage.commands.console import Progress, say
    from fieldcomb.coverage.lanes.lane_words import planned_lines
    from fieldcomb.coverage.pages.lane_drawings import SHEET_FILE
    from fieldcomb.coverage.pool.workers import Workers
    from fieldcomb.coverage.site.folder import shown

    wishes = LaneWishes(coil, towards, apart_m, inside, most, every, many, name)
    progress = Progress()
    with Workers(processes, say) as workers:
        try:
            made = plan_site_lanes(Path(site), wishes, say=say, progress=progress, workers=workers)
        finally:
            progress.close()
    click.echo("\n".join(planned_lines(made.named)))
    say(f"Print {shown(made.folder / SHEET_FILE)}, and set out the lanes with a tape")


def _tick(site: str, sheet: str, name: str | None) -> None:
    from fieldcomb.coverage.actions.tick_lanes import tick_site_lanes
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.lanes.lane_words import lanes_in_words
    from fieldcomb.coverage.site.folder import shown

    done = tick_site_lanes(Path(site), sheet, name, say=say)
    for note in done.notes:
        say(f"note: {note}")
    click.echo(
        f"Plan {done.plan}: {done.walked} of {done.lanes} lanes walked, {done.part} in part, {done.not_walked} not"
    )
    if done.left:
        click.echo(f"Left by this sheet: {lanes_in_words(done.left)}")
    say(f"Draw the map with: fieldcomb report {shown(Path(site))}")


def _bearing(text: str | None) -> float | str | None:
    if text is None or text == "across":
        return text
    try:
        degrees = float(text.replace(",", "."))
    except ValueError:
        degrees = -1.0
    if not 0 <= degrees <= 360:
        raise UsageError(f"--bearing: {text!r} is not a direction", hint="Give degrees from north, 0 to 360, or across")
    return degrees


def _number(option: str, text: str | None, most: int) -> int | None:
    if text is None:
        return None
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= most):
        raise UsageError(f"{option}: {text!r} is not a number from 1 to {most}", hint="Write it like 5")
    return int(text)
