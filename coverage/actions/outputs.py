"""The output folder: every file that is made from a result, written together."""

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

from rasterio.io import MemoryFile

from fieldcomb.coverage.pages.card import CARD_FILE
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.report.geotiff import chance_tif, coverage_tif
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.vectors import places_geojson, places_gpx, strips_geojson, todo_geojson
from fieldcomb.coverage.site.folder import OUT, shown
from fieldcomb.coverage.site.journal import reason, refuse_link, replace_files
from fieldcomb.coverage.survey.results import Result
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.hints import HintKind

MAP_FILE = "map.html"
REPORT_FILE = "report.json"
RASTER_FILE = "coverage.tif"
CHANCE_FILE = "chance.tif"
STRIPS_FILE = "strips.geojson"
TODO_FILE = "todo.geojson"
PLACES_FILE = "places.geojson"
PLACES_GPX_FILE = "places.gpx"
EDGE_FILE = "edge.html"
OUTPUT_FILES = (
    *(MAP_FILE, REPORT_FILE, RASTER_FILE, CHANCE_FILE, STRIPS_FILE, TODO_FILE, PLACES_FILE, PLACES_GPX_FILE),
    *(EDGE_FILE, CARD_FILE),
)


def make_outputs(result: Result) -> dict[str, bytes]:
    """Return the contents of the output folder by name."""
    report, chance = result.report, result.layers.chance
    return {
        **({} if chance is None else {CHANCE_FILE: _raster(partial(chance_tif, chance, report.site.frame))}),
        MAP_FILE: map_html(result).encode(),
        REPORT_FILE: report_json(report).encode(),
        RASTER_FILE: _raster(partial(coverage_tif, result)),
        STRIPS_FILE: strips_geojson(report).encode(),
        TODO_FILE: todo_geojson(report).encode(),
        PLACES_FILE: places_geojson(report).encode(),
        PLACES_GPX_FILE: places_gpx(report).encode(),
    }


def _raster(write: Callable[[str], None]) -> bytes:
    """Make a raster in memory, because its library says nothing when a full disk cuts a file off."""
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
    problem = f"the report cannot be written here ({reason(error)})"
    return SiteError(problem, file=shown(folder), hint=HintKind.OUT_CANNOT_BE_WRITTEN())
