"""Areas in site metres."""

from datetime import date

from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class NoGoEntry:
    """One no-go area that an outing's swath reached into; ``depth_m`` is how far in from the area's edge.

    position_error_could_explain : whether each recording that entered came no deeper than its receiver's 95 % radius.
    """

    area: str | None
    area_m2: float
    depth_m: float
    position_error_could_explain: bool


@dataclass(frozen=True, slots=True)
class NoGoEntered:
    """No-go ground that an outing's swath reached into: by area, and in all of them, ground in two areas once."""

    entries: tuple[NoGoEntry, ...]
    area_m2: float


@dataclass(frozen=True, slots=True, eq=False)
class AreaShape:
    """One of the user's areas in site metres; kind is site, no-go, blocked, filled, junk or walked.

    since, until : the first and last day that it holds, in the site's zone, or None. depth_cm : of filled ground.
    per_m2 : of junk, how many pieces lie on a square metre, as the user estimates.
    marked_in : id of the outing in which a mark made it; empty for an area that the user drew.
    reopened : of ground closed by a mark, whether it was opened again; ``until`` says when.
    A no-go or blocked area that is over by the latest outing has the kind ``ended`` where it is drawn.
    """

    kind: str
    reason: str
    shape: Polygon | MultiPolygon
    since: date | None = None
    until: date | None = None
    depth_cm: float | None = None
    marked_in: str = ""
    per_m2: float | None = None
    reopened: bool = False
