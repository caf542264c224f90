"""The options of the commands, and how what was typed is checked before any work begins."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import click

from fieldcomb.coverage.gear.coils import parse_carried, parse_depth_m, parse_gps, parse_lift_m, split_naming
from fieldcomb.coverage.gear.target_ids import parse_numbers
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import parse_length_m, parse_speed_m_s, parse_time_s, parse_zone

F = TypeVar("F", bound=Callable[..., Any])

HALF_MINUTE_S = 30.0


def words(value: str) -> str:
    """Text of any kind; bytes that are no text become a mark, so that it can be written down."""
    return os.fsencode(value).decode("utf-8", "replace")


def path(value: str) -> str:
    """A file or folder as typed; that it is there is looked at later, where the message can say more."""
    if not value:
        raise UsageError("an empty file name was given", hint="Give the name of a file or folder")
    if "\0" in value:
        raise UsageError("a file name holds a zero byte", hint="Give the name of a file or folder")
    return value


@dataclass(frozen=True, slots=True)
class WalkOptions:
    """What ``map`` and ``add`` were told about the walks, checked as far as that goes without the site."""

    coil: str | None
    swath: str | None
    sweep: float | None
    gps: str | None
    start: str | None
    end: str | None
    top_pace: str | None
    label: str | None
    carried: str | None = None
    laps: str | None = None
    dug: str | None = None
    ground: str | None = None
    lift: str | None = None


def _all_of(*options: Callable[[Any], Any]) -> Callable[[F], F]:
    """Give what adds several options to a command, in this order."""

    def add(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return add


dug_option = click.option(
    "--dug",
    type=words,
    metavar="NUMBERS",
    help="Target numbers that were dug, such as 40-99 or 10-25,40-99; else what site.toml says of the coil.",
)
laps_option = click.option(
    "--laps",
    type=words,
    metavar="WHAT",
    help="What a press of the lap button meant: off (not searching, the next one: searching again), lanes (each begins "
    "the next lane), finds (each is a find that was kept), or coil:NAME (to and fro between two coils).",
)
ground_options = _all_of(
    click.option("--ground", type=words, metavar="TEXT", help="What the ground was like, such as stubble or wet turf."),
    click.option(
        "--lift",
        type=words,
        metavar="LENGTH",
        help="How high the coil was carried above the soil; 5cm is taken if not given. It counts with --depth.",
    ),
)
sweep_options = _all_of(
    click.option(
        "--sweeps",
        type=words,
        metavar="N",
        help="How many sweeps, from one side to the other, you count in 30 seconds.",
    ),
    click.option("--sweep", type=words, metavar="SECONDS", help="Or: how long one sweep takes."),
)
walk_options = _all_of(  # those that ``map`` and ``add`` share
    click.option(
        "--coil",
        type=words,
        metavar="COIL",
        help="The coil: a size such as 28cm, 11in or 13x20cm (width x length; add :concentric when it is not a "
        "DD), a name from the site's coils, or small=13x20cm to give it a name for good.",
    ),
    click.option(
        "--swath",
        type=words,
        metavar="LENGTH",
        help="Swing width, edge to edge, that the coil passes over, such as 1.4m. Measure it: swing as usual "
        "over a tape on the ground.",
    ),
    sweep_options,
    click.option(
        "--gps",
        type=words,
        metavar="HOW",
        help="How well the receiver places you: good, typical (taken if not given), poor, or a LENGTH that two "
        "thirds of fixes are within.",
    ),
    click.option(
        "--carried",
        type=words,
        metavar="WHERE",
        help="Where the recorder was, such as arm, hat or pocket; shaft when it moved with the coil, and so "
        "recorded every sweep.",
    ),
    click.option("--from", "start", type=words, metavar="TIME", help="Use the walk from this time on."),
    click.option("--to", "end", type=words, metavar="TIME", help="Use the walk up to this time."),
    click.option(
        "--top-pace",
        type=words,
        metavar="SPEED",
        help="Faster than this is walking, not searching, such as 0.9m/s or 3km/h.",
    ),
    laps_option,
    dug_option,
    ground_options,
    click.option("--label", type=words, metavar="TEXT", help="A short name for the outing."),
)


def cell_option(command: F) -> F:
    """Add ``--cell``."""
    text = "Side of the squares in which ground is counted; 10cm if not given."
    return click.option("--cell", type=words, metavar="LENGTH", default="10cm", help=text)(command)


def boundary_option(command: F) -> F:
    """Add ``--boundary``."""
    text = "The edge of the site, and ground that is out of bounds: a GeoJSON, GPX or KML file of closed shapes."
    return click.option("--boundary", type=path, metavar="FILE", help=text)(command)


def check_walk_options(given: dict[str, Any]) -> WalkOptions:
    """Check what was typed, naming the option at fault; UsageError when it cannot be."""
    if given["coil"] is not None:
        named("--coil", _check_coil, given["coil"])
    for key in ("start", "end"):
        if given[key] is not None:
            named("--from" if key == "start" else "--to", parse_time_s, given[key], parse_zone("UTC"))
    check_typed(given)
    sweep = sweep_s(given["sweeps"], given["sweep"])
    keys = ("coil", "swath", "gps", "start", "end", "top_pace", "carried", "laps", "dug", "ground", "lift")
    return WalkOptions(**{key: given[key] for key in keys}, sweep=sweep, label=given["label"] or None)


def _check_coil(text: str) -> None:
    if not text.strip():
        raise UsageError("no coil was named", hint="Give a size such as 28cm, or a name")
    split_naming(text)


def check_typed(given: dict[str, Any]) -> None:
    """Check swath, gps, top pace, carried, laps; empty text, which takes back what was typed, is for ``edit``."""
    if given["swath"] is not None:
        named("--swath", parse_length_m, given["swath"], "swath")
    if given["gps"] is not None:
        named("--gps", parse_gps, given["gps"])
    if given["top_pace"] is not None:
        named("--top-pace", parse_speed_m_s, given["top_pace"], "top pace")
    if given.get("carried") is not None:
        named("--carried", parse_carried, given["carried"])
    if given["laps"] is not None:
        from fieldcomb.coverage.site.setting_values import (
            laps_meaning,
        )  # brings numpy, which --help should not wait for

        named("--laps", laps_meaning, given["laps"])
    if given.get("dug") is not None:
        named("--dug", parse_numbers, given["dug"])
    if given.get("lift") is not None:
        named("--lift", parse_lift_m, given["lift"])


def depth_option(command: F) -> F:
    """Add ``--depth``."""
    text = (
        "Tell what the coil itself covered at this depth below the soil, such as 15cm; a model, see docs/measures.md."
    )
    return click.option("--depth", type=words, metavar="LENGTH", help=text)(command)


def depth_m(text: str | None) -> float | None:
    """Read ``--depth``."""
    if text is None:
        return None
    depth: float = named("--depth", parse_depth_m, text)
    return depth


def named(option: str, check: Callable[..., Any], *values: Any) -> Any:
    """Run a check, and put the option's name before what it complains of."""
    try:
        return check(*values)
    except UsageError as error:
        raise UsageError(f"{option}: {error.problem}", hint=error.hint) from error


def sweep_s(sweeps: str | None, sweep: str | None) -> float | None:
    """Give the seconds of one sweep from a count in 30 s, or from seconds."""
    if sweeps is not None and sweep is not None:
        raise UsageError("--sweeps and --sweep were both given", hint="Give the one that you measured")
    if sweeps is None and sweep is None:
        return None
    option, text = ("--sweeps", sweeps) if sweeps is not None else ("--sweep", sweep)
    try:
        number = float(str(text).replace(",", "."))
        seconds = HALF_MINUTE_S / number if sweeps is not None else number
    except (ValueError, ZeroDivisionError) as error:
        hint = "Count your sweeps in 30 seconds, such as 27" if sweeps is not None else "Write seconds, such as 1.1"
        raise UsageError(f"{option}: {text!r} is not such a number", hint=hint) from error
    if not 0.2 <= seconds <= 10:
        hint = "Count every side-to-side sweep in 30 seconds; one takes 0.2 to 10 s"
        raise UsageError(f"{option} {text}: a sweep of {seconds:.3g} s is not possible", hint=hint)
    return round(seconds, 4)
