"""What was typed into the forms of the local page, checked with the name of the field in every message."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from typing import Any

from fieldcomb.coverage.gear.coils import (
    coil_of_size,
    parse_carried,
    parse_depth_m,
    parse_gps,
    parse_lift_m,
    split_naming,
)
from fieldcomb.coverage.gear.target_ids import parse_numbers
from fieldcomb.coverage.site.setting_values import laps_meaning
from fieldcomb.coverage.site.settings import OutingEntry, RecordingEntry, Typed
from fieldcomb.coverage.web.job_protocol import Changes
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import parse_length_m, parse_speed_m_s, parse_time_s, parse_zone

HALF_MINUTE_S = 30.0
MOST_LETTERS = 2000
MOST_CORNERS = 2000

# Names of the fields as the page shows them, by their keys in outings.toml.
LABELS = {
    "coil": "Coil",
    "swath": "Swing width",
    "sweeps": "Sweeps in 30 seconds",
    "gps": "How well the receiver places you",
    "carried": "Where the recorder was",
    "top_pace": "Top pace",
    "laps": "Presses of the lap button",
    "dug": "Target numbers that were dug",
    "ground": "What the ground was like",
    "lift": "Coil above the soil",
    "label": "Short name",
    "note": "Note",
    "searcher": "Who walked it",
    "from": "From",
    "to": "To",
    "depth": "Depth below the soil",
}


def _check_coil(text: str) -> None:
    """Look at the size where a name is given for good; a name alone is looked up among the site's coils later."""
    name, size = split_naming(text)
    if name is not None:
        coil_of_size(name, size)


_CHECKS: dict[str, Callable[[str], Any]] = {
    "coil": _check_coil,
    "swath": lambda text: parse_length_m(text, "swing width"),
    "gps": parse_gps,
    "carried": parse_carried,
    "top_pace": lambda text: parse_speed_m_s(text, "top pace"),
    "laps": laps_meaning,
    "dug": parse_numbers,
    "lift": parse_lift_m,
    "depth": parse_depth_m,
    "from": lambda text: parse_time_s(text, parse_zone("UTC")),
    "to": lambda text: parse_time_s(text, parse_zone("UTC")),
}
TYPED_TEXTS = ("coil", "swath", "gps", "carried", "top_pace", "laps", "dug", "ground", "lift")  # of a walk, as typed
OUTING_FIELDS = (*TYPED_TEXTS[:2], "sweeps", *TYPED_TEXTS[2:], "label", "note")  # in the order of the form
RECORDING_FIELDS = ("searcher", "coil", "swath", "gps", "carried", "from", "to")

Fields = Mapping[str, str]


def field(form: Fields, key: str) -> str | None:
    """Give one field, checked; None when it is empty."""
    text = harmless(form.get(key, "")[: MOST_LETTERS + 1])
    if not text:
        return None
    label = LABELS.get(key, key)
    if len(text) > MOST_LETTERS:
        raise UsageError(f"{label}: more than {MOST_LETTERS} letters", hint="Write less")
    if key in _CHECKS:
        try:
            _CHECKS[key](text)
        except UsageError as error:
            raise UsageError(f"{label}: {error.problem}", hint=error.hint) from error
    return text


def typed_of(form: Fields) -> Typed:
    """Give what was typed for a walk. A coil that is written goes before one that is picked."""
    coil = field(form, "coil") or field({"coil": form.get("known_coil", "")}, "coil")
    others = {key: field(form, key) for key in TYPED_TEXTS if key != "coil"}
    return Typed(coil=coil, sweep=sweep_s(form), **others)


def sweep_s(form: Fields) -> float | None:
    """Give the seconds of one sweep from the count in 30 seconds."""
    text = field(form, "sweeps")
    if text is None:
        return None
    try:
        seconds = HALF_MINUTE_S / float(text.replace(",", "."))
    except (ValueError, ZeroDivisionError) as error:
        raise UsageError(f"{LABELS['sweeps']}: {text!r} is no number", hint="Write a number such as 27") from error
    if not 0.2 <= seconds <= 10:
        hint = "Count every side-to-side sweep in 30 seconds; one takes 0.2 to 10 s"
        raise UsageError(f"{LABELS['sweeps']}: a sweep of {seconds:.3g} s is not possible", hint=hint)
    return round(seconds, 4)


def outing_texts(outing: OutingEntry) -> dict[str, str]:
    """Give the fields of an outing as its page shows them."""
    typed = outing.typed
    sweeps = "" if typed.sweep is None else f"{HALF_MINUTE_S / typed.sweep:.4g}"
    texts = {key: getattr(typed, key) for key in TYPED_TEXTS}
    return {key: text or "" for key, text in {**texts, "label": outing.label, "note": outing.note}.items()} | {
        "sweeps": sweeps
    }


def recording_texts(entry: RecordingEntry) -> dict[str, str]:
    """Give the fields of one recording as its page shows them."""
    own = {key: getattr(entry.typed, key) for key in ("coil", "swath", "gps", "carried")}
    texts = {**own, "searcher": entry.searcher, "from": entry.start, "to": entry.end}
    return {key: text or "" for key, text in texts.items()}


def changes_of(form: Fields, shown: Mapping[str, str], keys: tuple[str, ...]) -> Changes:
    """Give what is to change in ``outings.toml``: only the fields that differ from what the page shows."""
    changes: Changes = {}
    for key in keys:
        if key not in form or harmless(form[key]) == harmless(shown.get(key, "")):
            continue
        if key == "sweeps":
            changes["sweep"] = sweep_s(form)
        else:
            changes[key] = field(form, key)
    return changes


# ------------------------------------------------------------------------------------------- an edge that is typed

_NUMBER = r"[-+−]?\d+(?:[.,]\d+)?"
_PAIR = re.compile(rf"\s*({_NUMBER})\s*[°]?\s*([NS]?)[\s,;]+({_NUMBER})\s*[°]?\s*([EW]?)\s*", re.IGNORECASE)


def corners_of(text: str) -> list[tuple[float, float]]:
    """Read the corners of an edge, one a line as ``latitude, longitude`` in degrees; gives (lon, lat).

    A decimal comma is read where the two numbers are parted by a semicolon or a space.

    Raises
    ------
    UsageError
        With the number of the line that is at fault.

    """
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    if len(lines) > MOST_CORNERS:
        raise UsageError(f"the edge has more than {MOST_CORNERS} corners", hint="Give it as a boundary file")
    corners = [_corner(number, line) for number, line in lines]
    if len(corners) > 1 and corners[0] == corners[-1]:
        corners.pop()
    if len(corners) < 3:
        hint = "Give at least three corners, one a line, in the order of a walk round the edge"
        raise UsageError(f"the edge has {len(corners)} corners", hint=hint)
    return corners


def _corner(number: int, line: str) -> tuple[float, float]:
    hint = "Write latitude and longitude in degrees, such as 46.50012, -27.99983"
    match = _PAIR.fullmatch(line)
    if match is None:
        raise UsageError(f"line {number} of the edge is not a place: {harmless(line)[:60]!r}", hint=hint)
    lat, north, lon, east = match.groups()
    values = [float(one.replace(",", ".").replace("−", "-")) for one in (lat, lon)]
    turned = (-1 if north.upper() == "S" else 1, -1 if east.upper() == "W" else 1)
    latitude, longitude = (value * turn for value, turn in zip(values, turned, strict=True))
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise UsageError(f"line {number} of the edge is no place on Earth: {harmless(line)[:60]!r}", hint=hint)
    return longitude, latitude


def edge_geojson(corners: list[tuple[float, float]]) -> str:
    """Write a typed edge as a file of areas with one area, the site."""
    ring = [list(corner) for corner in (*corners, corners[0])]
    shape = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": {"kind": "site"}, "geometry": shape}
    return json.dumps({"type": "FeatureCollection", "features": [feature]}) + "\n"


# --------------------------------------------------------------------------------------- words for who has a page

_IN_PAGE = (
    (re.compile(r"[Uu]se fieldcomb edit SITE (\S+) --take-back"), r"Take it back on the page of outing \1"),
    (re.compile(r"use fieldcomb edit SITE ([^\s.]+)"), r"open the page of outing \1"),
    (re.compile(r"[Tt]ake one back with fieldcomb edit"), "Take one back on its page"),
    (re.compile(r"leave outing (\S+) out with fieldcomb edit"), r"leave outing \1 out on its page"),
    (re.compile(r"[Aa]dd a walk with: fieldcomb add \S.* walk\.gpx"), "Drop a recording on the page of the site"),
    (re.compile(r"with --from and --to"), "in the fields From and To"),
    (re.compile(r"with --coil"), "in the field Coil"),
    (re.compile(r"with --swath"), "in the field Swing width"),
    (re.compile(r"; --each makes one of each file"), "; choose “each its own outing” to part them"),
    (re.compile(r"Start the site with --boundary"), "Make the site with an edge"),
    (re.compile(r"fieldcomb edit"), "the page of the outing"),
    (re.compile(r"--top-pace"), "the field Top pace"),
    (re.compile(r"--dug"), "the field Target numbers that were dug"),
    (re.compile(r"--boundary"), "a boundary file"),
)


def in_page_words(text: str) -> str:
    """Say what a message says to somebody in front of the page, who has fields and no command line.

    >>> in_page_words("Use fieldcomb edit SITE 2026-03-07a --take-back")
    'Take it back on the page of outing 2026-03-07a'
    """
    for pattern, words in _IN_PAGE:
        text = pattern.sub(words, text)
    return text
