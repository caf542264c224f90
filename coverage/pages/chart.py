"""Drawings next to the map, as inline SVG: the comb of passes, and how the searched share grew, with its band."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from fieldcomb.coverage.pages.colours_patterns import INK, MISSED, PASS_COLOURS, PASS_NAMES
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.tracks.units import format_percent

_TEETH = 50
_WIDTH, _HEIGHT = 430, 230
_LEFT, _RIGHT, _TOP, _BOTTOM = 48, 18, 24, 46


@dataclass(frozen=True, slots=True)
class Point:
    """One outing on the chart: where it stands along the axis, the share after it, and its name.

    low_pct, high_pct : the range that holds the truth nine times in ten; None of shares as recorded.
    """

    at: float
    share_pct: float
    name: str
    low_pct: float | None = None
    high_pct: float | None = None


def _percent(share_pct: float) -> str:
    return typeset(format_percent(share_pct))


def comb(shares_pct: Sequence[float]) -> Markup:
    """Draw fifty teeth of 2 % each: ground passed over three times or more, twice, once, and not at all."""
    teeth = _deal(shares_pct)
    parts = zip(map(_percent, shares_pct), PASS_NAMES, strict=True)
    words = ", ".join(f"{share} {name}" for share, name in parts)
    marks = []
    for place, passes in enumerate(p for p in (3, 2, 1, 0) for _ in range(teeth[p])):
        x = 1 + place * 8
        if passes:
            marks.append(f'<rect x="{x}" y="6" width="6" height="34" fill="{PASS_COLOURS[passes]}"/>')
        else:  # a broken tooth: outlined, short, and in the colour of what was missed
            box = f'x="{x + 1}" y="7" width="4" height="14"'
            marks.append(f'<rect {box} fill="#fff" stroke="{MISSED}" stroke-width="2"/>')
    back = f'<rect x="0" y="0" width="{_TEETH * 8}" height="6" fill="{INK}"/>'
    head = f"<title>Passes over the ground, one tooth per 2 %</title><desc>{escape(words)}</desc>"
    return Markup(f'<svg class="comb" role="img" viewBox="0 0 {_TEETH * 8} 42">{head}{back}{"".join(marks)}</svg>')


def _deal(shares_pct: Sequence[float]) -> list[int]:
    """Share out the teeth by largest remainder, so that they always add up."""
    total = sum(shares_pct) or 1
    exact = [share / total * _TEETH for share in shares_pct]
    teeth = [math.floor(value) for value in exact]
    by_rest = sorted(range(len(exact)), key=lambda n: (teeth[n] - exact[n], n))
    for n in by_rest[: _TEETH - sum(teeth)]:
        teeth[n] += 1
    return teeth


def growth(points: Sequence[Point], axis: str, whole_steps: bool, of_what: str) -> Markup:
    """Draw the share against hours or outings, from nothing at 0, in its band; every point carries its own title."""
    last = max((point.at for point in points), default=0.0)
    step = _step(last, whole_steps)
    end = max(step, math.ceil(last / step - 1e-9) * step)

    def x(at: float) -> float:
        return round(_LEFT + at / end * (_WIDTH - _LEFT - _RIGHT), 1)

    def y(share: float) -> float:
        return round(_HEIGHT - _BOTTOM - share / 100 * (_HEIGHT - _TOP - _BOTTOM), 1)

    known = [(p.at, p.low_pct, p.high_pct) for p in points if p.low_pct is not None and p.high_pct is not None]
    short = "estimated" if known else "as recorded"
    how = f"{short}, and the range that holds the truth nine times in ten" if known else short
    path = " ".join(f"{x(point.at)},{y(point.share_pct)}" for point in points)
    start = "" if whole_steps and last else f"{x(0)},{y(0)} "
    said = "; ".join(f"{point.name}: {_told(point)} at {_tick(point.at)} {axis}" for point in points)
    parts = [
        f'<svg class="chart" role="img" viewBox="0 0 {_WIDTH} {_HEIGHT}">',
        f"<title>Share of {escape(of_what)} against {escape(axis)}, {how}</title><desc>{escape(said)}</desc>",
        *(_across(share, y(share)) for share in (0, 25, 50, 75, 100)),
        *(_down(n * step, x(n * step)) for n in range(round(end / step) + 1)),
        f'<text x="{_LEFT}" y="14" class="axis">% of {escape(of_what)}, {short}</text>',
        f'<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - 4}" class="axis" text-anchor="end">{escape(axis)}</text>',
        _band([(x(at), y(low), y(high)) for at, low, high in known]),
        f'<polyline points="{start}{path}" fill="none" stroke="{INK}" stroke-width="2.5"/>',
        *_marks(points, [x(p.at) for p in points], [y(p.share_pct) for p in points]),
        "</svg>",
    ]
    return Markup("".join(parts))


def _band(ends: Sequence[tuple[float, float, float]]) -> str:
    """Draw the ranges: an area between the points, and a bar at each, so that one alone is seen too."""
    bars = "".join(
        f'<path d="M{x} {low}V{high}M{x - 6} {low}h12M{x - 6} {high}h12" class="range"/>' for x, low, high in ends
    )
    if len(ends) < 2:
        return bars
    corners = [(x, low) for x, low, _ in ends] + [(x, high) for x, _, high in reversed(ends)]
    return f'<polygon points="{" ".join(f"{x},{y}" for x, y in corners)}" fill="{PASS_COLOURS[1]}"/>{bars}'


def _told(point: Point) -> str:
    if point.low_pct is None or point.high_pct is None:
        return _percent(point.share_pct)
    return typeset(f"{point.share_pct:.0f} % ({point.low_pct:.0f}-{point.high_pct:.0f})")


def _marks(points: Sequence[Point], xs: Sequence[float], ys: Sequence[float]) -> list[str]:
    out = []
    labelled: list[float] = []
    for n in sorted(range(len(points)), key=lambda n: (n != len(points) - 1, n)):  # the last has its label
        title = f"<title>{escape(points[n].name)}: {_told(points[n])}</title>"
        ring = f'cx="{xs[n]}" cy="{ys[n]}" r="5" fill="#fff" stroke="{INK}" stroke-width="2.5"'
        out.append(f"<circle {ring}>{title}</circle>")
        if all(abs(xs[n] - other) > 44 for other in labelled):
            labelled.append(xs[n])
            # Beside the line where it does not rise: below the point, to its right edge near the frame.
            anchor = "end" if xs[n] > _WIDTH - _RIGHT - 26 else "middle"
            low = ys[n] < _TOP + 22
            digits = 0 if points[n].low_pct is not None else 1
            out.append(
                f'<text x="{xs[n]}" y="{ys[n] + (22 if low else -11)}" text-anchor="{anchor}" class="value">'
                f"{points[n].share_pct:.{digits}f}</text>"
            )
    return out


def _across(share: float, y: float) -> str:
    line = f'<path d="M{_LEFT} {y}H{_WIDTH - _RIGHT}" stroke="#9aa0b8" stroke-width="1"/>'
    return f'{line}<text x="{_LEFT - 7}" y="{y + 4.5}" text-anchor="end">{share:.0f}</text>'


def _down(at: float, x: float) -> str:
    foot = _HEIGHT - _BOTTOM
    line = f'<path d="M{x} {foot}v6" stroke="{INK}" stroke-width="1.5"/>'
    return f'{line}<text x="{x}" y="{foot + 20}" text-anchor="middle">{_tick(at)}</text>'


def _tick(at: float) -> str:
    return f"{at:.2f}".rstrip("0").rstrip(".")


def _step(last: float, whole: bool) -> float:
    """The step of the axis: 1, 2 or 5 times a power of ten, at most seven of them."""
    least = max(last, 1e-9) / 7
    power = 10.0 ** math.floor(math.log10(least))
    step = next(power * n for n in (1, 2, 5, 10) if power * n >= least - 1e-12)
    return max(1.0, step) if whole else max(0.1, step)
