"""What the page knows of every outing: its day, and of each walk the coil, the person and the swath.

From it the page colours walks, tells the history of a piece of ground, and lets the site grow outing by outing.
"""

from collections.abc import Sequence
from typing import Any

from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.report import words as wording
from fieldcomb.coverage.report.rounding import format_share
from fieldcomb.coverage.survey.results import OutingLayer, OutingResult, Report
from fieldcomb.tracks.values import dataclass

UNNAMED = "not named"  # whoever walked it, nobody wrote it down

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class WalkNames:
    """What walks are told apart by, each in the order in which it first appears."""

    outing: tuple[str, ...]
    coil: tuple[str, ...]
    person: tuple[str, ...]

    @property
    def by(self) -> dict[str, tuple[str, ...]]:
        """Return what distinguishes walks here; a name that all of them share does not."""
        kinds = (("outing", self.outing), ("coil", self.coil), ("person", self.person))
        return {kind: names for kind, names in kinds if len(names) > 1}


def outing_name(outing: OutingResult) -> str:
    """Return an outing as it is called in lists: its id, and its label if it has one."""
    head = outing.head
    return f"{head.id} {head.label}" if head.label else head.id


def names_of(report: Report, layers: Sequence[OutingLayer]) -> dict[str, str]:
    """Return the names of outings by their ids."""
    known = {outing.head.id: outing_name(outing) for outing in report.outings}
    return {layer.id: known.get(layer.id, layer.id) for layer in layers}


def walk_names(report: Report, layers: Sequence[OutingLayer]) -> WalkNames:
    """Return the outings, coils and people of all walks."""
    walks = [walk for layer in layers for walk in layer.walks]
    coils = dict.fromkeys(walk.coil for walk in walks)
    people = dict.fromkeys(walk.searcher or UNNAMED for walk in walks)
    return WalkNames(tuple(names_of(report, layers).values()), tuple(coils), tuple(people))


def outing_data(report: Report, layers: Sequence[OutingLayer]) -> list[Json]:
    """Return for each outing drawn what the page tells of it; walks refer to ``walk_names`` by number."""
    names, results = walk_names(report, layers), {outing.head.id: outing for outing in report.outings}
    return [
        {
            "id": layer.id,
            "day": wording.format_day(results[layer.id].head.start_s, report.site.zone) if layer.id in results else "",
            "label": (results[layer.id].head.label or "") if layer.id in results else layer.id,
            "soFar": _so_far(results.get(layer.id), report),
            "walks": [
                {
                    "outing": number,
                    "coil": names.coil.index(walk.coil),
                    "person": names.person.index(walk.searcher or UNNAMED),
                    "reach": round(walk.swath_m / 2, 3),
                }
                for walk in layer.walks
            ],
        }
        for number, layer in enumerate(layers)
    ]


def _so_far(outing: OutingResult | None, report: Report) -> str:
    """How much was searched after an outing: the estimate where there is one, else as recorded."""
    if outing is None:
        return ""
    if outing.so_far is not None and outing.so_far.pct is not None:
        return typeset(f"about {wording.format_interval(outing.so_far)}")
    swept_m2 = outing.ground.total_pct / 100 * report.site.area_m2
    return typeset(f"{format_share(outing.ground.total_pct, swept_m2, report.site.area_m2)} as recorded")
