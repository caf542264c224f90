"""The options of the commands, made from the table of fields, and how what was typed is checked before any work."""

import os
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import click

from fieldcomb.coverage.site.options_fields import FIELD, Field, TypedAt, fields_of
from fieldcomb.tracks.errors import UsageError

MOST_EPSG_DIGITS = 6
MOST_JOBS = 64  # each takes its own memory
F = TypeVar("F", bound=Callable[..., Any])
Kept = dict[str, str | float | None]  # what is kept of what was typed, by its key in outings.toml


def words(value: str) -> str:
    """Return a text of any kind; bytes that are no text become a mark, so that it can be written down."""
    return os.fsencode(value).decode("utf-8", "replace")


def path(value: str) -> str:
    """Return the name of a file or folder as typed; whether it is there is checked later, where more can be said."""
    if not value:
        raise UsageError("an empty file name was given", hint="Type the name of a file or folder")
    if "\0" in value:
        raise UsageError("a file name holds a zero byte", hint="Type the name of a file or folder")
    return value


class GivenOnce(click.Command):
    """A command that refuses an option given twice: all but the last value would be lost without a word."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Check what was typed, and take it as ever; UsageError for an option that stands in it twice."""
        _, _, order = self.make_parser(ctx).parse_args(args=list(args))
        given = [one for one in order if isinstance(one, click.Option) and not one.is_flag]
        twice = next((one for one in given if given.count(one) > 1), None)
        if twice is not None:
            name = max(twice.opts, key=len)
            raise click.UsageError(
                f"Option {name} is given {given.count(twice)} times: keep the one that you mean", ctx
            )
        return super().parse_args(ctx, args)


def typed_options(places: TypedAt) -> Callable[[F], F]:
    """Return what adds an option for each field of these places to a command, in the order of the table.

    Its value comes under the field's key. Where a whole outing is corrected, what belongs to one recording says so.
    """

    def add(command: F) -> F:
        for field in reversed(fields_of(places)):
            with_recording = TypedAt.OUTING in places and TypedAt.OUTING not in field.places
            text = f"With --recording: {field.help[0].lower()}{field.help[1:]}" if with_recording else field.help
            option = click.option(field.option, field.key, type=words, metavar=field.metavar, help=text)
            command = option(command)
        return command

    return add


walk_options = typed_options(TypedAt.ADDED)
depth_option = typed_options(TypedAt.REPORT)
full_option = click.option("--full", is_flag=True, help="Print every number, not only the answer.")
epsg_option = click.option(
    "--epsg", type=words, metavar="N", help="Write files for a GIS in this coordinate system, by its EPSG number."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print report.json instead.")


def walks_to_add(kept: Kept, tracks: Sequence[str], **more: Any) -> Any:
    """Return files, what was typed for them (checked by ``check_typed``) and ``more`` of it, as ``WalksToAdd``."""
    from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
    from fieldcomb.coverage.site.settings import Typed

    typed = dict(kept)
    start, end, label, note = (str(typed.pop(key, None) or "") or None for key in ("from", "to", "label", "note"))
    walks = [WalkToAdd(track, start, end) for track in tracks]
    return WalksToAdd(walks, Typed(**typed), label, note, **more)  # type: ignore[arg-type]


def cell_option(command: F) -> F:
    """Add ``--cell`` alone."""
    field = FIELD["cell"]
    return click.option(field.option, type=words, metavar=field.metavar, default="10cm", help=field.help)(command)


def boundary_option(command: F) -> F:
    """Add ``--boundary``."""
    text = "The edge of the site, and no-go ground in it: closed shapes in a GeoJSON, GPX or KML file."
    return click.option("--boundary", type=path, metavar="FILE", help=text)(command)


def jobs_option(command: F) -> F:
    """Add ``--jobs``."""
    text = "How many processes work at once. Default: one for each core; 1 uses the least memory."
    return click.option("--jobs", type=words, metavar="N", help=text)(command)


def read_epsg(text: str | None) -> int | None:
    """Return the number of a coordinate system as typed; UsageError for what is no number."""
    if text is None:
        return None
    digits = text.strip().upper().removeprefix("EPSG:")
    if not (digits.isascii() and digits.isdigit() and len(digits) <= MOST_EPSG_DIGITS):
        raise UsageError(f"--epsg: {text!r} is not a number", hint="Write it as --epsg 25832")
    return int(digits)


def read_jobs(text: str | None) -> int:
    """Return how many processes may work, as typed or as many as there are cores; UsageError for what is no number."""
    from fieldcomb.coverage.pool.workers import cores

    if text is None:
        return cores()
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= MOST_JOBS):
        raise UsageError(
            f"--jobs: {text!r} is not a number from 1 to {MOST_JOBS}", hint="Leave it out to use all cores"
        )
    return int(text)


def check_typed(given: Mapping[str, str | None], *, empty_takes_back: bool = False) -> Kept:
    """Return what is to be kept of the options that were given, by its key in outings.toml.

    ``empty_takes_back``: an empty text stands for None, which takes back what was typed before.

    Raises UsageError: a value cannot be, with the option's name; or the sweep was given twice.
    """
    kept: Kept = {}
    for key, text in given.items():
        if text is None:
            continue
        field = FIELD[key]
        if field.kept_key in kept:
            raise UsageError("--sweeps and --sweep were both given", hint="Use the one that you measured")
        kept[field.kept_key] = None if empty_takes_back and not text else kept_of(field, text)
    return kept


def kept_of(field: Field, text: str) -> str | float:
    """Return what is to be kept of an option's text; UsageError has the option's name."""
    return named(field.option, field.kept, text)  # type: ignore[no-any-return]


def read_option(key: str, text: str | None) -> Any:
    """Return what the text of an option means, in SI units; None when it was not given."""
    return None if text is None else named(FIELD[key].option, FIELD[key].read, text)


def named(option: str, check: Callable[..., Any], *values: Any) -> Any:
    """Run a check, and put the option's name before what it complains of."""
    try:
        return check(*values)
    except UsageError as error:
        raise UsageError(f"{option}: {error.problem}", hint=error.hint) from error
