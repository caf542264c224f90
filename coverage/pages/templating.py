"""The package's own page files, and the template engine that fills them. All text is escaped, Markup is not."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from fieldcomb.coverage.pages import legend
from fieldcomb.coverage.report import words as wording


def page_file(name: str) -> str:
    """Read one of the package's own page files, such as ``pages/templates/panel.html``."""
    return (files("fieldcomb.coverage") / name).read_text("utf-8")


@lru_cache(maxsize=1)
def _templates() -> Environment:
    env = Environment(
        loader=FunctionLoader(page_file),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    for say in (wording.area, wording.percent, wording.number, wording.hours):
        env.filters[say.__name__] = say
    env.filters |= {"metres": wording.length, "counted": wording.count}
    env.globals.update(
        bearing=wording.bearing,
        team=wording.team,
        peg_words=wording.pegs,
        under_coil=wording.under_coil,
        pace_95=wording.pace_95,
        filled_words=wording.filled,
        colour_swatch=lambda colour: Markup(legend.colour_swatch(colour)),
        searched_swatch=lambda n: Markup(legend.searched_swatch(n)),
        swatch=lambda kind: Markup(legend.swatch(kind)),
        line_swatch=lambda searching: Markup(legend.line_swatch(searching)),
        sign_swatch=lambda kind: Markup(legend.sign_swatch(kind)),
        mark_swatch=lambda kind: Markup(legend.mark_swatch(kind)),
        legend=legend,
    )
    return env


def fill(template: str, **values: object) -> str:
    """Fill one of the package's templates; text is escaped, Markup is not."""
    return _templates().get_template(template).render(**values)
