"""KML: the polygons drawn in it, for boundaries, with their names and typed-in data.

A boundary must be whole. So where a recording keeps what came before a break, this reader refuses a file that
breaks off, and a coordinate that cannot be read.
"""

import math
import re
from array import array
from collections import Counter
from collections.abc import Callable

import numpy as np

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.xml import Actions, Place, mend_words, read_xml
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

LonLatRing = tuple[Floats, Floats]
"""Longitudes and latitudes in degrees, float64 (n,) each; as in the file, closed or not."""


@dataclass(frozen=True, slots=True, eq=False)
class KmlPolygon:
    """One polygon of a KML file.

    name : name of its placemark; the parts of one placemark share it.
    outer : the outer ring.
    inners : the rings of its holes.
    data : values of the placemark's ExtendedData, by name.
    """

    name: str
    outer: LonLatRing
    inners: tuple[LonLatRing, ...]
    data: dict[str, str]


_COMMA = re.compile(r"\s*,\s*")
_OTHERS = {
    "LineString": "line",
    "LinearRing": "loose ring",
    "Point": "point",
    "Track": "track",
    "MultiTrack": "track",
    "Model": "model",
}


class _Builder:
    """Takes what the XML reader meets and grows it into polygons."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.polygons: list[KmlPolygon] = []
        self.others: Counter[str] = Counter()
        self.points = 0
        self._start_placemark({})

    def actions(self) -> Actions:
        """Return what to do in which element."""
        opens: dict[Place, Callable[[dict[str, str]], None]] = {("ExtendedData", "Data"): self._start_value}
        opens["SchemaData", "SimpleData"] = self._start_value
        closes: dict[Place, Callable[[], None]] = {}
        for around in ("Document", "Folder", "kml"):
            opens[around, "Placemark"] = self._start_placemark
            closes[around, "Placemark"] = self._end_placemark
            opens[around, "NetworkLink"] = self._count("linked file")
        for around in ("Placemark", "MultiGeometry"):
            opens[around, "Polygon"] = self._start_polygon
            closes[around, "Polygon"] = self._end_polygon
            for tag, words in _OTHERS.items():
                opens[around, tag] = self._count(words)
        opens["Polygon", "outerBoundaryIs"] = self._start_boundary(outer=True)
        opens["Polygon", "innerBoundaryIs"] = self._start_boundary(outer=False)
        texts: dict[Place, Callable[[str], None]] = {
            ("Placemark", "name"): self._name,
            ("Data", "value"): self._value,
            ("SchemaData", "SimpleData"): self._value,
            ("LinearRing", "coordinates"): self._coordinates,
        }
        return Actions(opens, texts, closes, skips=frozenset({"Style", "StyleMap", "Update", "description"}))

    def _count(self, words: str) -> Callable[[dict[str, str]], None]:
        def count(_: dict[str, str]) -> None:
            self.others[words] += 1

        return count

    def _start_placemark(self, _: dict[str, str]) -> None:
        self._placemark_name = ""
        self._data: dict[str, str] = {}
        self._key = ""
        self._shapes: list[tuple[list[LonLatRing], list[LonLatRing]]] = []
        self._outers: list[LonLatRing] = []
        self._inners: list[LonLatRing] = []
        self._into: list[LonLatRing] | None = None

    def _name(self, text: str) -> None:
        self._placemark_name = self._placemark_name or text.strip()

    def _start_value(self, attributes: dict[str, str]) -> None:
        self._key = attributes.get("name", "").strip()

    def _value(self, text: str) -> None:
        if self._key:
            self._data.setdefault(self._key, text.strip())

    def _start_polygon(self, _: dict[str, str]) -> None:
        self._outers, self._inners, self._into = [], [], None

    def _start_boundary(self, *, outer: bool) -> Callable[[dict[str, str]], None]:
        def start(_: dict[str, str]) -> None:
            self._into = self._outers if outer else self._inners

        return start

    def _coordinates(self, text: str) -> None:
        if self._into is not None:
            self._into.append(self._ring(text))

    def _ring(self, text: str) -> LonLatRing:
        """Read ``lon,lat[,height] lon,lat[,height] ...``; blanks around a comma, which some write, are let pass."""
        lon, lat = array("d"), array("d")
        for group in _COMMA.sub(",", text.strip()).split():
            parts = group.split(",")
            try:
                lon.append(float(parts[0]))
                lat.append(float(parts[1]))
            except (ValueError, IndexError):
                raise self._fault(f"has a coordinate that cannot be read, {group[:60]!r}") from None
            if not (math.isfinite(lon[-1]) and math.isfinite(lat[-1])) or "_" in group:
                raise self._fault(f"has a coordinate that is not a number, {group[:60]!r}")
        self.points += len(lon)
        if self.points > limits.MAX_POINTS:
            raise self._fault(f"holds more than {limits.MAX_POINTS:,} points, which is refused")
        return np.array(lon, dtype=np.float64), np.array(lat, dtype=np.float64)

    def _end_polygon(self) -> None:
        if len(self._outers) != 1:
            raise self._fault(f"has a polygon with {len(self._outers)} outer rings instead of one")
        self._shapes.append((self._outers, self._inners))
        self._into = None

    def _end_placemark(self) -> None:
        for (outer,), inners in self._shapes:
            self.polygons.append(KmlPolygon(self._placemark_name, outer, tuple(inners), dict(self._data)))
        self._start_placemark({})

    def _fault(self, problem: str) -> TrackError:
        where = f"placemark {self._placemark_name[:80]!r}" if self._placemark_name else None
        hint = "Draw the boundary again, or export it again, and use that file"
        return TrackError(problem, file=self.file, where=where, hint=hint)


def read_kml_polygons(data: bytes, file: str) -> tuple[tuple[KmlPolygon, ...], tuple[str, ...]]:
    """Read all polygons of a KML file, in file order, those in a MultiGeometry each on its own; with notes.

    Positions are not range-checked, and rings are neither closed nor turned. An & that stands alone in a name is read
    as meant and a control character as a blank, which changes no place; both are noted.

    Raises TrackError: not KML, damaged or cut off anywhere, without a polygon, or refused by the limits of the XML
    reader.
    """
    builder = _Builder(file)
    ending = read_xml(data, file, "kml", builder.actions())
    mended, notes = mend_words(data) if ending.broken else (data, ())
    if notes:
        builder = _Builder(file)
        ending = read_xml(mended, file, "kml", builder.actions())
    if ending.broken:
        hint = "A boundary must be complete: export it again"
        raise TrackError("is not a complete KML file", file=file, where=ending.broken, hint=hint)
    if not builder.polygons:
        found = " and ".join(format_count(many, words) for words, many in sorted(builder.others.items()))
        problem = f"holds no polygon, only {found}" if found else "holds no polygon, and no other shape"
        raise TrackError(problem, file=file, hint="Draw the boundary as a closed polygon and export it as KML")
    return tuple(builder.polygons), notes
