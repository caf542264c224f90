"""Two recordings of one person are found, both are kept, and one counts; people side by side all count."""

from __future__ import annotations

import numpy as np
import pytest
from recordings import FRAME, START_S, field, fixes, item, outing, part, serpentine, site
from teams import pair, recorded, searcher
from walker import TYPICAL

from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.coverage.outings.same_person import Seen, find_doubles, trace_of
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.quality.duplicates import compare, spans_without, trace
from fieldcomb.tracks.recording import Track

PAIRS = 48


def twins(a: Fixes, b: Fixes) -> bool:
    """Whether two recordings are told to be of one person, by receivers of unknown quality."""
    one, other = trace_of(a, "typical"), trace_of(b, "typical")
    assert one is not None and other is not None
    found = compare(one, other)
    return found is not None and found.twins


def test_two_recorders_on_one_person_are_found() -> None:
    """Of walks recorded twice, by receivers good to poor, every 1 to 5 s, in part or whole, 95 of 100 are found."""
    found = sum(twins(*pair(number, 7, one_person=True)) for number in range(PAIRS))
    assert found >= 0.95 * PAIRS


def test_neighbours_three_metres_apart_are_never_taken_for_one() -> None:
    """People who walk side by side 3 m apart and dig for themselves are never taken for one person."""
    assert not any(twins(*pair(number, 8, one_person=False)) for number in range(PAIRS))


def test_people_who_never_stop_are_not_taken_for_one() -> None:
    """Without stops to compare, two who walk 3 m apart step by step stay two people."""
    rng = np.random.default_rng(5)
    for _ in range(8):
        alone = searcher(rng, digs=0)
        beside = recorded(alone, TYPICAL, 1, rng)
        shifted = Fixes(beside.t_s, beside.x_m + 3.0, beside.y_m, beside.source, beside.piece)
        assert not twins(recorded(alone, TYPICAL, 1, rng), shifted)


def test_order_makes_no_difference() -> None:
    """Whether the watch or the phone is given first, the answer is the same."""
    for number in range(4):
        a, b = (trace(fixes, 1.5) for fixes in pair(number, 9, one_person=True))
        assert a is not None and b is not None
        assert compare(a, b) == compare(b, a)


def test_walks_of_other_times_or_without_a_clock_are_not_compared() -> None:
    """A walk of another hour, one of some seconds, and one without times have no twin."""
    rng = np.random.default_rng(3)
    walk = recorded(searcher(rng, digs=6), TYPICAL, 1, rng)
    later = Fixes(walk.t_s + 20_000, walk.x_m, walk.y_m, walk.source, walk.piece)
    a, b = trace(walk, 1.5), trace(later, 1.5)
    assert a is not None and b is not None and compare(a, b) is None
    untimed = Fixes(np.full(len(walk), np.nan), walk.x_m, walk.y_m, walk.source, walk.piece)
    short = Fixes(walk.t_s[:20], walk.x_m[:20], walk.y_m[:20], walk.source[:20], walk.piece[:20])
    assert trace(untimed, 1.5) is None and trace(short, 1.5) is None


def test_names_decide() -> None:
    """Two names are two people however alike their walks are; one name at one time and place is one person."""
    rng = np.random.default_rng(4)
    walk = searcher(rng, digs=0)
    seen = [trace_of(recorded(walk, TYPICAL, 1, rng), "typical") for _ in range(2)]
    assert find_doubles([Seen("AB", seen[0], (2,)), Seen("CD", seen[1], (1,))]) == (None, None)
    assert find_doubles([Seen("AB", seen[0], (1,)), Seen("AB", seen[1], (2,))]) == (1, None)


# ------------------------------------------------------------------------------------------------- in a survey

LANES = serpentine(8, 30, 1.5)
FIELD = field(12, 30)


def with_stops(track: Track, at: tuple[int, ...] = (60, 250, 500)) -> Track:
    """Stand still for a minute at some fixes."""
    index = np.concatenate([np.repeat(k, 61) if k in at else [k] for k in range(len(track))])
    times = START_S + np.arange(index.size)
    return Track(track.lon_deg[index], track.lat_deg[index], times, np.zeros(index.size, np.int32))


WATCH = with_stops(fixes(LANES))


def phone(of: Track = WATCH, seed: int = 1) -> Track:
    """The same walk by another receiver."""
    rng = np.random.default_rng(seed)
    x, y = FRAME.to_metres(of.lon_deg, of.lat_deg)
    lon, lat = FRAME.to_lonlat(x + 0.4 + 0.05 * rng.standard_normal(x.size), y - 0.3)
    return Track(lon, lat, of.time_s, of.segment)


def surveyed(*items: RecordingInput) -> Result:
    """Survey one outing on a small field."""
    return survey(site(FIELD), [outing("2026-02-02a", *items)])


def test_a_walk_recorded_twice_counts_once() -> None:
    """With watch and phone on one person every number is that of the watch alone, and both recordings are shown."""
    alone = surveyed(item(WATCH, file="watch.gpx"))
    both = surveyed(item(WATCH, file="watch.gpx"), item(part(phone(), np.arange(0, len(WATCH), 3)), file="phone.gpx"))
    assert both.report.total == alone.report.total
    (now,), (then,) = both.report.outings, alone.report.outings
    assert now.ground == then.ground and now.times == then.times
    assert [(r.file, r.twin_of) for r in now.recordings] == [("watch.gpx", None), ("phone.gpx", "watch.gpx")]
    assert "which counts instead" in now.recordings[1].notes[-1] and now.head.recorded == 1


def test_what_only_one_of_two_recorders_has_is_not_lost() -> None:
    """Where the watch stopped early, the phone's record of the rest counts as well."""
    whole = surveyed(item(WATCH, file="watch.gpx")).report.total.swept_pct
    half = part(WATCH, np.arange(620))
    cut = surveyed(item(half, file="watch.gpx")).report.total.swept_pct
    both = surveyed(item(half, file="watch.gpx"), item(phone(), file="phone.gpx"))
    assert cut < 80 and both.report.total.swept_pct == pytest.approx(whole, abs=5)


def test_neighbours_with_names_all_count() -> None:
    """Two searchers with names of their own make two passes, even on the very same way."""
    both = surveyed(item(WATCH, file="a.gpx", searcher="AB"), item(phone(), file="b.gpx", searcher="CD"))
    assert both.report.total.twice_pct > 80 and both.report.outings[0].head.recorded == 2


def test_spans_left_over() -> None:
    """What others leave of a time is told in pieces, short ones left aside."""
    assert spans_without((0, 100), [(20, 50), (40, 60), (95, 200)], 10) == [(0, 20), (60, 95)]
    assert spans_without((0, 100), [(-5, 200)], 1) == [] and spans_without((0, 10), [], 1) == [(0, 10)]
