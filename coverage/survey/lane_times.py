"""Times of lanes, as somebody wrote them, beside the recordings of the outings that walked them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.survey.walked_lanes import LanesOnSite
from fieldcomb.tracks.units import parse_zone

LEEWAY_S = 300.0  # a watch and a recorder may be so far apart
MOST_LANES_TOLD = 5


def lane_time_notes(plans: Sequence[LanesOnSite], outings: Sequence[WalkedOuting], zone_name: str) -> tuple[str, ...]:
    """Say which lanes were walked before or after the walk of their outing, as their times have it.

    Only on the day of the outing: on another day somebody may have walked without a recorder.
    """
    zone = parse_zone(zone_name)
    spans = {one.id: span for one in outings if (span := _span(one, zone)) is not None}
    notes: list[str] = []
    for plan in plans:
        found = [note for name, numbers in plan.groups.items() if name in spans
                 for note in _of_group(plan, sorted(numbers), name, spans[name])]  # fmt: skip
        notes += found[:MOST_LANES_TOLD]
        if more := found[MOST_LANES_TOLD:]:
            notes.append(f"Plan {plan.told.plan.name}: {len(more)} more lanes have such times")
    return tuple(notes)


def _of_group(plan: LanesOnSite, numbers: Sequence[int], name: str, span: tuple[datetime, datetime]) -> Iterator[str]:
    begin, end = span
    for number in numbers:
        times = plan.told.plan.times.get(number)
        if times is None:
            continue
        row = f"row {times.row} of its sheet" if times.row else "its ticks"
        lane = f"Plan {plan.told.plan.name}: lane {number} was"
        told = f"by {row}; it counts all the same. Is a time or the zone wrong?"
        last, first = _moment(times.end or times.start, begin), _moment(times.start or times.end, begin)
        if last is not None and last.date() == begin.date() and (begin - last).total_seconds() > LEEWAY_S:
            yield f"{lane} walked until {last:%H:%M}, before outing {name} began at {begin:%H:%M}, {told}"
        elif first is not None and first.date() == begin.date() and (first - end).total_seconds() > LEEWAY_S:
            yield f"{lane} begun at {first:%H:%M}, after outing {name} ended at {end:%H:%M}, {told}"


def _moment(text: str, day: datetime) -> datetime | None:
    """A time of a sheet on the clock of the site; one without a date is of the day of the outing."""
    return datetime.fromisoformat(text if "T" in text else f"{day:%Y-%m-%d}T{text}") if text else None


def _span(outing: WalkedOuting, zone: ZoneInfo) -> tuple[datetime, datetime] | None:
    """First and last moment of the walks of an outing on the clock of the site; None without a clock."""
    times = [way.t_s for walk in outing.walks for way in walk.walk.ways if way.t_s.size]
    if not times:
        return None
    first, last = min(float(t[0]) for t in times), max(float(t[-1]) for t in times)
    begin, end = (datetime.fromtimestamp(at, zone).replace(tzinfo=None) for at in (first, last))
    return begin.replace(microsecond=0), end.replace(microsecond=0)
