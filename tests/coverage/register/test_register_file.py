"""A register of finds: right places in other programs, and nothing finer than it is known or was asked for."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import gpxpy
import pyogrio
import pytest
from small_walks import square

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.register.register_file import check_wishes, grid_references
from fieldcomb.tracks.errors import UsageError

ROWS = (
    "find_no,kind,outing,lat,lon,error_m,how,what,depth_cm\n"
    "3,keep,2026-03-07a,55.50012,3.20034,3.9,stop,lead token,12\n"
    "1,keep,2026-03-07a,55.5001234,3.2003456,0.02,measured,=1+1,\n"
    "2,junk,2026-03-07a,55.50012,3.20034,3.9,stop,nail,\n"
    "4,keep,2026-03-07a,,,,,button,\n"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A site with four finds, three of them kept, one without a place."""
    (tmp_path / "edge.geojson").write_text(square(-5, -5, 60, 60))
    assert main(["new", str(tmp_path / "s"), "--boundary", str(tmp_path / "edge.geojson"), "--zone", "UTC"]) == 0
    (tmp_path / "s/finds.csv").write_text(ROWS)
    return tmp_path / "s"


def rows(file: Path) -> list[dict[str, str]]:
    """The rows of a register."""
    return list(csv.DictReader(io.StringIO(file.read_bytes().decode("utf-8-sig"))))


def test_a_table_has_the_kept_finds_in_the_order_of_their_numbers(folder: Path, tmp_path: Path) -> None:
    """Junk is in it only with --all; a find without a place has a blank reference; formulas are text."""
    assert main(["finds", str(folder), "--register", str(tmp_path / "r.csv"), "--grid", "utm"]) == 0
    found = rows(tmp_path / "r.csv")
    assert [row["find_no"] for row in found] == ["1", "3", "4"]
    assert [row["what"] for row in found] == ["'=1+1", "lead token", "button"]
    assert [row["remark"] for row in found] == ["", "", "place not known"]
    assert [(row["square_m"], row["known_to_m"]) for row in found] == [("1", "0.02"), ("10", "4"), ("", "")]
    assert main(["finds", str(folder), "--register", str(tmp_path / "all.csv"), "--all"]) == 0
    assert [row["find_no"] for row in rows(tmp_path / "all.csv")] == ["1", "2", "3", "4"]


def test_a_reference_finer_than_the_place_is_known_says_so(folder: Path, tmp_path: Path) -> None:
    """Ten figures for a watch's find are written where they are asked for, with how well the place is known."""
    assert main(["finds", str(folder), "--register", str(tmp_path / "r.csv"), "--grid", "mgrs", "--figures", "10"]) == 0
    remarks = {row["find_no"]: row["remark"] for row in rows(tmp_path / "r.csv")}
    assert remarks == {"1": "", "3": "position known to 4 m only", "4": "place not known"}


def test_points_lie_where_the_finds_lie(folder: Path, tmp_path: Path) -> None:
    """A GIS and a reader of waypoints get the places of the two kept finds that have one."""
    for name in ("r.geojson", "r.gpx"):
        assert main(["finds", str(folder), "--register", str(tmp_path / name)]) == 0
    _, _, shapes, _ = pyogrio.raw.read(tmp_path / "r.geojson")
    assert len(shapes) == 2
    text = (tmp_path / "r.geojson").read_text(encoding="utf-8")
    assert "[3.2003456, 55.5001234]" in text and "[3.20034, 55.50012]" in text
    points = gpxpy.parse((tmp_path / "r.gpx").read_text()).waypoints
    assert [(p.latitude, p.longitude) for p in points] == [(55.5001234, 3.2003456), (55.50012, 3.20034)]


def test_fewer_figures_coarsen_the_points_too(folder: Path, tmp_path: Path) -> None:
    """Who asks for squares of 100 m gives the place away no better than that in any column or point."""
    for name in ("r.csv", "r.geojson", "r.gpx"):
        assert main(["finds", str(folder), "--register", str(tmp_path / name), "--grid", "utm", "--figures", "6"]) == 0
        text = (tmp_path / name).read_text(encoding="utf-8-sig")
        assert "55.5" in text and "55.5001" not in text and "3.2003" not in text


def test_nothing_is_overwritten(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is there, such as the record itself, is left alone."""
    before = (folder / "finds.csv").read_bytes()
    assert main(["finds", str(folder), "--register", str(folder / "finds.csv")]) == 1
    assert "is there already; nothing was written" in capsys.readouterr().err
    assert (folder / "finds.csv").read_bytes() == before


@pytest.mark.parametrize("name", ["planted.csv", "Pegs.csv", "ground.csv", "out/finds.gpx", "lanes/a.csv"])
def test_a_register_never_becomes_a_file_of_the_site(
    folder: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where the site would read it as something else, or overwrite it, it is refused; beside them it may stand."""
    (folder / name).parent.mkdir(exist_ok=True)
    assert main(["finds", str(folder), "--register", str(folder / name)]) == 1
    assert "is where this site keeps its own files" in capsys.readouterr().err and not (folder / name).exists()
    assert main(["finds", str(folder), "--register", str(folder / "register.csv")]) == 0


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--grid", "british"], "is for another place"),
        (["--grid", "EPSG:2229"], "is for another place"),
        (["--grid", "moon"], "grid 'moon' is not known"),
        (["--grid", "EPSG:x"], "grid 'EPSG:x' is not known"),
        (["--figures", "8"], "degrees have no number of figures"),
        (["--grid", "utm", "--figures", "7"], "'7' is not a number of figures"),
    ],
)
def test_a_grid_that_does_not_fit_is_refused(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], given: list[str], said: str
) -> None:
    """The message says what is wrong, and no file is written."""
    assert main(["finds", str(folder), "--register", str(tmp_path / "r.csv"), *given]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "r.csv").exists()


def test_british_and_irish_references_allow_for_the_change_of_datum() -> None:
    """A place measured to centimetres gets 8 figures on the British grid, whose datum is reached to 2 m only here."""
    at_london = Find(1, "keep", lat_deg=51.5, lon_deg=-0.12, error_m=0.02)
    found = grid_references([at_london], check_wishes("british", None, False))[1]
    assert found.text.startswith("TQ ") and found.square_m == 10 and found.good_to_m == 2
    at_dublin = Find(2, "keep", lat_deg=53.35, lon_deg=-6.26, error_m=0.02)
    assert grid_references([at_dublin], check_wishes("irish", "10", False))[2].text.startswith("O ")
    with pytest.raises(UsageError, match="is not in metres"):
        grid_references([Find(3, "keep", lat_deg=34.0, lon_deg=-118.0)], check_wishes("EPSG:2229", None, False))
