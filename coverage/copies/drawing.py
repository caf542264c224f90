"""Squares and outline as inline SVG in whole metres from the ground's own corner, without scripts, ids or comments."""

from collections.abc import Sequence

from markupsafe import Markup, escape

from fieldcomb.coverage.copies.own_frame import Ring
from fieldcomb.coverage.copies.squares import NO_GROUND, STEP_NAMES, CoarseSquares
from fieldcomb.coverage.pages.colours_patterns import INK, PASS_COLOURS
from fieldcomb.coverage.places.places import letter_of

_EDGE = "#9aa0b8"
SHARE_COLOURS = ("#ece7dd", *PASS_COLOURS[1:])  # the first is not white, which is ground that is not part of the site
_MOST_LABELS = 26  # of columns or rows; where there are more, every fifth has its own
_MOST_SINGLE = 3000  # squares that are drawn one by one
_BARS_M = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000)


def draw_squares(
    squares: CoarseSquares, title: str, outline: Sequence[Ring] = (), *, names: bool, north: bool
) -> Markup:
    """Draw ground in squares.

    title : of the drawing, for who cannot see it. outline : edges of the ground in metres from its corner.
    names : whether columns and rows have their letters and numbers. north : whether it is told that north is up.
    """
    side, wide, high = squares.side_m, squares.cols * squares.side_m, squares.rows * squares.side_m
    left = top = 2 * side if names else side // 2
    foot = 2 * side
    box = f"{-left} {-top} {wide + left + side} {high + top + foot}"
    parts = [
        f'<svg class="ground" role="img" viewBox="{box}"><title>{escape(title)}</title>',
        f"<desc>{escape(_in_words(squares))}</desc>",
        *(_level(squares, level) for level in range(1, len(STEP_NAMES) + 1)),
        *(_ring(ring, high) for ring in outline),
        *(_names(squares) if names else ()),
        _bar(wide, high, squares),
        _north(wide, squares) if north else "",
        "</svg>",
    ]
    return Markup("".join(parts))


def _level(squares: CoarseSquares, level: int) -> str:
    """Draw the squares of one step, where there are very many those beside each other as one."""
    side, path = squares.side_m, []
    each = squares.cols * squares.rows <= _MOST_SINGLE
    for row, levels in enumerate(squares.levels):
        start = None
        for col, here in enumerate([*levels, NO_GROUND]):
            if here == level and start is None:
                start = col
            elif start is not None and (here != level or each):
                path.append(f"M{start * side} {row * side}h{(col - start) * side}v{side}h{(start - col) * side}z")
                start = col if here == level else None
    look = f'fill="{SHARE_COLOURS[level - 1]}" stroke="{_EDGE}"'
    return f'<path class="thin" d="{"".join(path)}" {look}/>' if path else ""


def _ring(ring: Ring, high: int) -> str:
    points = " ".join(f"{right},{high - up}" for right, up in ring)
    return f'<polygon class="line" points="{points}" fill="none" stroke="{INK}"/>'


def _names(squares: CoarseSquares) -> list[str]:
    side, size = squares.side_m, _size(squares)
    cols = [
        f'<text x="{col * side + side // 2}" y="{-side // 2}" text-anchor="middle" {size}>{letter_of(col)}</text>'
        for col in range(squares.cols)
        if (squares.cols <= _MOST_LABELS or col % 5 == 0) and any(row[col] != NO_GROUND for row in squares.levels)
    ]
    rows = [
        f'<text x="{-side // 2}" y="{row * side + side * 7 // 10}" text-anchor="end" {size}>{row + 1}</text>'
        for row in range(squares.rows)
        if (squares.rows <= _MOST_LABELS or row % 5 == 4) and any(n != NO_GROUND for n in squares.levels[row])
    ]
    return cols + rows


def _size(squares: CoarseSquares) -> str:
    """Return the size of letters: as in the text around, and never larger than a square."""
    side = squares.side_m
    size = min(side * 3 // 5, max(squares.cols, squares.rows) * side // 25)
    return f'font-size="{max(size, 1)}"'


def _bar(wide: int, high: int, squares: CoarseSquares) -> str:
    """Draw a bar of a round length below the ground."""
    side, size = squares.side_m, _size(squares)
    long = max((bar for bar in _BARS_M if bar <= wide / 2), default=_BARS_M[0])
    line = (
        f'<path class="line" d="M0 {high + side // 2}v{side // 2}h{long}v{-(side // 2)}" fill="none" stroke="{INK}"/>'
    )
    return f'{line}<text x="{long + side // 2}" y="{high + side}" {size}>{long}\u202fm</text>'


def _north(wide: int, squares: CoarseSquares) -> str:
    """Draw an arrow to the north beside the top right corner."""
    side, size = squares.side_m, _size(squares)
    x = wide + side // 2
    head = f"M{x} {side * 3}v{-3 * side}M{x - side // 4} {side // 2}L{x} 0L{x + side // 4} {side // 2}"
    arrow = f'<path class="line" d="{head}" fill="none" stroke="{INK}"/>'
    return f'{arrow}<text x="{x}" y="{-(side // 5)}" text-anchor="middle" {size}>N</text>'


def _in_words(squares: CoarseSquares) -> str:
    """Say how many squares there are of each step."""
    flat = [level for row in squares.levels for level in row]
    counts = (f"{flat.count(n)} searched {name}" for n, name in enumerate(STEP_NAMES, 1))
    return f"Squares of {squares.side_m} m: {', '.join(counts)}"
