"""What the page of a copy says."""

from __future__ import annotations

from dataclasses import replace

from samples import sample_result

from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.contents import CopyInputs, make_copy
from fieldcomb.coverage.copies.copy_page import copy_html
from fieldcomb.coverage.copies.shared_copy import CopyArea


def test_a_little_ground_that_is_left_is_not_told_as_none() -> None:
    """Areas come in tens: beside 98 % walked over stands "under 5 m2", not 0; beside 100 % stands 0."""
    copy = make_copy(sample_result(), Audience.CLUB, CopyInputs("Bay", {}, (), {}, {}))
    areas = (CopyArea("tip", 98, 0, 1, 0), CopyArea("gate", 100, 0, 0, 0), CopyArea("rest", 60, 120, 2, 40))
    page = " ".join(copy_html(replace(copy, areas=areas)).split())
    for cells in (
        '"row">tip</th><td>98 %</td><td>under 5 m²</td> <td>1 place, under 5 m²</td>',
        '"row">gate</th><td>100 %</td><td>0 m²</td> <td>no place</td>',
        '"row">rest</th><td>60 %</td><td>120 m²</td> <td>2 places, 40 m²</td>',
    ):
        assert cells in page
    assert page.startswith("<!DOCTYPE html>") and "Walked over, as recorded</th>" in page
