"""Correcting what was typed for an outing, and changing a site as a whole: its name and zone, its edge and areas."""

import hashlib
from collections.abc import Mapping
from pathlib import Path

from fieldcomb.coverage.actions.close_lanes import close_drawn
from fieldcomb.coverage.areas.areas import place_areas, read_areas
from fieldcomb.coverage.intake.coil_changes import presses_of
from fieldcomb.coverage.raster.grid import check_cells
from fieldcomb.coverage.site.folder import AREAS_FILE, Say, Site, keep_coil, opened, read_file
from fieldcomb.coverage.site.journal import write_all
from fieldcomb.coverage.site.settings import OUTINGS_FILE, OWN_KEYS, SITE_FILE, TRACKS, OutingEntry, swing_of
from fieldcomb.coverage.site.settings_file import read_outings, read_settings
from fieldcomb.coverage.site.settings_text import with_frame
from fieldcomb.coverage.site.toml_text import Keys, set_values
from fieldcomb.coverage.survey.inputs import choose_frame
from fieldcomb.tracks.errors import AreaError, SiteError, UsageError
from fieldcomb.tracks.files.limits import MAX_NEW_CELLS
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_length

TYPE_FOR_ONE = "If that is wrong for one of them, type its own swing width for that file"


def edit(
    folder: Path,
    outing_id: str,
    changes: Mapping[str, str | float | bool | None],
    *,
    recording: str | None = None,
    say: Say,
) -> tuple[str, ...]:
    """Correct what was typed for an outing, or for one of its recordings; returns a line for each thing that changed.

    ``changes`` maps keys of outings.toml (coil, swath, sweep, gps, top_pace, carried, laps, ground, lift, label,
    note, seen, filled, left_out) to new values; None takes back what was typed. ``recording`` is the name of one file
    of it, whose own keys (coil, swath, gps, carried, searcher, from, to) are then changed.
    """
    with opened(folder, say) as site:
        number = site.outing_number(outing_id)
        place = None if recording is None else _place(site.outings[number], recording)
        keys: Keys = ("outing", number) if place is None else ("outing", number, "recording", place)
        changes = dict(changes)
        coil = changes.get("coil")
        before = site.settings.file.text
        if isinstance(coil, str):
            site, changes["coil"] = keep_coil(site, coil)
        old = site.outings_file.data["outing"][number]
        old = old if place is None else old["recording"][place]
        changes = {key: value for key, value in changes.items() if (old.get(key) or None) != (value or None)}
        text = _changed_text(site, keys, changes)
        files = {SITE_FILE: site.settings.file.text.encode()} if site.settings.file.text != before else {}
        if changes:
            files[OUTINGS_FILE] = text.encode()
        if files:
            write_all(folder, files)
        if place is None:
            _tell_kept(site.outings[number], changes, say)
            _tell_taken(site, site.outings[number], changes.get("swath"), say)
    return tuple(_say_change(key, old.get(key), value) for key, value in changes.items())


def _place(outing: OutingEntry, recording: str) -> int:
    """Find a recording of an outing by the name it was given under, or by that of its file in the site."""
    places = [n for n, item in enumerate(outing.recordings) if recording in (item.name, item.stored)]
    known = ", ".join(f"{item.name} ({item.stored})" for item in outing.recordings)
    if not places:
        raise UsageError(f"outing {outing.id} has no recording {recording!r}", hint=f"Its recordings: {known}")
    if len(places) > 1:
        hint = f"Use the name in {TRACKS}, or correct it in {OUTINGS_FILE}: {known}"
        raise UsageError(f"outing {outing.id} has {len(places)} recordings {recording!r}", hint=hint)
    return places[0]


def _changed_text(site: Site, keys: Keys, changes: Mapping[str, str | float | bool | None]) -> str:
    """Return the new outings.toml, after reading it again: it must say what was meant, and be possible."""
    file, number = site.outings_file, keys[1]
    assert isinstance(number, int)
    text = set_values(file.text, keys, {key: value or None for key, value in changes.items()})
    _, outings = read_outings(text.encode(), file.name, site.settings.zone)
    for item in outings[number].recordings:
        swing_of(site.settings, item.typed, outings[number].typed)
        presses_of(site.settings, item.typed, outings[number].typed)
    others = [one for n, one in enumerate(outings) if n != number]
    if others != [one for n, one in enumerate(site.outings) if n != number]:
        raise SiteError("its layout is too unusual to change", file=file.name, hint="Correct it in an editor")
    return text


def _tell_kept(outing: OutingEntry, changes: Mapping[str, object], say: Say) -> None:
    for key in OWN_KEYS:
        kept = [item.name for item in outing.recordings if getattr(item.typed, key) is not None]
        if key in changes and kept:
            say(f"Files with a {key} of their own keep it: {', '.join(kept)} (see {OUTINGS_FILE})")


def _tell_taken(site: Site, outing: OutingEntry, swath: object, say: Say) -> None:
    """Say which files with a coil of their own a swing width typed for all of them counts for, too."""
    taken = []
    for item in outing.recordings:
        before = swing_of(site.settings, item.typed, outing.typed)
        if item.typed.coil and not item.typed.swath and before.coil.name != outing.typed.coil:
            taken.append(f"{item.name} ({before.coil.name}, {format_length(before.swath_m)} before)")
    if swath and taken:
        say(f"{swath} counts for files with a coil of their own, too: {', '.join(taken)}. {TYPE_FOR_ONE}")


def _say_change(key: str, old: object, new: object) -> str:
    if key == "left_out":
        return "left out of every report from now on; its files stay" if new else "included in the reports again"
    name = key.replace("_", " ")
    said = ["nothing typed" if value in (None, "") else str(value) for value in (old, new)]
    return f"{name}: {said[0]} -> {said[1]}"


def change_site(folder: Path, changes: Mapping[str, str], say: Say) -> tuple[str, ...]:
    """Change the name or zone of a site; returns a line for each thing that changed. The folder keeps its name.

    Raises UsageError, SiteError: the name is empty, or the zone is not known; nothing was changed.
    """
    with opened(folder, say) as site:
        before = {"name": site.settings.name, "zone": site.settings.zone.key}
        new = {key: harmless(text) for key, text in changes.items() if text and harmless(text) != before[key]}
        if not new:
            return ()
        text = set_values(site.settings.file.text, (), new)
        read_settings(text.encode(), site.settings.file.name)
        write_all(folder, {SITE_FILE: text.encode()})
    return tuple(f"{key}: {before[key]} -> {value}" for key, value in new.items())


def change_areas(folder: Path, drawn: bytes, known: str, say: Say) -> tuple[str, ...]:
    """Put drawn areas in place of the site's; returns lines on what was written, with the file that keeps the old ones.

    drawn : GeoJSON of all areas. known : digest of the file that they were drawn from, as ``areas_digest`` gives it.

    Raises AreaError: an area cannot be used. SiteError: the file has changed since, so that a change would be lost.
    """
    with opened(folder, say) as site:
        current = _areas_now(folder)
        if areas_digest(current) != known:
            hint = "Open the page of the areas again, and draw it there"
            raise SiteError("has been changed since you opened it; nothing was written", file=AREAS_FILE, hint=hint)
        if drawn == current:
            return ()
        files = {AREAS_FILE: drawn}
        settings = _settings_with(site, drawn, say)
        if settings != site.settings.file.text:
            files[SITE_FILE] = settings.encode()
        kept: tuple[str, ...] = ()
        if current is not None:
            name = _free_name(folder)
            files, kept = {name: current, **files}, (f"the earlier areas are kept in {name}",)
        write_all(folder, files)
    close_drawn(folder, say)
    return ("the new areas are saved", *kept)


def areas_digest(content: bytes | None) -> str:
    """Return what stands for the contents of a file of areas; "" for none."""
    return "" if content is None else hashlib.sha256(content).hexdigest()


def _areas_now(folder: Path) -> bytes | None:
    return read_file(folder / AREAS_FILE, AreaError, name=AREAS_FILE) if (folder / AREAS_FILE).exists() else None


def _settings_with(site: Site, drawn: bytes, say: Say) -> str:
    """Check areas as a new site's are checked; returns site.toml with the frame and the word that there are areas."""
    areas, notes = read_areas(drawn, AREAS_FILE)
    frame = site.settings.frame or choose_frame(areas, ())
    placed, more = place_areas(areas, frame, AREAS_FILE)
    bounds = [area.shape.bounds for area in placed if area.kind == "site"]
    if bounds:
        left, bottom, right, top = zip(*bounds, strict=True)
        box = (min(left), min(bottom), max(right), max(top))
        check_cells(box, site.settings.cell_m, MAX_NEW_CELLS, AreaError, AREAS_FILE)
    for note in (*notes, *more):
        say(note)
    text = site.settings.file.text
    if not site.settings.areas:
        text = set_values(text, (), {"areas": True})
    return text if site.settings.frame is not None else with_frame(text, frame)


def _free_name(folder: Path) -> str:
    number = 1
    while (folder / (name := f"areas-before-{number}.geojson")).exists():
        number += 1
    return name
