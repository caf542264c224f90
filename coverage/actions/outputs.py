"""The output folder: every file that is made from a result, written together."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from fieldcomb.coverage.cache.folder import OUT
from fieldcomb.coverage.finds.find_files import FINDS_GEOJSON_FILE, FINDS_GPX_FILE, finds_geojson, finds_gpx
from fieldcomb.coverage.gis.coordinates import GisFrame
from fieldcomb.coverage.gis.geopackage import site_gpkg
from fieldcomb.coverage.pool.memory import give_back
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.vectors import places_geojson, places_gpx, strips_geojson, todo_geojson
from fieldcomb.coverage.site.folder import CARD_FILE, shown
from fieldcomb.coverage.site.journal import reason, refuse_link, replace_files, room_or_rights
from fieldcomb.coverage.survey.outing_layers import as_drawn
from fieldcomb.coverage.survey.results import Report, Result
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.hints import HintKind

MAP_FILE = "map.html"
REPORT_FILE = "report.json"
RASTER_FILE = "coverage.tif"
COILS_FILE = "coils.tif"
SECOND_FILE = "second-search.tif"
CHANCE_FILE = "chance.tif"
GPKG_FILE = "site.gpkg"
STRIPS_FILE = "strips.geojson"
TODO_FILE = "todo.geojson"
PLACES_FILE = "places.geojson"
PLACES_GPX_FILE = "places.gpx"
EDGE_FILE = "edge.html"
_Pictures = Mapping[int, Sequence[tuple[int, int, str]]]
MOST_SENT = 8_000_000  # cells; larger rasters take longer to send to another process than it saves
OUTPUT_FILES = (
    *(MAP_FILE, REPORT_FILE, RASTER_FILE, CHANCE_FILE, STRIPS_FILE, TODO_FILE, PLACES_FILE, PLACES_GPX_FILE),
    *(EDGE_FILE, CARD_FILE, COILS_FILE, SECOND_FILE, GPKG_FILE, FINDS_GEOJSON_FILE, FINDS_GPX_FILE),
)


def make_outputs(
    result: Result, to: GisFrame | None = None, workers: Workers = ALONE, pictures: _Pictures | None = None
) -> dict[str, bytes]:
    """Return the contents of the output folder by name.

    to : the coordinate system of rasters and GeoPackage; the site's frame if not given.
    workers : draw the page beside the rest. pictures : thumbnails of finds for the map, which nothing else has.
    """
    report = result.report
    beside = workers if result.layers.passes.size <= MOST_SENT else ALONE
    page = beside.begin(_map_page, (pictures or {}, workers.jobs), replace(result, layers=as_drawn(result.layers)))
    for_gis = _for_gis(result, to or GisFrame(report.site.frame))
    give_back()
    return {
        **for_gis,
        MAP_FILE: page(),
        REPORT_FILE: report_json(report).encode(),
        STRIPS_FILE: strips_geojson(report).encode(),
        TODO_FILE: todo_geojson(report).encode(),
        PLACES_FILE: places_geojson(report).encode(),
        PLACES_GPX_FILE: places_gpx(report).encode(),
        **_of_finds(report),
    }


def _of_finds(report: Report) -> dict[str, bytes]:
    """Return the finds as files; none where nobody wrote any down."""
    if not report.finds:
        return {}
    return {
        FINDS_GEOJSON_FILE: finds_geojson(report.finds).encode(),
        FINDS_GPX_FILE: finds_gpx(report.finds, report.site.name).encode(),
    }


def _map_page(given: tuple[_Pictures, int], result: Result) -> bytes:
    from fieldcomb.coverage.pages.map_page import map_html  # its libraries are not needed here if another draws it

    return map_html(result, *given).encode()


def _for_gis(result: Result, to: GisFrame) -> dict[str, bytes]:
    """Return rasters and the GeoPackage; those that would say nothing of their own are left out."""
    # Loaded here, as a map would wait for its library before the first walk is read.
    from fieldcomb.coverage.gis.geotiff import chance_tif, coils_tif, coverage_tif, second_search_tif

    writers: dict[str, Callable[[str], None]] = {RASTER_FILE: lambda path: coverage_tif(result, path, to)}
    chance, pairs = result.layers.chance, result.report.coil_pairs
    if chance is not None:
        writers[CHANCE_FILE] = lambda path: chance_tif(chance, path, to)
    if len(result.layers.by_coil) > 1:
        writers[COILS_FILE] = lambda path: coils_tif(result, path, to)
    if pairs:
        writers[SECOND_FILE] = lambda path: second_search_tif(pairs, path, to)
    return {GPKG_FILE: site_gpkg(result, to)} | {name: _raster(write) for name, write in writers.items()}


def _raster(write: Callable[[str], None]) -> bytes:
    """Make a raster in memory, because its library says nothing when a full disk cuts a file off."""
    from rasterio.io import MemoryFile

    with MemoryFile(ext=".tif") as file:
        write(file.name)  # a name within the library's memory, no path of the system
        return bytes(file.read())


def own_out(site: Path) -> Path:
    """Return the output folder of a site; raises SiteError where it is a link, which leads out of the site."""
    refuse_link(site / OUT, HintKind.OUT_IS_A_LINK())
    return site / OUT


def write_outputs(folder: Path, files: dict[str, bytes]) -> None:
    """Write the output folder, made when absent; each file whole or not at all, and nothing else there is touched.

    Raises SiteError: it cannot be written; what was there before is there still.
    """
    made = _make_folder(folder)
    try:
        replace_files(folder, files, OUTPUT_FILES)
    except BaseException as error:
        for path in made:
            with suppress(OSError):
                path.rmdir()
        if isinstance(error, OSError):
            raise _cannot(folder, error) from error
        raise


def _make_folder(folder: Path) -> list[Path]:
    """Make a folder and those around it; returns what was made, innermost first."""
    missing: list[Path] = []
    try:
        for path in (folder, *folder.parents):
            if path.exists():
                break
            missing.append(path)
        for path in reversed(missing):
            path.mkdir(exist_ok=True)
        if not folder.is_dir():
            raise SiteError("is a file, not a folder", file=shown(folder), hint=HintKind.OUT_IS_A_FILE())
    except OSError as error:
        raise _cannot(folder, error) from error
    return missing


def _cannot(folder: Path, error: OSError) -> SiteError:
    problem = f"cannot be written here ({reason(error)})"
    return SiteError(problem, file=shown(folder), hint=HintKind.OUT_CANNOT_BE_WRITTEN(first=room_or_rights(error)))
