"""What is not fieldcomb's own stays: nothing is written or deleted through a link, or in a folder of one's own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from small_walks import MORNING, snapshot, walk

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.web.site_views import SiteRoot

OWN = ("photo.jpg", "0", "1", "manifest.json", "map.html", "report.json", "ab" * 32, ".new-12345678", "site.toml")


@pytest.fixture
def mine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A site with one outing, and a folder of the user's own outside it, with names such as fieldcomb uses."""
    monkeypatch.chdir(tmp_path)
    for number in range(3):
        Path(f"{number}.gpx").write_text(walk(MORNING + timedelta(days=number), 3.0 * number))
    assert main(["new", "s"]) == 0 and main(["add", "s", "0.gpx", "--coil", "28cm"]) == 0
    return fill(tmp_path / "mine")


def fill(folder: Path) -> Path:
    """Make a folder with files of the user's own, last used long ago."""
    folder.mkdir(parents=True)
    (folder / "inner").mkdir()
    for name in (*OWN, "inner/0"):
        (folder / name).write_text("[]" if name == "manifest.json" else "mine " * 5000)
        os.utime(folder / name, (1, 1))
    return folder


def use(site: str = "s") -> None:
    """Do everything that can be done to a site; what is refused is refused."""
    for command in (["report", site], ["add", site, "1.gpx"], ["report", site], ["card", site]):
        main(command)
    main(["edit", site, "2026-03-07a", "--swath", "1.1m"])
    main(["report", site])
    main(["report", site, "-o", "elsewhere"])


@pytest.mark.parametrize("link", ["out", "out/kept", "tracks", ".commit", ".pending-new", ".pending-done"])
def test_a_folder_behind_a_link_is_left_alone(mine: Path, link: str) -> None:
    """Where a part of a site folder is a link to a folder elsewhere, no command writes or deletes anything there."""
    before = snapshot(mine)
    place = Path("s", link)
    place.parent.mkdir(exist_ok=True)
    if place.is_dir():
        place.rename("was")
    place.symlink_to(mine)
    use()
    assert snapshot(mine) == before and place.is_symlink()


@pytest.mark.parametrize("link", [".lock", "out/map.html", "site.toml", "outings.toml"])
def test_a_file_behind_a_link_is_left_alone(mine: Path, link: str) -> None:
    """Where a file of a site folder is a link to a file elsewhere, no command changes or empties that file."""
    place = Path("s", link)
    place.parent.mkdir(exist_ok=True)
    target = Path("target")
    target.write_bytes(place.read_bytes() if place.exists() and link != ".lock" else b"mine")
    before = target.read_bytes()
    place.unlink(missing_ok=True)
    place.symlink_to(target.absolute())
    use()
    assert target.read_bytes() == before


@pytest.mark.parametrize("place", ["s/out/kept", "s/.pending-photos", "s/.pending-new", "s/.commit", ".n.pending-new"])
def test_files_of_ones_own_in_a_site_folder_stay(mine: Path, place: str) -> None:
    """Files that the user put into a folder that fieldcomb clears are still there after everything was done."""
    shutil.rmtree("s/out")  # results that were kept when the walk was added
    before = snapshot(fill(Path(place)))
    use()
    main(["new", "n"])
    after = snapshot(Path(place))
    listed = {"manifest.json"} if place == "s/.pending-new" else set()  # where fieldcomb lists what it put there
    assert {name: before[name] for name in before.keys() - listed} == {
        name: after[name] for name in before.keys() - listed
    }


def test_a_link_is_named_with_what_to_do(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Who keeps results elsewhere is told what is the matter and how to go on."""
    shutil.rmtree("s/out")
    Path("s/out").symlink_to(mine)
    assert main(["report", "s"]) == 1
    told = capsys.readouterr().err
    assert "s/out: is a link" in told and "-o" in told
    assert main(["report", "s", "-o", "elsewhere"]) == 0


def together(count: int, *args: str) -> list[int]:
    """Start a command so many times at once; gives the exit codes."""
    code = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"
    started = [subprocess.Popen([sys.executable, "-c", code, *args], stderr=subprocess.DEVNULL) for _ in range(count)]
    return sorted(process.wait() for process in started)


@pytest.mark.parametrize("prepare", [lambda: None, lambda: Path("fresh").mkdir()])
def test_one_of_several_who_start_a_site_at_once_succeeds(mine: Path, prepare: Callable[[], None]) -> None:
    """Of several ``new`` of one folder at the same moment exactly one says that it is done, and the site is whole."""
    prepare()
    assert together(4, "new", "fresh") == [0, 1, 1, 1]
    assert {path.name for path in Path("fresh").iterdir()} == {"site.toml", "outings.toml", "tracks", ".lock"}
    assert not list(Path().glob(".fresh*"))
    assert main(["add", "fresh", "2.gpx"]) == 0


def test_a_site_may_be_called_like_its_own_file(mine: Path) -> None:
    """A site folder named site.toml works like any other."""
    assert main(["new", "site.toml"]) == 0 and main(["add", "site.toml", "1.gpx"]) == 0
    assert main(["report", "site.toml"]) == 0 and Path("site.toml/out/map.html").exists()
    assert {card.key for card in SiteRoot(Path()).sites()} == {"mine", "s", "site.toml"}


def test_a_number_of_very_many_digits_is_told_with_its_line(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A number of thousands of digits in site.toml is a fault of that file, with its line, and no traceback."""
    for name in ("site.toml", "outings.toml"):
        path = Path("s", name)
        text = path.read_text()
        path.write_text(text + "\nwrong = " + "9" * 10_000 + "\n")
        assert main(["report", "s"]) == 1
        told = capsys.readouterr().err
        assert f"s/{name}" in told and "Traceback" not in told and len(told) < 1000
        path.write_text(text)
