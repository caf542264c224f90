"""An archive of many recordings, such as the export of a whole account, taken apart for one site.

An account holds walks of everywhere, plans, pictures and lists. So here, unlike for files given one by one, what cannot
be used does not stop the rest; but each member is taken or listed with its reason. Only members that are
taken are kept in memory.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fieldcomb.coverage.actions.given_walks import WalkToAdd
from fieldcomb.coverage.actions.known_walks import look_for_again
from fieldcomb.coverage.actions.loaded_walks import LoadedOuting, LoadedWalk, SitePlace, load_walk
from fieldcomb.coverage.outings.walks import TooFarError
from fieldcomb.coverage.site.folder import Say, Site, shown
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.archive import ZIP, Archive, Member, is_kmz
from fieldcomb.tracks.files.sniffing import looks_like
from fieldcomb.tracks.formats.read import may_be_recording
from fieldcomb.tracks.hints import Hint
from fieldcomb.tracks.quality.duplicates import same_fixes
from fieldcomb.tracks.recording import Recording
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class _Skipped:
    """A member of an archive that is not added, and why."""

    archive: str
    name: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """A recording to add, from which archive, its earliest and latest time, and its walk once it is known where to.

    notes : what there is to say of it if it is added.
    """

    archive: str
    name: str
    loaded: LoadedWalk
    span: tuple[float, float]
    outing: LoadedOuting | None = None
    notes: tuple[str | Hint, ...] = ()

    @property
    def recording(self) -> Recording:
        """What was read."""
        return self.loaded.item.recording

    def is_copy_of(self, other: _Found) -> bool:
        """Whether both are one recording, exported twice: by their bytes, or by their fixes."""
        if self.loaded.sha256 == other.loaded.sha256:
            return True
        meet = self.span[0] <= other.span[1] + 1 and other.span[0] <= self.span[1] + 1  # most do not: that is quick
        return meet and same_fixes(self.recording.track, other.recording.track)


def is_account(data: bytes) -> bool:
    """Tell whether a file is a zip archive other than KMZ."""
    return data[:4] == ZIP and not is_kmz(data)


class Account:
    """Looks at the members of archives one after another, and remembers what it has seen.

    place : where they are to be added; None where the walks themselves decide on that.
    beside : walks that are added together with them.
    """

    def __init__(self, site: Site, typed: Typed, place: SitePlace | None, beside: Sequence[LoadedWalk]) -> None:
        self._site, self._typed, self._place = site, typed, place
        self._archives: list[str] = []
        self._skipped: list[_Skipped] = []
        self._beside = [_Found("", one.name, one, _span(one.item.recording)) for one in beside]
        self._found: list[_Found] = []
        self._added = {old.sha256: outing.id for outing in site.outings for old in outing.recordings}

    @property
    def recordings(self) -> list[Recording]:
        """Those found so far."""
        return [one.recording for one in self._found]

    def take(self, walk: WalkToAdd, data: bytes) -> None:
        """Look at every member of an archive; what can be added is found, and all else skipped for a reason."""
        archive = Archive(data, shown(walk.path))
        self._archives.append(archive.file)
        for member in archive.members():
            try:
                reason = self._look(walk, archive.file, member)
            except TrackError as error:
                reason = error.problem + (f" ({error.where})" if error.where else "")
            if reason is not None:
                self._skipped.append(_Skipped(archive.file, shown(member.name), reason))

    def _look(self, walk: WalkToAdd, archive: str, member: Member) -> str | None:
        """Look at one member, and keep it if it is a recording to add; else give the reason why it is none."""
        head = member.head()
        if not may_be_recording(member.name, head):
            inside = "is an archive inside the archive, which is not opened"
            return inside if head[:4] == ZIP else f"is not a recording: it looks like {looks_like(head)}"
        content = member.content()
        sha256 = hashlib.sha256(content).hexdigest()
        if sha256 in self._added:
            return f"was added before, in outing {self._added[sha256]}"
        own = replace(walk, path=f"{walk.path}/{member.name}")
        loaded = load_walk(self._site.settings, own, self._typed, content, member=True)
        found = _Found(archive, shown(member.name), loaded, _span(loaded.item.recording))
        twin = next((other for other in (*self._beside, *self._found) if found.is_copy_of(other)), None)
        if twin is not None and (twin in self._beside or len(found.recording.track) <= len(twin.recording.track)):
            return f"is the same recording as {twin.name}"
        if self._place is not None:
            found = _checked(self._place, found)
        if twin is not None:
            self._found.remove(twin)
            reason = f"holds less of the same recording than {found.name}"
            self._skipped.append(_Skipped(twin.archive, twin.name, reason))
        self._found.append(found)
        return None

    def outings(self, place: SitePlace) -> list[LoadedOuting]:
        """Return an outing for each recording found, in order of time; the first ones of a site lie together."""
        out = []
        for one in self._found:
            try:
                out.append(one if one.outing is not None else _checked(place, one))
            except TooFarError:  # of the first ones nobody can tell which is of another site
                raise
            except TrackError as error:
                self._skipped.append(_Skipped(one.archive, one.name, error.problem))
        self._found = out
        outings = [one.outing for one in out if one.outing is not None]
        return sorted(outings, key=lambda outing: outing.files[0].first_s)

    def tell(self, say: Say) -> None:
        """Say of each archive how much is added, and why all else is not."""
        for file in self._archives:
            skipped = [entry for entry in self._skipped if entry.archive == file]
            taken = format_count(sum(one.archive == file for one in self._found), "recording")
            say(f"{file}: {taken} to add, {format_count(len(skipped), 'file')} not added")
            for one in skipped:
                say(f"  not added: {one.name}: {one.reason}")
        for note in (note for one in self._found for note in one.notes):
            say(note)


def _checked(place: SitePlace, found: _Found) -> _Found:
    """Walk a recording, and see that it is of this site, and not in it under other bytes."""
    outing, notes = place.walked([found.loaded]), list[str | Hint]()
    look_for_again(place.site, place.frame, outing.files, notes.append)
    return replace(found, outing=outing, notes=tuple(notes))


def _span(recording: Recording) -> tuple[float, float]:
    time_s = recording.track.time_s[np.isfinite(recording.track.time_s)]
    return (float(time_s.min()), float(time_s.max())) if time_s.size else (-math.inf, math.inf)
