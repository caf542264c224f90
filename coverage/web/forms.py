"""What was typed into the forms of the local page, checked with the name of the field in every message."""

import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from fieldcomb.coverage.jobs.job_protocol import Changes
from fieldcomb.coverage.site.options_fields import FIELD, HALF_MINUTE_S, Field, TypedAt, fields_of
from fieldcomb.coverage.site.settings import OWN_KEYS, TYPED_KEYS, OutingEntry, RecordingEntry, Typed
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.text import harmless

MOST_CORNERS = 2000

FormTexts = Mapping[str, str]


class FieldError(UsageError):
    """A field of a form cannot be used; ``key`` is its name in the form, so that the page can show it there."""

    def __init__(self, key: str, error: UsageError, label: str = "") -> None:
        super().__init__(f"{label}: {error.problem}" if label else error.problem, hint=error.hint)
        self.key = key


@contextmanager
def beside_field(key: str) -> Iterator[None]:
    """Have what is wrong in here shown beside a field."""
    try:
        yield
    except UsageError as error:
        raise FieldError(key, error) from error


def site_name(form: FormTexts) -> str:
    """Return the name of a site; FieldError where there is none."""
    name = text_of_field(form, "name")
    if name is None:
        raise FieldError("name", UsageError("the site has no name", hint="Write a name such as North field"))
    return name


def form_fields(place: TypedAt) -> tuple[Field, ...]:
    """Return the fields of a form, in their order."""
    return tuple(field for field in fields_of(place) if field.label)


def kept_of_field(form: FormTexts, key: str) -> str | float | None:
    """Return what is to be kept of one field; None when it is empty.

    Raises UsageError: it cannot be; the message begins with the field's name on the page.
    """
    text = _typed_text(form, key)
    if not text:
        return None
    try:
        return FIELD[key].kept(text)
    except UsageError as error:
        raise FieldError(key, error, FIELD[key].label) from error


def _typed_text(form: FormTexts, key: str) -> str:
    return FIELD[key].with_unit(harmless(form.get(key, "")), harmless(form.get(f"{key}-unit", "")))


def text_of_field(form: FormTexts, key: str) -> str | None:
    """Return the text of one field, checked; None when it is empty."""
    kept = kept_of_field(form, key)
    return None if kept is None else str(kept)


def typed_of_form(form: FormTexts) -> Typed:
    """Return what was typed for a walk. A coil that is written goes before one that is picked."""
    texts = dict(form)
    if not form.get("coil"):  # the name of a known one has no unit, though it may be a number
        texts |= {"coil": form.get("known_coil", ""), "coil-unit": ""}
    fields = [field for field in form_fields(TypedAt.ADDED) if field.kept_key in TYPED_KEYS]
    return Typed(**{field.kept_key: kept_of_field(texts, field.key) for field in fields})  # type: ignore[arg-type]


def coil_of_form(form: FormTexts) -> str | None:
    """Return the coil of a form: the one that is written, else the one that is picked; None for neither."""
    picked = form.get("known_coil", "") if not form.get("coil") else ""
    return text_of_field({**form, "coil": picked, "coil-unit": ""} if picked else form, "coil")


def outing_texts(outing: OutingEntry) -> dict[str, str]:
    """Return the fields of an outing as its page shows them."""
    sweep = outing.typed.sweep
    texts = {key: getattr(outing.typed, key) for key in TYPED_KEYS}
    texts |= {key: getattr(outing, key) for key in ("label", "note", "seen", "filled")}
    texts["sweeps"] = None if sweep is None else f"{HALF_MINUTE_S / sweep:.4g}"
    return {field.key: texts[field.key] or "" for field in form_fields(TypedAt.OUTING)}


def recording_texts(entry: RecordingEntry) -> dict[str, str]:
    """Return the fields of one recording as its page shows them."""
    texts = {key: getattr(entry.typed, key) for key in OWN_KEYS}
    texts |= {"searcher": entry.searcher, "from": entry.start, "to": entry.end}
    return {field.key: texts[field.key] or "" for field in form_fields(TypedAt.RECORDING)}


def changes_of(form: FormTexts, shown: FormTexts) -> Changes:
    """Return what is to change in ``outings.toml``: only the fields that differ from what the page shows."""
    plain = {key: harmless(text) for key, text in shown.items()}
    as_before = {key: (text, FIELD[key].with_unit(*FIELD[key].parted(text))) for key, text in plain.items()}
    changed = [key for key in shown if key in form and _typed_text(form, key) not in as_before[key]]
    return {FIELD[key].kept_key: kept_of_field(form, key) for key in changed}


# ------------------------------------------------------------------------------------------- an edge that is typed

_NUMBER = r"[-+−]?\d+(?:[.,]\d+)?"
_PAIR = re.compile(rf"\s*({_NUMBER})\s*[°]?\s*([NS]?)[\s,;]+({_NUMBER})\s*[°]?\s*([EW]?)\s*", re.IGNORECASE)


def corners_of(text: str) -> list[tuple[float, float]]:
    """Read the corners of an edge, one a line as ``latitude, longitude`` in degrees; returns (lon, lat).

    A decimal comma is read where the two numbers are parted by a semicolon or a space.

    Raises UsageError: with the number of the line that is at fault.
    """
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    if len(lines) > MOST_CORNERS:
        raise UsageError(f"the edge has more than {MOST_CORNERS} corners", hint="Use a boundary file instead")
    corners = [_corner(number, line) for number, line in lines]
    if len(corners) > 1 and corners[0] == corners[-1]:
        corners.pop()
    if len(corners) < 3:
        hint = "Type at least three corners, one per line, in the order of a walk round the edge"
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
        raise UsageError(f"line {number} of the edge is not a place on Earth: {harmless(line)[:60]!r}", hint=hint)
    return longitude, latitude


def edge_geojson(corners: list[tuple[float, float]]) -> str:
    """Write a typed edge as a file of areas with one area, the site."""
    ring = [list(corner) for corner in (*corners, corners[0])]
    shape = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": {"kind": "site"}, "geometry": shape}
    return json.dumps({"type": "FeatureCollection", "features": [feature]}) + "\n"
