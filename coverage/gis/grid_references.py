"""Grid references as registers of finds take them: letters and figures that are cut, never rounded.

A reference names the south-west corner of the square that a place lies in. Sources: the lettering of the National Grid
of Great Britain and of the Irish Grid, squares of 500 and 100 km in rows of five letters without I; the Military Grid
Reference System, with the zones and bands of UTM (DMA TM 8358.1). Both are written here from memory, and checked
against tables that independent programs computed.
"""

from __future__ import annotations

import math

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.frame import wrap_lon
from fieldcomb.tracks.values import dataclass

BRITISH_EPSG, IRISH_EPSG = 27700, 29903
FIGURES = (4, 6, 8, 10)  # and the squares that they name: 1 km, 100, 10 and 1 m
_SQUARE_LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"
_BANDS = "CDEFGHJKLMNPQRSTUVWX"  # of 8 degrees from 80 south; the last one has 12
_COLUMNS = ("STUVWXYZ", "ABCDEFGH", "JKLMNPQR")  # of 100 km, by the number of the zone
_ROWS = "ABCDEFGHJKLMNPQRSTUV"
_BRITISH_M = (700_000, 1_300_000)
_IRISH_M = (500_000, 500_000)
_SLACK_M = 1e-6  # of rounding in a projection: what lies on a corner belongs to the square north-east of it


@dataclass(frozen=True, slots=True)
class UtmZone:
    """A zone of UTM: its number, the letter of its band, and its number among coordinate systems."""

    number: int
    band: str

    @property
    def epsg(self) -> int:
        """The system of the zone on WGS 84."""
        return (32600 if self.band >= "N" else 32700) + self.number

    @property
    def name(self) -> str:
        """Number and letter.

        >>> UtmZone(7, "R").name
        '07R'
        """
        return f"{self.number:02}{self.band}"


def utm_zone(lon_deg: float, lat_deg: float) -> UtmZone:
    """Return the zone of a place, with the wide ones of Norway and Svalbard; UsageError near the poles.

    >>> utm_zone(5.32, 60.39).name, utm_zone(-28.0, 46.5).name
    ('32V', '26T')
    """
    if not -80 <= lat_deg <= 84:
        raise UsageError(f"UTM ends at 80 S and 84 N, and {lat_deg:.1f} is beyond", hint="Use degrees there")
    band = _BANDS[min(int((lat_deg + 80) // 8), len(_BANDS) - 1)]
    lon = float(wrap_lon(lon_deg))
    number = int((lon + 180) // 6) + 1
    if band == "V" and 3 <= lon < 12:
        number = 32
    if band == "X" and 0 <= lon < 42:
        number = 31 + 2 * sum(lon >= edge for edge in (9, 21, 33))
    return UtmZone(number, band)


def square_m(figures: int) -> float:
    """Return the side of the square that so many figures name."""
    return float(10 ** (5 - figures // 2))


def figures_for(known_to_m: float) -> int:
    """Return the most figures whose square is not finer than a place is known.

    >>> figures_for(3.9), figures_for(0.5), figures_for(40), figures_for(5000)
    (8, 10, 6, 4)
    """
    return next((figures for figures in (10, 8, 6) if square_m(figures) >= known_to_m), 4)


def british(east_m: float, north_m: float, figures: int) -> str:
    """Return a reference to the National Grid of Great Britain (EPSG:27700).

    >>> british(577274.98, 69740.49, 10), british(577274.98, 69740.49, 8), british(577274.98, 69740.49, 6)
    ('TV 77274 69740', 'TV 7727 6974', 'TV 772 697')
    """
    _check("British", east_m, north_m, _BRITISH_M)
    column, row = _hundreds(east_m), _hundreds(north_m)
    large = (3 - row // 5) * 5 + column // 5 + 2
    small = (4 - row % 5) * 5 + column % 5
    return _lettered(_SQUARE_LETTERS[large] + _SQUARE_LETTERS[small], east_m, north_m, figures)


def irish(east_m: float, north_m: float, figures: int) -> str:
    """Return a reference to the Irish Grid (EPSG:29903).

    >>> irish(315904.9, 234671.2, 10)
    'O 15904 34671'
    """
    _check("Irish", east_m, north_m, _IRISH_M)
    letter = _SQUARE_LETTERS[(4 - _hundreds(north_m)) * 5 + _hundreds(east_m)]
    return _lettered(letter, east_m, north_m, figures)


def mgrs(zone: UtmZone, east_m: float, north_m: float, figures: int) -> str:
    """Return a reference of the Military Grid Reference System, by eastings and northings of the UTM zone.

    >>> mgrs(UtmZone(31, "N"), 166021.443, 0.0, 10)
    '31N AA 66021 00000'
    """
    column = _COLUMNS[zone.number % 3][_hundreds(east_m) - 1]
    row = _ROWS[(_hundreds(north_m) + (0 if zone.number % 2 else 5)) % 20]
    return _lettered(f"{zone.name} {column}{row}", east_m, north_m, figures)


def cut_m(value_m: float, figures: int) -> int:
    """Return a coordinate cut to the square that so many figures name, in whole metres."""
    side = int(square_m(figures))
    return math.floor((value_m + _SLACK_M) / side) * side


def _hundreds(value_m: float) -> int:
    return math.floor((value_m + _SLACK_M) / 100_000)


def _lettered(letters: str, east_m: float, north_m: float, figures: int) -> str:
    side, width = int(square_m(figures)), figures // 2
    parts = (cut_m(value, figures) % 100_000 // side for value in (east_m, north_m))
    return " ".join([letters, *(f"{part:0{width}}" for part in parts)])


def _check(name: str, east_m: float, north_m: float, most_m: tuple[int, int]) -> None:
    if not (-_SLACK_M <= east_m < most_m[0] and -_SLACK_M <= north_m < most_m[1]):
        problem = f"the {name} grid does not reach to this place"
        raise UsageError(problem, hint="Use another grid, such as utm or mgrs")
