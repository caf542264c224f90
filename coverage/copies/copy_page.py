"""The page of a copy: one file that fetches nothing, needs no script, and prints."""

from markupsafe import Markup

from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.drawing import SHARE_COLOURS, draw_squares
from fieldcomb.coverage.copies.shared_copy import CopyShares, SharedCopy
from fieldcomb.coverage.copies.squares import STEP_NAMES
from fieldcomb.coverage.pages.chart import comb
from fieldcomb.coverage.pages.colours_patterns import INK, MISSED, PASS_COLOURS, PASS_NAMES
from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.tracks.units import format_count

COPY_FILES = {audience: f"copy-for-{audience.value}.html" for audience in Audience}
MISSED_TOOTH = "missed"
_FOR = {
    Audience.OWNER: "For the owner of the ground",
    Audience.CLUB: "For the club",
    Audience.PUBLIC: "For everybody",
}


def copy_html(copy: SharedCopy) -> str:
    """Return a copy as one page of HTML. Pure: the same copy gives the same text."""
    owner = copy.audience is Audience.OWNER
    title = f"Searched ground of {copy.title}"
    ground = copy.ground and draw_squares(copy.ground, title, copy.outline, names=owner, north=owner)
    outings = [
        (
            one,
            one.squares and draw_squares(one.squares, f"Searched on {one.day}", copy.outline, names=False, north=False),
        )
        for one in copy.outings
    ]
    return fill(
        "copies/templates/copy.html",
        copy=copy,
        whom=_FOR[copy.audience],
        owner=owner,
        club=copy.audience is Audience.CLUB,
        ground=ground,
        outings=outings,
        people=any(one.people for one in copy.outings),
        filled=owner and any(one.filled for one in copy.outings),
        seen=owner and any(one.seen for one in copy.outings),
        answer=typeset(_answer(copy.shares)),
        comb=comb(copy.shares.passes, places=0),
        passes=list(zip((MISSED_TOOTH, *PASS_COLOURS[1:]), PASS_NAMES, copy.shares.passes, strict=True))[::-1],
        steps=list(zip(SHARE_COLOURS, STEP_NAMES, strict=True)),
        swatch=_swatch,
        side=copy.ground and copy.ground.side_m,
        finds_said=_finds_said(copy),
    )


def _swatch(colour: str) -> Markup:
    """Draw a box of a colour for a key; of ground not passed over a tooth as the comb has it."""
    if colour == MISSED_TOOTH:
        box = f'<path d="M5 2h6v11H5z" fill="#fff" stroke="{MISSED}" stroke-width="2"/>'
    else:
        box = f'<path d="M1 1h14v14H1z" fill="{colour}" stroke="{INK}"/>'
    return Markup(f'<svg class="swatch" viewBox="0 0 16 16" aria-hidden="true">{box}</svg>')


def _answer(shares: CopyShares) -> str:
    """Say in one sentence how much of the ground was walked over."""
    if shares.estimate is None:
        return f"{shares.recorded} % of the ground was walked over, as recorded"
    return (
        f"About {shares.estimate} % of the ground was walked over (nine times in ten it is {shares.low} to "
        f"{shares.high} %)"
    )


def _finds_said(copy: SharedCopy) -> str:
    """Say how many finds were kept, and of what."""
    if copy.finds is None:
        return ""
    counts = ", ".join(f"{period} {count}" for period, count in copy.finds.by_period)
    kept = sum(count for _, count in copy.finds.by_period)
    return f"{format_count(kept, 'find')} kept" + (f": {counts}" if counts else "")
