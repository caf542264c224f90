"""Talk on stderr: notes, messages, and how far a long piece of work is. Data alone goes to stdout."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fieldcomb.tracks.hints import Hint
from fieldcomb.tracks.text import harmless

if TYPE_CHECKING:  # what is heavy is loaded by the command that needs it, once its other process is under way
    from fieldcomb.coverage.actions.add import Added
    from fieldcomb.coverage.survey.results import Report

_PATIENCE_S = 1.0


def say(note: str | Hint) -> None:
    """Tell the user something, on one line; names from files cannot give orders to the terminal."""
    text = str(note)
    indent = " " * (len(text) - len(text.lstrip(" ")))
    click.echo(indent + harmless(text), err=True)


class Progress:
    """A progress line; only on a terminal, and only when the work takes over a second."""

    def __init__(self) -> None:
        self._wanted = sys.stderr.isatty()
        self._begun_s = time.monotonic()
        self._length = 0

    def __call__(self, what: str, done: int, whole: int) -> None:
        """Tell of a step: ``reading 3 of 40``."""
        if not self._wanted or time.monotonic() - self._begun_s < _PATIENCE_S:
            return
        text = f"{what} {done + 1} of {whole} ..." if whole > 1 else f"{what} ..."
        click.echo("\r" + text.ljust(self._length), err=True, nl=False)
        self._length = len(text)

    def close(self) -> None:
        """Wipe the line."""
        if self._length:
            click.echo("\r" + " " * self._length + "\r", err=True, nl=False)
            self._length = 0


def tell_added(added: Sequence[Added]) -> None:
    """Tell what was read from each file, what was left out of it and why."""
    for outing in added:
        say(f"Outing {outing.id}")
        for one in outing.recordings:
            say(f"  {one.file}: {one.counts}")
            for note in one.notes:
                say(f"    note: {note}")


def tell_assumed(added: Sequence[Added]) -> None:
    """Say which coil and swing width were taken without being measured, and how to measure them."""
    from fieldcomb.coverage.actions.loaded_walks import assumed_in

    for one in assumed_in([one for outing in added for one in outing.recordings]):
        say(one)


def show_report(draw: Callable[..., Report], out: Path, *, as_json: bool, full: bool) -> Report:
    """Draw a map into a folder, with the progress shown, and print its answer, or all its numbers."""
    progress = Progress()
    try:
        report = draw(say=say, progress=progress)
    finally:
        progress.close()
    show_told(told_of(report, out, way_of(as_json=as_json, full=full)))
    return report


SHORT, FULL, JSON = WAYS = ("short", "full", "json")  # of printing a report


def way_of(*, as_json: bool, full: bool) -> str:
    """Return the way of printing a report."""
    return JSON if as_json else FULL if full else SHORT


def told_of(report: Report, out: Path, way: str, text: str | None = None) -> tuple[str, tuple[str, ...]]:
    """Return what is printed of a report whose files lie in a folder (``text`` if given), and what is said after it."""
    from fieldcomb.coverage.actions.outputs import MAP_FILE
    from fieldcomb.coverage.report.report_json import report_json
    from fieldcomb.coverage.report.summary import summary
    from fieldcomb.coverage.report.table import table
    from fieldcomb.coverage.site.folder import shown

    if text is None:
        text = report_json(report) if way == JSON else table(report) if way == FULL else summary(report)
    after = [f"The map is {shown(out / MAP_FILE)}" + ("" if way != SHORT else ". All numbers: --full")]
    if way == FULL:
        from fieldcomb.coverage.gis.coordinates import suggested_epsg

        system = suggested_epsg(report.site.frame)
        after.insert(0, f"Files for a GIS in another coordinate system: --epsg {system}, or your grid's")
    return text, tuple(after)


def show_told(told: tuple[str, Sequence[str]]) -> None:
    """Print what a report told, and say what comes after it."""
    text, after = told
    click.echo(text, nl=False)
    for line in after:
        say(line)
