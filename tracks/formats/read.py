"""Any recording: unpacked if it is packed, and read by what is in it rather than by what its name ends in."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.archive import ZIP, Archive, Member, is_kmz, main_part, member_names, only_named, unpack
from fieldcomb.tracks.files.sniffing import DAMAGED, SHAPEFILE, looks_like, not_this
from fieldcomb.tracks.files.timestamps import UNIX_END_S
from fieldcomb.tracks.formats.csv_table import read_csv
from fieldcomb.tracks.formats.fit import read_fit
from fieldcomb.tracks.formats.geojson import read_geojson
from fieldcomb.tracks.formats.gpx import read_gpx
from fieldcomb.tracks.formats.kml import read_kml
from fieldcomb.tracks.formats.tcx import read_tcx
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.recording import Flags, Floats, Recording
from fieldcomb.tracks.units import format_count, iso_utc
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class Format:
    """One kind of file that can be a recording: how to know it by its bytes, and how to read it."""

    name: str
    recognise: Callable[[bytes], bool]
    read: Callable[[bytes, str], Recording]


FORMATS: tuple[Format, ...] = (
    Format("GPX", lambda data: looks_like(data) in ("GPX", DAMAGED), read_gpx),
    Format("FIT", lambda data: looks_like(data) == "FIT", read_fit),
    Format("TCX", lambda data: looks_like(data) == "TCX", read_tcx),
    Format("KML", lambda data: looks_like(data) == "KML", read_kml),
    Format("GeoJSON", lambda data: looks_like(data) in ("GeoJSON", "JSON"), read_geojson),
    Format("CSV", lambda data: looks_like(data) == "a table of values (CSV)", read_csv),
)
"""Asked in this order; another format is another line. GPX also takes what may be GPX, to say what is wrong in it."""


def read_recording(data: bytes, file: str, *, member: bool = False) -> Recording:
    """Read one recording from the bytes of its file, packed or not.

    member : whether it comes out of an archive: then it may be packed itself as KMZ or gzip, but be no other archive.

    Raises TrackError: not a recording that can be read; the message says what the file looks like and what to do.
    """
    if data[:4] == ZIP:
        return _read_archive(data, file) if not member else _read_kmz(data, file)
    return _read_plain(data, file)


def _read_plain(data: bytes, file: str) -> Recording:
    """Read what is no zip archive, so that one cannot hold itself."""
    content, notes = unpack(data, file) if data[:4] != ZIP else (data, ())
    for known in FORMATS:
        if known.recognise(content):
            recording = _with_possible_times(known.read(content, file))
            return replace(recording, notes=notes + recording.notes) if notes else recording
    *first, last = (known.name for known in FORMATS)
    raise not_this(content, file, f"{', '.join(first)} or {last}" if first else last)


def _with_possible_times(recording: Recording) -> Recording:
    """Return a recording without the times that no recorder can have, or that say nothing; a note counts them."""
    track, notes = recording.track, list(recording.notes)
    laps, marks = recording.laps, recording.waypoints
    ends = [t for lap in laps for t in (lap.start_s, lap.end_s)]
    times = np.concatenate([track.time_s, np.array([*ends, *(mark.time_s or 0.0 for mark in marks)], float)])
    wrong = times[_is_odd(times)]
    time_s = track.time_s
    if wrong.size:
        time_s = np.where(_is_odd(time_s), np.nan, time_s)
        laps = tuple(replace(lap, start_s=_or_nan(lap.start_s), end_s=_or_nan(lap.end_s)) for lap in laps)
        marks = tuple(replace(m, time_s=None) if m.time_s is not None and _is_odd(m.time_s) else m for m in marks)
        year = np.datetime64(int(np.clip(wrong[0], -1e12, 1e12)), "s").astype("datetime64[Y]").astype(int) + 1970
        lie = (
            f"{format_count(wrong.size, 'time')} {'lies' if wrong.size == 1 else 'lie'} outside the years 1970 to 2099"
        )
        clock = f"the first in the year {year:04d}, as from a recorder whose clock was not set"
        notes.append(f"{lie}, {clock}: not used; the points were kept")
    known = time_s[np.isfinite(time_s)]
    if known.size > 1 and (known == known[0]).all():
        time_s = np.full(time_s.size, np.nan)
        same = f"have the same time, {iso_utc(float(known[0]))}: it was read as a walk without times"
        notes.append(f"All {known.size} fixes {same}")
    track = replace(track, time_s=time_s)
    return replace(recording, track=track, laps=laps, waypoints=marks, notes=tuple(notes))


def _is_odd(time_s: Floats | float) -> Flags:
    """Whether times lie outside the years that a recorder can have; NaN, which is no time, is not odd."""
    return np.asarray((np.asarray(time_s) < 0.0) | (np.asarray(time_s) >= UNIX_END_S))


def _or_nan(time_s: float) -> float:
    return math.nan if _is_odd(time_s) else time_s


def may_be_recording(name: str, head: bytes) -> bool:
    """Whether a member of an archive with this name and these first bytes may be a recording.

    A file packed with gzip may be one until it is unpacked. Another archive is none, unless it is a KMZ.
    """
    if head[:4] == ZIP:
        return is_kmz(head) or name.lower().endswith(".kmz")
    return head[:2] == b"\x1f\x8b" or any(known.recognise(head) for known in FORMATS)


def _read_kmz(data: bytes, file: str) -> Recording:
    main = only_named(Archive(data, file), (".kml",))
    recording = _read_plain(main.content(), file)
    return replace(recording, notes=(f"Read {main.name!r} from the archive", *recording.notes))


def _read_archive(data: bytes, file: str) -> Recording:
    """Read the one recording of an archive, whatever its name; other members that might be one are noted."""
    archive = Archive(data, file)
    members = list(archive.members())
    if main_part(members) is not None:
        return _read_kmz(data, file)
    found: list[tuple[Member, Recording]] = []
    failed: list[tuple[Member, TrackError]] = []
    for member in members:
        try:
            if may_be_recording(member.name, member.head()):
                found.append((member, read_recording(member.content(), file, member=True)))
        except TrackError as error:
            failed.append((member, error))
        if len(found) == 2:
            problem = f"is a zip archive with several recordings in it ({member_names([one for one, _ in found])}, ...)"
            hint = HintKind.SEVERAL_RECORDINGS()
            raise TrackError(problem, file=file, hint=hint)
    if not found:
        raise _no_recording(file, members, failed)
    chosen, recording = found[0]
    notes = [f"Read {chosen.name!r} from the archive"]
    notes += [f"{other.name!r} in the same archive was not read: {error.problem}" for other, error in failed]
    return replace(recording, notes=(*notes, *recording.notes))


def _no_recording(file: str, members: list[Member], failed: list[tuple[Member, TrackError]]) -> TrackError:
    if any(member.head()[:4] == SHAPEFILE for member in members):
        problem = f"is a shapefile in a zip archive ({member_names(members)}), not a recording"
        return TrackError(problem, file=file, hint="Export the walk as GPX and use that file")
    if len(failed) == 1:
        member, error = failed[0]
        where = f"in {member.name!r}" + (f", {error.where}" if error.where else "")
        return TrackError(error.problem, file=file, where=where, hint=error.hint)
    problem = f"is a zip archive without a recording in it ({member_names(members)})"
    if failed:
        member, error = failed[0]
        problem = f"is a zip archive without a readable recording in it; {member.name!r} {error.problem}"
    return TrackError(problem, file=file, hint="Unpack it and look at what is in it, or export the walk again")
