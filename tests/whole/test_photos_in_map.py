"""Photographs of finds from the folder of a site into its map, and into nothing that is made for others."""

from __future__ import annotations

import re
import sys
from base64 import b64decode
from pathlib import Path

import pytest
from PIL import Image
from small_walks import LAT, LON, square, walk

from fieldcomb.coverage.commands.cli import main

PICTURE = re.compile(rb'"pictures":\[\[(\d+),(\d+),"([A-Za-z0-9+/=]+)"\]\]')


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site with a walk, and a find with a photograph that holds its place."""
    (tmp_path / "edge.geojson").write_text(square(-5, -5, 12, 25))
    (tmp_path / "walk.gpx").write_text(walk())
    folder = tmp_path / "s"
    assert main(["new", str(folder), "--boundary", str(tmp_path / "edge.geojson"), "--zone", "UTC"]) == 0
    assert main(["add", str(folder), str(tmp_path / "walk.gpx")]) == 0
    rows = f"find_no,kind,what,lat,lon,photo\n1,keep,button,{LAT:.5f},{LON:.5f},a.jpg;b.heic\n"
    (folder / "finds.csv").write_text(rows)
    (folder / "photos").mkdir()
    exif = Image.Exif()
    exif[0x010F] = "SECRETMAKER"
    exif.get_ifd(0x8825).update({1: "N", 2: (55.0, 30.0, 12.3456), 3: "E", 4: (3.0, 12.0, 6.5)})
    Image.new("RGB", (400, 300), (200, 30, 30)).save(folder / "photos" / "a.jpg", exif=exif)
    (folder / "photos" / "b.heic").write_bytes(b"\x00\x00\x00\x18ftypheic" + bytes(90))
    return folder


def test_the_map_has_a_thumbnail_and_nothing_else_of_a_photograph(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same bytes each time, no place in it; no copy and no other output has the picture."""
    before = {path.name: path.read_bytes() for path in (site / "photos").iterdir()}
    capsys.readouterr()
    assert main(["report", str(site)]) == 0
    said = capsys.readouterr()
    assert (said.out + said.err).replace("\n", " ").count("b.heic") == 1
    page = (site / "out" / "map.html").read_bytes()
    found = PICTURE.findall(page)
    assert [(one[0], one[1]) for one in found] == [(b"160", b"120")]
    jpeg = b64decode(found[0][2])
    assert jpeg[:2] == b"\xff\xd8" and b"Exif" not in jpeg and b"SECRET" not in jpeg
    assert b"SECRET" not in page and b"a.jpg" not in page
    assert main(["report", str(site)]) == 0
    assert (site / "out" / "map.html").read_bytes() == page
    for whom in ("owner", "club", "public"):
        assert main(["report", str(site), "--for", whom]) == 0
    others = [path for path in (*(site / "out").iterdir(), *(site / "copies").iterdir()) if path.is_file()]
    assert len(others) > 8
    for path in others:
        data = path.read_bytes()
        assert path.name == "map.html" or (found[0][2][200:260] not in data and jpeg[200:240] not in data), path
        assert path.parent.name == "out" or b"data:image/jpeg" not in data, path
    assert {path.name: path.read_bytes() for path in (site / "photos").iterdir()} == before


def test_without_pillow_everything_works_and_the_report_says_once_what_to_install(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever installed the program alone has all but the pictures."""
    monkeypatch.setitem(sys.modules, "PIL", None)
    capsys.readouterr()
    assert main(["report", str(site)]) == 0
    said = capsys.readouterr()
    words = re.sub(r"\s+", " ", said.out + said.err)
    assert words.count("thumbnails need Pillow. Install fieldcomb with it: pip install '.[photos]'") == 1
    page = (site / "out" / "map.html").read_bytes()
    assert b'data-layer="finds"' in page and not PICTURE.search(page)
