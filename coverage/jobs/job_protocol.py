"""Orders: one piece of work on a site as the local page asks for it, and what is reported of it while it is done.

An order crosses to a process of its own as one line of JSON, and reports come back as lines of JSON.
"""

import json
import secrets
from collections.abc import Mapping
from dataclasses import asdict, field
from typing import Any

from fieldcomb.coverage.site.settings import Typed
from fieldcomb.tracks.values import dataclass

ADD, NEW, EDIT, DRAW = "add", "new", "edit", "draw"
START, CHANGE, AREAS, COMPARE, COLLECT, SHARE = "start", "change", "areas", "compare", "collect", "share"
REOPEN, PLAN, SHEET = "reopen", "plan", "sheet"
COMPARED = "compared"  # folder in a site's output folder, for a map of some of its outings

Changes = dict[str, str | float | bool | None]


def new_secret() -> str:
    """Return 256 random bits that can stand in an address."""
    return secrets.token_urlsafe(32)


@dataclass(frozen=True, slots=True)
class HeldFile:
    """An upload: the name that its owner knows, and where it lies."""

    name: str
    path: str


@dataclass(frozen=True, slots=True)
class Order:
    """One piece of work.

    do : ``add``, ``new``, ``edit`` or ``draw``; ``start``, a new site with its first walks; ``change``, its name or
    zone; ``areas``, its edge and other areas; ``compare``, a map of some outings beside the site's own.
    site : the site folder.
    files : recordings to add.
    roster, boundary, edge : the table of a team; a file of areas; a walk round the edge, for a new site.
    known : what the areas were drawn from, as ``change_areas`` takes it.
    typed : what was typed for all of the recordings.
    name, zone, cell : of a new site.
    outing, recording, changes : what to correct, as ``site.edit`` takes it.
    draw : whether to draw the map afterwards.
    depth : how deep below the soil the map is to show what the coil covered, as ``report`` takes it.
    between, since : two outings, or a day from which on outings count, for a comparison; since which ground is open.
    inside, minutes, across : of lanes to be planned, as ``LaneWishes`` has them; across those walked so far.
    """

    do: str
    site: str
    files: tuple[HeldFile, ...] = ()
    roster: HeldFile | None = None
    boundary: HeldFile | None = None
    edge: HeldFile | None = None
    typed: Typed = field(default_factory=Typed)
    start: str | None = None
    end: str | None = None
    label: str | None = None
    note: str | None = None
    each: bool = False
    name: str | None = None
    zone: str = "UTC"
    cell: str = "10cm"
    outing: str | None = None
    recording: str | None = None
    changes: Changes = field(default_factory=dict)
    draw: bool = True
    depth: str | None = None
    known: str = ""
    between: tuple[str, str] | None = None
    since: str | None = None
    inside: str | None = None
    minutes: int | None = None
    across: bool = False

    @property
    def held(self) -> tuple[HeldFile, ...]:
        """Every upload that this order has."""
        return (*self.files, *(one for one in (self.roster, self.boundary, self.edge) if one is not None))


def order_line(order: Order) -> str:
    """Write an order as one line."""
    return json.dumps(asdict(order)) + "\n"


def read_order(line: str) -> Order:
    """Read an order back; it comes from ``order_line`` alone."""
    given: dict[str, Any] = json.loads(line)
    given["files"] = tuple(HeldFile(**one) for one in given["files"])
    for key in ("roster", "boundary", "edge"):
        given[key] = None if given[key] is None else HeldFile(**given[key])
    given["typed"] = Typed(**given["typed"])
    given["between"] = None if given["between"] is None else tuple(given["between"])
    return Order(**given)


@dataclass(frozen=True, slots=True)
class JobProgress:
    """What has been reported of an order so far.

    step : what is being done now.
    done, whole : how far that is.
    notes : everything said on the way.
    kept : what is on the disk for good: ids of outings, lines on what was corrected, or the name of a new site.
    drawn : the map is drawn anew.
    fault : why it ended early; empty when it did not.
    """

    step: str = ""
    done: int = 0
    whole: int = 1
    notes: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    drawn: bool = False
    fault: str = ""


def with_line(progress: JobProgress, line: str) -> JobProgress:
    """Take in one more line; a line that is none of ours, such as what a library prints, is passed over."""
    try:
        more = json.loads(line)
    except ValueError:
        return progress
    if not isinstance(more, Mapping):
        return progress
    values = asdict(progress)
    for key in ("notes", "kept"):
        values[key] = (*values[key], *map(str, more.get(key, ())))
    for key, kind in (("step", str), ("done", int), ("whole", int), ("drawn", bool), ("fault", str)):
        if isinstance(more.get(key), kind):
            values[key] = more[key]
    return JobProgress(**values)
