"""JSON that any reader takes."""

from __future__ import annotations

import json
import re
from typing import Any

from fieldcomb.tracks.text import _HALVES

_RAW_IN_JSON = re.compile("[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")


def to_json(value: Any, indent: int | None = None) -> str:
    """JSON with sorted keys and letters as they are; raises ValueError for a number that JSON does not have.

    Orders to a terminal are written as escapes, which every reader turns back into what they were.
    """
    separators = (",", ": ") if indent is not None else (", ", ": ")
    text = json.dumps(value, sort_keys=True, indent=indent, separators=separators, ensure_ascii=False, allow_nan=False)
    text = _RAW_IN_JSON.sub(lambda match: f"\\u{ord(match.group()):04x}", text)
    return _HALVES.sub("\ufffd", text)


def feature_collection(features: list[dict[str, Any]]) -> str:
    """GeoJSON text with one feature a line, so that two versions can be compared by eye."""
    lines = ",\n".join(to_json(feature) for feature in features)
    return '{"type": "FeatureCollection", "features": [\n' + lines + ("\n]}\n" if features else "]}\n")
