"""Colours, patterns and signs of the map, and the board on which layers are chosen.

Passes are one hue from light to dark, so that they also part in grey; what was missed is vermilion, which people who
confuse red and green can still distinguish from indigo; and every area has its own pattern, so that nothing depends
on colour.
"""

from fieldcomb.tracks.values import dataclass

INK = "#14163a"
PASS_COLOURS = ("#ffffff", "#b9c4f2", "#6d7fd8", "#28308c")  # 0, 1, 2, 3 or more
PASS_NAMES = ("not passed over", "once", "twice", "three times or more")
DIFFERENCE_COLOURS = ("#ffffff", "#f2c230", "#6d7fd8", "#2b2b33")  # neither, first only, second only, both
MISSED = "#c93400"
# Chance that the coil passed, in fifths: green, so that it is not taken for a count of passes.
CHANCE_COLOURS = ("#ffffff", "#a9d8b8", "#66a97f", "#2f7a52", "#063a22")
CHANCE_NAMES = ("under 20 %", "20 to 40 %", "40 to 60 %", "60 to 80 %", "over 80 %")

# Pace, by the share under the coil in a pass: one hue, lighter where slower, which parts in grey and for all eyes.
PACE_COLOURS = ("#ffffff", "#fdebc8", "#f6c27a", "#dd8a3a", "#a5521a", "#5a2708", "#bdbdbd")
PACE_NAMES = (
    "not passed over",
    "95 % or more",
    "80 to 95 %",
    "60 to 80 %",
    "40 to 60 %: fast",
    "under 40 %: too fast",
    "walked without times",
)

# Searched for, by class of target: one hue from dark to light; ground where the class was heard and left is striped,
# so that its pattern distinguishes it from both. The last is the other half of the stripes.
SEARCHED_COLOURS = ("#ffffff", "#5e0b40", "#b4558f", "#5e0b40", "#bdbdbd", "#f0d5e6")
SEARCHED_NAMES = (
    "not passed over",
    "passed over, all of the class dug",
    "passed over, part of the class dug",
    "heard, not dug: its numbers were left",
    "passed over, what was dug not stated",
)
STRIPED = 3  # of SEARCHED_NAMES


# Swept with the larger coil and not yet with the smaller: one hue, darker where junk hid much from the larger.
PAIR_COLOURS = ("#ffffff", "#e6b96b", "#6b3f00")
PAIR_NAMES = ("neither, or with both", "not yet with the smaller coil", "the same, where junk hid much")

# Walks by outing, coil or person: lines on white, which three kinds of colour-blind eyes can still tell apart. Where
# there are more than six, the colours come again with dashes.
LINE_COLOURS = ("#000000", "#ffb000", "#b2006b", "#56b4e9", "#6a00a8", "#005f00")
LINE_DASHES = (None, "9 5", "2 5")


@dataclass(frozen=True, slots=True)
class AreaPattern:
    """How one kind of area is drawn: outline, its dashes, and the inside of a pattern tile of size x size pixels."""

    colour: str
    weight: float
    dashes: str
    size: int
    tile: str


def _on(ground: str, size: int, path: str, ink: str, width: float = 0) -> str:
    """A tile of one colour with a path on it: drawn as a line where a width is given, else filled."""
    look = f'fill="none" stroke="{ink}" stroke-width="{width:g}"' if width else f'fill="{ink}"'
    return f'<path d="M0 0h{size}v{size}H0z" fill="{ground}"/><path d="{path}" {look}/>'


PATTERNS = {
    "site": AreaPattern(INK, 2.5, "", 4, ""),
    "strip": AreaPattern(MISSED, 2, "", 7, _on("#fff", 7, "M-1 8L8 -1", MISSED, 3.4)),
    "certain": AreaPattern(MISSED, 2, "", 4, _on(MISSED, 4, "", MISSED)),
    "likely": AreaPattern(MISSED, 2, "", 7, _on("#fff", 7, "M-1 8L8 -1", MISSED, 3.4)),
    "open": AreaPattern("#6a6f8c", 1.2, "1 4", 10, _on("#fff", 10, "M4 5a1 1 0 1 0 2 0a1 1 0 1 0 -2 0z", "#6a6f8c")),
    "other-outings": AreaPattern("#6d7fd8", 1.5, "6 3", 8, _on("#fff", 8, "M0 4h8", "#6d7fd8", 1.2)),
    "not-recorded": AreaPattern("#222", 1.5, "2 3", 5, _on("#fff", 5, "M-1 -1L6 6", "#222", 1.4)),
    "no-go": AreaPattern("#000", 2.5, "", 9, _on("#fff", 9, "M0 0L9 9M9 0L0 9", "#000", 1.3)),
    "blocked": AreaPattern("#000", 1.5, "", 8, _on("#55565f", 8, "M2 2h4v4H2z", "#fff")),
    "filled": AreaPattern("#00594c", 2, "6 3", 8, _on("#d8f0ea", 8, "M1 4h6M4 1v6", "#00594c", 1.6)),
    "junk": AreaPattern("#6b3f00", 2, "3 3", 11, _on("#ffe9b8", 11, "M2.5 9L5.5 2.5L8.5 9z", "#6b3f00")),
    "walked": AreaPattern(
        "#3d3d3d", 2, "9 3", 10, _on("#f4f1ea", 10, "M1 3q2 -2.4 4 0t4 0M1 8q2 -2.4 4 0t4 0", "#3d3d3d", 1.2)
    ),
    "ended": AreaPattern("#000", 2, "2 5", 12, _on("#fff", 12, "M4 4h3v3H4z", "#000")),
    "place": AreaPattern(INK, 2.5, "9 5", 12, _on("#fff", 12, "M2 9L6 4L10 9", INK, 1)),
    "missed-place": AreaPattern(INK, 2.5, "9 5", 4, '<path d="M0 0h4v4H0z" fill="none"/>'),
    "lane": AreaPattern("#5e0b40", 2, "", 6, _on("#fff", 6, "M0 3h6", "#5e0b40", 1.4)),
    "lane-done": AreaPattern("#5e0b40", 0.8, "1 3", 4, '<path d="M0 0h4v4H0z" fill="none"/>'),
    "heard": AreaPattern("#00535e", 2, "1 4", 9, _on("#fff", 9, "M4.5 1v7M1 4.5h7", "#00535e", 1.2)),
    "hot-spot": AreaPattern("#b2006b", 3.5, "13 5 2 5", 4, '<path d="M0 0h4v4H0z" fill="none"/>'),
    "stale": AreaPattern("#6d7fd8", 1, "2 4", 6, '<path d="M0 2h6" stroke="#fff" stroke-width="3.6"/>'),
    "outline": AreaPattern(INK, 2, "", 4, _on("#b9c4f2", 4, "", INK)),
}
# This ground is searched: its passes must be seen.
SEEN_THROUGH = ("filled", "junk", "walked", "ended", "place", "heard")
MISSED_NAMES = {
    "certain": "missed between passes, certain",
    "likely": "missed between passes, likely",
    "strip": "missed between passes",
    "open": "not reached yet",
}
AREA_NAMES = {
    "site": "site outline",
    "no-go": "no-go: do not search here",
    "blocked": "blocked: cannot be searched",
    "filled": "filled ground",
    "junk": "junk",
    "walked": "said to have been walked: no recording",
    "ended": "once no-go or blocked, no longer",
}

# Signs for stops, as paths of M and L around 0, 0 in pixels: three shapes and three sizes.
STOP_SIGNS = {"dig": "M-6 -5L6 -5L0 6z", "pause": "M-4 -4L4 -4L4 4L-4 4z", "break": "M0 -9L9 0L0 9L-9 0z"}
STOP_NAMES = {"dig": "dig", "pause": "pause", "break": "break (over 10 minutes)"}


# Signs for marks, drawn likewise and distinguished by shape; what to leave alone is the largest, and the only one in
# red.
MARK_SIGNS = {
    "stop": "M-5 -13L5 -13L13 -5L13 5L5 13L-5 13L-13 5L-13 -5zM-9 -2L9 -2L9 2L-9 2z",
    "keep": "M0 -11L3 -4L10 -3L5 2L6 9L0 6L-6 9L-5 2L-10 -3L-3 -4z",
    "junk": "M-8 -5L-5 -8L0 -3L5 -8L8 -5L3 0L8 5L5 8L0 3L-5 8L-8 5L-3 0z",
    "left": "M-5 -9L5 -9L10 0L5 9L-5 9L-10 0zM-2 -4L2 -4L5 0L2 4L-2 4L-5 0z",
    "count": "M-8 -8L8 -8L8 8L-8 8zM-4 -4L4 -4L4 4L-4 4z",
    "lane": "M0 -10L9 0L4 0L4 9L-4 9L-4 0L-9 0z",
    "peg": "M-3 -9L3 -9L3 -3L9 -3L9 3L3 3L3 9L-3 9L-3 3L-9 3L-9 -3L-3 -3z",
    "coil": "M-11 0L-5 -6L-5 -2L5 -2L5 -6L11 0L5 6L5 2L-5 2L-5 6z",
    "off": "M-7 -8L-2 -8L-2 8L-7 8zM2 -8L7 -8L7 8L2 8z",
    "on": "M-6 -9L9 0L-6 9z",
    "blocked": "M-8 -9L8 -9L0 0L8 9L-8 9L0 0z",
    "spacing": "M-9 -8L-6 -8L-6 -2L6 -2L6 -8L9 -8L9 8L6 8L6 2L-6 2L-6 8L-9 8z",
    "note": "M-8 -8L8 -8L8 4L0 4L-5 9L-5 4L-8 4z",
    "press": "M-6 -8L6 -8L6 3L0 9L-6 3z",
}


# Targets that were buried on purpose: found, and not found, a hole in it.
PLANTED_SIGNS = {
    "planted-found": "M-8 9L-8 -2L0 -10L8 -2L8 9z",
    "planted-missed": "M-8 9L-8 -2L0 -10L8 -2L8 9zM-4 5L4 5L4 0L0 -4L-4 0z",
}
PLANTED_NAMES = {"planted-found": "planted, found", "planted-missed": "planted, not found"}


def mark_colour(kind: str) -> str:
    """Colour inside the sign of a mark."""
    return MISSED if kind == "stop" else INK


def mark_swatch(kind: str) -> str:
    """A sample of the sign of one kind of mark."""
    look = f'fill="{mark_colour(kind)}" fill-rule="evenodd"'
    sign = (MARK_SIGNS | PLANTED_SIGNS)[kind]
    return swatch_with(f'<path transform="translate(17 11) scale(.8)" d="{sign}" {look}/>')


def style(kind: str) -> dict[str, object]:
    """Leaflet's path options for one kind of area; the site is outlined only, so that passes stay visible."""
    pattern = PATTERNS[kind]
    options: dict[str, object] = {"color": pattern.colour, "weight": pattern.weight, "fill": bool(pattern.tile)}
    if pattern.tile:
        options |= {"fillColor": f"url(#fc-{kind})", "fillOpacity": 0.45 if kind in SEEN_THROUGH else 1}
    if pattern.dashes:
        options["dashArray"] = pattern.dashes
    return options


def pattern_defs() -> str:
    """The SVG definitions that every pattern of map and legend refers to."""
    tiles = "".join(
        f'<pattern id="fc-{kind}" width="{p.size}" height="{p.size}" patternUnits="userSpaceOnUse">{p.tile}</pattern>'
        for kind, p in PATTERNS.items()
        if p.tile
    )
    return f'<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>{tiles}</defs></svg>'


def swatch(kind: str) -> str:
    """A sample of one area for the legend, drawn with the very pattern of the map."""
    p = PATTERNS[kind]
    dashes = p.dashes or "none"
    if kind == "hot-spot":
        look = f'stroke="{p.colour}" stroke-width="{p.weight}" stroke-dasharray="{dashes}"'
        return swatch_with(f'<circle cx="17" cy="11" r="8.5" fill="#fff" {look}/>')
    below = f'<path d="M1.5 1.5h31v19h-31z" fill="{PASS_COLOURS[2]}"/>' if kind == "stale" else ""
    fill = f"url(#fc-{kind})" if p.tile else "#fff"
    box = f'x="1.5" y="1.5" width="31" height="19" fill="{fill}" stroke="{p.colour}" stroke-width="{p.weight}"'
    return swatch_with(f'{below}<rect {box} stroke-dasharray="{dashes}"/>')


def colour_swatch(colour: str) -> str:
    """A sample of one raster value for the legend."""
    return swatch_with(f'<rect x="1" y="1" width="32" height="20" fill="{colour}" stroke="{INK}" stroke-width="1.5"/>')


def searched_swatch(n: int) -> str:
    """A sample of ground by what was dug there; the striped one with the stripes of the map."""
    if n != STRIPED:
        return colour_swatch(SEARCHED_COLOURS[n])
    stripes = f'<path d="M1 10L10 1M1 19L19 1M8 21L28 1M17 21L33 5M26 21L33 14" stroke="{SEARCHED_COLOURS[n]}"'
    box = f'<rect x="1" y="1" width="32" height="20" fill="none" stroke="{INK}" stroke-width="1.5"/>'
    return swatch_with(f'<path d="M1 1h32v20H1z" fill="{SEARCHED_COLOURS[-1]}"/>{stripes} stroke-width="3.4"/>{box}')


def walk_swatch(number: int) -> str:
    """A sample of a walk in the colour and dashes of the outing, coil or person with this number from 0 on."""
    colour, dashes = (
        LINE_COLOURS[number % len(LINE_COLOURS)],
        LINE_DASHES[number // len(LINE_COLOURS) % len(LINE_DASHES)],
    )
    look = f'fill="none" stroke="{colour}" stroke-width="3.4" stroke-dasharray="{dashes or "none"}"'
    return swatch_with(f'<path d="M1 11H33" {look}/>')


def line_swatch(searching: bool) -> str:
    """A sample of a walk: searching, or walking without searching."""
    dashes = "none" if searching else "2 5"
    line = f'<path d="M1 16L12 6L22 16L33 6" fill="none" stroke="#000" stroke-width="2" stroke-dasharray="{dashes}"/>'
    return swatch_with(line)


def sign_swatch(kind: str) -> str:
    """A sample of one sign for stops."""
    fill = "#000" if kind == "dig" else "#fff"
    look = f'fill="{fill}" stroke="#000" stroke-width="2"'
    return swatch_with(f'<path transform="translate(17 11)" d="{STOP_SIGNS[kind]}" {look}/>')


def swatch_with(inside: str) -> str:
    """A sample for the legend, with what is drawn in it."""
    return f'<svg class="swatch" width="34" height="22" viewBox="0 0 34 22" aria-hidden="true">{inside}</svg>'


@dataclass(frozen=True, slots=True)
class Choice:
    """One entry of a list of which one is shown; ``group`` is the heading it stands under."""

    key: str
    text: str
    group: str


@dataclass(frozen=True, slots=True)
class Tick:
    """One layer that is switched on and off for itself, with the kind of area that its sample shows."""

    key: str
    text: str
    kind: str
    shown: bool


@dataclass(frozen=True, slots=True)
class Board:
    """Everything that can be chosen on the map, and what to know about how it was drawn."""

    ground: tuple[Choice, ...]
    walks: tuple[Choice, ...]
    ticks: tuple[Tick, ...]
    notes: tuple[str, ...]
