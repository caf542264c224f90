"""What was searched for: target numbers that were dug, and the classes that they stand for."""

from __future__ import annotations

import json
import re
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from recordings import DAY_S, START_S, field, fixes, item, outing, serpentine, site, swing
from small_walks import walk

from fieldcomb.coverage.commands.cli import cli, main
from fieldcomb.coverage.gear.target_ids import NO_RULE, DigRule, parse_numbers
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.site.settings import Typed, swing_of
from fieldcomb.coverage.site.settings_file import read_settings
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.coverage.todo.assumptions import USUAL, TodoSettings
from fieldcomb.coverage.todo.dug_classes import ALL_DUG, LEFT, NOT_SWEPT, PART_DUG, UNSAID, class_cells
from fieldcomb.tracks.errors import SiteError, UsageError

CLASSES = (("iron", parse_numbers("0-15")), ("low", parse_numbers("16-45")), ("high", parse_numbers("71-99")))


@given(st.sets(st.integers(0, 999), min_size=1, max_size=30))
def test_numbers_are_read_as_written(numbers: set[int]) -> None:
    """Single numbers and ranges give the numbers that they name, in any order and with any blanks."""
    assert parse_numbers(" , ".join(str(n) for n in sorted(numbers, reverse=True))) == numbers
    low, high = min(numbers), max(numbers)
    assert parse_numbers(f"{low} - {high}") == set(range(low, high + 1))


@pytest.mark.parametrize("text", ["", "x", "40-", "-5", "99-40", "10,,20", "1000", "5-1200", "3.5", "1-2-3"])
def test_what_is_no_range_is_refused(text: str) -> None:
    """Text that names no numbers, or a range that runs backwards, is refused with an example."""
    with pytest.raises(UsageError) as error:
        parse_numbers(text)
    assert repr(text) in error.value.problem and error.value.hint


def test_whole_part_none_or_not_stated() -> None:
    """A class is dug whole, in part or not at all; without a rule, or without its numbers, that is not stated."""
    rule = DigRule(parse_numbers("40-99"), CLASSES)
    assert [rule.how(name) for name in ("iron", "low", "high")] == ["none", "part", "whole"]
    assert rule.how("middle") == NO_RULE.how("iron") == DigRule(None, CLASSES).how("high") == "not stated"
    assert rule.share("low") == pytest.approx(6 / 30) and rule.share("middle") == 1 and rule.share(None) == 1


# ------------------------------------------------------------------------------------------------------------- ground


def lane(name: str, x_m: float, rule: DigRule, day: int) -> OutingInput:
    """An outing of 10 lanes, 15 m wide, from ``x_m`` on."""
    track = fixes(serpentine(10, 30, 1.5, x0_m=x_m + 0.75), start_s=START_S + day * DAY_S)
    return outing(name, item(track, replace(swing(), rule=rule)))


def searched(*outings: OutingInput) -> tuple[dict[str, tuple[float, float, float, float]], Report]:
    """Shares of a field of 30 x 30 m by class: whole, part, none, not stated."""
    report = survey(site(field(30, 30)), outings).report
    return {c.name: (c.whole_pct, c.part_pct, c.none_pct, c.not_stated_pct) for c in report.searched_for}, report


def test_ground_by_class() -> None:
    """Half a field under a rule, half without one: each class has its shares, and they add up to what was swept."""
    rule = DigRule(parse_numbers("40-99"), CLASSES)
    found, report = searched(lane("a", 0, rule, 0), lane("b", 15, NO_RULE, 1))
    assert found["high"] == pytest.approx((50, 0, 0, 50), abs=0.6)
    assert found["low"] == pytest.approx((0, 50, 0, 50), abs=0.6)
    assert found["iron"] == pytest.approx((0, 0, 50, 50), abs=0.6)
    for shares in found.values():
        assert sum(shares) == pytest.approx(report.total.swept_pct)


def test_ground_by_class_as_drawn() -> None:
    """On the map each cell tells what was dug there, and ground that nobody passed over is told apart."""
    rule = DigRule(parse_numbers("40-99"), CLASSES)
    part, bare = lane("a", 0, rule, 0), lane("b", 15, NO_RULE, 1)
    layers = survey(site(field(34, 30)), (part, bare)).layers
    assert layers.searched is not None
    for name, told in (("iron", LEFT), ("low", PART_DUG), ("high", ALL_DUG), ("middle", UNSAID)):
        cells = class_cells(layers.searched, layers.passes, name)[5:290]
        assert set(np.unique(cells[:, :148])) == {told} and set(np.unique(cells[:, 152:298])) == {UNSAID}
        assert set(np.unique(cells[:, 302:335])) == {NOT_SWEPT}
    assert survey(site(field(34, 30)), (bare,)).layers.searched is None


def test_the_most_that_anybody_dug_counts() -> None:
    """Ground of two outings is searched for what either of them dug, whichever came first."""
    some, all_of_it = (DigRule(parse_numbers(text), CLASSES) for text in ("40-99", "16-99"))
    for first, second in ((some, all_of_it), (all_of_it, some)):
        found, _ = searched(lane("a", 0, first, 0), lane("b", 0, second, 1))
        assert found["low"][0] == pytest.approx(50, abs=0.6) and found["low"][1] == 0


def test_without_a_rule_nothing_is_claimed() -> None:
    """When nobody said what was dug, all swept ground is not stated, and never searched for everything."""
    found, report = searched(lane("a", 0, NO_RULE, 0))
    assert all(shares == (0, 0, 0, pytest.approx(report.total.swept_pct)) for shares in found.values())


# ------------------------------------------------------------------------------------------------------------- typing

SITE = b"""
name = "Bank"
zone = "UTC"
cell = "20cm"
[coils.large]
size = "28cm"
dug = "40-99"
iron = "0-15"
low = "16-45"
reach = "25cm"
[defaults]
dug = "1-99"
[todo]
lift = "8cm"
usual_junk = 0.5
target = "low"
"""


def test_where_a_rule_is_looked_up() -> None:
    """What was typed for the outing goes first, then the coil's own entry, then what is usual."""
    settings = read_settings(SITE, "site.toml")
    own = swing_of(settings, Typed(coil="large")).rule
    assert own.dug == parse_numbers("40-99") and own.how("low") == "part"
    typed = swing_of(settings, Typed(coil="large", dug="10-50")).rule
    assert typed.how("low") == "whole" and typed.how("iron") == "part"
    assert swing_of(settings, Typed(coil="20cm")).rule == DigRule(parse_numbers("1-99"))


def test_settings_of_the_list() -> None:
    """Keys of [todo] are read, and what is not there is as usual."""
    settings = read_settings(SITE, "site.toml").todo
    assert settings == replace(USUAL, lift_m=0.08, junk_per_m2=0.5, target="low")
    assert read_settings(SITE, "site.toml").coils["large"].reach_m == 0.25


def test_every_setting_is_in_the_docs_with_its_default() -> None:
    """The table in docs/todo.md has every setting, each with its default; typing that in is the same as leaving
    it out.
    """
    text = (Path(__file__).parents[3] / "docs" / "todo.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \| (?:`([^`]+)`|none) \| ", text, re.MULTILINE)
    defaults = {key: default for key, default in rows if default}
    site = SITE.split(b"[todo]")[0] + b"[todo]\n" + "".join(f"{k} = {v}\n" for k, v in defaults.items()).encode()
    assert read_settings(site, "site.toml").todo == USUAL
    assert len(rows) == len(fields(TodoSettings)) and len(dict(rows)) == len(rows)


REMOVED = ("kernel", "cell", "least_m2", "more_left", "junk_gain", "g", "not_recorded", "pace", "good_pass")
REMOVED += ("square_kernels", "enough_digs", "goes_on", "heard", "mark_seconds", "mark_near")


def test_keys_that_no_longer_do_anything_are_named_and_left_in_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A site.toml with keys of [todo] from an earlier version is read as if they were not there; one note of the report
    names them all, no other message offers them, and the file stays as it is.
    """
    monkeypatch.chdir(tmp_path)
    Path("walk.gpx").write_text(walk())
    assert main(["new", "s"]) == 0 and main(["add", "s", "walk.gpx"]) == 0
    file = Path("s/site.toml")
    text = file.read_text() + "\n[todo]\nrecheck = true\n" + "".join(f'{key} = "old"\n' for key in REMOVED)
    file.write_text(text)
    run = CliRunner().invoke(cli, ["report", "s", "--json"])
    [note] = [line for line in run.stderr.splitlines() if "site.toml" in line]
    assert note == f"note: site.toml: under [todo], {', '.join(REMOVED)} no longer do anything; you may delete them"
    assert read_settings(SITE + b"heard = 3\n", "site.toml").notes == (
        "site.toml: under [todo], heard no longer does anything; you may delete it",
    )
    assert file.read_text() == text
    with pytest.raises(SiteError) as error:
        read_settings(SITE + b"speed = 3\n", "site.toml")
    assert "stand_off" in (error.value.hint or "") and "kernel" not in (error.value.hint or "")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'lift = "8cm"', b'lift = "8"'),
        (b'lift = "8cm"', b'lift = "90cm"'),
        (b"usual_junk = 0.5", b"usual_junk = -1"),
        (b'target = "low"', b'target = "gold"'),
        (b'target = "low"', b'stand_off = "1m"'),
        (b'target = "low"', b"speed = 3"),
        (b'dug = "40-99"', b'dug = "99-40"'),
        (b'iron = "0-15"', b"iron = 15"),
    ],
)
def test_slips_in_site_toml_are_named_with_their_line(old: bytes, new: bytes) -> None:
    """A value of a coil or of [todo] that cannot be is refused with its line; the stand-off cannot be made smaller."""
    assert old in SITE
    with pytest.raises(SiteError) as error:
        read_settings(SITE.replace(old, new), "site.toml")
    line = SITE.replace(old, new).splitlines().index(new) + 1
    assert f"line {line}" in str(error.value)


def test_typed_for_an_outing_and_corrected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """--dug of ``add`` is kept with the outing, ``edit`` corrects it and takes it back, and a slip is refused."""
    monkeypatch.chdir(tmp_path)
    Path("walk.gpx").write_text(walk())
    run = CliRunner()
    assert main(["new", "s"]) == 0
    assert main(["add", "s", "walk.gpx", "--dug", "40-99,10"]) == 0
    outings = Path("s/outings.toml")
    assert 'dug = "40-99,10"' in outings.read_text()
    name = json.loads(run.invoke(cli, ["report", "s", "--json"]).stdout)["outings"][0]["id"]
    assert main(["edit", "s", name, "--dug", "1-99"]) == 0 and 'dug = "1-99"' in outings.read_text()
    assert main(["edit", "s", name, "--dug", ""]) == 0 and "dug" not in outings.read_text().split("[[outing")[1]
    assert main(["edit", "s", name, "--dug", "9-1"]) == 2
    assert main(["map", "walk.gpx", "--dug", "often"]) == 2
