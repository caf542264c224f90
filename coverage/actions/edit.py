"""Correcting what was typed for an outing."""

from collections.abc import Mapping
from pathlib import Path

from fieldcomb.coverage.actions.coil_changes import presses_of
from fieldcomb.coverage.site.folder import Say, Site, keep_coil, opened
from fieldcomb.coverage.site.journal import write_all
from fieldcomb.coverage.site.settings import OUTINGS_FILE, OWN_KEYS, SITE_FILE, TRACKS, OutingEntry, swing_of
from fieldcomb.coverage.site.settings_file import read_outings
from fieldcomb.coverage.site.toml_text import Keys, set_values
from fieldcomb.tracks.errors import SiteError, UsageError


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
    note, left_out) to new values; None takes back what was typed. ``recording`` is the name of one file of it, whose
    own keys (coil, swath, gps, carried, searcher, from, to) are then changed.
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


def _say_change(key: str, old: object, new: object) -> str:
    if key == "left_out":
        return "left out of every report from now on; its files stay" if new else "included in the reports again"
    name = key.replace("_", " ")
    said = ["nothing typed" if value in (None, "") else str(value) for value in (old, new)]
    return f"{name}: {said[0]} -> {said[1]}"
