"""The command that corrects what was typed for an outing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fieldcomb.coverage.commands.options import (
    check_typed,
    dug_option,
    ground_options,
    laps_option,
    named,
    path,
    sweep_options,
    sweep_s,
    words,
)
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import parse_time_s, parse_zone


@click.command("edit")
@click.argument("site", type=path, metavar="SITE")
@click.argument("outing", type=words, metavar="OUTING")
@click.option("--coil", type=words, metavar="COIL", help="The coil that was really used.")
@click.option("--swath", type=words, metavar="LENGTH", help="Swing width, edge to edge.")
@click.option("--gps", type=words, metavar="HOW", help="good, typical, poor, or a LENGTH.")
@click.option("--carried", type=words, metavar="WHERE", help="Where the recorder was, such as arm, hat or shaft.")
@click.option("--label", type=words, metavar="TEXT", help="A short name for the outing.")
@click.option("--note", type=words, metavar="TEXT", help="Anything worth remembering.")
@click.option("--top-pace", type=words, metavar="SPEED", help="Faster than this is walking, not searching.")
@click.option("--recording", type=words, metavar="FILE", help="Correct only this file of the outing.")
@click.option("--searcher", type=words, metavar="NAME", help="With --recording: who walked it.")
@click.option("--from", "start", type=words, metavar="TIME", help="With --recording: use it from this time on.")
@click.option("--to", "end", type=words, metavar="TIME", help="With --recording: use it up to this time.")
@laps_option
@dug_option
@sweep_options
@ground_options
@click.option("--leave-out", is_flag=True, help="Leave the outing out of every report; its files stay.")
@click.option("--take-back", is_flag=True, help="Take a left-out outing back.")
def edit_command(site: str, outing: str, recording: str | None, leave_out: bool, take_back: bool, **given: Any) -> None:
    """Correct what was typed for an outing.

    OUTING is its id, such as 2026-03-07a. An empty text takes back what was typed. The recordings are never changed.

    \b
    Example:
      fieldcomb edit north-field 2026-03-07a --coil small --note "rain from noon"
      fieldcomb edit north-field 2026-03-07a --recording bo.gpx --searcher Bo --swath 0.9m
    """
    changes = _changes(leave_out, take_back, given)
    _check_whose(changes, recording)
    from fieldcomb.coverage.actions.edit import edit
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.site.folder import shown

    changed = edit(Path(site), outing, changes, recording=recording, say=say)
    for line in changed:
        say(f"Outing {outing}: {line}")
    if changed:
        say(f"See the map with: fieldcomb report {shown(site)}")
    else:
        say(f"Outing {outing}: nothing to change, it says so already")


def _changes(leave_out: bool, take_back: bool, given: dict[str, Any]) -> dict[str, str | float | bool | None]:
    """Check what ``edit`` was told; empty text stands for nothing typed."""
    if leave_out and take_back:
        raise UsageError("--leave-out and --take-back were both given", hint="Give one of them")
    sweep_given = given["sweeps"] is not None or given["sweep"] is not None
    check_typed({key: given[key] or None for key in ("swath", "gps", "top_pace", "carried", "laps", "lift", "dug")})
    sweep = sweep_s(given.pop("sweeps") or None, given.pop("sweep") or None)
    for key, option in (("start", "--from"), ("end", "--to")):
        if given[key]:
            named(option, parse_time_s, given[key], parse_zone("UTC"))
    toml = {"start": "from", "end": "to"}
    changes: dict[str, str | float | bool | None] = {
        toml.get(key, key): value or None for key, value in given.items() if value is not None
    }
    if sweep_given:
        changes["sweep"] = sweep
    if leave_out or take_back:
        changes["left_out"] = leave_out or None
    if not changes:
        hint = "Say what to change, for example --coil small or --leave-out; fieldcomb edit --help lists all"
        raise UsageError("nothing to change was given", hint=hint)
    return changes


def _check_whose(changes: dict[str, str | float | bool | None], recording: str | None) -> None:
    """Tell what belongs to one recording from what belongs to the whole outing."""
    own = {"searcher": "--searcher", "from": "--from", "to": "--to"}
    whole = {"label": "--label", "note": "--note", "top_pace": "--top-pace", "sweep": "--sweep", "dug": "--dug"}
    whole |= {"ground": "--ground", "lift": "--lift"}
    whole["left_out"] = "--leave-out and --take-back"
    for key in changes:
        if recording is None and key in own:
            raise UsageError(f"{own[key]} is for one recording", hint="Name its file with --recording FILE")
        if recording is not None and key in whole:
            raise UsageError(f"{whole[key]} is for the whole outing", hint="Leave --recording out")
