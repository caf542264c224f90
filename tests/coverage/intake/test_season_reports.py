"""A season on one small field, from the files in its folder to the report: finds, changed ground, what is left."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from small_walks import LAT, LAT_PER_M, LON, LON_PER_M, MORNING, square, walk

from fieldcomb.coverage.commands.cli import main

KEPT = (16, 8, 4, 2)  # half of what is there on each of four days


def finds_csv(counts: tuple[int, ...] = KEPT, together: int = 0) -> str:
    """So many keeps on each day, on the lanes; the first ``together`` of them in one spot of the first day."""
    rows = ["find_no,outing,kind,lat,lon,number,depth_cm"]
    for day, count in enumerate(counts):
        for k in range(count):
            x, y = (
                (2.0, 10.0 + 0.2 * k) if day == 0 and k < together else (1.3 * (k % 4), 1.0 + (5.3 * k + 3 * day) % 18)
            )
            place = f"{LAT + y * LAT_PER_M:.8f},{LON + x * LON_PER_M:.8f}"
            rows.append(f"{len(rows)},2026-03-{7 + 7 * day:02}a,keep,{place},5{k % 10},{5 + k}")
    rows.append(f"{len(rows)},2026-03-07a,junk,,,12,4")
    return "\n".join(rows) + "\n"


@pytest.fixture
def field(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Four outings a week apart over the same four lanes."""
    monkeypatch.chdir(tmp_path)
    Path("edge.geojson").write_text(square(-1, -1, 5, 21))
    assert main(["new", "s", "--boundary", "edge.geojson", "--zone", "UTC"]) == 0
    for week in range(4):
        Path("w.gpx").write_text(walk(MORNING + timedelta(days=7 * week)))
        assert main(["add", "s", "w.gpx", "--coil", "28cm", "--swath", "1.5m", "--gps", "2cm"]) == 0
    return tmp_path / "s"


def report(*args: str) -> dict[str, Any]:
    """Draw the site and return its report.json."""
    assert main(["report", "s", *args]) == 0
    value: dict[str, Any] = json.loads(Path("s/out/report.json").read_text("utf-8"))
    return value


def test_finds_that_halve_each_week_are_nearly_all_out(field: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """16, 8, 4 and 2: two are left by every method, in report.json and in words; junk is none of them."""
    (field / "finds.csv").write_text(finds_csv())
    left = report("--full")["found"]["left"]
    assert [line["method"] for line in left] == ["leslie", "ricker", "delury", "carle-strub"]
    assert (left[0]["estimate"], left[0]["at_least"], left[0]["kept"], left[0]["outings"]) == (2, 2, 30, 4)
    out = " ".join(capsys.readouterr().out.split())
    assert "Still there, all: at least 2; the line of 4 outings and 30 finds says 2 (2-2)" in out
    assert "50-59 with 28cm: 30 of 30 kept" in out and "10-19 with 28cm: 0 of 1 kept" in out
    assert "How many are left" in (field / "out/map.html").read_text("utf-8")


def test_density_is_of_ground_really_passed_and_of_hours(field: Path) -> None:
    """Four times the same ground: what each outing passed is added up, and so are its hours."""
    (field / "finds.csv").write_text(finds_csv())
    told = report()
    found, outings = told["found"], told["outings"]
    assert found["ground_m2"] == pytest.approx(sum(one["swept_m2"] for one in outings), rel=0.01)
    assert found["hours"] == pytest.approx(sum(one["searching_s"] for one in outings) / 3600, rel=0.01)
    assert found["per_100_m2"]["all"]["value"] == pytest.approx(30 / found["ground_m2"] * 100, abs=1e-4)


def test_no_line_runs_across_a_change_of_the_ground(field: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Ploughed before the third week: two outings count; the report says what was walked over since, and ever."""
    (field / "finds.csv").write_text(finds_csv())
    (field / "ground.csv").write_text("date;event;area\n2026-03-20;ploughed;\nsoon;cut;\n2026-03-21;cut;nowhere\n")
    told = report("--full")
    assert [(line["method"], line["outings"]) for line in told["found"]["left"]] == [("two-pass", 2)]
    (event,) = told["events"]
    assert (event["event"], event["outings_before"], event["outings_since"]) == ("ploughed", 2, 2)
    assert event["since_pct"] == event["ever_pct"] == told["total"]["swept_pct"] and told["since"] is None
    out = " ".join(capsys.readouterr().out.split())
    assert "since it was ploughed on 20 Mar 2026;" in out
    assert 'row 3: date is "soon"' in out and "row 4: there is no area 'nowhere'" in out


def test_a_report_may_begin_where_the_ground_was_ploughed(field: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing but the last outing counts, and all that was walked before is to do again."""
    Path("w.gpx").write_text(walk(MORNING + timedelta(days=30), count=2))
    assert main(["add", "s", "w.gpx", "--coil", "28cm", "--swath", "1.5m", "--gps", "2cm"]) == 0
    (field / "ground.csv").write_text("date,event\n2026-04-01,Ploughed\n")
    ever, since = report(), report("--since", "ploughed")
    assert [one["id"] for one in since["outings"]] == ["2026-04-06a"]
    assert since["since"]["event"] == "ploughed" and since["since"]["date"] == "2026-04-01"
    assert since["since"]["swept_pct"] == since["total"]["swept_pct"] < 60
    assert since["since"]["ever_pct"] == pytest.approx(ever["total"]["swept_pct"], abs=1.5)
    by_date = report("--since", "2026-04-01")
    left = {name: sum(strip["area_m2"] for strip in told["strips"]) for name, told in (("e", since), ("d", by_date))}
    assert left["e"] > left["d"] + 30  # from a day on, ground that others swept is not to do again
    capsys.readouterr()
    assert main(["report", "s", "--since", "storm"]) == 2
    assert "ground.csv has no event 'storm'" in (said := capsys.readouterr().err)
    assert "ploughed on 2026-04-01" in said


def test_only_the_area_that_changed_is_to_do_again(field: Path) -> None:
    """Ground that was walked before is missed again in the area that was cut, and in no other."""
    Path("w.gpx").write_text(walk(MORNING + timedelta(days=30), count=2))
    assert main(["add", "s", "w.gpx", "--coil", "28cm", "--swath", "1.5m", "--gps", "2cm"]) == 0
    areas = json.loads((field / "areas.geojson").read_text())
    for name, low, high in (("south", -1, 10), ("north", 10, 21)):
        half = json.loads(square(-1, low, 5, high))["features"][0]
        areas["features"].append({**half, "properties": {"kind": "filled", "reason": name}})
    (field / "areas.geojson").write_text(json.dumps(areas))

    def unswept(area: str, since: str = "cut") -> tuple[float, float]:
        """Ground that is not walked over, and ground that only outings before swept, in square metres."""
        (field / "ground.csv").write_text(f"date,event,area\n2026-04-01,cut,{area}\n")
        told = report("--since", since)["total"]["unswept"]
        return told["missed_m2"] + told["not_reached_m2"] + told["cannot_tell_m2"], told["other_outings_m2"]

    by_day, everywhere, south, north = unswept("", "2026-04-01"), unswept(""), unswept("south"), unswept("north")
    assert by_day[1] > 40 and everywhere == pytest.approx((sum(by_day), 0))
    assert south[1] > 20 < north[1] and south[1] + north[1] == pytest.approx(by_day[1])
    assert sum(south) == pytest.approx(sum(by_day)) == sum(north)
    assert any("Only 'north' changed on 2026-04-01 (cut)" in note for note in report("--since", "cut")["notes"])


def test_a_table_that_cannot_be_read_stops_no_report(field: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without its columns nothing of ground.csv counts; the report says so and is drawn."""
    (field / "ground.csv").write_text("when,what\n2026-03-20,ploughed\n")
    assert report()["events"] == []
    assert "Changes of the ground are not counted: ground.csv" in capsys.readouterr().err


def test_keeps_close_together_come_first_with_what_to_do(field: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Six within a metre in one outing: terminal and map begin with leaving them and calling."""
    (field / "finds.csv").write_text(finds_csv((16, 3), together=6))
    found = report("--full")["found"]
    (close,) = [group for group in found["together"] if group["how"] == "close"]
    assert set(range(1, 7)) <= set(close["finds"]) and close["outing"] == "2026-03-07a"
    assert "Leave what is still in place" in " ".join(capsys.readouterr().out[:400].split())
    assert "Call the owner and the archaeological service" in (field / "out/map.html").read_text("utf-8")


def test_a_site_without_finds_says_nothing_of_them(field: Path) -> None:
    """Nobody is told of numbers, hot spots or what is left where nothing was written down."""
    told = report()
    assert told["found"] is None and told["events"] == []
    assert "What the finds say" not in (field / "out/map.html").read_text("utf-8")
