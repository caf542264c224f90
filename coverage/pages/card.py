"""The card to carry: one printable page with recorder settings, the marks, the coils and the cautions."""

from collections.abc import Mapping, Sequence

from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.site.settings import KnownCoil, Settings
from fieldcomb.tracks.marks.vocabulary import ENGLISH, MARK_KINDS, fold
from fieldcomb.tracks.units import format_length
from fieldcomb.tracks.values import dataclass

MOST_COILS = 5  # more do not fit on one page
MOST_WORDS = 3  # of a site's own for one mark
MOST_WORD_LETTERS = 20
MOST_OF_NAME = 100

# What each mark does, and an example, by the kind of mark.
_MEANINGS = {
    "off": ("from here you are not searching", "off"),
    "on": ("you are searching again", "on"),
    "coil": ("from here on with another coil: its name, or its size", "coil small"),
    "lane": ("you are in this lane, or begin it", "lane 12"),
    "peg": ("you touch this gate post, tree or peg; again every 5 min or so", "peg gate"),
    "keep": ("a find that you keep", "keep silver coin"),
    "junk": ("dug, and junk", "junk"),
    "left": ("heard, and not dug", "left iron"),
    "count": ("a count square of 1 m x 1 m: how many signals", "count 14"),
    "blocked": ("no one can search here: what it is, how wide", "blocked tree 3m"),
    "stop": ("leave this ground alone: 5 m all round are taken out", "stop metal case"),
    "spacing": ("how far it is from this lane to the next; ten of these sharpen the percentage", "spacing 1.4m"),
}


@dataclass(frozen=True, slots=True)
class MarkRow:
    """One row of the table of marks."""

    words: tuple[str, ...]
    does: str
    example: str


@dataclass(frozen=True, slots=True)
class CoilRow:
    """One coil of the site."""

    name: str
    size: str
    swing: str


def card_html(settings: Settings | None = None, advice: str = "") -> str:
    """Return the card as one page of HTML that fetches nothing, with the words and coils of a site if given.

    advice : a sentence of the site's report, on what to measure next.

    Pure: the same site gives the same text.
    """
    words = ENGLISH if settings is None else settings.words
    coils = [] if settings is None else [_coil(known) for _, known in sorted(settings.coils.items())]
    return fill(
        "pages/templates/card.html",
        site=None if settings is None else _short(settings.name, MOST_OF_NAME),
        marks=[_mark(kind, words, coils) for kind in MARK_KINDS],
        coils=coils[:MOST_COILS],
        more=len(coils[MOST_COILS:]),
        advice=advice,
    )


def _mark(kind: str, words: Mapping[str, str], coils: Sequence[CoilRow]) -> MarkRow:
    own = [word for word, meant in words.items() if meant == kind and word != fold(kind)]
    shown = [_short(word) for word in own[:MOST_WORDS]]
    more = [f"{len(own) - len(shown)} more"] if len(own) > len(shown) else []
    does, example = _MEANINGS[kind]
    if kind == "coil" and coils:
        example = f"coil {coils[-1].name}"
    return MarkRow((kind, *shown, *more), does, example)


def _coil(known: KnownCoil) -> CoilRow:
    coil = known.coil
    round_ = coil.width_m == coil.length_m
    size = format_length(coil.width_m) + ("" if round_ else f" x {format_length(coil.length_m)}")
    swing = "not measured" if known.swath_m is None else format_length(known.swath_m)
    return CoilRow(_short(coil.name), size, swing)


def _short(text: str, most: int = MOST_WORD_LETTERS) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
