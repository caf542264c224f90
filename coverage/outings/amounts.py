"""How much one recording may hold: refused before minutes of work, with what was found and how to go on."""

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.legs import Walk
from fieldcomb.tracks.recording import EVER
from fieldcomb.tracks.units import format_duration


def check_fixes(items: Sequence[RecordingInput]) -> None:
    """Refuse a recording of too many fixes in the time that is used of it; pieces of one file count together."""
    found: Counter[str] = Counter()
    lasting: Counter[str] = Counter()
    for item in items:
        time = item.recording.track.time_s
        low, high = item.window
        if item.window != EVER:
            time = time[(time >= low) & (time < high)]
        found[item.shown_as] += time.size
        if np.isfinite(time).any():
            lasting[item.shown_as] += int(np.nanmax(time) - np.nanmin(time))
    for file, fixes in found.items():
        if fixes > limits.MAX_WALKED_FIXES:
            during = f" in {format_duration(lasting[file])}" if lasting[file] else ""
            problem = (
                f"holds {fixes:,} fixes{during}, more than the limit of {limits.MAX_WALKED_FIXES:,} for one outing"
            )
            raise TrackError(problem, file=file, hint=HintKind.PART_BY_PART())


def check_pieces(fixes: Fixes, file: str) -> None:
    """Refuse a walk of very many drop-outs, such as a ride with a fix now and then, each piece of which takes time."""
    breaks = len(fixes.pieces) - 1
    if breaks > limits.MAX_DROPOUTS:
        step_m = float(np.median(np.hypot(np.diff(fixes.x_m), np.diff(fixes.y_m))))
        every = f" and {format_duration(float(np.median(np.diff(fixes.t_s))))}" if fixes.timed else ""
        apart = f"its fixes lie {step_m:.0f} m{every} apart, as on a ride"
        problem = f"breaks off {breaks:,} times, more than the limit of {limits.MAX_DROPOUTS:,} for one outing: {apart}"
        raise TrackError(problem, file=file, hint=HintKind.SEARCHED_PART())


def check_lines(walks: Iterable[tuple[Walk, str]]) -> None:
    """Refuse a file whose searching is too long a line: it has a point at each fix, and every third of a metre.

    walks : sequence of (Walk, file).
    """
    points: Counter[str] = Counter()
    search_m: Counter[str] = Counter()
    for walk, file in walks:
        points[file] += sum(leg.x_m.size for leg in (*walk.legs, *walk.coil_legs))
        search_m[file] += round(walk.search_m)
    for file, count in points.items():
        if count > limits.MAX_LINE_POINTS:
            limit = f"more than the limit of {limits.MAX_LINE_POINTS:,} for one outing"
            problem = f"holds {search_m[file] / 1000:.0f} km of searching as a line of {count:,} points, {limit}"
            raise TrackError(problem, file=file, hint=HintKind.PART_BY_PART())
