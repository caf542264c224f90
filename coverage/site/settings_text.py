"""The text of site.toml and outings.toml as fieldcomb writes it: fresh, or after what stands there."""

import re
from collections.abc import Mapping
from typing import TypeVar

from fieldcomb.coverage.gear.coils import Coil
from fieldcomb.coverage.site.settings import OWN_KEYS, TYPED_KEYS, OutingEntry
from fieldcomb.coverage.site.toml_text import append_table, quoted, set_values
from fieldcomb.tracks.frame import SiteFrame

_T = TypeVar("_T")


def new_site_text(name: str, zone: str, cell: str, frame: SiteFrame | None, areas: bool = False) -> str:
    """Write a fresh site.toml."""
    text = f"""\
# One fieldcomb site. Change this file as you like: every report reads it again.
name = {quoted(name)}
zone = {quoted(zone)}  # time zone of dates and of times you type, such as Europe/Oslo
cell = {quoted(cell)}  # side of the squares in which ground is counted

# Coils by name. Correcting one here corrects all its outings. For example:
# [coils.small]
# size = "13x20cm"      # width x length; one number for a round coil
# winding = "dd"        # dd or concentric
# swath = "1.35m"       # swing width, edge to edge
# sweep = 1.0           # seconds from one side to the other

# Defaults for outings where nothing else was typed. For example:
# [defaults]
# coil = "small"
# gps = "typical"

# Your own words for the marks that you set on the way, in addition to the English ones. For example:
# [marks]
# off = ["pause", "aus"]
"""
    if areas:
        line = "areas = true  # there is an areas.geojson; every report warns if it is gone\n"
        text = text.replace("\n# Coils by name", f"{line}\n# Coils by name", 1)
    return text if frame is None else with_frame(text, frame)


NEW_OUTINGS = """\
# One entry for each outing, with only what was typed for it; every report takes the rest from site.toml.
# Correct it here or with: fieldcomb edit
"""


def with_frame(text: str, frame: SiteFrame) -> str:
    """Write the frame at the end of a site.toml that has none."""
    remark = "The point that metres are measured from. Leave it as it is: all outings are placed by it."
    return append_table(text, "[frame]", {"lon": frame.lon_deg, "lat": frame.lat_deg}, remark)


def with_coil(text: str, coil: Coil, size: str, swath: str | None, sweep: float | None) -> str:
    """Write one more named coil at the end of a site.toml, with the swing that was measured for it."""
    values: dict[str, str | float] = {"size": size.partition(":")[0].strip(), "winding": coil.winding}
    values |= {key: value for key, value in (("swath", swath), ("sweep", sweep)) if value is not None}
    key = coil.name if re.fullmatch(r"[A-Za-z0-9_-]+", coil.name) else quoted(coil.name)
    return append_table(text, f"[coils.{key}]", values)


def with_reopened(text: str, name: str, day: str) -> str:
    """Write in a site.toml that closed ground was opened again on a day; the day takes the place of an earlier one."""
    if re.search(rf"^\s*\[reopened\.{re.escape(quoted(name))}\]", text, re.MULTILINE):
        return set_values(text, ("reopened", name), {"on": day})
    remark = "Ground that a mark had closed, and the day on which it was opened again."
    return append_table(text, f"[reopened.{quoted(name)}]", {"on": day}, remark)


def with_outing(text: str, outing: OutingEntry) -> str:
    """Write one more outing at the end of an outings.toml; only what was typed."""
    head = {"id": outing.id, "label": outing.label, "note": outing.note}
    head |= {key: getattr(outing.typed, key) for key in TYPED_KEYS}
    people: dict[str, list[str]] = {"unrecorded": list(outing.unrecorded)} if outing.unrecorded else {}
    text = append_table(text, "[[outing]]", {**_given(head), **people})
    for item in outing.recordings:
        values = {"file": item.stored, "name": item.name, "sha256": item.sha256, "from": item.start, "to": item.end}
        values |= {key: getattr(item.typed, key) for key in OWN_KEYS} | {"searcher": item.searcher}
        text = append_table(text, "[[outing.recording]]", _given(values))
    return text


def _given(values: Mapping[str, _T | None]) -> dict[str, _T]:
    return {key: value for key, value in values.items() if value is not None}
