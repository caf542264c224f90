"""The finds of a site for a finds register: a table, points or waypoints, with grid references that are cut."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from fieldcomb.coverage.finds.fields import place_decimals, rough_m
from fieldcomb.coverage.finds.find import KEEP, Find
from fieldcomb.coverage.finds.find_files import finds_geojson, finds_gpx
from fieldcomb.coverage.finds.writing import row_of
from fieldcomb.coverage.gis.coordinates import in_grid
from fieldcomb.coverage.gis.grid_references import (
    BRITISH_EPSG,
    FIGURES,
    IRISH_EPSG,
    british,
    cut_m,
    figures_for,
    irish,
    mgrs,
    square_m,
    utm_zone,
)
from fieldcomb.coverage.register.change_find import ListedFinds, list_finds
from fieldcomb.coverage.site.folder import Say, shown, used_by_site
from fieldcomb.coverage.site.journal import reason, replace_files
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.files.tables import guarded
from fieldcomb.tracks.units import format_count, format_length, local_date
from fieldcomb.tracks.values import dataclass

GRIDS = ("degrees", "utm", "british", "irish", "mgrs")
SUFFIXES = (".csv", ".geojson", ".gpx")
UNKNOWN_ERROR_M = 10.0  # of a place that somebody typed without saying how well it is known; chosen for this project
MOST_EPSG = 999_999
REGISTER_COLUMNS = (
    *("find_no", "found_on", "finder", "reference", "grid", "square_m", "lat", "lon", "known_to_m", "grid_good_to_m"),
    *("remark", "kind", "what", "material", "period", "from_year", "to_year", "count", "weight_g", "condition"),
    *("number", "depth_cm", "layer", "in_situ", "reported_to", "report_no", "reported_on", "kept_at", "photo", "note"),
)


@dataclass(frozen=True, slots=True)
class RegisterWishes:
    """How references are to be written.

    grid : one of GRIDS or ``EPSG:n``. figures : None for as many as the place and the grid deserve.
    everything : junk and what was heard and left too, not only what was kept.
    """

    grid: str = "degrees"
    figures: int | None = None
    everything: bool = False


@dataclass(frozen=True, slots=True)
class GridReference:
    """The reference of a place; ``square_m`` is the side of the square that it names, None for degrees.

    good_to_m : how good the change from the receiver's datum to that of the grid is; None where it is not known.
    """

    text: str
    square_m: float | None
    good_to_m: float | None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Registered:
    """What was written: how many finds, how many of them without a place, and what the grid is good for."""

    finds: int
    without_place: int
    good_to_m: float | None


def check_wishes(grid: str, figures: str | None, everything: bool) -> RegisterWishes:
    """Return how references are to be written, as it was typed; UsageError for what cannot be."""
    name = grid.strip().casefold()
    if name.startswith("epsg:"):
        digits = name.removeprefix("epsg:").strip()
        if not (digits.isascii() and digits.isdigit() and 0 < int(digits[:7]) <= MOST_EPSG):
            raise UsageError(f"grid {grid!r} is not known", hint="Write it like EPSG:25832")
        name = f"EPSG:{int(digits)}"
    elif name not in GRIDS:
        raise UsageError(f"grid {grid!r} is not known", hint=f"Use {', '.join(GRIDS)}, or EPSG:25832")
    if figures is None:
        return RegisterWishes(name, None, everything)
    if figures not in [str(number) for number in FIGURES]:
        raise UsageError(
            f"{figures!r} is not a number of figures", hint="Use 6, 8 or 10, for squares of 100, 10 or 1 m"
        )
    if name == "degrees":
        raise UsageError("degrees have no number of figures", hint="Name a grid, such as british or utm")
    return RegisterWishes(name, int(figures), everything)


def write_register(folder: Path, file: Path, wishes: RegisterWishes, *, say: Say) -> Registered:
    """Write the finds of a site into a new file for a register: .csv, .geojson or .gpx.

    Raises UsageError: another kind of file, or a grid for another place. SiteError: the file is there already, or
    cannot be written.
    """
    suffix = file.suffix.casefold()
    if suffix not in SUFFIXES:
        raise UsageError(
            f"{shown(file)!r} is not a kind of register", hint="Use a name that ends in .csv, .geojson or .gpx"
        )
    if file.exists() or file.is_symlink():
        raise SiteError(
            "is there already; nothing was written", file=shown(file), hint="Choose another name, or delete it"
        )
    if used_by_site(folder, file):
        problem = "is where this site keeps its own files, and would be read or overwritten; nothing was written"
        raise SiteError(problem, file=shown(file), hint="Choose another name, or a folder outside the site")
    listed = list_finds(folder, say=say)
    finds = [find for find in listed.finds if wishes.everything or find.kind == KEEP]
    if not finds:
        what = "finds" if wishes.everything else "kept finds"
        raise SiteError(f"has no {what} to write", file=shown(folder), hint="Collect or enter some first")
    references = grid_references(finds, wishes)
    content = register_content(suffix, listed, finds, references, wishes)
    try:
        replace_files(file.parent, {file.name: content})
    except OSError as error:
        problem = f"cannot be written ({reason(error)})"
        raise SiteError(
            problem, file=shown(file), hint="Choose a folder that is there and can be written to"
        ) from error
    good = [one.good_to_m for one in references.values() if one.good_to_m]
    return Registered(len(finds), len(finds) - len(references), max(good, default=None))


def grid_references(finds: Sequence[Find], wishes: RegisterWishes) -> dict[int, GridReference]:
    """Return the reference of each find whose place is known, by find_no; UsageError for a grid for another place."""
    placed = [find for find in finds if find.placed]
    if not placed or wishes.grid == "degrees":
        return {find.find_no: GridReference(_degrees(find), None, 0.0) for find in placed}
    zones = {find.find_no: _system(find, wishes.grid) for find in placed}
    written = {}
    for system in dict.fromkeys(zones.values()):
        group = [find for find in placed if zones[find.find_no] == system]
        lon, lat = np.array([(find.lon_deg, find.lat_deg) for find in group], float).T
        in_utm = wishes.grid in ("utm", "mgrs")
        places = in_grid(lon, lat, system[0], anywhere=in_utm)
        good_to_m = 0.0 if in_utm else places.good_to_m
        for find, x, y in zip(group, places.x.tolist(), places.y.tolist(), strict=True):
            if places.flat:
                written[find.find_no] = _reference(find, x, y, good_to_m, wishes)
            else:
                text = _degrees(replace(find, lon_deg=x, lat_deg=y))
                written[find.find_no] = GridReference(text, None, good_to_m)
    return {find.find_no: written[find.find_no] for find in placed}


def _system(find: Find, grid: str) -> tuple[int, str]:
    """The coordinate system that a reference is made in, and the zone where it has zones."""
    if grid in ("utm", "mgrs"):
        zone = utm_zone(find.lon_deg or 0.0, find.lat_deg or 0.0)
        return zone.epsg, zone.name
    fixed = {"british": BRITISH_EPSG, "irish": IRISH_EPSG}
    return fixed.get(grid) or int(grid.removeprefix("EPSG:")), ""


def _reference(
    find: Find, east_m: float, north_m: float, good_to_m: float | None, wishes: RegisterWishes
) -> GridReference:
    """Cut a place to the figures that were asked for, or to those that the place and the grid deserve."""
    error_m = UNKNOWN_ERROR_M if find.error_m is None else find.error_m
    known_to_m = max(error_m, good_to_m or 0.0)
    figures = wishes.figures or figures_for(known_to_m)
    writers: dict[str, Callable[[float, float, int], str]] = {"british": british, "irish": irish}
    if wishes.grid in writers:
        text = writers[wishes.grid](east_m, north_m, figures)
    else:
        text = f"{cut_m(east_m, figures)} {cut_m(north_m, figures)}"
        if wishes.grid in ("utm", "mgrs"):
            zone = utm_zone(find.lon_deg or 0.0, find.lat_deg or 0.0)
            text = f"{zone.name} {text}" if wishes.grid == "utm" else mgrs(zone, east_m, north_m, figures)
    finer = square_m(figures) < known_to_m and find.error_m is not None
    remark = f"position known to {format_length(rough_m(known_to_m))} only" if finer else ""
    return GridReference(text, square_m(figures), good_to_m, remark)


def _degrees(find: Find) -> str:
    places = place_decimals(find)
    return f"{find.lat_deg:.{places}f}, {find.lon_deg:.{places}f}"


def register_content(
    suffix: str,
    listed: ListedFinds,
    finds: Sequence[Find],
    references: Mapping[int, GridReference],
    wishes: RegisterWishes,
) -> bytes:
    """Return a register as a file of this kind.

    Where the figures were asked for, no place is given away more exactly than they say.
    """
    grid = wishes.grid
    asked = references if wishes.figures else {}
    squares_m = {number: one.square_m for number, one in asked.items() if one.square_m is not None}
    if suffix == ".csv":
        return _table(finds, references, squares_m, grid, listed.zone)
    if suffix == ".gpx":
        return finds_gpx(finds, listed.site_name, squares_m).encode()
    more = {number: {"reference": one.text, "grid": grid, "remark": one.remark} for number, one in references.items()}
    return finds_geojson(finds, more, squares_m).encode()


def _table(
    finds: Sequence[Find],
    references: Mapping[int, GridReference],
    squares_m: Mapping[int, float],
    grid: str,
    zone: ZoneInfo,
) -> bytes:
    written = io.StringIO(newline="")
    writer = csv.writer(written, lineterminator="\r\n")
    writer.writerow(REGISTER_COLUMNS)
    for find in finds:
        cells = row_of(find, zone) | _place_cells(find, references.get(find.find_no), squares_m.get(find.find_no), grid)
        day = local_date(find.time_s, zone)
        cells["found_on"] = str(day) if day else find.outing[:10]
        writer.writerow([guarded(cells[column]) for column in REGISTER_COLUMNS])
    return "\ufeff".encode() + written.getvalue().encode()


def _place_cells(find: Find, reference: GridReference | None, square: float | None, grid: str) -> dict[str, str]:
    if reference is None:
        blank = dict.fromkeys(("reference", "grid", "square_m", "lat", "lon", "known_to_m", "grid_good_to_m"), "")
        return blank | {"remark": "place not known"}
    places = place_decimals(find, square)
    return {
        "reference": reference.text,
        "grid": grid,
        "square_m": _number(reference.square_m),
        "lat": f"{find.lat_deg:.{places}f}",
        "lon": f"{find.lon_deg:.{places}f}",
        "known_to_m": _number(None if find.error_m is None else rough_m(find.error_m)),
        "grid_good_to_m": _number(reference.good_to_m),
        "remark": reference.remark,
    }


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"


def registered_words(done: Registered, file: str) -> list[str]:
    """Say what was written, and what the references are good for."""
    table = file.casefold().endswith(".csv")
    lines = [f"{format_count(done.finds - (0 if table else done.without_place), 'find')} written into {file}"]
    if done.without_place:
        without = f"{format_count(done.without_place, 'find')} without a known place"
        lines.append(f"{without}: the reference is blank" if table else f"{without} left out")
    if done.good_to_m:
        lines.append(
            f"The change from the receiver's datum to this grid is good to {format_length(done.good_to_m)} here, "
            "which comes on top of the receiver's error"
        )
    return lines
