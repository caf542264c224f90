"""Lanes on the local page for whoever does not type: planned by a form, and a filled-in sheet brought in."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from local_page import Page
from small_walks import square, walk

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.jobs.job_protocol import PLAN, SHEET, HeldFile, Order, order_line, read_order
from fieldcomb.coverage.jobs.worker import carry_out
from fieldcomb.tracks.errors import FieldcombError


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one site that has an edge, filled ground with a name, no-go ground, and a walk."""
    root = tmp_path_factory.mktemp("sites")
    (root / "edge.geojson").write_text(square(-1, -1, 30, 24))
    (root / "walk.gpx").write_text(walk())
    field = root / "field"
    assert main(["new", str(field), "--boundary", str(root / "edge.geojson"), "--zone", "UTC"]) == 0
    areas = json.loads((field / "areas.geojson").read_text())
    for kind, name, box in (("filled", "old tip", (10, 2, 20, 12)), ("no-go", "nest", (26, 20, 29, 23))):
        feature = json.loads(square(*box))["features"][0]
        areas["features"].append({**feature, "properties": {"kind": kind, "reason": name}})
    (field / "areas.geojson").write_text(json.dumps(areas))
    assert main(["add", str(field), str(root / "walk.gpx"), "--coil", "large=33cm", "--swath", "1.5m"]) == 0
    return root


def carried_out(order: Order) -> dict[str, list[Any]]:
    """Carry an order out as it comes through; returns what was told, by name."""
    told: dict[str, list[Any]] = {}
    came = read_order(order_line(order))
    carry_out(came, lambda **values: [told.setdefault(name, []).append(value) for name, value in values.items()])
    return told


def rows_of(plan: Path) -> list[dict[str, str]]:
    """Rows of a plan's table."""
    return list(csv.DictReader((plan / "lanes.csv").read_text(encoding="utf-8-sig").splitlines()))


def test_lanes_are_planned_by_a_form(root: Path, tmp_path: Path) -> None:
    """The form offers the coils and areas of the site; what it plans is what the command plans from the same wishes."""
    page = Page(root, tmp_path)
    assert b'href="%s"' % (page.gate.prefix + "/site/field/lanes").encode() in page.get("/site/field/").data
    form = page.get("/site/field/lanes").get_data(as_text=True)
    assert '<option value="large">large</option>' in form.replace(" selected", "")
    assert '<option value="old tip">old tip</option>' in form and "nest" not in form
    page.post("/site/field/lanes", {"known_coil": "large", "inside": "old tip", "plan": "by form"})
    [order] = page.jobs.orders
    assert (order.do, order.typed.coil, order.inside, order.minutes, order.draw) == (
        PLAN,
        "large",
        "old tip",
        None,
        True,
    )
    told = carried_out(order)
    assert told["kept"][0][0].startswith("Plan by form: ") and told["drawn"] == [True]
    assert main(["lanes", str(root / "field"), "--coil", "large", "--inside", "old tip", "--name", "typed"]) == 0
    assert rows_of(root / "field/lanes/by form") == rows_of(root / "field/lanes/typed")


def test_what_is_no_number_of_minutes_is_told_beside_its_field(root: Path, tmp_path: Path) -> None:
    """No order is made of it."""
    page = Page(root, tmp_path)
    answer = page.post("/site/field/lanes", {"minutes": "an hour"}, headers={"Accept": "application/json"})
    assert answer.status_code == 400 and page.jobs.orders == []
    told = json.loads(answer.data)
    assert told["field"] == "minutes" and "'an hour' is not a number of minutes" in told["problem"]
    assert page.post("/site/field/lanes", {"minutes": "9" * 5000}).status_code == 400


def test_a_filled_in_sheet_is_brought_in(root: Path, tmp_path: Path) -> None:
    """It is entered by the action of the command, with its own name in all that is told, and never its place."""
    assert main(["lanes", str(root / "field"), "--coil", "large", "--name", "sheets"]) == 0
    page = Page(root, tmp_path)
    assert "Bring a filled-in sheet" in page.get("/site/field/lanes/sheets").get_data(as_text=True)
    sheet = b"lane;done\n1;y\n2;part\n99;y\n3;perhaps\n"
    page.post("/site/field/lanes/sheets/sheet", {"sheet": (io.BytesIO(sheet), "my sheet.csv")})
    [order] = page.jobs.orders
    assert (order.do, order.name, page.jobs.held) == (SHEET, "sheets", [[sheet]])
    held = tmp_path / "held"
    held.write_bytes(sheet)
    told = carried_out(
        Order(SHEET, order.site, files=(HeldFile("my sheet.csv", str(held)),), name="sheets", draw=False)
    )
    assert told["kept"][0][0].startswith("Plan sheets: 1 of ") and told["kept"][0][0].endswith(
        " walked, 1 in part, 0 not"
    )
    notes = [note for some in told["notes"] for note in some]
    assert len(notes) > 1 and all(note.startswith("my sheet.csv") for note in notes)
    assert [row["done"] for row in rows_of(root / "field/lanes/sheets")][:3] == ["y", "part", ""]
    assert page.post("/site/field/lanes/sheets/sheet").status_code == 400
    assert page.post("/site/field/lanes/nowhere/sheet").status_code == 404


def test_a_plan_that_cannot_be_made_says_why_as_the_command_does(root: Path) -> None:
    """A name that is taken, or an area that is gone, changes nothing and names no option."""
    field = str(root / "field")
    assert main(["lanes", field, "--coil", "large", "--name", "taken"]) == 0
    for wishes in ({"name": "taken"}, {"inside": "gone"}):
        with pytest.raises(FieldcombError) as caught:
            carried_out(Order(PLAN, field, **wishes))
        assert "--" not in caught.value.on_page
