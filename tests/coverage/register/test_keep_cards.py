"""Changes of finds from a phone: each kept once, nothing of anybody overwritten, and photographs kept as they are."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import pytest

from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.register.keep_cards import CARD_COLUMNS, find_cards, keep_changes, new_card
from fieldcomb.coverage.register.photos import MOST_PHOTO_BYTES, keep_photo, photo_kind
from fieldcomb.tracks.errors import SiteError, UsageError

ROWS = "find_no,kind,what,my own column,note\r\n1,keep,coin,x,\r\n2,junk,nail,y,=1+1\r\n3,keep,,z,\r\n"
JPEG = (
    b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00\xff\xc0\x00\x11\x08\x00\x10\x00\x20\x03\x01"
)


def quiet(_: object) -> None:
    """Take a note and forget it."""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site with three finds."""
    new_site(tmp_path / "site", say=quiet)
    (tmp_path / "site" / "finds.csv").write_bytes(ROWS.encode())
    return tmp_path / "site"


def change(find: int, column: str, was: str, text: str, number: int = 1) -> dict[str, object]:
    """One change as the page sends it."""
    return {"id": f"{number:012x}", "find": find, "column": column, "was": was, "text": text}


def cell(site: Path, find: int, column: str) -> str:
    """What stands in a cell."""
    return next(card[column] for card in find_cards(site, say=quiet).cards if card["find_no"] == str(find))


def test_a_change_is_kept_in_its_row_and_all_others_stay_byte_for_byte(site: Path) -> None:
    """What is typed on a card stands in its row, and the rest of the file is as it was, columns of its owner too."""
    done = keep_changes(site, [change(3, "what", "", "lead token")], say=quiet)
    assert done.kept == ("000000000001",) and done.refused == {}
    assert (site / "finds.csv").read_bytes() == ROWS.replace("3,keep,,z,", "3,keep,lead token,z,").encode()


def test_changes_sent_again_are_kept_once_whatever_was_typed_after_them(site: Path) -> None:
    """A phone that lost the answer sends all again, with more behind it: the last text holds, and all are confirmed."""
    first, second, third = (
        change(1, "what", "coin", "groat", 1),
        change(1, "what", "groat", "half groat", 2),
        change(1, "what", "half groat", "penny", 3),
    )
    keep_changes(site, [first, second], say=quiet)
    assert keep_changes(site, [first, second], say=quiet).kept == ("000000000001", "000000000002")
    assert cell(site, 1, "what") == "half groat"
    assert len(keep_changes(site, [first, second, third], say=quiet).kept) == 3
    assert cell(site, 1, "what") == "penny"


def test_what_somebody_else_wrote_meanwhile_is_not_overwritten(site: Path) -> None:
    """Their text stays, and the phone is told both texts, so that nothing is lost without a word."""
    keep_changes(site, [change(1, "what", "coin", "token", 1)], say=quiet)
    done = keep_changes(site, [change(1, "what", "coin", "button", 2)], say=quiet)
    assert done.kept == () and "'token'" in done.refused["000000000002"] and "'button'" in done.refused["000000000002"]
    assert cell(site, 1, "what") == "token"


def test_a_text_that_cannot_be_read_is_told_and_the_rest_is_kept(site: Path) -> None:
    """Depth in words is refused with what was expected, and the other fields of the same message are kept."""
    sent = [change(1, "depth_cm", "", "deep", 1), change(1, "number", "", "61 to 66", 2), change(9, "what", "", "x", 3)]
    done = keep_changes(site, sent, say=quiet)
    assert done.kept == ("000000000002",) and cell(site, 1, "number") == "61-66"
    assert "centimetres" in done.refused["000000000001"] and "no find 9" in done.refused["000000000003"]


@pytest.mark.parametrize(
    "sent",
    [
        None,
        [],
        {"id": "zz", "find": 1, "column": "what", "was": "", "text": "x"},
        change(1, "lat", "", "50"),
        change(1, "find_no", "1", "2"),
        change(1, "mark", "", "x"),
        {"id": "0" * 12, "find": True, "column": "what", "was": "", "text": "x"},
        {"id": "0" * 12, "find": 1, "column": "what", "was": "", "text": 5},
        change(1, "what", "coin", "x" * 3000),
    ],
)
def test_what_is_no_change_of_a_card_changes_nothing(site: Path, sent: object) -> None:
    """Numbers of bags, places and marks are not changed from a card, and nonsense is neither kept nor confirmed."""
    done = keep_changes(site, [sent], say=quiet)
    assert (done.kept, done.refused) == ((), {}) and (site / "finds.csv").read_bytes() == ROWS.encode()


def test_formulas_are_kept_as_text_and_confirmed_again(site: Path) -> None:
    """A text that begins with = cannot run in a spreadsheet, and sending it again is no conflict."""
    sent = [change(3, "what", "", "=HYPERLINK(1)")]
    assert keep_changes(site, sent, say=quiet).kept == keep_changes(site, sent, say=quiet).kept == ("000000000001",)
    assert b"'=HYPERLINK(1)" in (site / "finds.csv").read_bytes()
    assert keep_changes(site, [change(2, "note", "=1+1", "", 2)], say=quiet).kept


def test_a_new_card_has_the_next_number_once(site: Path) -> None:
    """A number goes to one find alone, also when the page asks again because it lost the answer."""
    numbers = [new_card(site, name * 12, "keep", "", say=quiet) for name in ("a", "a", "b")]
    assert numbers == [4, 4, 5] and (site / "finds.csv").read_text().count("page ") == 2
    with pytest.raises(UsageError, match="no outing"):
        new_card(site, "c" * 12, "keep", "2020-01-01a", say=quiet)


def test_a_record_that_is_open_in_a_spreadsheet_is_left_alone(site: Path) -> None:
    """Nothing is confirmed then, so the phone keeps what waits."""
    (site / ".~lock.finds.csv#").write_text("")
    with pytest.raises(SiteError, match="open in a spreadsheet"):
        keep_changes(site, [change(3, "what", "", "x")], say=quiet)


def test_however_messages_are_lost_and_repeated_the_last_text_of_each_field_holds(site: Path) -> None:
    """300 changes sent in pieces, some twice and some with the answer lost, end as if all had arrived once."""
    rng = random.Random(4)
    texts: dict[tuple[int, str], str] = {(1, "what"): "coin", (2, "what"): "nail", (2, "note"): "=1+1"}
    waiting: list[dict[str, object]] = []
    kept: list[str] = []
    for number in range(300):
        find, column = rng.randint(1, 3), rng.choice(["what", "note", "period", "kept_at"])
        was, text = texts.get((find, column), ""), rng.choice(["", "a", "b", f"text {number}"])
        waiting.append(change(find, column, was, text, number))
        texts[find, column] = text
        if rng.random() < 0.3:
            done = keep_changes(site, waiting, say=quiet)
            assert done.refused == {}
            if rng.random() < 0.5:  # the answer arrived
                kept += done.kept
                waiting = []
    keep_changes(site, waiting, say=quiet)
    assert {key: cell(site, *key) for key in texts} == texts
    assert len(find_cards(site, say=quiet).cards) == 3 and len(set(kept)) == len(kept)


def test_a_photograph_is_kept_byte_for_byte_and_named_once(site: Path) -> None:
    """It lies in the folder of photographs under the number of its find, however often it is sent."""
    names = {keep_photo(site, 1, "ab" * 6, "IMG_1.HEIC", JPEG, say=quiet) for _ in range(2)}
    assert names == {"find-1-abababababab.jpg"} and cell(site, 1, "photo") == "find-1-abababababab.jpg"
    assert (site / "photos" / names.pop()).read_bytes() == JPEG
    keep_photo(site, 1, "cd" * 6, "b", JPEG, say=quiet)
    assert cell(site, 1, "photo") == "find-1-abababababab.jpg;find-1-cdcdcdcdcdcd.jpg"


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (b"", "is empty"),
        (b"%PDF-1.7", "is no picture"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + struct.pack(">II", 60_000, 60_000), "60000 x 60000 pixels"),
        (JPEG + bytes(MOST_PHOTO_BYTES), "more than the limit of 60 MB"),
    ],
)
def test_what_is_no_photograph_or_too_large_is_told_and_not_kept(site: Path, data: bytes, problem: str) -> None:
    """An empty file, another file, a picture made to fill memory, and one of 60 MB leave the site as it was."""
    with pytest.raises(UsageError, match=problem):
        keep_photo(site, 1, "ab" * 6, "a.jpg", data, say=quiet)
    assert not (site / "photos").exists() and (site / "finds.csv").read_bytes() == ROWS.encode()


def test_pictures_are_known_by_their_bytes() -> None:
    """JPEG, PNG, WebP and HEIC, with the pixels that their heads tell; HEIC is kept, and shown by no browser."""
    png = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + struct.pack(">II", 3, 5)
    webp = b"RIFF\x00\x00\x00\x00WEBPVP8X\x0a\x00\x00\x00\x00\x00\x00\x00" + b"\x02\x00\x00\x04\x00\x00"
    heic = b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00"
    found = [photo_kind(data) for data in (JPEG, png, webp, heic, b"GIF89a")]
    assert [one and (one.ending, one.wide, one.high, one.shown) for one in found] == [
        ("jpg", 32, 16, True),
        ("png", 3, 5, True),
        ("webp", 3, 5, True),
        ("heic", 0, 0, False),
        None,
    ]


def test_no_card_can_change_the_number_of_a_bag_or_its_place() -> None:
    """What is written on the bag, and where it was found, are not fields of a card."""
    assert not {"find_no", "lat", "lon", "mark", "outing", "time"} & set(CARD_COLUMNS)
