"""What the page of an outing says of the last report."""

from __future__ import annotations

import json
from dataclasses import replace

from samples import sample_result

from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.web.outing_views import outing_numbers

REPORT = sample_result().report


def rows(report: Report) -> dict[str, str]:
    """The numbers of the first outing, by their names."""
    told = outing_numbers(json.loads(report_json(report)))
    return dict(told[report.outings[0].head.id].rows)


def test_the_share_is_of_what_the_map_says_it_is_of() -> None:
    """With an edge it is a share of the site; without one, of the ground between the walks, as on the map."""
    assert rows(REPORT)["Swept, as recorded"].endswith("of the site")
    between = replace(REPORT, site=replace(REPORT.site, boundary="from walks"))
    assert rows(between)["Swept, as recorded"].endswith("of the ground between your walks")


def test_stops_are_told_where_they_are_known() -> None:
    """One stop is not called "1 digs", and a walk without times has no line of stops."""
    first = REPORT.outings[0]
    for stops, digs, said in ((1, 1, "1, as long as a dig: 1"), (None, None, None)):
        times = replace(first.times, stops=stops, digs=digs)
        assert rows(replace(REPORT, outings=(replace(first, times=times),))).get("Stops") == said
