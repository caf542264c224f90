"""Finds and the site that they are from: which lie outside it, which cannot be its own, which name no outing of it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
import shapely

from fieldcomb.coverage.areas.from_marks import FARTHEST_MARK_M
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.raster.polygons import Shape
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.units import format_count, format_length

_LISTED = 10
_QUOTED = 60  # letters


def of_this_site(
    finds: Sequence[Find], frame: SiteFrame, edge: Shape | None, outings: Collection[str], file: str
) -> tuple[tuple[Find, ...], tuple[str, ...]]:
    """Return the finds, those too far away without their place, and sentences on what does not fit the site.

    frame : of the site. edge : the ground of the site in its metres; None where nobody drew it. outings : their ids.
    """
    x, y = frame.to_metres(
        [np.nan if find.lon_deg is None else find.lon_deg for find in finds],
        [np.nan if find.lat_deg is None else find.lat_deg for find in finds],
    )
    placed = np.array([find.placed for find in finds], bool)
    far = placed & ~(np.hypot(x, y) <= FARTHEST_MARK_M)
    outside = placed & ~far if edge is not None else np.zeros(len(finds), bool)
    if edge is not None:
        outside &= ~shapely.contains_xy(edge, np.where(outside, x, 0), np.where(outside, y, 0))
    notes = []
    if far.any():
        words = f"more than {format_length(FARTHEST_MARK_M)} from this site; are they from another one?"
        notes.append(_said(finds, far, f"{words} Their places are not used", file))
    if outside.any():
        are = "is" if outside.sum() == 1 else "are"
        notes.append(_said(finds, outside, f"outside the site, and {are} counted all the same", file))
    strange = np.array([bool(find.outing) and find.outing not in outings for find in finds], bool)
    if strange.any():
        names = ", ".join(dict.fromkeys(find.outing for find, is_so in zip(finds, strange, strict=True) if is_so))
        notes.append(f"{file}, {_rows(finds, strange)}: this site has no outing {names}")
    kept = (replace(find, lat_deg=None, lon_deg=None) if away else find for find, away in zip(finds, far, strict=True))
    return tuple(kept), tuple(notes)


def missing_photos(finds: Sequence[Find], there: Collection[str], file: str) -> tuple[str, ...]:
    """Return a sentence for each find that names photos which are not there; letter case makes no difference.

    there : names of the files in the folder of photos.
    """
    known = {name.casefold() for name in there}
    missing = ((find, [name for name in find.photos if name.casefold() not in known]) for find in finds)
    return tuple(
        f'{file}, row {find.row}: photo is "{"; ".join(names)[:_QUOTED]}": no such file in the folder photos'
        for find, names in missing
        if names
    )


def _said(finds: Sequence[Find], which: np.ndarray, words: str, file: str) -> str:
    count = int(which.sum())
    lie = "lies" if count == 1 else "lie"
    return f"{file}, {_rows(finds, which)}: {format_count(count, 'find')} {lie} {words}"


def _rows(finds: Sequence[Find], which: np.ndarray) -> str:
    rows = [str(find.row) for find, is_so in zip(finds, which, strict=True) if is_so]
    more = f" and {len(rows) - _LISTED} more" if len(rows) > _LISTED else ""
    return f"row{'s' if len(rows) > 1 else ''} {', '.join(rows[:_LISTED])}{more}"
