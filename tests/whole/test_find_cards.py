"""Cards of finds on a phone: through lost connections, kills of the machine that keeps them, and small screens."""

from __future__ import annotations

import csv
import io
import random
import shutil
import struct
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from browsers import PHONE, axe, driver, errors, screen, wait
from faults import in_process
from local_page import Page, lasting_port, running
from small_walks import square

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.register.keep_cards import find_cards, keep_changes, new_card
from fieldcomb.coverage.register.photos import keep_photo

__all__ = ["driver"]
ROWS = "find_no,outing,kind,what,depth_cm,my own column\r\n" + "".join(
    f"{n},2026-03-07a,{kind},,,own {n}\r\n" for n, kind in enumerate(("keep", "junk", "keep", "left"), 1)
)
PNG = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + struct.pack(">II", 3, 5)
COLUMNS = ("what", "period", "note", "kept_at")


def quiet(_: object) -> None:
    """Take a note and forget it."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with four finds, and nothing walked."""
    folder = tmp_path_factory.mktemp("cards")
    (folder / "edge.geojson").write_text(square(0, 0, 26, 20))
    assert main(["new", str(folder / "field"), "--boundary", str(folder / "edge.geojson")]) == 0
    (folder / "field" / "finds.csv").write_bytes(ROWS.encode())
    return folder / "field"


def kept_of(folder: Path, changes: list[dict[str, Any]]) -> tuple[str, ...]:
    """Send changes; returns which are confirmed."""
    return keep_changes(folder, changes, say=quiet).kept


def rows_of(folder: Path) -> dict[int, dict[str, str]]:
    """The rows of the record as any program reads them, by the number of the bag."""
    text = (folder / "finds.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(text.splitlines()))
    found = {int(row["find_no"]): row for row in rows}
    assert len(found) == len(rows)
    return found


def test_two_hundred_losses_and_kills_lose_nothing_and_double_nothing(site: Path, tmp_path: Path) -> None:
    """A phone types, takes pictures and asks for new finds; messages and answers are lost, the machine is killed."""
    folder, chance = tmp_path / "field", random.Random(19)
    shutil.copytree(site, folder)
    waiting: list[dict[str, Any]] = []
    texts: dict[tuple[int, str], str] = {}
    confirmed: dict[tuple[int, str], int] = {}
    asked, numbers, pictures, kept_pictures = "", set[int](), [], set[str]()
    for moment in range(200):
        for _ in range(chance.randint(0, 3)):
            find, column = chance.randint(1, 4), chance.choice(COLUMNS)
            text = f"text {len(texts)} of {moment}"
            name = f"{moment:06x}{len(waiting):06x}"
            was = texts.get((find, column), "")
            waiting.append({"id": name, "find": find, "column": column, "was": was, "text": text, "moment": moment})
            texts[find, column] = text
        fate = chance.choice(["well", "message lost", "answer lost", "killed", "killed"])
        if fate == "message lost":
            continue
        kill_at = chance.randrange(28) if fate == "killed" else None
        what = chance.choice(["type", "type", "new", "picture"])
        if what == "type":
            sent = list(waiting)
            done = in_process(partial(kept_of, folder, sent), kill_at)
            if done is not None and fate != "answer lost":
                assert set(done) == {one["id"] for one in sent}
                confirmed |= {(one["find"], one["column"]): one["moment"] for one in sent}
                waiting = []
        elif what == "new":
            asked = asked or f"{moment:012x}"
            done = in_process(partial(new_card, folder, asked, "keep", "", say=quiet), kill_at)
            if done is not None and fate != "answer lost":
                assert done not in numbers
                numbers.add(done)
                asked = ""
        else:
            if not pictures or chance.random() < 0.5:
                pictures.append((chance.randint(1, 4), f"{moment:012x}"))
            find, name = pictures[0]
            done = in_process(partial(keep_photo, folder, find, name, "a.png", PNG, say=quiet), kill_at)
            if done is not None and fate != "answer lost":
                kept_pictures.add(done)
                pictures.pop(0)
    assert {one["id"] for one in waiting} == set(keep_changes(folder, waiting, say=quiet).kept)
    if asked:
        numbers.add(new_card(folder, asked, "keep", "", say=quiet))
    kept_pictures |= {keep_photo(folder, find, name, "a.png", PNG, say=quiet) for find, name in pictures}
    rows = rows_of(folder)
    assert {key: rows[key[0]][key[1]] for key in texts} == texts
    assert set(rows) == {1, 2, 3, 4} | numbers and numbers == set(range(5, 5 + len(numbers)))
    named = [name for row in rows.values() for name in (row["photo"] or "").split(";") if name]
    assert sorted(named) == sorted(kept_pictures) == sorted(path.name for path in (folder / "photos").iterdir())
    assert [rows[n]["my own column"] for n in range(1, 5)] == [f"own {n}" for n in range(1, 5)]
    assert confirmed and len(numbers) > 5 and len(kept_pictures) > 5


def opened_finds(driver: Any, page: Any, told: str = "4 finds. All is kept.") -> str:
    """Open the page of finds; returns its address."""
    driver.get(page.addresses.here)
    wait(driver, "return !location.pathname.startsWith('/enter/') && document.readyState === 'complete'")
    address = page.addresses.here.partition("/enter/")[0] + page.gate.prefix + "/site/field/finds"
    driver.get(address)
    wait(driver, TOLD.format(told))
    return str(address)


TOLD = "return document.getElementById('told').textContent === '{}'"


def type_into(driver: Any, find: int, column: str, text: str) -> None:
    """Type into a field and leave it, as by the key that goes on to the next."""
    script = (
        "const f = document.getElementById(arguments[0]); f.value = arguments[1]; f.dispatchEvent(new Event('change'))"
    )
    driver.execute_script(script, f"find-{find}-{column}", text)


def open_card(driver: Any, find: int) -> None:
    """Open a card, as by a tap."""
    driver.execute_script(f"document.querySelector('[data-find=\"{find}\"] details').open = true")
    wait(driver, f"return !!document.getElementById('find-{find}-what')")


@pytest.mark.browser
def test_a_phone_fills_in_cards_without_a_connection(site: Path, tmp_path: Path, driver: Any) -> None:
    """What is typed out of reach waits on the phone, is sent when the machine is there again, and can be undone."""
    shutil.copytree(site, tmp_path / "field")
    screen(driver, PHONE)
    port = lasting_port()
    with running(tmp_path, port=port) as page:
        opened_finds(driver, page)
        open_card(driver, 1)
        type_into(driver, 1, "what", "lead token")
        wait(driver, TOLD.format("4 finds. All is kept."))
        assert rows_of(tmp_path / "field")[1]["what"] == "lead token"
    type_into(driver, 1, "depth_cm", "12")
    type_into(driver, 1, "what", "lead token, cut")
    wait(driver, TOLD.format("4 finds. Out of reach: 2 changes wait here. Do not reload."))
    driver.find_element("id", "undo").click()
    wait(driver, "return document.getElementById('find-1-what').value === 'lead token'")
    assert driver.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
    assert axe(driver) == []
    (tmp_path / "a.png").write_bytes(PNG)
    driver.find_element("id", "find-1-photo").send_keys(str(tmp_path / "a.png"))
    wait(driver, TOLD.format("4 finds. Out of reach: 4 changes wait here. Do not reload."))
    assert rows_of(tmp_path / "field")[1]["depth_cm"] == "" and not (tmp_path / "field/photos").exists()
    with running(tmp_path, port=port) as page:
        opened_finds(driver, page)
        wait(driver, TOLD.format("4 finds. All is kept."))
    row = rows_of(tmp_path / "field")[1]
    assert (row["what"], row["depth_cm"], row["my own column"]) == ("lead token", "12", "own 1")
    assert (tmp_path / "field/photos" / row["photo"]).read_bytes() == PNG
    driver.execute_script("localStorage.clear()")
    assert [one for one in errors(driver) if "ERR_CONNECTION_REFUSED" not in one and "403" not in one] == []


@pytest.mark.browser
def test_a_site_without_finds_says_how_to_get_some(site: Path, tmp_path: Path, driver: Any) -> None:
    """Where there is no card yet, the page says what to press; a new find then has the number 1."""
    shutil.copytree(site, tmp_path / "field")
    (tmp_path / "field/finds.csv").unlink()
    with running(tmp_path) as page:
        opened_finds(driver, page, "No finds yet. Collect them from your marks, or press New find.")
        driver.execute_script("document.querySelector('[data-outing=\"\"] .new-find').click()")
        wait(driver, TOLD.format("1 find. All is kept."))
        driver.execute_script("localStorage.clear()")


@pytest.mark.browser
def test_a_refused_text_is_told_and_a_new_find_gets_its_number(site: Path, tmp_path: Path, driver: Any) -> None:
    """Depth in words is told beside the cards until it is read; a new find has the next number, and a kind to press."""
    shutil.copytree(site, tmp_path / "field")
    with running(tmp_path) as page:
        opened_finds(driver, page)
        open_card(driver, 2)
        type_into(driver, 2, "depth_cm", "deep")
        wait(driver, "return document.getElementById('wrong').textContent.includes('a number of centimetres')")
        assert driver.execute_script("return document.getElementById('find-2-depth_cm').value") == ""
        driver.find_element("css selector", "#wrong button").click()
        wait(driver, "return !document.getElementById('wrong').textContent")
        driver.execute_script("document.querySelector('[data-outing=\"\"] .new-find').click()")
        wait(driver, TOLD.format("5 finds. All is kept."))
        open_card(driver, 5)
        driver.execute_script("document.querySelector('[data-find=\"5\"] [data-kind=junk]').click()")
        wait(driver, "return document.querySelector('[data-find=\"5\"]').dataset.kind === 'junk'")
        wait(driver, TOLD.format("5 finds. All is kept."))
        assert rows_of(tmp_path / "field")[5]["kind"] == "junk"
        driver.execute_script("localStorage.clear()")


def test_pictures_and_cards_are_reached_with_the_key_alone(site: Path, tmp_path: Path) -> None:
    """A picture comes back byte for byte; a name that leads out of the folder, or no picture, is refused."""
    shutil.copytree(site, tmp_path / "sites" / "field")
    (tmp_path / "temp").mkdir()
    page = Page(tmp_path / "sites", tmp_path / "temp")
    sent = {"find": "1", "id": "ab" * 6, "photo": (io.BytesIO(PNG), "a.png")}
    answer = page.post("/site/field/finds/photo", sent, headers={"Accept": "application/json"})
    name = answer.get_json()["photo"]
    shown = page.get(f"/site/field/finds/photo/{name}")
    assert (shown.data, shown.content_type) == (PNG, "image/png")
    for wrong in ("..%2Ffinds.csv", "finds.csv", "no.png"):
        assert page.get(f"/site/field/finds/photo/{wrong}").status_code == 404
    bomb = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + struct.pack(">II", 99_999, 99_999)
    sent = {"find": "1", "id": "cd" * 6, "photo": (io.BytesIO(bomb), "b.png")}
    answer = page.post("/site/field/finds/photo", sent, headers={"Accept": "application/json"})
    assert answer.status_code == 400 and "99999 x 99999 pixels" in answer.get_json()["problem"]
    assert page.get("/site/field/finds", headers={"Cookie": None}).status_code == 403
    page.post("/site/field/finds/collect")
    assert [(order.do, order.draw) for order in page.jobs.orders] == [("collect", False)]
    with suppress(StopIteration):
        assert next(iter(find_cards(tmp_path / "sites/field", say=quiet).cards))["photo"] == name
