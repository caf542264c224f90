"""What changed the ground between outings, from ground.csv: read with every fault told, and how it is said."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, tzinfo

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.areas import site_ground
from fieldcomb.coverage.finds.cells import CellError, RowContext, calendar_day, depth_m, one_line
from fieldcomb.tracks.files.kept_table import KeptRow, KeptTable, read_kept_table
from fieldcomb.tracks.values import dataclass

EVENTS_FILE = "ground.csv"
EVENT_COLUMNS = ("date", "event", "area", "depth_cm", "note")
EVENT_KINDS = ("ploughed", "rolled", "filled", "stripped", "flooded", "storm", "dug", "cut", "cleared", "other")
FILLED, STRIPPED = "filled", "stripped"
MOST_EVENT_BYTES = 4_000_000
_EXAMPLE = "date,event,area,depth_cm,note / 2026-10-02,ploughed,,25,"
_OTHER_WORDS = {"plowed": "ploughed", "ploughing": "ploughed", "plowing": "ploughed", "flood": "flooded"}


@dataclass(frozen=True, slots=True)
class GroundEvent:
    """One change of the ground.

    kind : one of EVENT_KINDS. area : reason of the area that it was on; "" for all of the site. depth_m : how deep it
    went, or None. row : of the file, as a spreadsheet counts rows.
    """

    day: date
    kind: str
    area: str = ""
    depth_m: float | None = None
    note: str = ""
    row: int = 0

    @property
    def since(self) -> str:
        """The words for all that came after it.

        >>> GroundEvent(date(2026, 10, 2), "ploughed").since, GroundEvent(date(2026, 1, 9), "storm").since
        ('since it was ploughed on 2 Oct 2026', 'since the storm of 9 Jan 2026')
        """
        day = f"{self.day.day} {self.day:%b %Y}"
        if self.kind == "storm":
            return f"since the storm of {day}"
        return f"since it changed on {day}" if self.kind == "other" else f"since it was {self.kind} on {day}"


def read_events(raw: bytes, file: str, zone: tzinfo) -> tuple[tuple[GroundEvent, ...], tuple[str, ...]]:
    """Read what changed the ground, in order of date; and a sentence for each cell or row that cannot be used.

    raw : the file as a spreadsheet saves it. zone : of the site.

    Raises SiteError: no such table.
    """
    table = read_kept_table(raw, file, EVENT_COLUMNS, ("date", "event"), _EXAMPLE, MOST_EVENT_BYTES)
    notes = list(table.notes)
    events = [_event(table, row, zone, notes) for row in table.rows if not row.blank]
    return tuple(sorted((one for one in events if one), key=lambda one: (one.day, one.row))), tuple(notes)


def _event(table: KeptTable, row: KeptRow, zone: tzinfo, notes: list[str]) -> GroundEvent | None:
    at, values = f"{table.file}, row {row.number}", table.values(row)
    if not row.sound or table.too_long(row):
        notes.append(f"{at}: its quotes or commas do not fit the header; the row is not counted")
        return None
    context = RowContext(zone, None)
    try:
        day = calendar_day(values["date"], context)
    except CellError as error:
        notes.append(f"{at}: date is {_shown(values['date'])}: {error}; the row is not counted")
        return None
    word = values["event"].casefold()
    kind = _OTHER_WORDS.get(word, word)
    if kind not in EVENT_KINDS:
        notes.append(f"{at}: event is {_shown(values['event'])}: {_EXPECTED} was expected; taken as other")
        kind = "other"
    deep: float | None = None
    if values.get("depth_cm"):
        try:
            deep = depth_m(values["depth_cm"], context)
        except CellError as error:
            notes.append(f"{at}: depth_cm is {_shown(values['depth_cm'])}: {error}; taken as not known")
    note = one_line(values.get("note", ""), context)
    return GroundEvent(day, kind, one_line(values.get("area", ""), context), deep, note, row.number)


_EXPECTED = f"{', '.join(EVENT_KINDS[:-1])} or {EVENT_KINDS[-1]}"


def _shown(text: str) -> str:
    return f'"{text[:40]}"' if text else "blank"


@dataclass(frozen=True, slots=True, eq=False)
class PlacedEvent:
    """An event with the ground that it was on, in site metres; None for all of the site."""

    event: GroundEvent
    shapes: tuple[AreaShape, ...] | None


def place_events(
    events: Sequence[GroundEvent], areas: Sequence[AreaShape], file: str
) -> tuple[tuple[PlacedEvent, ...], tuple[str, ...]]:
    """Find the ground of each event; a sentence for one that names no area of the site, which is left out."""
    placed, notes = [], []
    for event in events:
        shapes = tuple(area for area in areas if event.area and area.reason.casefold() == event.area.casefold())
        if event.area and not shapes:
            known = ", ".join(sorted({repr(area.reason) for area in areas if area.reason})) or "none has a name"
            words = f"there is no area {event.area!r} (areas: {known}); the row is not counted"
            notes.append(f"{file}, row {event.row}: {words}")
            continue
        placed.append(PlacedEvent(event, shapes or None))
    return tuple(placed), tuple(notes)


def changed_depths(events: Sequence[PlacedEvent], areas: Sequence[AreaShape]) -> tuple[AreaShape, ...]:
    """Return ground that was filled or stripped to a known depth, as areas that hold from that day on.

    Ground stripped has the kind ``stripped``. areas : of the site; without its edge an event on all of it has none.
    """
    return tuple(_changed(events, areas))


def _changed(events: Sequence[PlacedEvent], areas: Sequence[AreaShape]) -> Iterator[AreaShape]:
    drawn = any(area.kind == "site" for area in areas)
    for one in events:
        event = one.event
        if event.kind not in (FILLED, STRIPPED) or not event.depth_m:
            continue
        shapes = [area.shape for area in one.shapes or ()] or ([site_ground(areas)] if drawn else [])
        said = f"{event.area or 'the site'}, {event.kind} on {event.day}"
        for shape in shapes:
            yield replace(AreaShape(event.kind, said, shape, since=event.day), depth_cm=round(100 * event.depth_m, 6))
