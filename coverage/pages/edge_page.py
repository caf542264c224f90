"""The picture of a walked edge: the walk as recorded, the edge made of it, and every mend, on one page."""

import numpy as np
import shapely
from markupsafe import Markup
from shapely.geometry import LineString, MultiPolygon, Polygon

from fieldcomb.coverage.areas import edge_walk as edge
from fieldcomb.coverage.areas.edge_walk import WalkedEdge
from fieldcomb.coverage.pages.colours_patterns import INK, MISSED
from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.raster.polygons import RingPoints, whole
from fieldcomb.tracks.units import format_length

PICTURE_WIDTH = 480  # of the picture, in its own units; a phone shows it a little smaller, a desk larger
MOST_HEIGHT, MARGIN, FOOT = 640, 26, 34
MOST_SIGNS = 60  # signs beyond this would hide the walk; all mends stand in the list
FINEST = 0.15  # units; finer detail of the walk than this cannot be seen
ROUND_M = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000)

# Signs as paths of M and L around 0, 0: seven shapes, so that nothing hangs on colour.
MEND_SIGNS = {
    edge.CLOSED: "M-5 -5L5 -5L5 5L-5 5z",
    edge.OVERLAP: "M0 -7L7 0L0 7L-7 0z",
    edge.ROUNDS: "M-7 -3L7 -3L7 3L-7 3z",
    edge.GAP: "M0 -7L7 5L-7 5z",
    edge.STOP: "M-3 -6L3 -6L6 -3L6 3L3 6L-3 6L-6 3L-6 -3z",
    edge.STUB: "M-6 -3L-3 -6L0 -3L3 -6L6 -3L3 0L6 3L3 6L0 3L-3 6L-6 3L-3 0z",
    edge.STRAYED: "M-7 -5L7 -5L0 7z",
}
MEND_NAMES = {
    edge.CLOSED: "ends joined",
    edge.OVERLAP: "start and end overlap",
    edge.ROUNDS: "more than once round",
    edge.GAP: "gap bridged",
    edge.STOP: "stop reduced to one point",
    edge.STUB: "stub cut off",
    edge.STRAYED: "walk strays from the edge",
}
_HATCH = (
    '<defs><pattern id="doubt" width="6" height="6" patternUnits="userSpaceOnUse"><path d="M0 0h6v6H0z" fill="#fff"/>'
    f'<path d="M-1 7L7 -1" stroke="{MISSED}" stroke-width="2.2"/></pattern></defs>'
)


def edge_html(walked: WalkedEdge, name: str) -> str:
    """Return the page; the same walk gives the same text. ``name`` is the site's."""
    notes = walked.area.notes
    mended = {mend.text for mend in walked.mends}
    kinds = [kind for kind in MEND_SIGNS if any(mend.kind == kind for mend in walked.mends)]
    return fill(
        "pages/templates/edge.html",
        name=name,
        summary=notes[:2],
        notes=[note for note in notes[2:] if note not in mended],
        mends=[(Markup(_sample(mend.kind)), mend.text) for mend in walked.mends],
        key=[(Markup(_sample(kind)), MEND_NAMES[kind]) for kind in kinds],
        lines=[(Markup(_line_sample(kind)), text) for kind, text in _lines(walked)],
        picture=Markup(_picture(walked)),
    )


def _lines(walked: WalkedEdge) -> list[tuple[str, str]]:
    said = [("walk", "the walk as recorded"), ("edge", "the edge made of it")]
    if len(walked.walked) > 1:
        said.append(("gap", "not recorded, bridged"))
    if not _doubtful(walked).is_empty:
        said.append(("doubt", "ground in doubt"))
    return said


def _doubtful(walked: WalkedEdge) -> Polygon | MultiPolygon:
    return whole(walked.readings.largest.difference(walked.readings.smallest))


class _Plan:
    """Puts metres on the picture, north up."""

    def __init__(self, walked: WalkedEdge) -> None:
        xy = np.vstack([*walked.walked, np.asarray(walked.edge.exterior.coords)])
        self.left, bottom = (float(v) for v in xy.min(axis=0))
        right, self.top = (float(v) for v in xy.max(axis=0))
        wide, high = max(right - self.left, 1.0), max(self.top - bottom, 1.0)
        self.scale = min((PICTURE_WIDTH - 2 * MARGIN) / wide, (MOST_HEIGHT - 2 * MARGIN) / high)
        self.height = round(high * self.scale + 2 * MARGIN + FOOT)
        self.shift = (PICTURE_WIDTH - wide * self.scale) / 2

    def at(self, x_m: float, y_m: float) -> tuple[float, float]:
        """Where a place is drawn."""
        return (round((x_m - self.left) * self.scale + self.shift, 1), round((self.top - y_m) * self.scale + MARGIN, 1))

    def path(self, line: RingPoints) -> str:
        """A line as the d of an SVG path."""
        return "M" + "L".join(f"{x:g} {y:g}" for x, y in (self.at(float(a), float(b)) for a, b in line))

    def area(self, shape: Polygon | MultiPolygon) -> str:
        """A shape as the d of an SVG path, holes by the even-odd rule."""
        rings = [r for part in shapely.get_parts(shape) for r in (part.exterior, *part.interiors)]
        return "".join(self.path(np.asarray(ring.coords)) + "z" for ring in rings)


def _picture(walked: WalkedEdge) -> str:
    plan = _Plan(walked)
    doubt = _doubtful(walked)
    parts = [_HATCH, f'<path d="{plan.area(walked.edge)}" fill="#e9ecfb" fill-rule="evenodd"/>']
    if not doubt.is_empty:
        look = f'fill="url(#doubt)" fill-rule="evenodd" stroke="{MISSED}" stroke-width="0.8"'
        parts.append(f'<path d="{plan.area(doubt)}" {look}/>')
    parts.append(f'<path d="{plan.area(walked.edge)}" fill="none" stroke="#6d7fd8" stroke-width="5"/>')
    for before, after in zip(walked.walked[:-1], walked.walked[1:], strict=True):
        look = 'fill="none" stroke="#000" stroke-width="1.4" stroke-dasharray="2 4"'
        parts.append(f'<path d="{plan.path(np.array([before[-1], after[0]]))}" {look}/>')
    for piece in walked.walked:
        if len(piece) > 1:
            line = np.asarray(LineString(piece).simplify(FINEST / plan.scale).coords)
            parts.append(f'<path d="{plan.path(line)}" fill="none" stroke="#000" stroke-width="1.1"/>')
    parts += [_sign(plan, number, walked) for number in range(min(len(walked.mends), MOST_SIGNS))]
    head = "<title>The walk and the edge made of it, north up</title>"
    box = f'viewBox="0 0 {PICTURE_WIDTH} {plan.height}"'
    return f'<svg class="plan" role="img" {box}>{head}{"".join(parts)}{_scale_bar(plan)}{_north()}</svg>'


def _sign(plan: _Plan, number: int, walked: WalkedEdge) -> str:
    mend = walked.mends[number]
    x, y = plan.at(mend.x_m, mend.y_m)
    side = -12 if x > PICTURE_WIDTH - 40 else 12
    anchor = "end" if side < 0 else "start"
    look = 'fill="#fff" stroke="#000" stroke-width="2"'
    mark = f'<path transform="translate({x:g} {y:g})" d="{MEND_SIGNS[mend.kind]}" {look}/>'
    return f'{mark}<text x="{x + side:g}" y="{y + 5:g}" text-anchor="{anchor}">{number + 1}</text>'


def _scale_bar(plan: _Plan) -> str:
    bar_m = max((m for m in ROUND_M if m * plan.scale <= PICTURE_WIDTH / 3), default=ROUND_M[0])
    x, y, end = MARGIN, plan.height - 12, MARGIN + round(bar_m * plan.scale, 1)
    line = f'<path d="M{x} {y - 6}V{y}H{end}V{y - 6}" fill="none" stroke="{INK}" stroke-width="2.5"/>'
    return f'{line}<text x="{end + 8}" y="{y + 2}">{typeset(format_length(bar_m))}</text>'


def _north() -> str:
    x = PICTURE_WIDTH - 22
    arrow = f'<path d="M{x} 6L{x + 8} 28L{x} 23L{x - 8} 28z" fill="{INK}"/>'
    return f'{arrow}<text x="{x}" y="44" text-anchor="middle">N</text>'


def _sample(kind: str) -> str:
    mark = f'<path transform="translate(11 11)" d="{MEND_SIGNS[kind]}" fill="#fff" stroke="#000" stroke-width="2"/>'
    return f'<svg class="swatch" width="22" height="22" viewBox="0 0 22 22" aria-hidden="true">{mark}</svg>'


def _line_sample(kind: str) -> str:
    if kind == "doubt":
        mark = f'<rect x="1" y="3" width="32" height="16" fill="url(#doubt)" stroke="{MISSED}"/>'
    else:
        looks = {"walk": '#000" stroke-width="1.4', "edge": '#6d7fd8" stroke-width="5'}
        look = looks.get(kind, '#000" stroke-width="1.4" stroke-dasharray="2 4')
        mark = f'<path d="M1 11H33" stroke="{look}"/>'
    return f'<svg class="swatch" width="34" height="22" viewBox="0 0 34 22" aria-hidden="true">{mark}</svg>'
