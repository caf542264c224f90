"""Pegs that nobody measured, touched on several outings: each outing has what those before it found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from recordings import FRAME, START_S, fixes, outing
from recordings import item as recording

from fieldcomb.coverage.outings.found_pegs import found_before
from fieldcomb.coverage.outings.inputs import HeldPart, OutingInput
from fieldcomb.coverage.outings.walking import walk_outing
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.peg_drift import Peg

DAY_S = 86_400.0


def day(number: int, north_m: float, name: str = "gate", touches: int = 1) -> OutingInput:
    """An outing of some day that touches a post at the origin for 20 s at its start, recorded too far north."""
    start_s = START_S + number * DAY_S
    track = fixes([(0, north_m), (0.01, north_m), (90, north_m), (0, north_m)], pace_m_s=0.3, start_s=start_s)
    times = [start_s + 1.0, float(track.time_s[-1])][:touches]
    marks = tuple(Mark("peg", name, None, None, f"peg {name}", t, None, None, "waypoint") for t in times)
    return outing(f"day {number}", recording(track, file=f"{number}.gpx", marks=marks))


def test_each_outing_has_what_those_before_it_found() -> None:
    """The first knows nothing; the second has the place of the first; the third the mean of both, and knows it better.
    Letter case makes no difference, and another post is none of these.
    """
    outings = [day(0, 1.0), day(1, 3.0, "Gate"), day(2, 0.0, "oak"), day(3, 0.0, "peg gate")]
    none, first, other, both = found_before([walk_outing(one, FRAME) for one in outings])
    assert none == other == ()
    assert [peg.name for peg in (*first, *both)] == ["gate", "gate"]
    assert first[0].y_m == pytest.approx(1.0, abs=0.02) and both[0].y_m == pytest.approx(2.0, abs=0.02)
    assert both[0].sd_m == pytest.approx(first[0].sd_m / np.sqrt(2)) and 1.4 < first[0].sd_m < 1.7


def test_the_next_outing_is_drawn_towards_the_place_found_before() -> None:
    """One touch on each of two days: the second walk, recorded 2 m farther north, is moved south at the post."""
    site = SiteInput("field", "UTC", 0.25, FRAME)
    result = survey(site, [day(0, 0.0), day(1, 2.0)])
    first, second = result.report.outings
    assert first.recordings[0].pegs == ()
    [touch] = second.recordings[0].pegs
    assert (touch.measured, touch.north_m) == (False, pytest.approx(2.0, abs=0.05))
    walks = result.layers.outings[1].walks
    near = [y for one in walks for line in one.lines for x, y in line if x < 2]
    assert 0.5 < 2.0 - np.min(near) < 1.5  # about half: both days are as far off as each other


def test_the_order_in_which_outings_are_given_makes_no_difference() -> None:
    """Whichever comes first in the folder, the earlier day tells the later one."""
    site = SiteInput("field", "UTC", 0.25, FRAME)
    days = [day(0, 0.0, touches=2), day(1, 2.0), day(2, -1.0)]
    one, other = (report_json(survey(site, order).report) for order in (days, days[::-1]))
    assert one == other


def test_a_later_outing_changes_nothing_of_the_earlier_ones() -> None:
    """Adding a day leaves what was told of the days before it as it was."""
    site = SiteInput("field", "UTC", 0.25, FRAME)
    days = [day(0, 0.0), day(1, 2.0), day(2, -1.0)]
    before, after = (survey(site, several).report.outings for several in (days[:2], days))
    assert [one.recordings for one in before] == [one.recordings for one in after[:2]]
    assert [one.ground.swept_m2 for one in before] == [one.ground.swept_m2 for one in after[:2]]


def test_another_thing_of_the_same_name_is_told() -> None:
    """A post 30 m from where the days before found the one of its name is not that post: told, and not used."""
    site = SiteInput("field", "UTC", 0.25, FRAME)
    result = survey(site, [day(0, 0.0), day(1, 30.0)])
    [item] = result.report.outings[1].recordings
    assert item.pegs == () and any("was it another peg?" in note for note in item.notes)


def test_a_measured_peg_needs_no_finding() -> None:
    """What pegs.csv knows is never taken from earlier walks."""
    walked = [walk_outing(day(k, 1.0), FRAME) for k in range(2)]
    assert found_before(walked)[1]
    item = day(0, 1.0).load()[0]
    pegs = (Peg("gate", 0.0, 0.0),)
    known = outing("day 0", recording(item.recording.track, file="0.gpx", marks=item.marks, pegs=pegs))
    assert walk_outing(known, FRAME).walks[0].walk.peg_places == ()


def test_recordings_held_for_a_map_are_let_go_once_they_are_walked() -> None:
    """What was read is needed until the last walk is made of it, also where a peg has it walked once more."""
    plain = [day(0, 1.0), day(1, 3.0)]
    held = [replace(one, parts=(HeldPart(one.load()),)) for one in plain]
    site = SiteInput("field", "UTC", 0.5, FRAME)
    assert report_json(survey(site, held).report) == report_json(survey(site, plain).report)
    for one in held:
        with pytest.raises(ValueError, match="let go"):
            one.load()
    assert plain[0].load()
