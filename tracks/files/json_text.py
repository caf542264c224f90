"""JSON from anywhere: read whole within limits, with a message for whatever is wrong with it."""

from __future__ import annotations

import json
import re
from typing import Any

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.encoding import decode_text

# A document unpacks in memory to some ten times its size, so this is far below what a text file may have.
MOST_BYTES = 64 * 1024 * 1024
COPY_AGAIN = "Export or copy it again"

_WGS84 = re.compile(r"(urn:(x-)?ogc:def:crs:)?(OGC:([\d.]*:)?CRS:?84h?|CRS:?84h?|EPSG:([\d.]*:)?(4326|4979))", re.I)


def json_text(data: bytes, file: str) -> tuple[str, list[str]]:
    """Give the text of a JSON file and notes on its letters; TrackError when it is too large."""
    if len(data) > MOST_BYTES:
        problem = f"is {len(data) / 1e6:.0f} MB of JSON; more than {MOST_BYTES / 1e6:.0f} MB are refused"
        raise TrackError(problem, file=file, hint="Split it into several files, or export the walk as GPX")
    return decode_text(data)


def parse_json(text: str, file: str, lines_before: int = 0) -> Any:
    """Read one JSON document; TrackError when it is not sound.

    A key that comes twice has its last value. NaN and Infinity, which JSON does not have, are numbers.
    """
    try:
        return json.loads(text)
    except RecursionError:
        raise TrackError("is nested far deeper than any GeoJSON", file=file, hint=COPY_AGAIN) from None
    except json.JSONDecodeError as error:
        where = f"line {error.lineno + lines_before}, column {error.colno}: {error.msg}"
        raise TrackError("is not sound JSON", file=file, where=where, hint=COPY_AGAIN) from None
    except ValueError:
        # Python refuses whole numbers of thousands of digits.
        raise TrackError("holds a number of thousands of digits", file=file, hint=COPY_AGAIN) from None


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
