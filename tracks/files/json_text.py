"""JSON: from anywhere, with a message for whatever is wrong with it; and written so that any reader takes it."""

import json
import re
from typing import Any

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.encoding import decode_text
from fieldcomb.tracks.text import HALF_CHARACTERS

COPY_AGAIN = "Export or copy it again"

_RAW_IN_JSON = re.compile("[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")
_WGS84 = re.compile(
    r"(GCS[ _-])?WGS[ _-]?(19)?84"
    r"|(urn:(x-)?ogc:def:crs:)?(OGC:([\d.]*:)?CRS:?84h?|CRS:?84h?|EPSG:([\d.]*:)?(4326|4979))"
    r"|https?://www\.opengis\.net/def/crs/(OGC/[\d.]{1,9}/CRS84h?|EPSG/[\d.]{1,9}/(4326|4979))"
    r"|https?://www\.opengis\.net/gml/srs/epsg\.xml#4326",
    re.I,
)


def json_text(data: bytes, file: str) -> tuple[str, list[str]]:
    """Return the text of a JSON file and notes on its letters; TrackError when it is too large."""
    if len(data) > limits.MAX_JSON_BYTES:
        raise limits.too_large(file, len(data), limits.MAX_JSON_BYTES, "JSON")
    return decode_text(data)


def parse_json(text: str, file: str, lines_before: int = 0) -> Any:
    """Read one JSON document; TrackError when it is not sound.

    A key that comes twice has its last value. NaN and Infinity, which JSON does not have, are numbers.
    """
    try:
        return json.loads(text, strict=False)  # a control character in a name costs nothing else
    except RecursionError:
        raise TrackError("is nested far deeper than any GeoJSON", file=file, hint=COPY_AGAIN) from None
    except json.JSONDecodeError as error:
        where = f"line {error.lineno + lines_before}, column {error.colno}: {error.msg}"
        raise TrackError("is not valid JSON", file=file, where=where, hint=COPY_AGAIN) from None
    except ValueError:
        # Python refuses whole numbers of thousands of digits.
        raise TrackError("holds a number with thousands of digits", file=file, hint=COPY_AGAIN) from None


def other_system(node: Any) -> Any:
    """Name the coordinate system that an object of GeoJSON 2008 gives for itself; None when it is WGS 84 or absent."""
    crs = node.get("crs")
    if crs is None:
        return None
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else None
    if isinstance(name, str) and _WGS84.fullmatch(name.strip().replace("::", ":")):
        return None
    return crs if name is None else name


def to_json(value: Any, indent: int | None = None) -> str:
    """JSON with sorted keys and letters as they are; raises ValueError for a number that JSON does not have.

    Orders to a terminal are written as escapes, which every reader turns back into what they were.
    """
    separators = (",", ": ") if indent is not None else (", ", ": ")
    text = json.dumps(value, sort_keys=True, indent=indent, separators=separators, ensure_ascii=False, allow_nan=False)
    text = _RAW_IN_JSON.sub(lambda match: f"\\u{ord(match.group()):04x}", text)
    return HALF_CHARACTERS.sub("\ufffd", text)


def feature_collection(features: list[dict[str, Any]]) -> str:
    """GeoJSON text with one feature a line, so that two versions can be compared by eye."""
    lines = ",\n".join(to_json(feature) for feature in features)
    return '{"type": "FeatureCollection", "features": [\n' + lines + ("\n]}\n" if features else "]}\n")
