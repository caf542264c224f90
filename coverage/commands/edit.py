"""The command that corrects what was typed for an outing."""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

import click

from fieldcomb.coverage.commands.options import GivenOnce, check_typed, path, typed_options, words
from fieldcomb.coverage.site.options_fields import FIELD, TypedAt
from fieldcomb.tracks.errors import UsageError


@click.command("edit", cls=GivenOnce)
@click.argument("site", type=path, metavar="SITE")
@click.argument("outing", type=words, metavar="OUTING", required=False)
@typed_options(TypedAt.OUTING | TypedAt.RECORDING)
@click.option("--recording", type=words, metavar="FILE", help="Correct only this file of the outing.")
@click.option("--leave-out", is_flag=True, help="Leave the outing out of every report; its files stay.")
@click.option("--take-back", is_flag=True, help="Include a left-out outing again.")
@click.option("--reopen", type=words, metavar="NAME", help="Open ground again that a mark stop NAME closed.")
def edit_command(
    site: str,
    outing: str | None,
    recording: str | None,
    leave_out: bool,
    take_back: bool,
    reopen: str | None,
    **given: Any,
) -> None:
    """Correct what was typed for an outing.

    OUTING is its id, such as 2026-03-07a. An empty text removes what was typed. The recordings are never changed.

    \b
    Example:
      fieldcomb edit north-field 2026-03-07a --coil small --note "rain from noon"
      fieldcomb edit north-field 2026-03-07a --recording bo.gpx --searcher Bo --swath 0.9m
    """
    if reopen is not None:
        if (
            outing is not None
            or recording
            or leave_out
            or take_back
            or any(value is not None for value in given.values())
        ):
            raise UsageError("--reopen was given with other changes", hint="Use it alone: SITE --reopen NAME")
        _reopen(site, reopen)
        return
    if outing is None:
        _refuse_without_outing(site)
    changes = _changes(leave_out, take_back, given)
    _check_whose(changes, recording)
    from fieldcomb.coverage.actions.edit import edit
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.site.folder import shown

    changed = edit(Path(site), outing, changes, recording=recording, say=say)
    for line in changed:
        say(f"Outing {outing}: {line}")
    if changed:
        say(f"Draw the map with: fieldcomb report {shown(site)}")
    else:
        say(f"Outing {outing}: already has these values; nothing changed")


def _refuse_without_outing(site: str) -> NoReturn:
    """Raise UsageError with the ids that may stand after a site."""
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.site.folder import opened

    with opened(Path(site), say, reading=True) as there:
        raise UsageError("no outing was named", hint=there.known_outings)


def _reopen(site: str, name: str) -> None:
    from fieldcomb.coverage.actions.reopen import reopen
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.site.folder import shown

    own = reopen(Path(site), name, date.today(), say)
    say(f"{own}: open again from today on; kept with its date in site.toml, and the mark stays")
    say(f"Draw the map with: fieldcomb report {shown(site)}")


def _changes(leave_out: bool, take_back: bool, given: Mapping[str, str | None]) -> dict[str, str | float | bool | None]:
    """Return what is to change, by its key in outings.toml; None takes back what was typed."""
    if leave_out and take_back:
        raise UsageError("--leave-out and --take-back were both given", hint="Use one of them")
    changes: dict[str, str | float | bool | None] = {**check_typed(given, empty_takes_back=True)}
    if leave_out or take_back:
        changes["left_out"] = leave_out or None
    if not changes:
        hint = "Name what to change, for example --coil small or --leave-out; fieldcomb edit --help lists everything"
        raise UsageError("no change was named", hint=hint)
    return changes


def _check_whose(changes: Mapping[str, object], recording: str | None) -> None:
    """Tell what belongs to one recording from what belongs to the whole outing."""
    for key in changes:
        option = "--leave-out and --take-back" if key == "left_out" else FIELD[key].option
        places = TypedAt.OUTING if key == "left_out" else FIELD[key].places
        if recording is None and TypedAt.OUTING not in places:
            raise UsageError(f"{option} is for one recording", hint="Name its file with --recording FILE")
        if recording is not None and TypedAt.RECORDING not in places:
            raise UsageError(f"{option} is for the whole outing", hint="Leave --recording out")
