"""Copies to share and finds from marks, as the local page orders them and its process carries them out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from local_page import Page
from small_walks import fix, gpx, lanes, square, stamped

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.jobs.job_protocol import COLLECT, SHARE, Order
from fieldcomb.coverage.jobs.worker import carry_out
from fieldcomb.coverage.register.keep_cards import find_cards


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one site, of which one walk marked a find."""
    root = tmp_path_factory.mktemp("sites")
    (root / "edge.geojson").write_text(square(-1, -1, 12, 24))
    time = "<time>2026-03-07T09:01:00Z</time><name>keep coin</name></wpt>"
    mark = fix(2.6, 10).replace("trkpt", "wpt").replace("</wpt>", time)
    (root / "walk.gpx").write_text(gpx(stamped(lanes(8, 22.0)), beside=mark))
    assert main(["new", str(root / "field"), "--boundary", str(root / "edge.geojson")]) == 0
    assert main(["add", str(root / "field"), str(root / "walk.gpx"), "--coil", "28cm"]) == 0
    return root


def carried_out(order: Order) -> dict[str, list[Any]]:
    """Carry an order out; returns what was told, by name."""
    told: dict[str, list[Any]] = {}
    carry_out(order, lambda **values: [told.setdefault(name, []).append(value) for name, value in values.items()])
    return told


def test_a_copy_is_ordered_made_and_shown(root: Path, tmp_path: Path) -> None:
    """The page orders the copy, the process makes it and says what was left out, and it is shown in a sandbox."""
    page = Page(root, tmp_path)
    assert page.get("/site/field/copy/club").status_code == 404
    page.post("/site/field/copy/club")
    [order] = page.jobs.orders
    assert (order.do, order.name, order.draw) == (SHARE, "club", False)
    told = carried_out(order)
    assert told["kept"] == [["a copy for the club"]]
    assert any("which way is north" in note for notes in told["notes"] for note in notes)
    shown = page.get("/site/field/copy/club")
    assert b"For the club" in shown.data and shown.headers["Content-Security-Policy"].startswith("sandbox")
    saved = page.get("/site/field/copy/club?save")
    assert "attachment; filename=copy-for-club.html" in saved.headers["Content-Disposition"]


@pytest.mark.parametrize("whom", ["neighbour", "..", "owner.html"])
def test_nobody_else_has_a_copy(root: Path, tmp_path: Path, whom: str) -> None:
    """There is no such page for anybody but owner, club and public, and nothing is ordered."""
    page = Page(root, tmp_path)
    assert page.get(f"/site/field/copy/{whom}").status_code == page.post(f"/site/field/copy/{whom}").status_code == 404
    assert page.jobs.orders == []


def test_finds_are_collected_from_marks_once(root: Path) -> None:
    """The mark makes one card; a second order adds none, and says how many there are."""
    order = Order(COLLECT, str(root / "field"), draw=False)
    assert carried_out(order)["kept"] == [["1 new find of 1 mark; 1 find in all"]]
    assert carried_out(order)["kept"] == [["0 new finds of 1 mark; 1 find in all"]]
    [card] = find_cards(root / "field", say=lambda _: None).cards
    assert (card["find_no"], card["kind"], card["what"]) == ("1", "keep", "coin")
