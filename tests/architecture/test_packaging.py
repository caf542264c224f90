"""How the program is installed: two folders that are no packages of their own, and a start that loads little."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


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
    code = (
        "import fieldcomb.coverage.survey.survey as s, fieldcomb.tracks.motion.legs as l; print(s.__name__, l.__name__)"
    )
    assert _run(code, tmp_path).split() == ["fieldcomb.coverage.survey.survey", "fieldcomb.tracks.motion.legs"]


def test_help_is_shown_without_waiting_for_maps(tmp_path: Path) -> None:
    """Starting the command line loads none of the heavy libraries, which take a second or more."""
    code = "import sys, json; import fieldcomb.coverage.commands.cli; print(json.dumps(list(sys.modules)))"
    loaded = {name.split(".")[0] for name in json.loads(_run(code, tmp_path))}
    assert "click" in loaded
    assert not loaded & {"folium", "rasterio", "scipy", "shapely", "pyproj", "numpy", "gpxpy", "branca"}
