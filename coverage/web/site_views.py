"""What the local page shows of the served sites, read from their folders each time it is asked.

No path is ever made from what a request says: names are looked up among those that are there.
"""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import field, replace
from pathlib import Path
from typing import Any

from fieldcomb.coverage.cache.folder import OUT
from fieldcomb.coverage.finds.find import FINDS_FILE
from fieldcomb.coverage.jobs.job_protocol import COMPARED
from fieldcomb.coverage.lanes.lane_files import CSV_FILE
from fieldcomb.coverage.lanes.ticks import TICKS_FILE
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.report.advice import advice_of
from fieldcomb.coverage.report.answer import Answer
from fieldcomb.coverage.season.events import EVENTS_FILE
from fieldcomb.coverage.site.folder import AREAS_FILE, PEGS_FILE, PLANTED_FILE, opened, read_file, shown
from fieldcomb.coverage.site.journal import COMMIT, remove_half_made
from fieldcomb.coverage.site.lane_plans import plan_folders
from fieldcomb.coverage.site.naming import safe_name
from fieldcomb.coverage.site.settings import OUTINGS_FILE, SITE_FILE, OutingEntry, Settings
from fieldcomb.coverage.site.settings_file import read_outings, read_settings
from fieldcomb.coverage.web.outing_views import ClosedPlace, OutingNumbers, closed_places, outing_numbers
from fieldcomb.coverage.web.plan_views import PlanView, plan_view
from fieldcomb.tracks.errors import FieldcombError, SiteError, UsageError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.values import dataclass

MAP_PAGE = "map.html"
REPORT_NAME = "report.json"

# What each file of the output folder is, by its name; others are offered too, by their names alone.
FILE_WORDS = {
    "map.html": "the map, one file that opens in any browser",
    "edge.html": "the picture of the walked edge",
    "report.json": "all numbers, for programs",
    "site.gpkg": "outline, areas, walks, marks, missed ground and where to go, for map programs",
    "coverage.tif": "the passes as a raster, for map programs",
    "coils.tif": "the passes by coil as a raster, for map programs",
    "second-search.tif": "what is swept with a larger coil and not yet with a smaller, for map programs",
    "strips.geojson": "missed ground, for map programs",
    "todo.geojson": "ground still to do, by coil, for map programs",
    "places.geojson": "places to go to, best first, for map programs",
    "places.gpx": "places to go to, to load into a watch or phone",
    "chance.tif": "how likely it is that the coil passed each place, for map programs",
    "finds.geojson": "what came out, for map programs",
    "finds.gpx": "what came out, to load into a watch or phone",
}


@dataclass(frozen=True, slots=True)
class OutFile:
    """A file of the output folder."""

    name: str
    path: Path
    size_bytes: int
    words: str


@dataclass(frozen=True, slots=True)
class Change:
    """What the latest outing added: percentages of the site before and after it, and square metres.

    before_pct : None when it was the first outing.
    """

    outing: str
    label: str | None
    before_pct: float | None
    after_pct: float
    swept_m2: float
    new_m2: float
    again_m2: float


@dataclass(frozen=True, slots=True)
class SiteCard:
    """A site in the list of sites; ``fault`` says why it cannot be used."""

    key: str
    name: str
    fault: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class SiteView:
    """A site as its page shows it.

    is_stale : something was changed since the map was drawn.
    answer : of the map that was drawn last.
    left_out : ids of outings that the map lacks because something is wrong with them, each with what it is.
    numbers : of the outings of the last report, by id.
    plans : of lanes, with what is ticked now.
    closed : ground that marks closed, as far as the last report knows.
    """

    key: str
    folder: Path
    settings: Settings
    outings: tuple[OutingEntry, ...]
    files: tuple[OutFile, ...]
    change: Change | None
    answer: Answer | None
    is_stale: bool
    left_out: tuple[tuple[str, str], ...] = ()
    numbers: Mapping[str, OutingNumbers] = field(default_factory=dict)
    plans: tuple[PlanView, ...] = ()
    closed: tuple[ClosedPlace, ...] = ()

    @property
    def has_edge(self) -> bool:
        """Whether the edge of the site was drawn or given."""
        return (self.folder / AREAS_FILE).exists()

    @property
    def open_plans(self) -> tuple[PlanView, ...]:
        """Plans with lanes that are still to walk."""
        return tuple(plan for plan in self.plans if plan.left)

    @property
    def has_map(self) -> bool:
        """Whether a map has been drawn."""
        return any(file.name == MAP_PAGE for file in self.files)

    def outing(self, outing_id: str) -> OutingEntry | None:
        """Return the outing with this id."""
        return next((one for one in self.outings if one.id == outing_id), None)

    @property
    def advice(self) -> str:
        """What the last report says to measure next; empty where it says nothing."""
        path = next((file.path for file in self.files if file.name == REPORT_NAME), None)
        try:
            return "" if path is None else advice_of(path.read_bytes())
        except OSError:
            return ""  # the map is there all the same

    @property
    def last_coil(self) -> str | None:
        """The coil that was named last, to be offered first."""
        return next((one.typed.coil for one in reversed(self.outings) if one.typed.coil), None)


class SiteRoot:
    """The folder that is served: one site, or a folder of sites.

    Raises SiteError: it is not there, or is no folder.
    """

    def __init__(self, root: Path) -> None:
        file = shown(root)
        if not root.exists():
            raise SiteError("is not there", file=file, hint="Make that folder first; new sites can be made on the page")
        if not root.is_dir():
            raise SiteError("is a file, not a folder", file=file, hint="Name a site folder, or a folder of sites")
        self.root = root.resolve()
        self.is_single = (self.root / SITE_FILE).is_file()
        remove_half_made(self.root)

    def sites(self) -> list[SiteCard]:
        """List the sites, by the names of their folders."""
        return [_card(folder) for folder in self._folders()]

    def find(self, key: str) -> Path | None:
        """Return the folder of a site by its key, which is the folder's name."""
        return next((folder for folder in self._folders() if folder.name == key), None)

    def place_for(self, name: str) -> Path:
        """Return the folder for a new site of this name; UsageError when there is no place for it."""
        if self.is_single:
            hint = "To make another, start fieldcomb serve with the folder that contains this one"
            raise UsageError("only one site is served here", hint=hint)
        folder = safe_name(name.strip()).replace(" ", "-")
        if not folder.strip("._-"):
            raise UsageError("the name has no letters", hint="Write a name such as North field")
        folder = folder.lstrip(".")
        if (self.root / folder).exists() or (self.root / folder).is_symlink():
            raise UsageError(f"there is already a folder {folder!r}", hint="Choose another name for the site")
        return self.root / folder

    def free_place(self, name: str) -> Path:
        """Return the folder for a new site that nobody has named yet: this name, with a number where it is taken."""
        stem = safe_name(name.strip()).replace(" ", "-").strip("._-") or "walk"
        number = 1
        while True:
            folder = stem if number == 1 else f"{stem}-{number}"
            if not ((self.root / folder).exists() or (self.root / folder).is_symlink()):
                return self.place_for(folder)
            number += 1

    def _folders(self) -> list[Path]:
        if self.is_single:
            return [self.root]
        return [path for path in sorted(self.root.iterdir()) if _is_site(path)]


def _is_site(path: Path) -> bool:
    """Whether this is a finished site folder, or a folder that may be one but cannot be looked into.

    A name that begins with a dot is that of a site which is being made, or of something that is meant to be hidden.
    """
    if path.name.startswith(".") or shown(path.name) != path.name or path.is_symlink():
        return False
    try:
        return path.is_dir() and (path / SITE_FILE).is_file()
    except OSError:
        return True


def _card(folder: Path) -> SiteCard:
    try:
        return SiteCard(folder.name, _settings(folder).name)
    except FieldcombError as error:
        return SiteCard(folder.name, folder.name, error.on_page)


def _settings(folder: Path) -> Settings:
    return read_settings(read_file(folder / SITE_FILE, SiteError, name=SITE_FILE), SITE_FILE)


def _outings(folder: Path, settings: Settings) -> tuple[OutingEntry, ...]:
    if not (folder / OUTINGS_FILE).exists():
        return ()
    return read_outings(read_file(folder / OUTINGS_FILE, SiteError, name=OUTINGS_FILE), OUTINGS_FILE, settings.zone)[1]


def _finish(folder: Path) -> None:
    """Have an interrupted change finished before anything is shown; SiteError when the folder cannot be read."""
    read_file(folder / SITE_FILE, SiteError, name=SITE_FILE)
    if (folder / COMMIT).exists():
        with opened(folder, lambda _: None, reading=True):
            pass


def outing_ids(folder: Path) -> tuple[str, ...]:
    """Return the ids of a site's outings."""
    _finish(folder)
    return tuple(outing.id for outing in _outings(folder, _settings(folder)))


def site_frame_of(folder: Path) -> SiteFrame | None:
    """Return where the metres of a site are counted from; None before that is known."""
    _finish(folder)
    return _settings(folder).frame


def view(folder: Path) -> SiteView:
    """Read what the page of a site shows; SiteError when one of its files is at fault."""
    _finish(folder)
    settings = _settings(folder)
    outings = _outings(folder, settings)
    files = out_files(folder)
    report = _report(files)
    change = _change(report) if report else None
    left_out = _left_out(report, {outing.id for outing in outings if not outing.left_out}) if report else ()
    stale = _is_stale(folder, files, outings)
    told, numbers = _answer(report), outing_numbers(report)
    plans = tuple(plan_view(path, settings, report) for path in plan_folders(folder))
    closed = closed_places(report, settings)
    found = SiteView(folder.name, folder, settings, outings, files, change, told, stale, left_out, numbers, plans)
    return replace(found, closed=closed)


def out_files(folder: Path) -> tuple[OutFile, ...]:
    """List the files of a site's output folder that can be fetched; the map first."""
    return _files_in(folder / OUT)


def compared_files(folder: Path) -> tuple[OutFile, ...]:
    """List the files of the comparison that was drawn last; the map first."""
    out = folder / OUT
    return () if out.is_symlink() else _files_in(out / COMPARED)


def _files_in(out: Path) -> tuple[OutFile, ...]:
    if out.is_symlink() or not out.is_dir():
        return ()
    found = [
        OutFile(path.name, path, path.stat().st_size, FILE_WORDS.get(path.name, ""))
        for path in sorted(out.iterdir())
        if not path.name.startswith(".") and not path.is_symlink() and path.is_file() and shown(path.name) == path.name
    ]
    order = list(FILE_WORDS)
    return tuple(sorted(found, key=lambda file: order.index(file.name) if file.name in order else len(order)))


def _is_stale(folder: Path, files: Sequence[OutFile], outings: Sequence[OutingEntry]) -> bool:
    drawn = next((file.path.stat().st_mtime_ns for file in files if file.name == MAP_PAGE), None)
    if drawn is None:
        return bool(outings)
    names = (SITE_FILE, OUTINGS_FILE, AREAS_FILE, PEGS_FILE, PLANTED_FILE, FINDS_FILE, EVENTS_FILE)
    of_plans = (plan / name for plan in plan_folders(folder) for name in (CSV_FILE, TICKS_FILE))
    inputs = (*(folder / name for name in names), *of_plans)
    return any(path.stat().st_mtime_ns > drawn for path in inputs if path.exists())


def _report(files: Sequence[OutFile]) -> Mapping[str, Any] | None:
    path = next((file.path for file in files if file.name == REPORT_NAME), None)
    if path is None:
        return None
    try:
        report = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None  # the map is there all the same, and drawing it anew writes the report anew
    return report if isinstance(report, dict) else None


def _left_out(report: Mapping[str, Any], ids: Collection[str]) -> tuple[tuple[str, str], ...]:
    """Read out of a report.json which of these outings the map lacks, and why."""
    try:
        listed = [(str(one["outing"]), str(one["fault"])) for one in report.get("left_out", ())]
    except (KeyError, TypeError):
        return ()  # it is not ours
    return tuple((outing, fault) for outing, fault in listed if outing in ids)


def _answer(report: Mapping[str, Any] | None) -> Answer | None:
    """Read the answer out of a report.json; None when it has none, or is not ours."""
    told = report.get("answer") if report else None
    if not isinstance(told, dict) or not isinstance(told.get("searched"), str):
        return None
    keys = ("searched", "go_next", "not_known", "by_lanes", "finds")
    return Answer(*(typeset(str(told.get(key, ""))) for key in keys))


def _change(report: Mapping[str, Any]) -> Change | None:
    """Read the latest outing out of a report.json; None when it has none, or is not ours."""
    try:
        outings = report["outings"]
        last = outings[-1]
        return Change(
            str(last["id"]),
            last["label"],
            float(outings[-2]["total_pct"]) if len(outings) > 1 else None,
            float(last["total_pct"]),
            float(last["swept_m2"]),
            float(last["new_m2"]),
            float(last["again_same_coil_m2"]) + float(last["again_other_coil_m2"]),
        )
    except (KeyError, IndexError, TypeError, ValueError):
        return None
