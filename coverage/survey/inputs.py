"""A site as a survey takes it, where metres are counted from, and whether a recording can be of this site at all."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import field
from datetime import date
from itertools import accumulate, pairwise

import numpy as np
import shapely

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.areas import Area
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.gear.coils import OwnCoil
from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.outings.walks import too_far
from fieldcomb.coverage.raster.grid import bounds_of, check_cells
from fieldcomb.coverage.season.events import GroundEvent
from fieldcomb.coverage.todo.assumptions import USUAL, TodoSettings
from fieldcomb.coverage.todo.planted import PlantedTarget
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.limits import MAX_NEW_CELLS
from fieldcomb.tracks.frame import MOST_LAT_DEG, SiteFrame, centre_frame, distance_m, middle_frame
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.motion.legs import Walk
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.motion.stale import find_stale
from fieldcomb.tracks.recording import Recording
from fieldcomb.tracks.units import format_count, format_length
from fieldcomb.tracks.values import dataclass

FAR_M = 1000.0  # a walk that comes no nearer than this to a given boundary is another site's
FAR_FROM_START_M = 5000.0  # where no boundary is given
MOST_WALK_SPAN_M = 3000.0  # of searching without a boundary: far more than a day of it can cover
MIDDLE = "the middle of the walks given"


@dataclass(frozen=True, slots=True)
class SiteInput:
    """A site: its name, time zone, cell, frame, and the user's areas (from ``areas_file``, for messages).

    ``notes`` are sentences that belong on top of the report, such as which outings are not in it. ``others`` are those
    outings: nothing of them is counted, but ground that they marked as blocked or to leave alone stays so.
    ``coils`` are those that the user owns, ``todo`` what is assumed of what is still to do, ``pegs`` places that people
    find again, ``lanes`` plans of which it was said what was walked, ``planted`` targets
    that were buried on purpose, ``finds`` what came out of the ground, with initials for their finders. ``events`` are
    changes of the ground, and ``since`` is the one, or the day, from which on outings are counted. ``reopened`` are
    days on which ground that a mark closed was opened again, by name.
    """

    name: str
    zone: str
    cell_m: float
    frame: SiteFrame
    areas: tuple[Area, ...] = ()
    areas_file: str = "areas.geojson"
    notes: tuple[str, ...] = ()
    others: tuple[OutingInput, ...] = ()
    coils: tuple[OwnCoil, ...] = ()
    todo: TodoSettings = USUAL
    pegs: tuple[Peg, ...] = ()
    lanes: tuple[DeclaredPlan, ...] = ()
    planted: tuple[PlantedTarget, ...] = ()
    finds: tuple[Find, ...] = ()
    events: tuple[GroundEvent, ...] = ()
    since: GroundEvent | date | None = None
    reopened: Mapping[str, date] = field(default_factory=dict)


def choose_frame(areas: Sequence[Area], recordings: Sequence[Recording]) -> SiteFrame:
    """Return the frame centred on the boundary, or else on the middle of the walks.

    Stray fixes do not pull it there, and stale ones do not count.

    Raises TrackError: no usable place, or one too near a pole.
    """
    site = [a.shape for a in areas if a.kind == "site"] or [a.shape for a in areas]
    if site:
        return centre_frame(*shapely.get_coordinates(site).T)
    lon, lat, time = (
        np.concatenate([getattr(r.track, name) for r in recordings]) for name in ("lon_deg", "lat_deg", "time_s")
    )
    good = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lon) <= 180) & (np.abs(lat) <= 90)
    if not good.any():
        files = ", ".join(r.file for r in recordings)
        if not (np.isfinite(lon) | np.isfinite(lat)).any():
            problem = (
                f"was recorded without positions, as indoors or with the receiver off: none of {lon.size} fixes has one"
            )
            raise TrackError(problem, file=files, hint="Only a recording with positions shows where the coil has been")
        raise TrackError("no fix has a usable position", file=files, hint="Export the recording again as GPX")
    x, y = middle_frame(lon[good], lat[good]).to_metres(lon, lat)
    good &= np.isfinite(x) & np.isfinite(y)
    for begin, end in pairwise([0, *accumulate(len(r.track) for r in recordings)]):
        mine = begin + np.flatnonzero(good[begin:end])
        good[mine] = ~find_stale(time[mine], x[mine], y[mine])
    frame = middle_frame(lon[good], lat[good])
    if abs(frame.lat_deg) > MOST_LAT_DEG:
        problem = f"lies at latitude {frame.lat_deg:.4g}; maps are drawn to {MOST_LAT_DEG:.0f} degrees"
        files = ", ".join(r.file for r in recordings)
        raise TrackError(f"{problem}, not to the poles", file=files, hint="Check its latitudes")
    return frame


def far_apart(recordings: Sequence[Recording], files: Sequence[str]) -> TrackError | None:
    """The error for the first recordings of a site that lie far apart; None where they lie together.

    Of several places nobody can tell which one is the site, so none is called the wrong one: it is told which lies how
    far from which.

    recordings : each with a usable position. files : in which they came.
    """
    groups: list[tuple[SiteFrame, list[str]]] = []
    for recording in sorted(recordings, key=lambda one: one.file):
        here = _middle(recording)
        for middle, names in groups:
            if _between_m(here, middle) <= FAR_FROM_START_M:
                names.append(recording.file)
                break
        else:
            groups.append((here, [recording.file]))
    if len(groups) < 2:
        return None
    (middle, most), *others = sorted(groups, key=lambda group: -len(group[1]))
    told = [f"{_few(one)} {format_length(_between_m(here, middle))} from {_few(most)}" for here, one in others[:3]]
    more = f", and {format_count(len(others) - 3, 'place')} more" if len(others) > 3 else ""
    problem = f"recordings lie far apart, and the site has no location yet: {', '.join(told)}{more}"
    return TrackError(problem, file=_few(files), hint=HintKind.NO_PLACE_YET())


def _middle(recording: Recording) -> SiteFrame:
    lon, lat = recording.track.lon_deg, recording.track.lat_deg
    good = (np.abs(lon) <= 180) & (np.abs(lat) <= 90)  # false for NaN
    return middle_frame(lon[good], lat[good])


def _between_m(one: SiteFrame, other: SiteFrame) -> float:
    return distance_m(one.lon_deg, one.lat_deg, other.lon_deg, other.lat_deg)


def _few(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"


def check_search(walks: Sequence[Walk], file: str, areas: Sequence[AreaShape]) -> None:
    """Refuse what is no search, and without a boundary what is too wide for one site: TrackError says what it is.

    ``walks`` are those of one outing: a file that is only the way home belongs to the search before it. The ground of a
    ride would be laid out in cells all the same, which takes minutes and gigabytes.
    """
    if walks and all(walk.no_search for walk in walks):
        hint = HintKind.NO_SEARCH() if walks[0].transits else HintKind.SEARCHED_PART()
        raise TrackError(f"is {walks[0].no_search}, not a search", file=file, hint=hint)
    check_walk_span(walks, file, areas)


def check_walk_span(walks: Sequence[Walk], file: str, areas: Sequence[AreaShape]) -> None:
    """Refuse what is too wide for one site without a boundary: TrackError says how wide it is."""
    if any(area.kind == "site" for area in areas):
        return
    for walk in walks:
        x, y = (np.concatenate([getattr(leg, name) for leg in walk.legs] or [np.zeros(1)]) for name in ("x_m", "y_m"))
        span_m = math.hypot(np.ptp(x), np.ptp(y))
        if span_m > MOST_WALK_SPAN_M:
            searching_s = walk.times.searching_s if walk.times else 0.0  # of single fixes apart it is nothing
            pace = f" at {walk.search_m / searching_s:.1f} m/s" if searching_s else ""
            problem = f"spans {span_m / 1000:.1f} km{pace}, too far for one site without a boundary"
            raise TrackError(problem, file=file, hint=HintKind.TOO_WIDE())


def check_walked_cells(
    walks: Sequence[tuple[Walk, str]], cell_m: float, areas: Sequence[AreaShape], most: int = MAX_NEW_CELLS
) -> None:
    """Refuse walks that lie too far apart for a site drawn from them: TrackError with their files and what would do.

    walks : sequence of (Walk, file). most : cells; a site of old is reported up to ``limits.MAX_CELLS``.
    """
    if any(area.kind == "site" for area in areas):
        return
    drawn = [(walk.legs, file) for walk, file in walks if walk.legs]
    for legs, file in drawn:
        check_cells(bounds_of(legs, 0), cell_m, most, TrackError, file)
    if drawn:
        files = list(dict.fromkeys(file for _, file in drawn))
        named = ", ".join(files[:3]) + (f" and {len(files) - 3} more" if len(files) > 3 else "")
        together = bounds_of([leg for legs, _ in drawn for leg in legs], 0)
        check_cells(together, cell_m, most, TrackError, named)


def check_distance(
    walk: Walk, file: str, areas: Sequence[AreaShape], frame: SiteFrame, first_walks: bool = False
) -> None:
    """Refuse a walk that is another site's: TrackError with the distance.

    first_walks : there is no site yet, and the frame lies in the middle of the walks themselves.
    """
    lines = [*walk.legs, *walk.transits]
    x = np.concatenate([np.array([s.x_m for s in walk.stops]), *(leg.x_m for leg in lines)])
    y = np.concatenate([np.array([s.y_m for s in walk.stops]), *(leg.y_m for leg in lines)])
    site = [a.shape for a in areas if a.kind == "site"]
    if site:
        whole = shapely.union_all(site)
        if shapely.distance(whole, shapely.Point(x[0], y[0])) <= FAR_M:
            return  # one place is enough, and the first is mostly it
        away = shapely.distance(whole, shapely.points(x, y))
        limit = FAR_M
    else:
        away = np.hypot(x, y)
        limit = FAR_FROM_START_M
    k = int(away.argmin())
    if away[k] > limit:  # the frame stretches far from its origin: report the distance on the ellipsoid
        lon, lat = frame.to_lonlat([x[k]], [y[k]])
        raise too_far(
            file,
            distance_m(frame.lon_deg, frame.lat_deg, float(lon[0]), float(lat[0])),
            MIDDLE if first_walks and not site else "the site",
        )
