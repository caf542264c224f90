"""The house: which room may use which, and how large a room may be, read from the sources themselves."""

from __future__ import annotations

import ast
import re
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

# A room uses only itself and rooms that stand before it. A new room needs its place here.
ORDER = [
    "tracks",
    *(f"tracks.{room}" for room in ("compiled", "files", "formats", "marks", "motion", "quality")),
    *(
        f"coverage.{room}"
        for room in (
            "pool",
            "cache",
            "compiled",
            "gear",
            "raster",
            "outings",
            "areas",
            "finds",
            "lanes",
            "ground",
            "estimate",
            "todo",
            "places",
            "season",
        )
    ),
    *(f"coverage.{room}" for room in ("survey", "report", "gis", "site", "intake", "register")),
    *(f"coverage.{room}" for room in ("pages", "copies", "actions", "jobs", "web", "commands")),
]
MOST_MODULES = 14

# Who may import what was not written here; the whole rest of the world is closed.
# "commands" opens a library to a room, "ground.strips" to one module.
THIRD_PARTY = {
    "numpy": None,  # anybody
    "pyproj": {"tracks.frame", "gis.coordinates"},
    "shapely": None,
    "scipy": {
        "motion.pace",
        "ground",
        "estimate",
        "todo.coil_use",
        "todo.counted_limits",
        "todo.junk",
        "todo.remaining",
        "season",
    },
    "rasterio": {
        "raster",
        "ground.site_cells",
        "ground.sketch",
        "estimate.confidence",
        "pages.overlay",
        "gis.geotiff",
        "actions.outputs",
    },
    "jinja2": {"pages"},
    "markupsafe": {"pages", "copies.copy_page", "copies.drawing"},
    "tomlkit": {"site.toml_text"},
    "click": {"commands"},
    "filelock": {"site.journal"},
    "flask": {"web"},
    "werkzeug": {"web"},
    "waitress": {"web.server"},
    "segno": {"web.server"},
    "PIL": {"register.thumbnails"},
}
# Parts of the standard library that belong to one place.
STANDARD = {
    "xml": {
        "files.xml",
        "files.xml_text",
        "report.vectors",
        "lanes.lane_files",
        "finds.find_files",
    },  # reading, and writing
    "zipfile": {"files.archive"},
    "zlib": {"files.archive", "cache.memo", "pages.overlay"},
    "gzip": set[str](),
    "tomllib": {"site.toml_text", "site.old_copies"},
    "argparse": set[str](),
    "socket": {"web.server"},
    "ipaddress": {"web.server"},
    "http": {"web.access"},
    "urllib": set[str](),
    "subprocess": {"jobs.job_queue", "jobs.ready_worker", "pool"},
    "threading": {"pool", "site.journal", "jobs.job_queue", "web.uploads"},
    "sqlite3": {"gis.geopackage"},
    "secrets": {"jobs.job_protocol"},
    "signal": {"commands.serve"},
    "random": set[str](),
    "time": {"commands.console", "web.server", "web.uploads", "site.old_copies"},
    "ctypes": {"pool.memory"},
    "sys": {"pool", "cache.folder", "jobs.worker", "jobs.job_queue", "commands"},
    "os": {"pool", "site", "cache", "jobs.worker", "commands"},
    "tempfile": {"web.uploads", "site.old_copies"},
    "pathlib": {
        "site",
        "intake.survey_inputs",
        "register",
        "actions",
        "cache",
        "gis.geotiff",
        "jobs",
        "web",
        "commands",
    },
}
# Without a clock, an environment or a printer the same input gives the same output.
FORBIDDEN_CALLS = {"print", "input", "eval", "exec"}
FORBIDDEN_NAMES = {"now", "utcnow", "today", "environ", "getenv"}


def sources() -> list[Path]:
    """Every source of the program."""
    return sorted(path for folder in ("tracks", "coverage") for path in (ROOT / folder).rglob("*.py"))


def room_of(path: Path) -> str:
    """The room that a source lives in, such as ``coverage.ground``."""
    return ".".join(path.relative_to(ROOT).parent.parts)


def places(path: Path) -> set[str]:
    """The names under which a place is opened to a library: its room, and itself in its room."""
    return {path.parent.name, f"{path.parent.name}.{path.stem}"}


def name_of(path: Path) -> str:
    """A short name of a source for the list of tests."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


@cache
def imported(path: Path) -> frozenset[str]:
    """Full names of everything that a source imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports by full name only"
            assert node.module is not None
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names if node.module.startswith("fieldcomb")}
    return frozenset(names)


def rooms_used(path: Path) -> set[str]:
    """Rooms of this program that a source imports from."""
    known = sorted(ORDER, key=len, reverse=True)
    names = [name.removeprefix("fieldcomb.") for name in imported(path) if name.startswith("fieldcomb.")]
    return {next(room for room in known if f"{name}.".startswith(f"{room}.")) for name in names}


def third_party(path: Path) -> set[str]:
    """Libraries from elsewhere that a source imports."""
    return {name.split(".")[0] for name in imported(path)} - {"fieldcomb"} - set(sys.stdlib_module_names)


def test_every_room_has_its_place_and_says_what_it_is_for() -> None:
    """Every folder of the program stands in the order, none in the order is gone, and each says what lives there."""
    assert sorted({room_of(path) for path in sources()}) == sorted(ORDER)
    for room in ORDER:
        door = ROOT / room.replace(".", "/") / "__init__.py"
        if room != "tracks":
            said = ast.get_docstring(ast.parse(door.read_text(encoding="utf-8"))) or ""
            assert len(said) > 60 and "Uses" in said, room


def test_the_page_for_developers_has_a_row_for_every_room() -> None:
    """The table of rooms in DEVELOPERS.md lists each of them, in the order in which they build on each other."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert re.findall(r"^\| `([\w/]+)/` \| \S", page, re.MULTILINE) == [room.replace(".", "/") for room in ORDER]


@pytest.mark.parametrize("room", ORDER)
def test_a_room_is_no_warehouse(room: str) -> None:
    """A newcomer can read the list of a room at a glance."""
    modules = [path for path in (ROOT / room.replace(".", "/")).glob("*.py") if path.stem != "__init__"]
    assert len(modules) <= MOST_MODULES


@pytest.mark.parametrize("path", sources(), ids=name_of)
def test_a_room_uses_only_rooms_before_it(path: Path) -> None:
    """Nothing uses what is built on it, and what was walked knows nothing of coils and cells."""
    here = ORDER.index(room_of(path))
    wrong = sorted(room for room in rooms_used(path) if ORDER.index(room) > here)
    assert not wrong, f"{name_of(path)} imports from {', '.join(wrong)}"


def test_no_import_goes_in_a_circle() -> None:
    """Within a room too, no module needs itself by way of others."""
    modules = {"fieldcomb." + name_of(path): path for path in sources() if path.stem != "__init__"}
    needs = {name: {other for other in imported(path) if other in modules} for name, path in modules.items()}
    while needs:
        free = {name for name, others in needs.items() if not others & needs.keys()}
        assert free, f"a circle among {', '.join(sorted(needs))}"
        needs = {name: others for name, others in needs.items() if name not in free}


@pytest.mark.parametrize("path", sources(), ids=name_of)
def test_each_library_is_used_only_where_it_belongs(path: Path) -> None:
    """Only the frame knows projections, only the pages know HTML, only the commands the command line, and so on."""
    here = places(path)
    allowed = {name for name, rooms in THIRD_PARTY.items() if rooms is None or here & rooms}
    assert third_party(path) <= allowed
    standard = {name.split(".")[0] for name in imported(path)} & STANDARD.keys()
    assert {name for name in standard if not here & STANDARD[name]} == set()


def test_no_library_is_open_to_a_place_that_does_not_use_it() -> None:
    """The lists of libraries name only places that need them, so that they say who uses what."""
    used: dict[str, set[str]] = {}
    for path in sources():
        for library in {name.split(".")[0] for name in imported(path)}:
            used.setdefault(library, set()).update(places(path))
    for library, rooms in (THIRD_PARTY | STANDARD).items():
        assert (rooms or set()) <= used.get(library, set()), library


@pytest.mark.parametrize("path", sources(), ids=name_of)
def test_values_are_quick_to_define(path: Path) -> None:
    """No command waits for the standard library to compile what hundreds of dataclasses may never use."""
    assert name_of(path) == "tracks.values" or not re.search(
        r"from dataclasses import .*\bdataclass\b", path.read_text(encoding="utf-8")
    )


@pytest.mark.parametrize("path", sources(), ids=name_of)
def test_nothing_prints_or_asks_the_clock(path: Path) -> None:
    """Outside the command line nothing is printed and no clock or environment is read: same input, same output."""
    if path.parent.name == "commands":
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    names = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    assert not calls & FORBIDDEN_CALLS and not names & FORBIDDEN_NAMES
