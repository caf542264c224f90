"""Each recording is read, cleaned and walked once, whichever way it comes in; a map at once leaves nothing behind."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from format_samples import zipped
from small_walks import MORNING, square, walk

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.jobs.job_protocol import ADD, HeldFile, Order
from fieldcomb.coverage.jobs.worker import carry_out
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.marks.timeline import read_marks
from fieldcomb.tracks.motion.cleaning import clean
from fieldcomb.tracks.motion.legs import make_walk

STEPS: tuple[Callable[..., Any], ...] = (read_recording, read_marks, clean, make_walk)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def count(here: Path, monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each step was taken, wherever it is called from."""
    import fieldcomb.coverage.actions.draw
    import fieldcomb.coverage.actions.new_site  # noqa: F401

    counts: Counter[str] = Counter()

    def counted(step: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **more: Any) -> Any:
            counts[step.__name__] += 1
            return step(*given, **more)

        return call

    for step in STEPS:
        stand_in = counted(step)
        for module in [module for name, module in sys.modules.items() if name.startswith("fieldcomb")]:
            if getattr(module, step.__name__, None) is step:
                monkeypatch.setattr(module, step.__name__, stand_in)
    return counts


def once(files: int) -> dict[str, int]:
    """Each step taken once for each file."""
    return {step.__name__: files for step in STEPS}


def test_map_takes_each_step_once(count: Counter[str]) -> None:
    """A map of two walks reads, cleans and walks each of them once."""
    Path("a.gpx").write_text(walk())
    Path("b.gpx").write_text(walk(MORNING + timedelta(hours=2), 3.0))
    assert main(["map", "a.gpx", "b.gpx", "--coil", "28cm"]) == 0
    assert count == once(2)


def test_adding_takes_each_step_once(count: Counter[str]) -> None:
    """Adding a walk to a site that has one of another week reads, cleans and walks the new one once."""
    Path("a.gpx").write_text(walk())
    Path("b.gpx").write_text(walk(MORNING + timedelta(days=7), 3.0))
    assert main(["new", "s"]) == 0 and main(["add", "s", "a.gpx", "--coil", "28cm"]) == 0
    count.clear()
    assert main(["add", "s", "b.gpx"]) == 0
    assert count == once(1)


def test_an_account_takes_each_step_once(count: Counter[str]) -> None:
    """Of an archive of two walks each is read, cleaned and walked once, also on a site that has no place yet."""
    for site, more in (("s", ["--boundary", "edge.geojson"]), ("new", [])):
        Path("edge.geojson").write_text(square(0, 0, 20, 20))
        members = [(f"{days}.gpx", walk(MORNING + timedelta(days=days), 3.0).encode()) for days in (0, 7)]
        Path("export.zip").write_bytes(zipped(*members))
        assert main(["new", site, *more]) == 0
        count.clear()
        assert main(["add", site, "export.zip", "--each"]) == 0
        assert count == once(2)


def test_the_page_goes_on_with_what_it_added(count: Counter[str]) -> None:
    """Adding a walk on the page and drawing the map after it takes each step once, and the report is the command's."""
    Path("a.gpx").write_text(walk())
    assert main(["new", "s"]) == 0
    files = (HeldFile("a.gpx", "a.gpx"),)
    carry_out(Order(ADD, "s", files=files, typed=Typed(coil="28cm")), lambda **_: None)
    assert count == once(1)
    page = Path("s/out/report.json").read_bytes()
    assert main(["report", "s"]) == 0 and Path("s/out/report.json").read_bytes() == page


def test_what_was_checked_counts_only_while_it_is_so(here: Path) -> None:
    """A walk that was added, then corrected by somebody else before the map is drawn, is drawn as corrected."""
    from fieldcomb.coverage.actions.add import add
    from fieldcomb.coverage.actions.draw import draw_site
    from fieldcomb.coverage.actions.edit import edit
    from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd

    Path("a.gpx").write_text(walk())
    assert main(["new", "s"]) == 0
    quiet: Any = lambda *_: None  # noqa: E731
    added = add(Path("s"), WalksToAdd([WalkToAdd("a.gpx")], Typed(coil="28cm", swath="1.4m")), quiet)
    edit(Path("s"), added[0].id, {"swath": "0.7m"}, say=quiet)
    report = draw_site(Path("s"), added=added, say=quiet, progress=quiet)
    assert report.outings[0].recordings[0].swath_m == 0.7


def test_a_map_needs_no_temporary_folder(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No walk is copied to draw a map at once: it is drawn where there is no folder for copies."""
    monkeypatch.setattr(tempfile, "tempdir", str(here / "nowhere"))
    Path("a.gpx").write_text(walk())
    assert main(["map", "a.gpx"]) == 0 and Path("a-map/map.html").exists()


def test_a_report_of_some_outings_reads_none_that_is_kept(count: Counter[str]) -> None:
    """Once a whole report was drawn, one of two outings or since a day reads no recording again, and says the same."""
    days = [MORNING + timedelta(days=n) for n in range(3)]
    assert main(["new", "s"]) == 0
    for number, day in enumerate(days):
        Path(f"{number}.gpx").write_text(walk(day, 3.0 * number))
        assert main(["add", "s", f"{number}.gpx", "--coil", "28cm"]) == 0
    assert main(["report", "s"]) == 0
    some = (["--between", "2026-03-07a", "2026-03-09a"], ["--since", "2026-03-09"])
    count.clear()
    for place, choice in zip(("b", "s-since"), some, strict=True):
        assert main(["report", "s", *choice, "-o", place]) == 0
    assert not count
    shutil.rmtree("s/out/kept")
    for place, choice in zip(("b", "s-since"), some, strict=True):
        assert main(["report", "s", *choice, "-o", place + "-anew"]) == 0
        assert Path(place, "report.json").read_bytes() == Path(place + "-anew", "report.json").read_bytes()
    assert count
