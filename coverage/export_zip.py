"""An archive of many recordings, such as the export of a whole account, taken apart for one site.

An account holds walks of everywhere, plans, pictures and lists. So here, unlike for files given one by one, what cannot
be used does not stop the rest; but each member is taken or listed with its reason. Only bytes of members that are taken
are kept in memory.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fieldcomb.coverage.adding import Walk
from fieldcomb.coverage.folder import Say, Site, opened, read_file, shown
from fieldcomb.coverage.settings import Typed, swing_of, window_of
from fieldcomb.coverage.survey import RecordingInput, SiteInput, check_recording, choose_frame
from fieldcomb.coverage.walks import TooFarError
from fieldcomb.tracks.archive import ZIP, Archive, Member, is_kmz
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.looks import looks_like
from fieldcomb.tracks.read import may_be_recording, read_recording
from fieldcomb.tracks.track import Recording
from fieldcomb.tracks.units import many


@dataclass(frozen=True, slots=True)
class Skipped:
    """A member of an archive that is not added, and why."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """A recording in an archive; ``recording`` is None as soon as it is known to lie on the site.

    first_s : its earliest time; infinite without any.
    """

    walk: Walk
    first_s: float
    recording: Recording | None


def take_apart(folder: Path, walks: Sequence[Walk], *, say: Say) -> list[Walk]:
    """Replace each zip archive among the files by a walk for each recording of this site in it.

    Other files, and KMZ, are handed through. Everything in an archive that is not added is told with its reason.

    Raises
    ------
    TrackError
        Nothing is left to add; or the site has no place yet, and the recordings lie far apart.

    """
    packed = [_read_archive(walk.path) is not None for walk in walks]
    if not any(packed):
        return list(walks)
    out: list[Walk] = []
    with opened(folder, say, reading=True) as site:
        chooser = _Chooser(site)
        for walk, is_packed in zip(walks, packed, strict=True):
            data = _read_archive(walk.path) if is_packed else None
            taken = [walk] if data is None else chooser.take(walk, Archive(data, shown(walk.path)))
            if data is not None:
                _tell(walk, len(taken), chooser.skipped, say)
            out += taken
    if not out:
        file = ", ".join(shown(walk.path) for walk in walks)
        hint = "The list above tells why for each; is this the right archive, or another site?"
        raise TrackError("holds nothing that can be added to this site", file=file, hint=hint)
    return out


def _read_archive(path: str) -> bytes | None:
    """Give the bytes of a zip archive other than KMZ; None when the file is anything else."""
    data = read_file(path)
    return data if data[:4] == ZIP and not is_kmz(data) else None


def _tell(walk: Walk, taken: int, skipped: Sequence[Skipped], say: Say) -> None:
    say(f"{shown(walk.path)}: {many(taken, 'recording')} to add, {many(len(skipped), 'file')} not added")
    for one in skipped:
        say(f"  not added: {one.name}: {one.reason}")


class _Chooser:
    """Looks at members one after another, and remembers what it has seen."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.skipped: list[Skipped] = []
        self._seen: dict[bytes, str] = {}
        self._added = {old.sha256: outing.id for outing in site.outings for old in outing.recordings}
        frame = site.settings.frame or (choose_frame(site.areas, ()) if site.areas else None)
        self._place: SiteInput | None = None if frame is None else site.as_input(frame)

    def take(self, walk: Walk, archive: Archive) -> list[Walk]:
        """Give a walk for each recording that can be added; ``skipped`` then tells of all other members."""
        self.skipped, found = [], []
        for member in archive.members():
            one = replace(walk, path=f"{walk.path}/{member.name}")
            try:
                looked = self._look(one, member)
            except TrackError as error:
                where = f" ({error.where})" if error.where else ""
                self.skipped.append(Skipped(shown(member.name), error.problem + where))
                continue
            if isinstance(looked, str):
                self.skipped.append(Skipped(shown(member.name), looked))
            else:
                found.append(looked)
        return self._on_site(sorted(found, key=lambda one: one.first_s))

    def _look(self, walk: Walk, member: Member) -> _Found | str:
        """Look at one member: a recording to add, or the reason why it is none."""
        head = member.head()
        if not may_be_recording(member.name, head):
            inside = "is an archive inside the archive, which is not opened"
            return inside if head[:4] == ZIP else f"is not a recording: it looks like {looks_like(head)}"
        content = member.content()
        recording = read_recording(content, shown(walk.path), member=True)
        sha256 = hashlib.sha256(content)
        if sha256.hexdigest() in self._added:
            return f"was added before, in outing {self._added[sha256.hexdigest()]}"
        keys = (sha256.digest(), _fixes_key(recording))
        twin = next((self._seen[key] for key in keys if key in self._seen), None)
        if twin is not None:
            return f"is the same recording as {twin}"
        if self._place is not None:
            self._check(self._place, walk, recording)
        self._seen |= dict.fromkeys(keys, shown(member.name))
        time_s = recording.track.time_s
        first_s = float(np.min(time_s[np.isfinite(time_s)], initial=np.inf))
        return _Found(replace(walk, data=content), first_s, recording if self._place is None else None)

    def _check(self, place: SiteInput, walk: Walk, recording: Recording) -> None:
        window = window_of(walk.start, walk.end, self.site.settings.zone)
        swing = swing_of(self.site.settings, Typed())  # how it was swung makes no difference here
        check_recording(place, RecordingInput(recording.file, recording, swing, window=window))

    def _on_site(self, found: Sequence[_Found]) -> list[Walk]:
        """Give the walks that can be added; the first ones of a site give it its place, so they must lie together."""
        unplaced = [(one.walk, one.recording) for one in found if one.recording is not None]
        if not unplaced:
            return [one.walk for one in found]
        frame = choose_frame(self.site.areas, [recording for _, recording in unplaced])
        out = []
        for walk, recording in unplaced:
            try:
                self._check(self.site.as_input(frame), walk, recording)
            except TooFarError as error:
                problem = "holds recordings that lie far apart, and the site has no place yet"
                hint = "Start the site with --boundary, or first add one recording of it by itself"
                raise TrackError(problem, file=error.file, hint=hint) from error
            except TrackError as error:
                self.skipped.append(Skipped(shown(walk.path), error.problem))
            else:
                out.append(walk)
        return out


def _fixes_key(recording: Recording) -> bytes:
    """Digest of all fixes: the same for one recording that is packed in two ways, or in two formats to the last bit."""
    track = recording.track
    digest = hashlib.sha256()
    for values in (track.lon_deg, track.lat_deg, track.time_s):
        digest.update(values.tobytes())
    return digest.digest()
