"""The command that draws the map of a site."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fieldcomb.coverage.cache.folder import KEPT, OUT, Shelf
from fieldcomb.coverage.cache.unchanged import MadeOf, ToldReport, digests, keep_told, made_of, told_again
from fieldcomb.coverage.commands.console import JSON, WAYS, say, show_report, show_told, told_of, way_of
from fieldcomb.coverage.commands.options import (
    GivenOnce,
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
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.hints import Hint
from fieldcomb.tracks.units import parse_date

if TYPE_CHECKING:
    from fieldcomb.coverage.site.folder import Say
    from fieldcomb.coverage.survey.results import Report

# Of tracks: of fewer a report is made before another process is ready.
REPORT_STARTS_BYTES = 500_000
# What the process beside the command is asked for, in this order: outings that were not drawn before, strips, the page.
BESIDE_REPORT = (
    "fieldcomb.coverage.survey.outing_alone",
    "scipy.linalg",
    "scipy.ndimage",
    "scipy.sparse.csgraph",
    "rasterio.features",
    "fieldcomb.coverage.pages.map_page",
)
LATER_FOR_REPORT = ("fieldcomb.coverage.gis.geotiff",)


@click.command("report", cls=GivenOnce)
@click.argument("site", type=path, metavar="SITE")
@click.option("--between", nargs=2, type=words, metavar="A B", help="Compare two outings.")
@click.option(
    "--since",
    type=words,
    metavar="DATE|EVENT",
    help="Only outings from a day on, or since an event of ground.csv; what did not change is not to do again.",
)
@click.option("--coil", type=words, metavar="COIL", help="The coil in your hand: where to go next with it.")
@depth_option
@click.option("--for", "reader", type=words, metavar="WHO", help="A copy to share: owner, club or public.")
@click.option("--title", type=words, metavar="TEXT", help="With --for: what stands on top, not the site's name.")
@click.option("-o", "out", type=path, metavar="DIR", help="Output folder. Default: SITE/out; for a copy SITE/copies.")
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
    reader: str | None,
    title: str | None,
    out: str | None,
    jobs: str | None,
    epsg: str | None,
    full: bool,
    as_json: bool,
) -> None:
    """Draw the map of a site, with percentages and missed strips of all its outings.

    Then open map.html in your browser. Nothing is sent anywhere. With --for it makes one page to share instead, which
    gives away no more than its reader may know.

    \b
    Example:
      fieldcomb report north-field
      fieldcomb report north-field --for owner
    """
    deep = read_option("depth", depth)
    many, system = read_jobs(jobs), read_epsg(epsg)
    # Another coordinate system hangs on grids of the system that nobody here knows.
    own = reader is title is out is epsg is None
    made = made_of(Path(site), (between, since, coil, depth)) if own else None
    if made is not None and _told_again(made, way_of(as_json=as_json, full=full)):
        return
    day = _since(since)
    if reader is not None:
        others = {"--between": between, "--coil": coil, "--depth": depth, "--epsg": epsg, "--full": full}
        _check_alone(others | {"--json": as_json})
        _share(site, reader, title, out, day, many)
        return
    if title is not None:
        raise UsageError("--title is only for a copy to share", hint="Say for whom it is with --for")
    from fieldcomb.coverage.pool.loading import SCIPY, load
    from fieldcomb.coverage.pool.workers import Workers

    place = Path(out) if out else Path(site) / OUT
    heard = _Heard()
    with Workers(many, say) as workers:
        if _size_bytes(Path(site) / "tracks") >= REPORT_STARTS_BYTES:
            workers.start(BESIDE_REPORT, LATER_FOR_REPORT)  # first of all: it is ready when the first outing is
            load(SCIPY)
        from fieldcomb.coverage.actions.draw import draw_site

        draw = partial(draw_site, Path(site), place, since=day, between=between, coil=coil, epsg=system, depth_m=deep)
        draw = partial(draw, workers=workers, wrote=heard.wrote)
        report = show_report(heard.listening(draw), place, as_json=as_json, full=full)
    if made is not None:
        heard.keep(made, report, place)


def _told_again(made: MadeOf, way: str) -> bool:
    """Print a report of which nothing has changed; returns whether there is one."""
    told = told_again(_shelf(made), made, made.folder / OUT, way)
    if told is None:
        return False
    for note in told[0]:
        say(note)
    show_told(told[1])
    return True


def _shelf(made: MadeOf) -> Shelf:
    return Shelf(made.folder / OUT / KEPT)


class _Heard:
    """What a report said and wrote, so that the next one can say it again where nothing has changed."""

    def __init__(self) -> None:
        self.all: list[str] = []
        self.of_site: list[str] = []
        self.files: dict[str, str] = {}
        self.json = ""

    def listening(self, draw: Callable[..., Report]) -> Callable[..., Report]:
        """Return what draws, with all that it says heard."""

        def heard(say: Say, **more: Any) -> Report:
            def also(note: str | Hint) -> None:
                self.all.append(str(note))
                say(note)

            return draw(say=also, **more)

        return heard

    def wrote(self, files: Mapping[str, bytes], said: Sequence[str | Hint]) -> None:
        """Take note of the files that were written, and of what was said of the site itself."""
        self.files, self.of_site = digests(files), [str(note) for note in said]
        self.json = files["report.json"].decode()

    def keep(self, made: MadeOf, report: Report, place: Path) -> None:
        """Keep it, unless anything was said that may not be so the next time, such as that a file was in use."""
        if self.all == self.of_site:
            told = {way: told_of(report, place, way, self.json if way == JSON else None) for way in WAYS}
            keep_told(_shelf(made), made, ToldReport(tuple(self.all), told, report.site.zone, self.files))


def _size_bytes(tracks: Path) -> int:
    """Size of the recordings of a site; what cannot be looked at is told when it is read."""
    try:
        with os.scandir(tracks) as found:
            return sum(one.stat().st_size for one in found)
    except OSError:
        return 0


def _since(text: str | None) -> date | str | None:
    """Return the day, or the kind of event, from which on outings count."""
    if text is None:
        return None
    from fieldcomb.coverage.season.events import EVENT_KINDS

    if text.strip().lower() in EVENT_KINDS:
        return text.strip().lower()
    try:
        day: date = named("--since", parse_date, text)
    except UsageError as error:
        hint = f"Write it like 2026-03-07, or as an event of ground.csv: {', '.join(EVENT_KINDS)}"
        raise UsageError(f"--since: {text!r} is neither a day nor an event", hint=hint) from error
    return day


def _check_alone(others: Mapping[str, object]) -> None:
    """Refuse options that a copy does not have."""
    for option, value in others.items():
        if value:
            problem = f"{option} and --for were both given"
            raise UsageError(problem, hint=f"Leave {option} out: a copy has a fixed content")


def _share(site: str, reader: str, title: str | None, out: str | None, since: date | str | None, many: int) -> None:
    from fieldcomb.coverage.actions.share_copy import share_copy
    from fieldcomb.coverage.commands.console import Progress
    from fieldcomb.coverage.copies.audience import Audience
    from fieldcomb.coverage.pool.workers import Workers
    from fieldcomb.coverage.site.folder import shown

    known = [one.value for one in Audience]
    if reader not in known:
        raise UsageError(f"--for: {reader!r} is not known", hint="Use owner, club or public")
    progress = Progress()
    place = Path(out) if out else None
    with Workers(many, say) as workers:
        try:
            made = share_copy(
                Path(site),
                Audience(reader),
                place,
                title=title,
                since=since,
                say=say,
                progress=progress,
                workers=workers,
            )
        finally:
            progress.close()
    from fieldcomb.coverage.report.summary import SCREEN_COLUMNS
    from fieldcomb.coverage.report.text import wrapped

    said = [f"Left out: {'; '.join(made.left_out)}."]
    said += [f"Of this site: {', '.join(made.here)}."] if made.here else []
    if made.earlier:
        said.append(f"The earlier copy is kept as {made.earlier}; ground that was closed since then is still in it.")
    lines = [line for text in said for line in wrapped(text, SCREEN_COLUMNS, later="  ")]
    click.echo("\n".join((f"{shown(made.path)}: a copy for the {reader}", *lines)))
