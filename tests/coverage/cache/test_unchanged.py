"""A report of a site in which nothing has changed is said again at once, and any other is made anew."""

from __future__ import annotations

import hashlib
import json
import os
import zoneinfo
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from small_walks import MORNING, snapshot, walk

from fieldcomb.coverage.actions import draw
from fieldcomb.coverage.actions.add import WalksToAdd, add
from fieldcomb.coverage.actions.given_walks import WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.cache.folder import KEPT, OUT, Shelf
from fieldcomb.coverage.cache.unchanged import MADE_OF_IT, MadeOf, ToldReport, keep_told, made_of, told_again
from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.site.settings import Typed

SITE = Path("s")


def quiet(_: str) -> None:
    """Take a note and forget it."""


class Drawn:
    """Counts how often a report was made, and what the last command printed and said."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
        self.times, self.capsys, self.out, self.err = 0, capsys, "", ""
        self.before: Callable[[], object] = lambda: None
        real = draw.draw_site

        def counted(*given: Any, **more: Any) -> Any:
            self.times += 1
            self.before()
            return real(*given, **more)

        monkeypatch.setattr(draw, "draw_site", counted)

    def report(self, *more: str) -> int:
        """Type the command; gives how often a report was made for it."""
        before = self.times
        assert main(["report", "s", *more]) == 0
        self.out, self.err = self.capsys.readouterr()
        return self.times - before


@pytest.fixture
def drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Drawn:
    """A site with two outings, of which there is a report."""
    monkeypatch.chdir(tmp_path)
    new_site(SITE, say=quiet, zone="Atlantic/Reykjavik")
    Path("one.gpx").write_text(walk())
    Path("two.gpx").write_text(walk(MORNING + timedelta(days=1), east_m=2.0, count=6))
    for name in ("one.gpx", "two.gpx"):
        add(SITE, WalksToAdd([WalkToAdd(name)], Typed(coil="28cm")), quiet)
    (SITE / "tracks" / "stray.txt").write_text("not a walk")  # of which every report has a note
    found = Drawn(monkeypatch, capsys)
    assert found.report() == 1
    return found


def entries() -> list[Path]:
    """Files in which it is kept what reports said."""
    return [path for path in (SITE / OUT / KEPT).iterdir() if path.read_bytes()[:2] == b"[["]


def outputs() -> dict[str, bytes | None]:
    """The files of a report."""
    return {name: data for name, data in snapshot(SITE / OUT).items() if KEPT not in name}


def test_report_of_which_nothing_changed_is_said_again(drawn: Drawn) -> None:
    """It prints and says the same without being made, and its files are the same, and newer than all of the site."""
    out, err, files = drawn.out, drawn.err, outputs()
    (SITE / "site.toml").touch()
    for path in (SITE / OUT).glob("*.*"):
        os.utime(path, (1, 1))
    assert drawn.report() == 0
    assert (drawn.out, drawn.err) == (out, err) and "note: " in err and outputs() == files
    newest = max(path.stat().st_mtime for path in SITE.rglob("*.toml"))
    assert all(path.stat().st_mtime >= newest for path in (SITE / OUT).glob("*.*"))


def test_each_way_of_printing_is_said_again_as_if_it_was_made(drawn: Drawn, tmp_path: Path) -> None:
    """All numbers and report.json come out as they do of a site without anything kept."""
    for way in ("--full", "--json"):
        assert drawn.report(way) == 0
        out, err = drawn.out, drawn.err
        for entry in entries():
            entry.unlink()
        assert drawn.report(way) == 1 and (drawn.out, drawn.err) == (out, err)


@pytest.mark.parametrize("more", [["--depth", "5cm"], ["--coil", "20cm"], ["--since", "2026-01-01"], ["-o", "there"]])
def test_what_was_not_asked_before_is_made(drawn: Drawn, more: list[str]) -> None:
    """Another depth, coil, day or folder is another report; the one asked before that is not taken for it."""
    assert drawn.report(*more) == 1
    assert drawn.report() == (0 if "-o" in more else 1)


def stored() -> Path:
    """The recording of the first outing."""
    return min(path for path in (SITE / "tracks").iterdir() if path.suffix == ".gpx")


CHANGES: dict[str, Callable[[], object]] = {
    "a byte of a recording": lambda: (stored().chmod(0o644), stored().write_bytes(stored().read_bytes() + b"\n")),
    "a recording": lambda: stored().unlink(),
    "a setting": lambda: (SITE / "site.toml").write_text((SITE / "site.toml").read_text() + "\n# more\n"),
    "a file more": lambda: (SITE / "ground.csv").write_text("date,kind\n2026-01-01,ploughed\n"),
    "a name": lambda: (SITE / "tracks" / "stray.txt").rename(SITE / "tracks" / "other.txt"),
    "a folder": lambda: (SITE / "photos").mkdir(),
    "a photograph": lambda: ((SITE / "photos").mkdir(), (SITE / "photos" / "a.jpg").write_bytes(b"\xff\xd8")),
    "a file in lanes": lambda: ((SITE / "lanes").mkdir(), (SITE / "lanes" / "x").write_text("")),
    "an output changed": lambda: (SITE / OUT / "map.html").write_text("mine"),
    "an output gone": lambda: (SITE / OUT / "site.gpkg").unlink(),
    "what is kept": lambda: [path.unlink() for path in entries()],
}


@pytest.mark.parametrize("what", CHANGES)
def test_any_change_makes_it_anew(drawn: Drawn, what: str) -> None:
    """One byte, name or folder more or less in the site or in its outputs, and the report is made; then again said."""
    CHANGES[what]()
    assert drawn.report() == 1
    assert drawn.report() == 0


def test_taking_a_change_back_is_no_report_of_the_change(drawn: Drawn) -> None:
    """After an edit and its report, the old state is not told by files that the edit's report wrote."""
    first, files, text = drawn.out, outputs(), (SITE / "outings.toml").read_text()
    (SITE / "outings.toml").write_text(text.replace("[[outing]]", '[[outing]]\nswath = "0.8m"', 1))
    assert drawn.report() == 1 and drawn.out != first
    (SITE / "outings.toml").write_text(text)
    assert drawn.report() == 1 and drawn.out == first and outputs() == files


@pytest.mark.parametrize(
    "damage",
    [
        lambda entry: entry[:40],
        lambda entry: b"",
        lambda entry: b"[[]]",
        lambda entry: b"7",
        lambda entry: json.dumps([*json.loads(entry)[:3], {}]).encode(),
        lambda entry: json.dumps([*json.loads(entry)[:2], ["../../etc/passwd", ""], json.loads(entry)[3]]).encode(),
        lambda entry: json.dumps([*json.loads(entry)[:3], {"../s/site.toml": "0"}]).encode(),
        lambda entry: json.dumps([["\x1b[2J"], *json.loads(entry)[1:]]).encode(),
        lambda entry: entry.replace(b'"short": ["', b'"short": ["\\u001b[2J'),
        lambda entry: entry.replace(b'"short"', b'"longer"'),
    ],
)
def test_what_was_damaged_or_forged_is_not_said(drawn: Drawn, damage: Callable[[bytes], bytes]) -> None:
    """A kept report that was cut off, or that would give the terminal orders, is made anew with the same words."""
    out, err = drawn.out, drawn.err
    (entry,) = entries()
    entry.write_bytes(damage(entry.read_bytes()))
    assert drawn.report() == 1 and (drawn.out, drawn.err) == (out, err)


def test_other_tables_of_a_time_zone_make_it_anew(
    drawn: Drawn, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the system has learnt something new about the zone of the site, dates may be others."""
    zone = tmp_path / "zones" / "Atlantic" / "Reykjavik"
    zone.parent.mkdir(parents=True)
    zone.write_bytes(b"other")
    with monkeypatch.context() as patch:
        patch.setattr(zoneinfo, "TZPATH", (str(tmp_path / "zones"),))
        assert drawn.report() == 1
    assert drawn.report() == 1


def test_change_while_it_is_made_is_not_missed(drawn: Drawn) -> None:
    """When a file changes while a report is made, the next one is made too: nobody knows which one it was made of."""
    for entry in entries():
        entry.unlink()
    drawn.before = lambda: (SITE / "site.toml").write_text((SITE / "site.toml").read_text() + "\n# more\n")
    assert drawn.report() == 1
    drawn.before = lambda: None
    assert drawn.report() == 1
    assert drawn.report() == 0


def test_what_may_pass_is_not_said_again(drawn: Drawn, monkeypatch: pytest.MonkeyPatch) -> None:
    """A report that said more than what its site is like, such as that it had to wait, is made again the next time."""
    for entry in entries():
        entry.unlink()
    counted = draw.draw_site

    def waiting(*given: Any, say: Callable[[str], None], **more: Any) -> Any:
        say("Waiting for another command")
        return counted(*given, say=say, **more)

    with monkeypatch.context() as patch:
        patch.setattr(draw, "draw_site", waiting)
        assert drawn.report() == 1 and "Waiting" in drawn.err
    assert drawn.report() == 1 and "Waiting" not in drawn.err


def test_what_cannot_be_told_is_another_report(tmp_path: Path) -> None:
    """Of an unfinished change, a link, a pipe or a folder that is not there nobody can say what it is made of."""
    assert made_of(tmp_path / "none", ()) is None
    (tmp_path / "a").write_text("a")
    assert made_of(tmp_path, ()) is not None
    (tmp_path / ".commit").mkdir()
    assert made_of(tmp_path, ()) is None
    (tmp_path / ".commit").rmdir()
    (tmp_path / "link").symlink_to("a")
    assert made_of(tmp_path, ()) is None
    (tmp_path / "link").unlink()
    os.mkfifo(tmp_path / "link")
    assert made_of(tmp_path, ()) is None


def test_what_a_report_makes_is_not_what_it_is_made_of(tmp_path: Path) -> None:
    """The outputs, copies and the lock of a site change nothing; folders of these names elsewhere do."""
    (tmp_path / "a").write_text("a")
    before = made_of(tmp_path, ("x",))
    for name in MADE_OF_IT:
        (tmp_path / name).mkdir()
        (tmp_path / name / "b").write_text("b")
    assert before is not None and before.unchanged and made_of(tmp_path, ("x",)) == before
    assert made_of(tmp_path, ("y",)) != before
    (tmp_path / "lanes" / "out").mkdir(parents=True)
    assert not before.unchanged


def test_only_plain_files_that_it_wrote_are_made_new(tmp_path: Path) -> None:
    """A kept report that names a file outside the outputs, or a link among them, is not said, and touches nothing."""
    out, shelf = tmp_path / OUT, Shelf(tmp_path / OUT / KEPT)
    out.mkdir()
    (tmp_path / "mine.txt").write_text("mine")
    os.utime(tmp_path / "mine.txt", (1, 1))
    made = made_of(tmp_path, ())
    assert isinstance(made, MadeOf)
    digest = hashlib.sha256(b"mine").hexdigest()
    (out / "map.html").symlink_to(tmp_path / "mine.txt")
    for wrote in ({"../mine.txt": digest}, {"map.html": digest}, {}):
        keep_told(shelf, made, ToldReport((), {"short": ("text", ())}, "UTC", wrote))
        assert told_again(shelf, made, out, "short") is None
    assert (tmp_path / "mine.txt").stat().st_mtime == 1
