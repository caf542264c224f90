"""Thumbnails of photographs of finds: small, upright, with nothing of the camera's notes, and only from the site."""

from __future__ import annotations

import sys
from base64 import b64decode
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from fieldcomb.coverage.cache.folder import Shelf
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.register import thumbnails
from fieldcomb.coverage.register.thumbnails import NEEDS_PILLOW, Thumbnails, make_thumbnails

RED, BLUE, WHITE = (220, 20, 20), (20, 20, 220), (255, 255, 255)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A folder with a folder of photographs in it."""
    (tmp_path / "photos").mkdir()
    return tmp_path


def find(number: int, *names: str) -> Find:
    """A find with a place and these photographs."""
    return Find(number, "keep", number + 1, lat_deg=55.5, lon_deg=3.2, photos=names)


def half_red(wide: int = 640, high: int = 480) -> Image.Image:
    """A blue picture, red in its left half."""
    picture = Image.new("RGB", (wide, high), BLUE)
    picture.paste(RED, (0, 0, wide // 2, high))
    return picture


def with_place(orientation: int = 1) -> Image.Exif:
    """What a phone writes beside a picture: how it was held, its maker's words, and where it was."""
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x010E] = orientation, "SECRETMAKER", "SECRETWORDS"
    exif.get_ifd(0x8825).update({1: "N", 2: (55.0, 30.0, 12.3456), 3: "E", 4: (3.0, 12.0, 6.5)})
    return exif


def opened(made: Thumbnails, number: int, which: int = 0) -> Image.Image:
    """A thumbnail of a find as a browser reads it."""
    wide, high, text = made.of[number][which]
    picture = Image.open(BytesIO(b64decode(text)))
    assert picture.format == "JPEG" and picture.size == (wide, high)
    return picture


def near(picture: Image.Image, at: tuple[int, int], colour: Sequence[int]) -> bool:
    """Whether a pixel has a colour, as near as a JPEG keeps it."""
    found = picture.convert("RGB").getpixel(at)
    assert isinstance(found, tuple)
    return all(abs(one - other) < 30 for one, other in zip(found, colour, strict=True))


@pytest.mark.parametrize("ending", ["jpg", "png", "webp"])
def test_a_thumbnail_has_160_pixels_at_most_and_no_word_of_the_camera(site: Path, ending: str) -> None:
    """Place, maker, words, comment and profile stay in the photograph, of which no byte changes."""
    path = site / "photos" / f"a.{ending}"
    more = {"comment": b"SECRETCOMMENT"} if ending == "jpg" else {}
    half_red().save(path, exif=with_place(), icc_profile=b"SECRETPROFILE" * 20, **more)  # type: ignore[arg-type]
    before = path.read_bytes()
    assert b"SECRETMAKER" in before and b"SECRETWORDS" in before
    made = make_thumbnails(site, [find(1, path.name)])
    picture, jpeg = opened(made, 1), b64decode(made.of[1][0][2])
    assert made.notes == [] and picture.size == (160, 120)
    assert b"SECRET" not in jpeg and b"Exif" not in jpeg and b"ICC" not in jpeg
    assert not dict(picture.getexif()) and set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert near(picture, (20, 60), RED) and near(picture, (140, 60), BLUE)
    assert path.read_bytes() == before and [one.name for one in (site / "photos").iterdir()] == [path.name]


# Where the left half of what the file holds is seen, by the table of EXIF 2.32, tag 274: 6 is "the 0th row is the
# visual right-hand side, the 0th column the visual top", so its left half is on top.
@pytest.mark.parametrize(
    ("orientation", "red_at"),
    [(1, "left"), (2, "right"), (3, "right"), (4, "left"), (5, "top"), (6, "top"), (7, "bottom"), (8, "bottom")],
)
def test_a_photograph_stands_upright_however_the_camera_was_held(site: Path, orientation: int, red_at: str) -> None:
    """All eight ways of EXIF."""
    half_red().save(site / "photos" / "a.jpg", exif=with_place(orientation))
    picture = opened(make_thumbnails(site, [find(1, "a.jpg")]), 1)
    assert picture.size == ((160, 120) if orientation < 5 else (120, 160))
    wide, high = picture.size
    middle = (wide // 2, high // 2)
    spots = {
        "left": (10, middle[1]),
        "right": (wide - 10, middle[1]),
        "top": (middle[0], 10),
        "bottom": (middle[0], high - 10),
    }
    across = {"left": "right", "right": "left", "top": "bottom", "bottom": "top"}
    assert near(picture, spots[red_at], RED) and near(picture, spots[across[red_at]], BLUE)


@pytest.mark.parametrize(
    ("mode", "colour", "seen"),
    [
        ("RGBA", (255, 0, 0, 0), WHITE),
        ("LA", (0, 0), WHITE),
        ("L", 77, (77, 77, 77)),
        ("1", 1, WHITE),
        ("I;16", 40_000, (156, 156, 156)),  # 40,000 / 256
        ("P", 0, (0, 0, 0)),
    ],
)
def test_grey_deep_and_transparent_pictures_are_shown_too(site: Path, mode: str, colour: int, seen: tuple[int]) -> None:
    """What is seen through is white, and 16 bits of grey become 8."""
    Image.new(mode, (300, 200), colour).save(site / "photos" / "a.png")
    assert near(opened(make_thumbnails(site, [find(1, "a.png")]), 1), (80, 50), seen)


def test_what_has_no_thumbnail_is_told_once_with_its_name_and_what_to_do(site: Path, tmp_path: Path) -> None:
    """HEIC, broken and foreign files, bombs and links: each named, the good one beside them is shown."""
    photos = site / "photos"
    half_red().save(photos / "good.jpg")
    half_red().save(tmp_path / "outside.jpg")
    whole = (photos / "good.jpg").read_bytes()
    (photos / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    (photos / "new.heic").write_bytes(b"\x00\x00\x00\x18ftypheic" + bytes(90))
    (photos / "words.jpg").write_bytes(b"no picture at all")
    (photos / "empty.jpg").write_bytes(b"")
    Image.new("1", (9000, 9000)).save(photos / "bomb.png")
    (photos / "link.jpg").symlink_to(tmp_path / "outside.jpg")
    (photos / "folder.jpg").mkdir()
    with (photos / "huge.jpg").open("wb") as file:
        file.write(whole)
        file.truncate(60_000_001)
    names = [path.name for path in sorted(photos.iterdir())]
    made = make_thumbnails(site, [find(n, name) for n, name in enumerate([*names, "gone.jpg", "../outside.jpg"])])
    assert list(made.of) == [names.index("good.jpg")]
    for file_names, words in {
        "cut.jpg": "broken or cut off. Copy it again from the camera",
        "new.heic": "HEIC is not read here. Save a copy as JPEG",
        "empty.jpg, words.jpg": "not a JPEG, PNG or WebP. Save a copy as JPEG",
        "bomb.png": "too many pixels, of which 200 million are read of a plain JPEG and 60 million of any other. Save",
        "folder.jpg, link.jpg": "not a plain file, and links are not followed. Put the picture itself there",
        "huge.jpg": "more than the limit of 60 MB. Save a smaller copy as JPEG",
    }.items():
        told = [note for note in made.notes if f"No thumbnail of {file_names} in photos: {words}" in note]
        assert len(told) == 1, (file_names, made.notes)
    assert len(made.notes) == 6


def test_a_jpeg_of_more_than_200_million_pixels_is_not_decoded(site: Path) -> None:
    """Its head says how many there are."""
    half_red(64, 64).save(site / "photos" / "a.jpg")
    data = (site / "photos" / "a.jpg").read_bytes()
    size = b"\x00\x40\x00\x40\x03"  # high, wide, three colours
    assert data.count(size) == 1
    for high in (b"\x3a\x99", b"\xff\xff"):  # 15,001 and 65,535 times 15,000
        (site / "photos" / "a.jpg").write_bytes(data.replace(size, high + b"\x3a\x98\x03"))
        made = make_thumbnails(site, [find(1, "a.jpg")])
        assert made.of == {} and "too many pixels" in made.notes[0]


def test_nothing_is_read_through_a_folder_of_photographs_that_is_a_link(site: Path, tmp_path: Path) -> None:
    """The folder could lead to anybody's pictures."""
    (tmp_path / "other").mkdir()
    half_red().save(tmp_path / "other" / "a.jpg")
    (site / "photos").rmdir()
    (site / "photos").symlink_to(tmp_path / "other")
    assert make_thumbnails(site, [find(1, "a.jpg")]) == Thumbnails()


def test_without_pillow_one_sentence_says_what_to_install(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only where there is a photograph to show."""
    half_red().save(site / "photos" / "a.jpg")
    monkeypatch.setitem(sys.modules, "PIL", None)
    assert make_thumbnails(site, [find(1, "a.jpg"), find(2, "a.jpg")]).notes == [NEEDS_PILLOW]
    assert "pip install '.[photos]'" in NEEDS_PILLOW
    assert make_thumbnails(site, [find(1, "gone.jpg"), find(2)]) == Thumbnails()


def test_first_photographs_come_before_second_ones_and_the_rest_is_counted(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With room for two, two finds have one each; what is left out is told by its number. A find has four at most."""
    names = [f"{n}.jpg" for n in range(6)]
    for name in names:
        half_red().save(site / "photos" / name)
    all_of_one = make_thumbnails(site, [find(1, *names)])
    assert len(all_of_one.of[1]) == 4 and all_of_one.notes[0].startswith("The map leaves out 2 photographs: it takes 4")
    monkeypatch.setattr(thumbnails, "MOST_THUMBNAIL_BYTES", 2 * len(all_of_one.of[1][0][2]))
    made = make_thumbnails(site, [find(1, *names[:3]), find(2, "3.JPG")])
    assert {number: len(of) for number, of in made.of.items()} == {1: 1, 2: 1}
    assert made.notes[0].startswith("The map leaves out 2 photographs")


def test_a_photograph_is_decoded_once_and_anew_when_it_changes(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second report takes the same bytes from what was kept; what somebody spoiled there is made anew."""
    path = site / "photos" / "a.jpg"
    half_red().save(path)
    plain = make_thumbnails(site, [find(1, "a.jpg")])
    shelf = Shelf(site / "out" / "kept")
    assert make_thumbnails(site, [find(1, "a.jpg")], shelf) == plain
    with monkeypatch.context() as patch:
        patch.setattr(thumbnails, "_made", None)  # would fail if it were called
        assert make_thumbnails(site, [find(1, "a.jpg")], Shelf(site / "out" / "kept")) == plain
    for kept in (site / "out" / "kept").glob("[0-9a-f]*"):
        kept.write_bytes(b"\xff\xd8<script>\xff\xd9")
    assert make_thumbnails(site, [find(1, "a.jpg")], shelf) == plain
    Image.new("RGB", (300, 300), BLUE).save(path)
    assert opened(make_thumbnails(site, [find(1, "a.jpg")], shelf), 1).size == (160, 160)


def test_a_find_without_a_place_has_no_thumbnail_as_it_is_not_drawn(site: Path) -> None:
    """Nothing is put into the map that nobody can see there."""
    half_red().save(site / "photos" / "a.jpg")
    assert make_thumbnails(site, [Find(1, "keep", 2, photos=("a.jpg",))]) == Thumbnails()
