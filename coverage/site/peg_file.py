"""pegs.csv: the pegs of a site, one row a peg, with its name and place in degrees."""

import math
import re
from collections.abc import Sequence

from fieldcomb.coverage.outings.peg_touches import peg_key
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.tables import read_typed_table
from fieldcomb.tracks.frame import SiteFrame, distance_m
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.values import dataclass

PEG_COLUMNS = ("name", "lat", "lon")
FAR_PEG_M = 5000.0  # a peg that lies farther than this from the site cannot be touched on a walk there
_EXAMPLE = "name,lat,lon / A,46.5000180,-28.0003778"
_DEGREES = re.compile(r"[-+]?\d{1,3}(?:[.,]\d{1,15})?\Z")
_LIMIT = {"lat": 90.0, "lon": 180.0}


@dataclass(frozen=True, slots=True)
class PegRow:
    """One peg in degrees on WGS 84; ``line`` is its line in the file, for messages."""

    name: str
    lon_deg: float
    lat_deg: float
    line: int


def read_pegs(raw: bytes, file: str) -> tuple[tuple[PegRow, ...], tuple[str, ...]]:
    """Read the pegs of a site: a table with a header, columns ``name``, ``lat`` and ``lon`` in any order.

    raw : the file as a spreadsheet saves it: UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab; a decimal comma
    where commas do not part the columns.

    Returns the pegs in the order of the file, none when the table has a header only or nothing at all; and notes, such
    as on columns that are not used.

    Raises SiteError: not such a table, a bad number, or a peg listed twice; the message has the line.
    """
    table = read_typed_table(raw, file, PEG_COLUMNS, PEG_COLUMNS, _EXAMPLE)
    pegs = tuple(_peg(file, line, values) for line, values in table.rows)
    _check_doubles(pegs, file)
    return pegs, table.notes


def _peg(file: str, line: int, values: dict[str, str]) -> PegRow:
    name = " ".join(values.get("name", "").split())
    if not peg_key(name):
        hint = "Fill in its name, as you write it in the marks"
        raise SiteError("has a peg without a name", file=file, where=f"line {line}", hint=hint)
    lat, lon = (_degrees(file, line, name, column, values.get(column, "")) for column in ("lat", "lon"))
    return PegRow(name, lon, lat, line)


def _degrees(file: str, line: int, name: str, column: str, text: str) -> float:
    plain = text.replace("\N{MINUS SIGN}", "-")
    value = float(plain.replace(",", ".")) if _DEGREES.match(plain) and plain.isascii() else math.nan
    most = _LIMIT[column]
    if not abs(value) <= most:
        problem = f"peg {name!r} has the {column} {text!r}; degrees from -{most:g} to {most:g} were expected"
        hint = f"Write decimal degrees on WGS 84: {_EXAMPLE}"
        raise SiteError(problem, file=file, where=f"line {line}", hint=hint)
    return value


def _check_doubles(pegs: Sequence[PegRow], file: str) -> None:
    known: dict[str, PegRow] = {}
    for peg in pegs:
        old = known.setdefault(peg_key(peg.name), peg)
        if old is not peg:
            problem = f"has the peg {peg.name!r} twice, first in line {old.line}"
            hint = "Delete one, or rename it; letter case and the word peg make no difference"
            raise SiteError(problem, file=file, where=f"line {peg.line}", hint=hint)


def place_pegs(pegs: Sequence[PegRow], frame: SiteFrame, reach_m: float, file: str) -> tuple[Peg, ...]:
    """Return pegs in metres; ``reach_m`` is how far the site reaches from the frame's origin. Far pegs are refused."""
    placed = []
    for peg in pegs:
        away_m = distance_m(frame.lon_deg, frame.lat_deg, peg.lon_deg, peg.lat_deg)
        if away_m > reach_m + FAR_PEG_M:
            problem = f"peg {peg.name!r} lies {away_m / 1000:.0f} km away from the middle of the site"
            hint = "Are latitude and longitude swapped, or is a digit wrong?"
            raise SiteError(problem, file=file, where=f"line {peg.line}", hint=hint)
        x, y = frame.to_metres(peg.lon_deg, peg.lat_deg)
        placed.append(Peg(peg.name, float(x), float(y)))
    return tuple(placed)
