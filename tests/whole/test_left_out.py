"""One outing at fault never stops a report: it is in no number and named first, and all others are reported."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from local_page import Page
from small_walks import MORNING, fix, gpx, lanes, square, stamped, walk

from fieldcomb.coverage.commands.cli import main

STORED = Path("s/tracks/2026-03-07a-first.gpx")
FAULTY = "2026-03-07a"
TOP_CHARS = 900  # characters from the top within which the first things of the map's panel stand


@pytest.fixture(autouse=True)
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make a site of two outings, the first of which the tests spoil."""
    monkeypatch.chdir(tmp_path)
    Path("edge.geojson").write_text(square(-2, -2, 12, 22))
    Path("first.gpx").write_text(walk())
    Path("second.gpx").write_text(walk(MORNING + timedelta(days=1), east_m=4))
    assert main(["new", "s", "--boundary", "edge.geojson"]) == 0
    assert main(["add", "s", "first.gpx"]) == 0 == main(["add", "s", "second.gpx"])


def report() -> dict[str, Any]:
    """Draw the map, and return what report.json says."""
    assert main(["report", "s"]) == 0
    value: dict[str, Any] = json.loads(Path("s/out/report.json").read_bytes())
    return value


def put_as_added(content: str) -> None:
    """Have another file in tracks/ as if it had been added so, by a program that refused less."""
    before = hashlib.sha256(STORED.read_bytes()).hexdigest()
    STORED.chmod(0o644)
    STORED.write_text(content)
    listed = Path("s/outings.toml").read_text()
    Path("s/outings.toml").write_text(listed.replace(before, hashlib.sha256(content.encode()).hexdigest()))


def missing() -> None:
    """The file is gone."""
    STORED.unlink()


def changed() -> None:
    """The file has one byte more."""
    STORED.chmod(0o644)
    STORED.write_bytes(STORED.read_bytes() + b"\n")


def a_folder() -> None:
    """A folder stands in the place of the file."""
    STORED.unlink()
    STORED.mkdir()


def no_recording() -> None:
    """The file was never a recording."""
    put_as_added("hello\n")


def far() -> None:
    """The walk is another site's."""
    put_as_added(gpx(stamped([(x, y + 500_000) for x, y in lanes()])))


def empty_window() -> None:
    """The part that was chosen holds no fix."""
    times = ["--from", "2026-03-08 09:00", "--to", "2026-03-08 10:00"]
    assert main(["edit", "s", FAULTY, "--recording", "first.gpx", *times]) == 0


def unset_clock() -> None:
    """A part was chosen by times that are of the year 1, and not used any more."""
    put_as_added(gpx(fix(x, y, f"0001-01-01T00:{n // 60:02d}:{n % 60:02d}Z") for n, (x, y) in enumerate(lanes())))
    empty_window()


FAULTS = {
    missing: ("tracks/2026-03-07a-first.gpx: is missing", "Put it back"),
    changed: ("tracks/2026-03-07a-first.gpx: has changed since it was added", "Put the file back"),
    a_folder: ("tracks/2026-03-07a-first.gpx: is a folder, not a file", ""),
    no_recording: ("first.gpx: is not a GPX", ""),
    far: ("first.gpx: the walk is 500 km away from the site", "Is this the right file and the right site?"),
    empty_window: ("first.gpx: no usable fix is left", "Check the --from and --to times"),
    unset_clock: ("first.gpx: this file has no times", "Leave out --from and --to"),
}


@pytest.mark.parametrize("spoil", FAULTS, ids=lambda spoil: spoil.__name__)
def test_numbers_are_those_without_the_outing_at_fault(spoil: Callable[[], None]) -> None:
    """Every number of the report is the same as when the user leaves that outing out; only where to go next differs,
    since what an outing at fault swept is not known.
    """
    assert main(["edit", "s", FAULTY, "--leave-out"]) == 0
    without = report()
    assert main(["edit", "s", FAULTY, "--take-back"]) == 0
    spoil()
    with_fault = report()
    assert [outing["id"] for outing in with_fault["outings"]] == ["2026-03-08a"]
    assert (
        without["total"].pop("unswept")["other_outings_m2"]
        > 0
        == with_fault["total"].pop("unswept")["other_outings_m2"]
    )
    numbers = without.keys() - {"notes", "left_out", "answer", "places", "strips", "todo"}
    assert {key: with_fault[key] for key in numbers} == {key: without[key] for key in numbers}


@pytest.mark.parametrize("spoil", FAULTS, ids=lambda spoil: spoil.__name__)
def test_outing_at_fault_is_named_first_everywhere(
    spoil: Callable[[], None], capsys: pytest.CaptureFixture[str]
) -> None:
    """Table, report.json and panel begin with which outing is left out, what is wrong with which file, what to do."""
    spoil()
    capsys.readouterr()
    drawn = report()
    fault, to_do = FAULTS[spoil]
    for text in (drawn["notes"][0], " ".join(capsys.readouterr().out.split())):
        assert text.startswith(f"Outing {FAULTY} is left out of every number: {fault}"), text
        assert to_do in text
    assert drawn["left_out"][0]["outing"] == FAULTY and drawn["left_out"][0]["fault"].startswith(fault)
    panel = Path("s/out/map.html").read_text().partition('aria-label="In short"')[2]
    assert fault in panel[:TOP_CHARS] and "--from" not in panel[:TOP_CHARS]


def test_page_of_the_site_names_the_outing_at_fault_first(tmp_path: Path) -> None:
    """The local page says above all else which outing the map lacks and why, and draws again when that is mended."""
    missing()
    report()
    Path("temp").mkdir()
    text = Page(tmp_path, Path("temp")).get("/site/s/").text
    said = text.index(f"Outing {FAULTY}</a> is left out of every number: tracks/2026-03-07a-first.gpx: is missing")
    assert said < text.index("Draw the map again") < text.index("Add a walk")


def test_outing_at_fault_can_be_corrected(capsys: pytest.CaptureFixture[str]) -> None:
    """On such a site any outing can be corrected; one that is left out on purpose is no fault any more."""
    missing()
    assert main(["edit", "s", "2026-03-08a", "--note", "dry"]) == 0
    assert main(["edit", "s", FAULTY, "--note", "gone"]) == 0
    assert main(["edit", "s", FAULTY, "--leave-out"]) == 0
    capsys.readouterr()
    drawn = report()
    assert drawn["left_out"] == [] and drawn["outings"][0]["note"] == "dry"
    assert "is left out of every number" not in capsys.readouterr().out


def test_walks_can_be_added_next_to_an_outing_at_fault() -> None:
    """A walk added to such a site is counted."""
    changed()
    Path("third.gpx").write_text(walk(MORNING + timedelta(days=2), east_m=2))
    assert main(["add", "s", "third.gpx"]) == 0
    assert [outing["id"] for outing in report()["outings"]] == ["2026-03-08a", "2026-03-09a"]


def test_report_fails_when_no_outing_is_left(capsys: pytest.CaptureFixture[str]) -> None:
    """With every outing at fault there is nothing to report: the command says what is wrong, and writes nothing."""
    missing()
    assert main(["edit", "s", "2026-03-08a", "--leave-out"]) == 0
    capsys.readouterr()
    assert main(["report", "s"]) == 1
    assert "2026-03-07a-first.gpx: is missing" in capsys.readouterr().err
    assert not Path("s/out/map.html").exists()


def test_comparison_with_an_outing_at_fault_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """Of two outings set against each other none can be left out."""
    missing()
    assert main(["report", "s", "--between", FAULTY, "2026-03-08a"]) == 1
    assert "is missing" in capsys.readouterr().err


def test_comparison_with_an_outing_that_does_not_count_says_how_to_make_it_count(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One that was left out is to be taken back; for one from before --since, an earlier date is asked for."""
    assert main(["report", "s", "--between", FAULTY, "2026-03-08a", "--since", "2026-03-08"]) == 2
    assert f"'{FAULTY}' is of no day since then. Choose an earlier date" in capsys.readouterr().err
    assert main(["edit", "s", FAULTY, "--leave-out"]) == 0
    assert main(["report", "s", "--between", FAULTY, "2026-03-08a"]) == 2
    assert f"'{FAULTY}' is left out. Use fieldcomb edit SITE {FAULTY} --take-back" in capsys.readouterr().err


def test_marks_of_a_file_that_is_gone_are_said_not_to_be_known() -> None:
    """Ground to leave alone may have been marked in a file that cannot be read, and the report says so."""
    missing()
    assert report()["notes"][0].endswith("What was marked on it is not known either")


def test_ground_to_leave_alone_holds_though_its_outing_is_left_out() -> None:
    """A stop that was marked on an outing whose chosen part is empty still takes its disc of 5 m off the site."""
    mark = f"<wpt {fix(4, 10, '2026-03-08T09:30:00Z')[7:].replace('</trkpt>', '<name>stop</name></wpt>')}"
    put_as_added(gpx(stamped(lanes()), mark))
    empty_window()
    drawn = report()
    assert drawn["left_out"] and drawn["site"]["no_go_m2"] == pytest.approx(78.5, abs=1.0)


def test_one_walk_far_too_wide_for_a_site_stops_no_report() -> None:
    """Without a boundary a line of 60 km, added long ago, is left out: its cells would be too many for any machine."""
    Path("s/areas.geojson").unlink()
    Path("s/site.toml").write_text(Path("s/site.toml").read_text().replace("areas = true\n", ""))
    put_as_added(gpx(fix(n * 20.0, 0.0) for n in range(3000)))
    drawn = report()
    assert "spans 60.0 km, too far for one site without a boundary" in drawn["left_out"][0]["fault"]
    assert [outing["id"] for outing in drawn["outings"]] == ["2026-03-08a"]
