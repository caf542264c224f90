"""The package's own page files, and the template engine that fills them. All text is escaped, Markup is not."""

from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from importlib.resources import files

from jinja2 import Environment, FileSystemBytecodeCache, FunctionLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup

from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.report import words as wording
from fieldcomb.tracks.units import (
    format_area,
    format_count,
    format_duration,
    format_length,
    format_number,
    format_percent,
    format_square_metres,
)


def page_file(name: str) -> str:
    """Read one of the package's own page files, such as ``pages/templates/panel.html``."""
    room, file = name.split("/", 1)  # by its room, as an install that was taken away may leave its folders behind
    return (files(f"fieldcomb.coverage.{room}") / file).read_text("utf-8")


_FILTERS: dict[str, Callable[..., str]] = {
    "area": format_area,
    "counted": format_count,
    "duration": format_duration,
    "metres": format_length,
    "number": format_number,
    "percent": format_percent,
    "square_metres": format_square_metres,
}


def _typeset(format_value: Callable[..., str]) -> Callable[..., str]:
    return lambda *values: typeset(format_value(*values))


class KeptTemplates(FileSystemBytecodeCache):
    """Compiled templates in a folder, if it is there and may be written to: making those of a map takes 60 ms.

    They are known by the text of the template and of this module, and by the version of Python.
    """

    def __init__(self, folder: object) -> None:
        super().__init__(str(folder), "%s.template")

    def get_source_checksum(self, source: str) -> str:
        """Return what a kept template must have been made of."""
        return super().get_source_checksum(source + page_file("pages/templating.py"))

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take a template that is kept, if it is sound."""
        try:
            super().load_bytecode(bucket)
        except Exception:  # a damaged file: made again
            bucket.reset()

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template that was made."""
        with suppress(OSError):  # no such folder, or not ours to write: made again the next time
            super().dump_bytecode(bucket)


@lru_cache(maxsize=1)
def _templates() -> Environment:
    env = Environment(
        loader=FunctionLoader(page_file),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        bytecode_cache=KeptTemplates(files("fieldcomb.coverage.pages") / "__pycache__"),  # as Python does
    )
    env.filters |= {name: _typeset(format_value) for name, format_value in _FILTERS.items()}
    env.globals.update(
        format_team=wording.format_team,
        format_pegs=wording.format_pegs,
        format_interval=wording.format_interval,
        format_spacings=wording.format_spacings,
        format_under_coil=wording.format_under_coil,
        format_pace_95=wording.format_pace_95,
        format_filled=wording.format_filled,
        colour_swatch=lambda colour: Markup(legend.colour_swatch(colour)),
        searched_swatch=lambda n: Markup(legend.searched_swatch(n)),
        swatch=lambda kind: Markup(legend.swatch(kind)),
        line_swatch=lambda searching: Markup(legend.line_swatch(searching)),
        walk_swatch=lambda number: Markup(legend.walk_swatch(number)),
        sign_swatch=lambda kind: Markup(legend.sign_swatch(kind)),
        mark_swatch=lambda kind: Markup(legend.mark_swatch(kind)),
        legend=legend,
    )
    return env


def fill(template: str, **values: object) -> str:
    """Fill one of the package's templates; text is escaped, Markup is not."""
    return _templates().get_template(template).render(**values)
