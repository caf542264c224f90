"""Spacings between lanes as a field of an outing: typed, corrected, told, and what they do to the estimate."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from small_walks import gpx, lanes, square, stamped

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.edit import edit
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.coverage.web.forms import typed_of_form
from fieldcomb.tracks.errors import SiteError

RAGGED = "0.6m, 2.4m, 1.1m, 2m, 0.9m, 2.2m, 1.5m, 0.5m, 1m, 1.3m"


def quiet(_: str) -> None:
    """Take a note and forget it."""


def site_with(folder: Path, **typed: Any) -> Path:
    """A site of 600 m2, and lanes over it as one outing."""
    (folder / "edge.geojson").write_text(square(-1, -1, 24, 24), encoding="utf-8")
    new_site(folder / "site", boundary=str(folder / "edge.geojson"), say=quiet)
    (folder / "walk.gpx").write_text(gpx(stamped(lanes(18, 23.0))), encoding="utf-8")
    add(folder / "site", WalksToAdd([WalkToAdd(str(folder / "walk.gpx"))], Typed(swath="1.3m", **typed)), quiet)
    return folder / "site"


def surveyed(site: Path) -> Report:
    """Report on the site."""
    given = survey_inputs(site, say=quiet)
    return survey(given.site, given.outings).report


def share(report: Report) -> float:
    """Percent of the site truly swept, as estimated."""
    assert report.total.estimate.pct is not None
    return report.total.estimate.pct


def test_typed_spacings_count_until_they_are_taken_back(tmp_path: Path) -> None:
    """Ragged spacings, added or corrected later, tell of more left out than a watch saw; taken back it is as before."""
    site = site_with(tmp_path, spacing=RAGGED)
    typed = surveyed(site)
    assert f'spacing = "{RAGGED}"' in (site / "outings.toml").read_text()
    assert edit(site, "2026-03-07a", {"spacing": None}, say=quiet) == (f"spacing: {RAGGED} -> nothing typed",)
    without = surveyed(site)
    assert share(typed) < share(without) - 2
    edit(site, "2026-03-07a", {"spacing": RAGGED}, recording="walk.gpx", say=quiet)
    assert surveyed(site).total.estimate == typed.total.estimate


def test_typed_spacings_are_told(tmp_path: Path) -> None:
    """The table counts them, and report.json has each of them, those in paces as such."""
    report = surveyed(site_with(tmp_path, spacing="1.2m 2 paces 1,4m"))
    assert "3 measured spacings, 1.4 m on average (1.2 to 1.5 m), 1 of them in paces" in " ".join(table(report).split())
    [recording] = json.loads(report_json(report))["outings"][0]["recordings"]
    assert recording["spacings"] == [
        {"across_m": 1.2, "paced": False},
        {"across_m": 1.5, "paced": True},
        {"across_m": 1.4, "paced": False},
    ]


def test_the_form_of_the_page_takes_them() -> None:
    """What is typed into the field of the page is what an outing keeps."""
    assert typed_of_form({"spacing": "1.4m; 2 paces"}) == Typed(spacing="1.4m; 2 paces")


def test_a_slip_in_outings_toml_is_named_with_its_line(tmp_path: Path) -> None:
    """A spacing without a unit in the file stops the report with the file, the line and what to write."""
    site = site_with(tmp_path, spacing="1.4m")
    file = site / "outings.toml"
    file.write_text(file.read_text().replace('spacing = "1.4m"', 'spacing = "1.4m, 15"'))
    with pytest.raises(SiteError, match=r"outings.toml: .*spacing '15' has no unit.*\(line \d+\)") as refused:
        surveyed(site)
    assert refused.value.hint
