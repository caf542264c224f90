"""Closed ground on the local page: shown with its name, and opened again only by a deliberate action."""

from __future__ import annotations

import tomllib
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from local_page import Page
from small_walks import MORNING, gpx, lanes, square, stamped, wpt

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.jobs.job_protocol import REOPEN, Order
from fieldcomb.coverage.jobs.worker import carry_out
from fieldcomb.tracks.errors import UsageError

FORM = {"closed": "Metal  case", "day": "2026-03-20", "cleared": "yes"}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A folder with one site, on which a walk marked a stop with a name, and another one without words."""
    (tmp_path / "edge.geojson").write_text(square(-1, -1, 30, 24))
    later = MORNING + timedelta(minutes=1)
    marks = wpt("stop metal case", later, 20.0, 10.0) + wpt("stop", later, 4.0, 10.0)
    (tmp_path / "walk.gpx").write_text(gpx(stamped(lanes(8, 22.0)), beside=marks))
    field = str(tmp_path / "field")
    assert main(["new", field, "--boundary", str(tmp_path / "edge.geojson"), "--zone", "UTC"]) == 0
    assert main(["add", field, str(tmp_path / "walk.gpx"), "--coil", "28cm"]) == 0
    assert main(["report", field]) == 0
    return tmp_path


def carried_out(order: Order) -> dict[str, list[Any]]:
    """Carry an order out; returns what was told, by name."""
    told: dict[str, list[Any]] = {}
    carry_out(order, lambda **values: [told.setdefault(name, []).append(value) for name, value in values.items()])
    return told


def test_closed_ground_is_named_on_the_page_until_it_is_opened_again(root: Path, tmp_path: Path) -> None:
    """The page of the site says what to leave alone; opened by its name, the day is kept and the other stays closed."""
    page = Page(root, tmp_path)
    assert b"Leave alone: metal case, 2026-03-07a." in page.get("/site/field/").data
    areas = page.get("/site/field/areas").get_data(as_text=True)
    assert "<b>metal case</b> <span>marked 2026-03-07 on outing 2026-03-07a" in areas
    page.post("/site/field/reopen", FORM)
    [order] = page.jobs.orders
    assert (order.do, order.name, order.since, order.draw) == (REOPEN, "Metal case", "2026-03-20", True)
    told = carried_out(order)
    assert told["kept"] == [
        ["metal case: open again from 2026-03-20 on; kept with its date in site.toml, and the mark stays"]
    ]
    kept = tomllib.loads((root / "field/site.toml").read_text())["reopened"]
    assert str(kept["metal case"]["on"]) == "2026-03-20"
    assert b"Leave alone: 2026-03-07a." in page.get("/site/field/").data


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"cleared": ""}, "The box was not ticked, so the ground stays closed"),
        ({"closed": " "}, "No place was named"),
        ({"day": ""}, "No day was picked"),
        ({"day": "soon"}, "is not a day"),
    ],
)
def test_nothing_is_opened_by_a_slip(root: Path, tmp_path: Path, changed: dict[str, str], said: str) -> None:
    """Without the name, the day or the ticked box no order is made, and the page says what is missing."""
    page = Page(root, tmp_path)
    answer = page.post("/site/field/reopen", FORM | changed)
    assert answer.status_code == 400 and said.lower() in answer.get_data(as_text=True).lower()
    assert page.jobs.orders == []


@pytest.mark.parametrize(
    ("name", "day", "said"),
    [
        ("bones", "2026-03-20", "no ground is closed as 'bones'"),
        ("metal case", "2026-03-01", "'metal case' was closed on 2026-03-07, which is after 2026-03-01"),
    ],
)
def test_what_cannot_be_opened_is_told_as_by_the_command(root: Path, name: str, day: str, said: str) -> None:
    """Another name, or a day before the mark, changes nothing."""
    before = (root / "field/site.toml").read_bytes()
    with pytest.raises(UsageError, match=said):
        carried_out(Order(REOPEN, str(root / "field"), name=name, since=day))
    assert (root / "field/site.toml").read_bytes() == before
