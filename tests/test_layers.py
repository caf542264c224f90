"""How the program is built: which room may use which, read from the sources themselves."""

from __future__ import annotations

import ast
import itertools
import json
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def order_of(room: str) -> list[str]:
    """Modules of a room from left to right, as DEVELOPERS.md has them; a new module needs its place there."""
    lines = iter((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines())
    row = next(line for line in lines if line.startswith(f"    {room}:"))
    rows = [row.split(":")[1], *itertools.takewhile(lambda line: line.startswith("     "), lines)]
    return [name for row in rows for name in row.replace("|", " ").split()]


SIBLINGS = ("report", "maps", "export")
MAP = {"legend", "chart", "overlay", "page", "edge_page", "sheet", "shapes", "maps"}
EDGE = {"options", "talk", "edit_command", "serve_command", "cli"}
PAGE = {"work", "uploads", "served", "routes", "serving"}
WEB = {"answers", "routes", "web_app"}

# Who may import what was not written here; the whole rest of the world is closed.
THIRD_PARTY = {
    "numpy": None,  # anybody
    "pyproj": {"frame"},
    "shapely": None,
    "scipy": {
        "clean",
        "pace",
        "ground",
        "missed",
        "strips",
        "effort",
        "regularity",
        "estimate",
        "chance",
        "loop_field",
        "junk",
        "ledger",
    },
    "rasterio": {"grid", "no_go", "ground", "layers", "strips", "confidence", "overlay", "export", "outputs"},
    "gpxpy": {"export"},
    "fitdecode": {"fit"},
    "folium": MAP,
    "branca": MAP,
    "jinja2": MAP,
    "markupsafe": MAP,
    "tomlkit": {"tomlfile"},
    "click": EDGE,
    "filelock": {"journal"},
    "flask": WEB,
    "werkzeug": WEB,
    "waitress": {"serving"},
    "segno": {"serving"},
}
# Parts of the standard library that belong to one room.
STANDARD = {
    "xml": {"xml"},
    "zipfile": {"archive"},
    "zlib": {"read", "archive", "kept"},
    "gzip": {"read"},
    "tomllib": {"tomlfile"},
    "argparse": set[str](),
    "socket": {"serving"},
    "ipaddress": {"serving"},
    "http": {"guard"},
    "urllib": set[str](),
    "subprocess": {"jobs"},
    "threading": {"jobs"},
    "secrets": {"guard"},
    "signal": {"serve_command"},
    "random": set[str](),
    "time": {"talk", "serving"},
    "sys": {"work", "jobs", *EDGE},
    "os": {"journal", "folder", "shelf", "work", *EDGE},
    "tempfile": {"cli", "shelf", "uploads"},
    "pathlib": {"journal", "folder", "site", "adding", "export_zip", "outputs", "export", "shelf", *PAGE, *EDGE},
}
# Without a clock, an environment or a printer the same input gives the same output.
FORBIDDEN_CALLS = {"print", "input", "eval", "exec"}
FORBIDDEN_NAMES = {"now", "utcnow", "today", "environ", "getenv"}


def sources() -> list[Path]:
    """Every source of the program."""
    return sorted(path for folder in ("tracks", "coverage") for path in (ROOT / folder).rglob("*.py"))


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
            packages = node.module in ("fieldcomb", "fieldcomb.tracks", "fieldcomb.coverage")
            names |= {f"{node.module}.{alias.name}" for alias in node.names} if packages else {node.module}
    return frozenset(names)


def ours(path: Path) -> list[tuple[str, str]]:
    """Rooms and modules of this program that a source imports."""
    parts = [name.split(".") for name in imported(path)]
    return sorted((p[1], p[2]) for p in parts if p[0] == "fieldcomb")


def third_party(path: Path) -> set[str]:
    """Libraries from elsewhere that a source imports."""
    return {name.split(".")[0] for name in imported(path)} - {"fieldcomb"} - set(sys.stdlib_module_names)


def test_every_module_has_its_place() -> None:
    """Every source stands in the rows of DEVELOPERS.md, once, and nothing in them is gone."""
    for folder in ("tracks", "coverage"):
        order = order_of(folder)
        assert sorted(order) == sorted(path.stem for path in (ROOT / folder).glob("*.py"))
        assert len(order) == len(set(order))


@pytest.mark.parametrize("path", sources(), ids=lambda path: f"{path.parent.name}.{path.stem}")
def test_imports_point_only_to_the_left(path: Path) -> None:
    """No module uses what is built on it, and what was walked knows nothing of coils and cells."""
    order = [(room, name) for room in ("tracks", "coverage") for name in order_of(room)]
    here = order.index((path.parent.name, path.stem))
    wrong = [f"{room}.{name}" for room, name in ours(path) if order.index((room, name)) >= here]
    assert not wrong, f"{path.parent.name}.{path.stem} imports to the right: {', '.join(wrong)}"


def test_report_map_and_export_know_nothing_of_each_other() -> None:
    """A change to one way of showing a survey cannot break another."""
    for name in SIBLINGS:
        used = {module for _, module in ours(ROOT / "coverage" / f"{name}.py")}
        assert not used & (set(SIBLINGS) - {name})


@pytest.mark.parametrize("path", sources(), ids=lambda path: f"{path.parent.name}.{path.stem}")
def test_each_library_is_used_only_where_it_belongs(path: Path) -> None:
    """Only the frame knows projections, only the map knows HTML, only the edge knows the command line, and so on."""
    allowed = {name for name, rooms in THIRD_PARTY.items() if rooms is None or path.stem in rooms}
    assert third_party(path) <= allowed
    standard = {name.split(".")[0] for name in imported(path)} & STANDARD.keys()
    assert {name for name in standard if path.stem not in STANDARD[name]} == set()


@pytest.mark.parametrize("path", sources(), ids=lambda path: f"{path.parent.name}.{path.stem}")
def test_nothing_prints_or_asks_the_clock(path: Path) -> None:
    """Outside the command line nothing is printed and no clock or environment is read: same input, same output."""
    if path.stem in EDGE:
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    names = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    assert not calls & FORBIDDEN_CALLS and not names & FORBIDDEN_NAMES


def test_the_folders_are_no_packages_of_their_own() -> None:
    """With an ``__init__.py`` the folder coverage would take the place of coverage.py for everybody who imports it."""
    assert not (ROOT / "coverage" / "__init__.py").exists()
    assert not (ROOT / "tracks" / "__init__.py").exists()


def _run(code: str, where: Path) -> str:
    return subprocess.run([sys.executable, "-c", code], cwd=where, capture_output=True, text=True, check=True).stdout


def test_import_coverage_is_never_ours(tmp_path: Path) -> None:
    """``import coverage`` finds coverage.py or nothing, though a folder here has the same name."""
    code = "import importlib.util, json; s = importlib.util.find_spec('coverage'); print(json.dumps(s and s.origin))"
    origin = json.loads(_run(code, tmp_path))
    assert origin is None or (Path(origin).name == "__init__.py" and ROOT / "coverage" not in Path(origin).parents)
    in_checkout = json.loads(_run(code, ROOT))
    assert in_checkout == origin  # None: the folder itself, which has nothing in it to be taken for coverage.py


def test_both_rooms_are_found_by_their_full_names(tmp_path: Path) -> None:
    """The program is imported as fieldcomb.tracks and fieldcomb.coverage from anywhere."""
    code = "import fieldcomb.coverage.survey as s, fieldcomb.tracks.legs as l; print(s.__name__, l.__name__)"
    assert _run(code, tmp_path).split() == ["fieldcomb.coverage.survey", "fieldcomb.tracks.legs"]


def test_help_is_shown_without_waiting_for_maps(tmp_path: Path) -> None:
    """Starting the command line loads none of the heavy libraries, which take a second or more."""
    code = "import sys, json; import fieldcomb.coverage.cli; print(json.dumps(list(sys.modules)))"
    loaded = {name.split(".")[0] for name in json.loads(_run(code, tmp_path))}
    assert "click" in loaded
    assert not loaded & {"folium", "rasterio", "scipy", "shapely", "pyproj", "numpy", "gpxpy", "branca"}
