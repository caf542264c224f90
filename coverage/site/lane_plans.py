"""The plans of lanes that a site keeps, in folders of their own, with what was ticked on their sheets."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.lanes.lane_files import CSV_FILE, GEOJSON_FILE
from fieldcomb.coverage.lanes.lane_words import numbers_in_words
from fieldcomb.coverage.lanes.plan_file import read_plan
from fieldcomb.coverage.lanes.sheet import SheetLine, read_sheet, state_of, times_of
from fieldcomb.coverage.lanes.ticks import TICKS_FILE, LaneTick, read_ticks, ticked_lanes, told_otherwise
from fieldcomb.coverage.outings.peg_touches import peg_key
from fieldcomb.coverage.site.folder import PEGS_FILE, Site, read_file, shown
from fieldcomb.coverage.site.peg_file import PegRow
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.tables import SEPARATORS, guarded
from fieldcomb.tracks.frame import SiteFrame, distance_m
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_length
from fieldcomb.tracks.values import dataclass

LANES = "lanes"
MOVED_PEG_M = 0.1  # a peg that is measured anew moves less


def plan_folders(site: Path) -> list[Path]:
    """Folders of the plans of a site, by name; nothing is followed out of the site."""
    folder = site / LANES
    if folder.is_symlink() or not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if (path / GEOJSON_FILE).is_file() and not path.is_symlink())


def kept_plan(folder: Path, frame: SiteFrame) -> DeclaredPlan:
    """Read a plan; raises SiteError where its file is not as it was written."""
    name = f"{LANES}/{shown(folder.name)}/{GEOJSON_FILE}"
    return read_plan(read_file(folder / GEOJSON_FILE, SiteError, name=name), name, frame)


def free_file(folder: Path, stem: str, ending: str = ".csv") -> str:
    """Return the first free name for a copy of a file as it was: ``lanes-before-1.csv``."""
    number = 1
    while (folder / f"{stem}-{number}{ending}").exists():
        number += 1
    return f"{stem}-{number}{ending}"


def declared_plans(site: Site, frame: SiteFrame) -> tuple[tuple[DeclaredPlan, ...], tuple[str, ...]]:
    """Return the plans of a site with what was ticked of each, and sentences on what cannot be used.

    A plan that cannot be read is left out and told, and all others still count.
    """
    measured = {name for name, coil in site.settings.coils.items() if coil.swath_m is not None}
    plans: list[DeclaredPlan] = []
    notes: list[str] = []
    for folder in plan_folders(site.folder):
        try:
            plan = kept_plan(folder, frame)
            lines, said = kept_sheet(folder, plan)
        except SiteError as error:
            notes.append(f"A plan of lanes is not counted: {error}")
            continue
        notes += said
        notes += peg_notes(plan, site.pegs)
        plan = replace(plan, states=state_of(lines), times=times_of(lines), swath_measured=plan.coil in measured)
        plan, more = _with_ticks(folder, plan, site.settings.zone)
        notes += more
        plans.append(plan)
    return tuple(plans), tuple(notes)


def peg_notes(plan: DeclaredPlan, pegs: Sequence[PegRow]) -> list[str]:
    """Say which of the site's own pegs that a plan is set out from are gone from the site's table, or have moved."""
    now = {peg_key(peg.name): peg for peg in pegs}
    notes = []
    for name, (lon, lat) in sorted(plan.pegs.items()):
        peg, of = now.get(peg_key(name)), f"Plan {plan.name} is set out from peg {harmless(name)}, which"
        stay = "Its lanes stay where they were planned"
        if peg is None:
            notes.append(f"{of} is no longer in {PEGS_FILE}. {stay}; put the peg back, or plan anew")
        elif (away_m := distance_m(lon, lat, peg.lon_deg, peg.lat_deg)) > MOVED_PEG_M:
            notes.append(
                f"{of} has moved {format_length(away_m)} in {PEGS_FILE} since. {stay}; plan anew if it did move"
            )
    return notes


def kept_sheet(folder: Path, plan: DeclaredPlan) -> tuple[tuple[SheetLine, ...], tuple[str, ...]]:
    """Return what the sheet of a plan says, with sentences on it; SiteError where it cannot be read."""
    if not (folder / CSV_FILE).is_file():  # the plan holds without it
        return (), ()
    name = f"{LANES}/{shown(folder.name)}/{CSV_FILE}"
    return read_sheet(read_file(folder / CSV_FILE, SiteError, name=name), name, plan.ends)


def kept_ticks(folder: Path, plan: DeclaredPlan) -> tuple[LaneTick, ...]:
    """Return the ticks of a plan in the order in which they came; raises SiteError where they cannot be read."""
    file = folder / TICKS_FILE
    if not file.is_file():
        return ()
    name = f"{LANES}/{shown(folder.name)}/{TICKS_FILE}"
    return read_ticks(read_file(file, SiteError, name=name), name, {lane.number for lane in plan.lanes})


def _with_ticks(folder: Path, plan: DeclaredPlan, zone: ZoneInfo) -> tuple[DeclaredPlan, list[str]]:
    """A plan with the last tick of each lane in place of what the sheet says, with sentences on what contradicts."""
    states, times, notes = dict(plan.states), dict(plan.times), list[str]()
    try:
        ticks = kept_ticks(folder, plan)
    except SiteError as error:
        return plan, [f"Ticks of lanes are not counted: {error}"]
    for number, ticked in ticked_lanes(ticks).items():
        if not ticked.state:
            continue
        if number in states and states[number] != ticked.state:
            said = f"lane {number} is {states[number]} on the sheet and ticked {ticked.state}; the tick holds"
            notes.append(f"Plan {plan.name}: {said}")
        states[number] = ticked.state
        of_tick = ticked.times(zone)
        if number not in times and (of_tick.start or of_tick.end):
            times[number] = of_tick
    if lanes := told_otherwise(ticks):
        words = numbers_in_words(lanes)
        notes.append(f"Plan {plan.name}: two phones say different things about lanes {words}; the later tick holds")
    return replace(plan, states=states, times=times), notes


@dataclass(frozen=True, slots=True)
class _Table:
    """A sheet as it lies on the disk: what separates its cells, its header, and what ends its lines."""

    mark: str
    header: list[str]
    end: str
    lines: list[str]

    def cells(self, line: str) -> tuple[int, list[str]]:
        """The number of the lane of a line, 0 for none, and its cells."""
        cells = next(csv.reader([line], delimiter=self.mark, strict=True), [])
        number = cells[self.header.index("lane")] if cells else ""
        return int(number) if number.isascii() and number.isdigit() else 0, cells


@contextmanager
def _read_table(table: bytes, file: str) -> Iterator[_Table]:
    """Read a sheet, and have what cannot be read or written in it told as one error."""
    try:
        lines = table.decode("utf-8-sig").splitlines(keepends=True)
        mark = max(SEPARATORS, key=lines[0].count)
        header = [cell.strip().lower() for cell in next(csv.reader([lines[0]], delimiter=mark))]
        yield _Table(mark, header, lines[0][len(lines[0].rstrip("\r\n")) :], lines)
    except (UnicodeDecodeError, csv.Error, ValueError, IndexError, StopIteration) as error:
        problem = "cannot be filled in, because it was changed after it was written"
        raise SiteError(
            problem, file=file, hint="Write y, n or part into the column done of this table yourself"
        ) from error


def cells_of(table: bytes, file: str) -> dict[int, dict[str, str]]:
    """Return the cells of a sheet by the number of the lane and the name of the column; SiteError as ``with_ticks``."""
    with _read_table(table, file) as read:
        rows = [read.cells(line) for line in read.lines[1:]]
        return {number: dict(zip(read.header, cells, strict=False)) for number, cells in rows if number}


def with_ticks(table: bytes, file: str, filled: Mapping[int, Mapping[str, str]]) -> bytes:
    """Return a sheet with cells written, by the number of their lane and their column; all other rows stay as they are.

    table : as it was written for the plan, or as a spreadsheet saved it. A column that the table lacks is left out.

    Raises SiteError: a table that is no longer one row a line in UTF-8.
    """
    with _read_table(table, file) as read:
        done = [read.lines[0], *(_filled(line, read, filled) for line in read.lines[1:])]
        return ("\ufeff".encode() if table.startswith("\ufeff".encode()) else b"") + "".join(done).encode()


def _filled(line: str, table: _Table, filled: Mapping[int, Mapping[str, str]]) -> str:
    """Return one row with what was filled in for its lane, or as it was."""
    number, cells = table.cells(line)
    typed = filled.get(number)
    if not typed:
        return line
    new = [guarded(typed[column]) if column in typed else cell
           for column, cell in zip(table.header, cells, strict=True)]  # fmt: skip
    if new == cells:
        return line
    written = io.StringIO(newline="")
    csv.writer(written, delimiter=table.mark, lineterminator=table.end).writerow(new)
    return written.getvalue()
