"""A walk round the edge of the ground made into a boundary: closed, mended, and every mend listed with its place.

What could mean two things is refused: a walk that does not come back, and one with more than a tenth in doubt.
"""

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from fieldcomb.coverage.areas.areas import Area
from fieldcomb.coverage.areas.checks import ENDS_M, ENDS_SHARE, AreaCheck, check_area, check_span, format_place, untied
from fieldcomb.coverage.areas.edge_loop import (
    Loop,
    Readings,
    along_m,
    astray,
    faces_of,
    find_loops,
    middle_loop,
    readings,
    without_stubs,
)
from fieldcomb.coverage.raster.polygons import RingPoints, to_degrees, unwrap_ring
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.frame import SiteFrame, middle_frame
from fieldcomb.tracks.motion.cleaning import Fixes, clean
from fieldcomb.tracks.motion.legs import make_walk
from fieldcomb.tracks.recording import Recording
from fieldcomb.tracks.units import format_area, format_duration, format_length
from fieldcomb.tracks.values import dataclass

MOST_DOUBT = 0.10  # of the ground inside
NOTED_DOUBT_M2 = 0.5
OVERLAP_M = 5.0  # a shorter walk along the edge is not worth a word
NO_TRANSIT_M_S = 1000.0  # round an edge people walk as fast as they like

CLOSED, OVERLAP, ROUNDS, GAP, STOP, STUB, STRAYED = (
    "closed", "overlap", "rounds", "gap", "stop", "stub", "strayed",
)  # fmt: skip
ROUND_AGAIN = (
    "Walk round the ground once, without crossing your own path, or draw its edge and use that as a boundary file"
)


@dataclass(frozen=True, slots=True)
class Mend:
    """One thing that was closed, mended or met: what, where (metres of the edge's own frame), and a sentence."""

    kind: str
    x_m: float
    y_m: float
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class WalkedEdge:
    """A boundary made from a walk.

    area : as any other area, with all sentences as notes. frame : metres of what follows. walked : the walk as
    recorded, in unbroken pieces. edge : what was made of it. readings : the least and the most that it could be.
    """

    area: Area
    frame: SiteFrame
    walked: tuple[RingPoints, ...]
    edge: Polygon
    mends: tuple[Mend, ...]
    readings: Readings


def edge_of_walk(recording: Recording) -> WalkedEdge:
    """Make a boundary from a walk round the edge of the ground.

    Stops are drawn together and drop-outs bridged. Of the walk the piece is taken that goes round once and encloses
    most for its length; of several times round the one with the middle area. Ways out and back are cut off.

    Raises AreaError: fewer than three places, ends that do not meet, a walk of which more than a tenth is in doubt, or
    no ground to speak of.
    """
    check = AreaCheck(recording.file, "", "site", [])
    frame, fixes = _edge_fixes(recording, check)
    path, mends = _path(fixes, frame)
    if len(np.unique(path, axis=0)) < 3:
        raise check.fault("has fewer than three places, which enclose no ground", "Walk all the way round the ground")
    check_span(Polygon(unwrap_ring(np.column_stack(frame.to_lonlat(path[:, 0], path[:, 1])))), check)
    loops, times = _loops(path, frame, check)
    loop = middle_loop(loops)
    edge = without_stubs(loop.shape)
    check_area(edge.area, check)
    read = readings(path, edge, _closings(path, loop))
    if read.doubt_m2 > MOST_DOUBT * edge.area:
        raise _doubtful(read, edge, times, frame, check)
    mends += _closing(path, loop, times, edge, frame) + _strays(path, edge, frame)
    pieces = tuple(np.column_stack([fixes.x_m, fixes.y_m])[fixes.piece == k] for k in np.unique(fixes.piece))
    notes = (*_summary(edge, read), *check.notes, *(mend.text for mend in mends))
    area = Area("site", "", None, None, to_degrees(edge, frame), notes)
    return WalkedEdge(area, frame, pieces, edge, tuple(mends), read)


# -------------------------------------------------------------------------------------------------------- the walk


def _edge_fixes(recording: Recording, check: AreaCheck) -> tuple[SiteFrame, Fixes]:
    track = recording.track
    usable = (np.abs(track.lon_deg) <= 180) & (np.abs(track.lat_deg) <= 90)
    if not usable.any():
        raise check.fault("has no fix with a position", "Use the recording of a walk round the ground")
    frame = middle_frame(track.lon_deg[usable], track.lat_deg[usable])
    cleaned = clean([track], frame)
    left_out = ", ".join(f"{count} {reason}" for reason, count in sorted(cleaned.dropped[0].items()) if count)
    if left_out:
        check.note(f"fixes left out of the edge: {left_out}")
    for note in cleaned.notes:
        check.note(note)
    return frame, cleaned.fixes


def _path(fixes: Fixes, frame: SiteFrame) -> tuple[RingPoints, list[Mend]]:
    """Return the walk as one line, no place twice in a row, with stops as one place each and drop-outs bridged."""
    mends = []
    walk = make_walk(fixes, NO_TRANSIT_M_S)
    t = fixes.t_s if fixes.timed else np.arange(len(fixes), dtype=float)
    xy = np.column_stack([fixes.x_m, fixes.y_m])
    for gap in walk.dropouts:
        length = float(np.hypot(gap.x1_m - gap.x0_m, gap.y1_m - gap.y0_m))
        lasting = "" if gap.seconds is None else f" and {format_duration(gap.seconds)}"
        at = (gap.x0_m + gap.x1_m) / 2, (gap.y0_m + gap.y1_m) / 2
        said = f"A gap of {format_length(length)}{lasting} in the recording was bridged by a straight line, near "
        mends.append(Mend(GAP, *at, said + format_place(at, frame)))
    for stop in walk.stops:
        inside = (t >= stop.start_s) & (t <= stop.start_s + stop.seconds)
        xy = np.vstack([xy[~inside], [[stop.x_m, stop.y_m]]])
        t = np.append(t[~inside], stop.start_s + stop.seconds / 2)
        said = f"A stop of {format_duration(stop.seconds)} was reduced to one point, near "
        mends.append(Mend(STOP, stop.x_m, stop.y_m, said + format_place((stop.x_m, stop.y_m), frame)))
    path = xy[np.argsort(t, kind="stable")]
    return path[np.append(True, np.any(np.diff(path, axis=0) != 0, axis=1))], mends


def _loops(path: RingPoints, frame: SiteFrame, check: AreaCheck) -> tuple[list[Loop], int]:
    length_m = float(along_m(path)[-1])
    allowed_m = max(ENDS_M, ENDS_SHARE * length_m)
    untied(Polygon(path).exterior, check)  # refuses a scribble
    faces = faces_of([LineString([*path, path[0]])])
    check_area(faces[0].area if faces else 0.0, check)
    loops, times = find_loops(path, allowed_m)
    if loops:
        return loops, times
    ends_m = float(np.hypot(*(path[0] - path[-1])))
    problem = (
        f"is a line of {len(path)} points, {format_length(length_m)} long, "
        f"with {format_length(ends_m)} between its ends: it "
        f"begins near {format_place((path[0, 0], path[0, 1]), frame)} and does not come back to within "
        f"{format_length(allowed_m)} of where it was"
    )
    raise check.fault(problem, "An edge must come back to where it began: walk all the way round")


def _closings(path: RingPoints, loop: Loop) -> list[tuple[int, int]]:
    """Places that straight lines join: those of the loop, and the ends of the walk where they lie near one another."""
    ends = [(0, len(path) - 1)] if np.hypot(*(path[0] - path[-1])) <= ENDS_M else []
    return [(loop.first, loop.last), *ends]


def _doubtful(read: Readings, edge: Polygon, times: int, frame: SiteFrame, check: AreaCheck) -> AreaError:
    """Refuse, with the place where the largest doubtful piece meets the edge."""
    at = shapely.get_coordinates(shapely.shortest_line(read.worst, edge.exterior))[1]
    share = f"{100 * read.doubt_m2 / edge.area:.0f} %"
    if times > 1:
        problem = f"goes round {times} times, and {format_area(read.doubt_m2)} ({share}) lie between the rounds"
        return check.fault(f"{problem}, most near {format_place((at[0], at[1]), frame)}", ROUND_AGAIN)
    near = format_place((at[0], at[1]), frame)
    problem = f"is a walk that crosses itself near {near}, so that {format_area(read.doubt_m2)}"
    return check.fault(f"{problem} ({share} of the ground inside) are in doubt", ROUND_AGAIN)


# ----------------------------------------------------------------------------------------------------------- telling


def _summary(edge: Polygon, read: Readings) -> tuple[str, str]:
    """Say how large the ground is, and how much of it is in doubt."""
    size = f"The edge encloses {format_area(edge.area)} and is {format_length(edge.length)} long"
    if read.doubt_m2 < NOTED_DOUBT_M2:
        return size, "The walk leaves none of it in doubt; the receiver's own error is not counted here"
    share = f"{100 * read.doubt_m2 / edge.area:.1f}"
    share = "under 0.1" if share == "0.0" else share
    doubt = f"{format_area(read.doubt_m2)} are in doubt, {share} % of it: the walk could enclose "
    doubt += f"{format_area(read.smallest.area)} to {format_area(read.largest.area)}"
    return size, f"{doubt}; the receiver's own error is not counted here"


def _closing(path: RingPoints, loop: Loop, times: int, edge: Polygon, frame: SiteFrame) -> list[Mend]:
    first, last = path[loop.first], path[loop.last]
    near, gap_m = format_place((last[0], last[1]), frame), float(np.hypot(*(first - last)))
    out = []
    if gap_m > 0:
        said = f"Its ends lay {format_length(gap_m)} apart, and were joined by a straight line, near {near}"
        x, y = ((first + last) / 2).tolist()
        out.append(Mend(CLOSED, x, y, said))
    if times > 1:
        said = f"The walk goes round {times} times; the round with the middle area was used, begun near {near}"
        return [*out, Mend(ROUNDS, float(first[0]), float(first[1]), said)]
    beside = _beside_m(path[: loop.first + 1], edge) + _beside_m(path[loop.last :], edge)
    if beside >= OVERLAP_M:
        said = f"Start and end overlap: {format_length(beside)} were walked along the edge a second time, near {near}"
        out.append(Mend(OVERLAP, float(last[0]), float(last[1]), said))
    return out


def _beside_m(path: RingPoints, edge: Polygon) -> float:
    """How much of a walk runs within 5 m of the edge."""
    if len(path) < 2:
        return 0.0
    step = np.hypot(*np.diff(path, axis=0).T)
    near = shapely.distance(edge.exterior, shapely.points((path[1:] + path[:-1]) / 2)) < OVERLAP_M
    return float(step[near].sum())


def _strays(path: RingPoints, edge: Polygon, frame: SiteFrame) -> list[Mend]:
    out = []
    for one in astray(path, edge):
        x, y = (float(v) for v in path[one.last if one.first == 0 else one.first])
        near = format_place((x, y), frame)
        if one.stub:
            said = f"A stub of {format_length(one.length_m)} was cut off near {near}: a way in or out, not the edge"
            out.append(Mend(STUB, x, y, said))
        else:
            said = f"The walk strays up to {format_length(one.reach_m)} from the edge used, from {near} on"
            out.append(Mend(STRAYED, x, y, said))
    return out
