"""Drawings next to the map, as inline SVG: the comb of passes, and how the searched share grew, with its band."""

import math
from collections.abc import Sequence

from markupsafe import Markup, escape

from fieldcomb.coverage.pages.colours_patterns import INK, MISSED, PASS_COLOURS, PASS_NAMES
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.tracks.units import format_percent
from fieldcomb.tracks.values import dataclass

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


def _percent(share_pct: float, places: int = 1) -> str:
    return typeset(format_percent(share_pct, places))


def comb(shares_pct: Sequence[float], places: int = 1) -> Markup:
    """Draw fifty teeth of 2 % each: ground passed over three times or more, twice, once, and not at all.

    places : decimals of the shares where they are read out.
    """
    teeth = _deal(shares_pct)
    words = ", ".join(f"{_percent(share, places)} {name}" for share, name in zip(shares_pct, PASS_NAMES, strict=True))
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


# -------------------------------------------------------------------------------------------------- what finds say

KEPT, JUNK = PASS_COLOURS[3], "#f6c27a"
_MOST_BARS = 60  # of years: more are not told apart, and the rest is counted in the title
_BAR_HEIGHT, _MOST_NUMBERS = 12, 100


def number_bars(coil: str, bands: Sequence[tuple[int, int, int, int]]) -> Markup:
    """Draw what target numbers were with one coil: kept upward, junk downward.

    bands : (first number, last number, kept, junk), in rising order.
    """
    least, most = (min(b[0] for b in bands), max(b[1] for b in bands) + 1) if bands else (0, _MOST_NUMBERS)
    up, down = (max([1, *(b[k] for b in bands)]) for k in (2, 3))
    high = _HEIGHT - _TOP - _BOTTOM
    zero = round(_TOP + high * up / (up + down), 1)
    step = high / (up + down)

    def x(number: float) -> float:
        return round(_LEFT + (number - least) / (most - least) * (_WIDTH - _LEFT - _RIGHT), 1)

    bars = []
    for first, last, kept, junk in bands:
        left, wide = x(first) + 1, round(x(last + 1) - x(first) - 2, 1)
        title = f"<title>{first}-{last}: {kept} kept, {junk} junk</title>"
        for count, fill, top in ((kept, KEPT, zero - kept * step), (junk, JUNK, zero)):
            if count:
                box = f'x="{left}" y="{top:.1f}" width="{wide}" height="{count * step:.1f}"'
                bars.append(f'<rect {box} fill="{fill}" stroke="{INK}" stroke-width="1">{title}</rect>')
    every = 5 if most - least <= 40 else 10
    ticks = [n for n in range(least, most + 1) if n % every == 0]
    name = f" with {coil}" if coil else ""
    said = "; ".join(f"{first}-{last}: {kept} kept, {junk} junk" for first, last, kept, junk in bands)
    parts = [
        f'<svg class="chart" role="img" viewBox="0 0 {_WIDTH} {_HEIGHT}">',
        f"<title>Finds by target number{escape(name)}</title><desc>{escape(said)}</desc>",
        *(_counted(count, round(zero - sign * count * step, 1)) for sign, count in ((1, up), (-1, down))),
        *(_down(n, x(n)) for n in ticks),
        *bars,
        f'<path d="M{_LEFT} {zero}H{_WIDTH - _RIGHT}" stroke="{INK}" stroke-width="2"/>',
        f'<text x="{_LEFT}" y="14" class="axis">kept upward, junk downward{escape(name)}</text>',
        f'<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - 4}" class="axis" text-anchor="end">target number</text>',
        "</svg>",
    ]
    return Markup("".join(parts))


def _counted(count: int, y: float) -> str:
    line = f'<path d="M{_LEFT} {y}H{_WIDTH - _RIGHT}" stroke="#9aa0b8" stroke-width="1"/>'
    return f'{line}<text x="{_LEFT - 7}" y="{y + 4.5}" text-anchor="end">{count}</text>'


def year_spans(spans: Sequence[tuple[str, int, int, str]]) -> Markup:
    """Draw the years of finds, one bar a find, oldest first.

    spans : (name of the find, first year, last year, colour); negative years are BCE.
    """
    shown = sorted(spans, key=lambda span: (span[1], span[2], span[0]))[:_MOST_BARS]
    least, most = min(span[1] for span in shown), max(span[2] for span in shown)
    step = next(s for s in (10, 20, 50, 100, 200, 500, 1000, 2000, 10**4, 10**5, 10**6) if (most - least) / s <= 6)
    begin, end = least // step * step, max(-(-most // step) * step, least // step * step + step)
    foot = _TOP + _BAR_HEIGHT * len(shown)

    def x(year: float) -> float:
        return round(_RIGHT + (year - begin) / (end - begin) * (_WIDTH - 2 * _RIGHT), 1)

    bars = []
    for place, (name, first, last, colour) in enumerate(shown):
        box = f'x="{x(first)}" y="{_TOP + place * _BAR_HEIGHT + 1}" height="{_BAR_HEIGHT - 3}"'
        title = f"<title>{escape(name)}: {_years(first, last)}</title>"
        bars.append(f'<rect {box} width="{max(x(last) - x(first), 3):.1f}" fill="{colour}">{title}</rect>')
    lines = [f'<path d="M{x(year)} {_TOP}V{foot}" stroke="#9aa0b8"/>' for year in range(begin, end + 1, step)]
    ticks = [
        f'<text x="{x(year)}" y="{foot + 18}" text-anchor="{_anchor(year, begin, end)}">{_year(year)}</text>'
        for year in range(begin, end + 1, step)
    ]
    more = f", the oldest {len(shown)} of {len(spans)}" if len(spans) > len(shown) else ""
    said = "; ".join(f"{name}: {_years(first, last)}" for name, first, last, _ in shown)
    head = f"<title>Years of finds, one bar a find{more}</title><desc>{escape(said)}</desc>"
    label = f'<text x="{_RIGHT}" y="14" class="axis">years, one bar a find{more}</text>'
    frame = f'<svg class="chart" role="img" viewBox="0 0 {_WIDTH} {foot + 26}">'
    return Markup("".join((frame, head, *lines, *ticks, *bars, label, "</svg>")))


def _anchor(year: int, begin: int, end: int) -> str:
    return "start" if year == begin else "end" if year == end else "middle"


def _year(year: int) -> str:
    return f"{-year} BCE" if year < 0 else str(year)


def _years(first: int, last: int) -> str:
    return _year(first) if first == last else f"{_year(first)} to {_year(last)}"


def depth_dots(columns: Sequence[tuple[str, Sequence[tuple[float, bool]]]], surfaces_m: Sequence[float]) -> Markup:
    """Draw how deep finds lay, one column a coil or period, the surface on top.

    columns : (name, finds as (depth in metres, whether it was kept)). surfaces_m : depths of old surfaces under filled
    ground, drawn across.
    """
    deepest = max([0.1, *surfaces_m, *(depth for _, dots in columns for depth, _ in dots)])
    step_m = next(step for step in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if deepest / step <= 6)
    end_m = math.ceil(deepest / step_m - 1e-9) * step_m
    wide = (_WIDTH - _LEFT - _RIGHT) / max(len(columns), 1)

    def y(depth_m: float) -> float:
        return round(_TOP + depth_m / end_m * (_HEIGHT - _TOP - _BOTTOM), 1)

    dots = []
    for place, (name, finds) in enumerate(columns):
        middle = _LEFT + (place + 0.5) * wide
        letters = max(3, int(wide / 8))
        short = name if len(name) <= letters else f"{name[: letters - 1]}."
        title = f"<title>{escape(name)}</title>"
        dots.append(f'<text x="{middle:.1f}" y="{_HEIGHT - 26}" text-anchor="middle">{escape(short)}{title}</text>')
        for number, (depth_m, kept) in enumerate(finds):
            aside = (number % 7 - 3) * min(wide / 9, 9.0)  # so that finds of one depth can be seen
            look = f'fill="{KEPT}"' if kept else f'fill="#fff" stroke="{INK}" stroke-width="1.5"'
            said = f"<title>{100 * depth_m:.0f} cm, {'kept' if kept else 'junk'}</title>"
            dots.append(f'<circle cx="{middle + aside:.1f}" cy="{y(depth_m)}" r="3.5" {look}>{said}</circle>')
    lines = [
        f'<path d="M{_LEFT} {y(n * step_m)}H{_WIDTH - _RIGHT}" stroke="#9aa0b8"/>'
        f'<text x="{_LEFT - 7}" y="{y(n * step_m) + 4.5}" text-anchor="end">{100 * n * step_m:.0f}</text>'
        for n in range(round(end_m / step_m) + 1)
    ]
    old = [
        f'<path d="M{_LEFT} {y(depth)}H{_WIDTH - _RIGHT}" stroke="{MISSED}" stroke-width="2" stroke-dasharray="7 4">'
        f"<title>old surface under filled ground, {100 * depth:.0f} cm</title></path>"
        for depth in surfaces_m
    ]
    said = "; ".join(f"{name}: {', '.join(f'{100 * depth:.0f}' for depth, _ in finds)} cm" for name, finds in columns)
    surface = "; broken line: old surface under fill" if old else ""
    head = f"<title>Depth of finds</title><desc>{escape(said)}</desc>"
    label = f'<text x="{_LEFT}" y="14" class="axis">cm deep; full: kept, open: junk{surface}</text>'
    frame = f'<svg class="chart" role="img" viewBox="0 0 {_WIDTH} {_HEIGHT - 16}">'
    return Markup("".join((frame, head, *lines, *old, *dots, label, "</svg>")))


def depletion_line(
    points: Sequence[tuple[float, float]], band: Sequence[tuple[float, float, float]], stock: float, slope: float
) -> Markup:
    """Draw finds for each 100 m2 against finds kept before, the line through them and its band.

    points : (kept before, kept for each 100 m2). band : (kept before, low, high). stock : where the line meets zero.
    slope : how much it falls with each find.
    """
    end = max([stock, *(at for at, _, _ in band), *(at for at, _ in points)]) or 1.0
    top = max(rate for _, rate in points) * 1.15 or 1.0
    foot = _HEIGHT - _BOTTOM

    def x(at: float) -> float:
        return round(_LEFT + at / end * (_WIDTH - _LEFT - _RIGHT), 1)

    def y(rate: float) -> float:
        return round(foot - min(max(rate / top, 0.0), 1.0) * (foot - _TOP), 1)

    edges = [(x(at), y(high)) for at, _, high in band] + [(x(at), y(low)) for at, low, _ in reversed(band)]
    corners = " ".join(f"{px},{py}" for px, py in edges)
    step = _step(end, True)
    rates = _step(top, False) if top > 0.7 else _step(top * 100, False) / 100
    grid = [rates * n for n in range(1, math.floor(top / rates) + 1)]
    said = "; ".join(f"after {at:.0f} finds {rate:.2f} for each 100 m²" for at, rate in points)
    parts = [
        f'<svg class="chart" role="img" viewBox="0 0 {_WIDTH} {_HEIGHT}">',
        f"<title>Finds for each 100 m² against finds before: the line meets zero at {stock:.0f}</title>",
        f"<desc>{escape(said)}</desc>",
        f'<polygon points="{corners}" fill="{PASS_COLOURS[1]}"/>',
        *(
            f'<path d="M{_LEFT} {y(rate)}H{_WIDTH - _RIGHT}" stroke="#9aa0b8"/>'
            f'<text x="{_LEFT - 7}" y="{y(rate) + 4.5}" text-anchor="end">{_tick(rate)}</text>'
            for rate in grid
        ),
        *(_down(n * step, x(n * step)) for n in range(math.floor(end / step) + 1)),
        f'<path d="M{_LEFT} {foot}H{_WIDTH - _RIGHT}" stroke="{INK}" stroke-width="1.5"/>',
        f'<path d="M{x(0)} {y(slope * stock)}L{x(stock)} {y(0)}" stroke="{INK}" stroke-width="2.5"/>',
        *(
            f'<circle cx="{x(at)}" cy="{y(rate)}" r="5" fill="#fff" stroke="{INK}" stroke-width="2.5">'
            f"<title>after {at:.0f} finds: {rate:.2f}</title></circle>"
            for at, rate in points
        ),
        f'<text x="{_LEFT}" y="14" class="axis">kept for each 100 m² passed</text>',
        f'<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - 4}" class="axis" text-anchor="end">finds kept before</text>',
        "</svg>",
    ]
    return Markup("".join(parts))
