"""Changes of the ground: read as people write them, and what was walked over since."""

from __future__ import annotations

from datetime import UTC, date

import numpy as np
import pytest
from shapely.geometry import box

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.season.events import (
    EVENT_KINDS,
    GroundEvent,
    PlacedEvent,
    changed_depths,
    place_events,
    read_events,
)
from fieldcomb.coverage.season.since_events import EventResult, SweptSince, last_between
from fieldcomb.tracks.errors import SiteError

FILE = "ground.csv"
GRID = Grid(1.0, 0, 10, 10, 10)
INSIDE = np.ones((10, 10), bool)


def read(text: str, coding: str = "utf-8") -> tuple[list[GroundEvent], list[str]]:
    """What stands in such a file, and what is said of it."""
    events, notes = read_events(text.encode(coding), FILE, UTC)
    return list(events), list(notes)


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_events_are_read_from_any_spreadsheet(coding: str) -> None:
    """Columns in any order, semicolons, a decimal comma, a day with dots; events come in order of date."""
    text = "event;note;date;depth_cm;area\r\nfilled;vond gård;2026-10-05;15,5;Tip\r\n\r\nPloughed;;02.10.2026;;\r\n"
    events, notes = read(text, coding)
    assert len(notes) == (coding == "cp1252")  # that its letters may look wrong
    assert events == [
        GroundEvent(date(2026, 10, 2), "ploughed", row=4),
        GroundEvent(date(2026, 10, 5), "filled", "Tip", 0.155, "vond gård", 2),
    ]


def test_every_fault_is_told_with_its_row() -> None:
    """Without a date a row cannot count; a word that is no event is some other change, a depth in words not known."""
    events, notes = read("date,event,depth_cm\nsoon,cut,\n2026-01-02,harrowed,deep\n2026-01-03,cut,1,2,3\n")
    assert [(event.kind, event.depth_m) for event in events] == [("other", None)]
    assert notes[0].startswith('ground.csv, row 2: date is "soon": a date like 2026-03-07 was expected')
    assert "row 3: event is" in notes[1] and "harrowed" in notes[1] and notes[1].endswith("taken as other")
    assert "row 3: depth_cm" in notes[2] and "row 4" in notes[3] and len(notes) == 4


@pytest.mark.parametrize("text", ["", "date,what\n2026-01-01,cut\n", "\0\1\2"])
def test_what_is_no_such_table_is_refused(text: str) -> None:
    """Without its two columns nothing of it can be read."""
    with pytest.raises(SiteError, match=FILE):
        read(text)


def test_every_kind_of_event_has_words() -> None:
    """They say what happened, and when."""
    for kind in EVENT_KINDS:
        assert GroundEvent(date(2026, 10, 2), kind).since.endswith("2 Oct 2026")


def test_an_event_on_an_area_that_is_not_there_is_left_out() -> None:
    """Taking it for all of the site would throw good passes away."""
    areas = [AreaShape("junk", "Old tip", box(0, 0, 5, 10))]
    events = [GroundEvent(date(2026, 1, 1), "cut", "old tip"), GroundEvent(date(2026, 1, 1), "cut", "Tipp", row=3)]
    placed, notes = place_events(events, areas, FILE)
    assert [one.event.area for one in placed] == ["old tip"]
    assert notes == ("ground.csv, row 3: there is no area 'Tipp' (areas: 'Old tip'); the row is not counted",)


def test_filled_and_stripped_ground_has_its_depth_from_that_day_on() -> None:
    """The area that is named, or all of the site; ploughing changes no depth, nor does filling of no known depth."""
    site, tip = AreaShape("site", "", box(0, 0, 10, 10)), AreaShape("junk", "tip", box(0, 0, 5, 10))
    events = (
        PlacedEvent(GroundEvent(date(2026, 1, 1), "filled", "tip", 0.3), (tip,)),
        PlacedEvent(GroundEvent(date(2026, 1, 2), "stripped", "", 0.2), None),
        PlacedEvent(GroundEvent(date(2026, 1, 3), "ploughed", "", 0.25), None),
        PlacedEvent(GroundEvent(date(2026, 1, 4), "filled"), None),
    )
    changed = changed_depths(events, (site, tip))
    assert [(one.kind, one.shape.area, one.depth_cm, str(one.since)) for one in changed] == [
        ("filled", 50, 30, "2026-01-01"),
        ("stripped", 100, 20, "2026-01-02"),
    ]
    assert changed_depths(events[1:2], (tip,)) == ()


class _Swept:
    """Rows of the site that an outing swept."""

    def __init__(self, first: int, last: int) -> None:
        self.passes = np.ones((last - first, 10), np.int16)
        self.here = (slice(first, last), slice(0, 10))
        self.there = (slice(None), slice(None))


def swept_since(*days: str, area: AreaShape | None = None) -> tuple[SweptSince, np.ndarray]:
    """Ploughed on 2 October; each outing sweeps two rows more of ten, beginning one row after the one before."""
    event = GroundEvent(date(2026, 10, 2), "ploughed", area.reason if area else "")
    since = SweptSince([PlacedEvent(event, (area,) if area else None)], days, INSIDE, GRID)
    ever = np.zeros((10, 10), bool)
    for number, day in enumerate(days):
        swept = _Swept(number, number + 2)
        ever[swept.here] = True
        since.add(day, swept)  # type: ignore[arg-type]
    return since, ever


def results(*days: str, area: AreaShape | None = None) -> tuple[EventResult, ...]:
    """The same, added up."""
    since, ever = swept_since(*days, area=area)
    return since.finished(ever)


def test_ground_walked_over_since_it_was_ploughed_and_ever() -> None:
    """Two outings before and two since, one of them on the day itself: 3 of 10 rows since, 5 ever."""
    (one,) = results("2026-09-01", "2026-09-02", "2026-10-02", "2026-10-09")
    assert (one.outings_before, one.outings_since, one.between) == (2, 2, True)
    assert (one.area_m2, one.since_m2, one.ever_m2) == (100, 30, 50)


def test_an_event_on_an_area_counts_its_ground_only() -> None:
    """The upper half of the site: of its 50 m2 five rows were walked over, and three of these since."""
    upper = AreaShape("junk", "tip", box(0, 5, 10, 10))
    (one,) = results("2026-09-01", "2026-09-02", "2026-10-02", "2026-10-09", area=upper)
    assert (one.area_m2, one.since_m2, one.ever_m2) == (50, 30, 50)


def test_ground_is_stale_where_nobody_walked_since_it_changed() -> None:
    """All but the three rows walked over since; of an event on the upper half only what of that lies in it."""
    days = ("2026-09-01", "2026-09-02", "2026-10-02", "2026-10-09")
    stale = swept_since(*days)[0].stale()
    assert stale is not None and stale.symmetric_difference(box(0, 0, 10, 10) - box(0, 5, 10, 8)).area < 1e-9
    upper = swept_since(*days, area=AreaShape("junk", "tip", box(0, 5, 10, 10)))[0].stale()
    assert upper is not None and upper.symmetric_difference(box(0, 8, 10, 10)).area < 1e-9
    assert swept_since("2026-09-01")[0].stale() is None and swept_since("2026-11-01")[0].stale() is None


def test_before_all_outings_or_after_them_an_event_says_nothing_of_shares() -> None:
    """Nothing lies on its other side; an outing without a date lies on neither."""
    for days in (("2026-09-01",), ("2026-11-01",), ("", "2026-11-01")):
        (one,) = results(*days)
        assert not one.between and one.since_m2 is None


def test_finds_are_counted_from_the_last_event_that_has_outings_after_it() -> None:
    """An event after all outings changes nothing of what they found."""
    before, after = results("2026-09-01", "2026-11-01"), results("2026-09-01")
    assert last_between(before) == "2026-10-02" and last_between(after) == ""
