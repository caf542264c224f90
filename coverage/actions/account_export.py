"""An archive of many recordings, such as the export of a whole account, taken apart for one site.

An account holds walks of everywhere, plans, pictures and lists. So here, unlike for files given one by one, what cannot
be used does not stop the rest; but each member is taken or listed with its reason. Only members that are
taken are kept in memory.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fieldcomb.coverage.actions.add import begin_s, outing_day
from fieldcomb.coverage.actions.given_walks import WalkToAdd
from fieldcomb.coverage.actions.known_walks import look_for_again
from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.coverage.outings.walks import TooFarError
from fieldcomb.coverage.site.folder import Say, Site, opened, shown
from fieldcomb.coverage.site.settings import Typed, swing_of, window_of
from fieldcomb.coverage.survey.inputs import SiteInput, check_recording, choose_frame
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.archive import ZIP, Archive, Member, is_kmz
from fieldcomb.tracks.files.sniffing import looks_like
from fieldcomb.tracks.formats.read import may_be_recording, read_recording
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.quality.duplicates import same_fixes
from fieldcomb.tracks.recording import Recording
from fieldcomb.tracks.units import format_count


@dataclass(frozen=True, slots=True)
class Skipped:
    """A member of an archive that is not added, and why."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """A recording in an archive, with its digest and the time of its first fix, which is infinite without a clock."""

    name: str
    walk: WalkToAdd
    recording: Recording
    sha256: str
    first_s: float
    span: tuple[float, float] = (-math.inf, math.inf)  # earliest and latest time

    def is_copy_of(self, other: _Found) -> bool:
        """Whether both are one recording, exported twice: by their bytes, or by their fixes."""
        if self.sha256 == other.sha256:
            return True
        meet = self.span[0] <= other.span[1] + 1 and other.span[0] <= self.span[1] + 1  # most do not: that is quick
        return meet and same_fixes(self.recording.track, other.recording.track)


def take_apart(folder: Path, walks: Sequence[WalkToAdd], *, say: Say) -> list[WalkToAdd]:
    """Replace each zip archive among the files by a walk for each recording of this site in it.

    Other files, and KMZ, are handed through. Everything in an archive that is not added is listed with its reason.

    Raises TrackError: nothing is left to add; or the site has no place yet, and the recordings lie far apart.
    """
    packed = [_read_archive(walk) is not None for walk in walks]
    if not any(packed):
        return list(walks)
    out: list[WalkToAdd] = []
    with opened(folder, say, reading=True) as site:
        chooser = _Chooser(site)
        for walk, is_packed in zip(walks, packed, strict=True):
            data = _read_archive(walk) if is_packed else None
            taken = [walk] if data is None else chooser.take(walk, Archive(data, shown(walk.path)))
            if data is not None:
                _tell(walk, len(taken), chooser.skipped, say)
            out += taken
    if not out:
        file = ", ".join(shown(walk.path) for walk in walks)
        hint = "The list above says why for each. Is this the right archive for this site?"
        raise TrackError("holds nothing that can be added to this site", file=file, hint=hint)
    return out


def _read_archive(walk: WalkToAdd) -> bytes | None:
    """Return the bytes of a zip archive other than KMZ; None when the file is anything else."""
    data = walk.content()
    return data if data[:4] == ZIP and not is_kmz(data) else None


def _tell(walk: WalkToAdd, taken: int, skipped: Sequence[Skipped], say: Say) -> None:
    say(
        f"{shown(walk.path)}: {format_count(taken, 'recording')} to add, {format_count(len(skipped), 'file')} not added"
    )
    for one in skipped:
        say(f"  not added: {one.name}: {one.reason}")


class _Chooser:
    """Looks at members one after another, and remembers what it has seen."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.skipped: list[Skipped] = []
        self._found: list[_Found] = []
        self._added = {old.sha256: outing.id for outing in site.outings for old in outing.recordings}
        frame = site.settings.frame or (choose_frame(site.areas, ()) if site.areas else None)
        self._place: SiteInput | None = None if frame is None else site.as_input(frame)

    def take(self, walk: WalkToAdd, archive: Archive) -> list[WalkToAdd]:
        """Return a walk for each recording that can be added; ``skipped`` then tells of all other members."""
        self.skipped, before = [], len(self._found)
        for member in archive.members():
            try:
                reason = self._look(walk, member, before)
            except TrackError as error:
                reason = error.problem + (f" ({error.where})" if error.where else "")
            if reason is not None:
                self.skipped.append(Skipped(shown(member.name), reason))
        return self._on_site(sorted(self._found[before:], key=lambda one: one.first_s))

    def _look(self, walk: WalkToAdd, member: Member, before: int) -> str | None:
        """Look at one member, and keep it if it is a recording to add; else give the reason why it is none."""
        head = member.head()
        if not may_be_recording(member.name, head):
            inside = "is an archive inside the archive, which is not opened"
            return inside if head[:4] == ZIP else f"is not a recording: it looks like {looks_like(head)}"
        content = member.content()
        sha256 = hashlib.sha256(content).hexdigest()
        if sha256 in self._added:
            return f"was added before, in outing {self._added[sha256]}"
        one = replace(walk, path=f"{walk.path}/{member.name}", data=content)
        recording = read_recording(content, shown(one.path), member=True)
        one = replace(one, recording=recording)
        found = _Found(shown(member.name), one, recording, sha256, math.inf, _span(recording))
        twin = next((other for other in self._found if found.is_copy_of(other)), None)
        is_longer = twin in self._found[before:] and len(recording.track) > len(twin.recording.track)
        if twin is not None and not is_longer:
            return f"is the same recording as {twin.name}"
        if self._place is not None:
            found = replace(found, first_s=self._check(self._place, one, recording))
        if twin is not None:
            self._found.remove(twin)
            self.skipped.append(Skipped(twin.name, f"holds less of the same recording than {found.name}"))
        self._found.append(found)
        return None

    def _check(self, place: SiteInput, walk: WalkToAdd, recording: Recording) -> float:
        """Check that a walk can be added, and is not in the site under other bytes; returns when it began."""
        zone = self.site.settings.zone
        window = window_of(walk.start, walk.end, zone)
        swing = swing_of(self.site.settings, Typed())  # how it was swung makes no difference here
        item = RecordingInput(recording.file, recording, swing, window=window)
        fixes = check_recording(place, item)[0].fixes
        first_s = begin_s(fixes.t_s)
        look_for_again(self.site, place.frame, [(item, fixes)], {outing_day(first_s, zone)}, lambda _: None)
        return first_s if math.isfinite(first_s) else math.inf

    def _on_site(self, found: Sequence[_Found]) -> list[WalkToAdd]:
        """Return the walks to add, in order of time; the first ones of a site, which place it, lie together."""
        if self._place is not None or not found:
            return [one.walk for one in found]
        place = self.site.as_input(choose_frame(self.site.areas, [one.recording for one in found]))
        placed = []
        for one in found:
            try:
                placed.append((self._check(place, one.walk, one.recording), one.walk))
            except TooFarError as error:
                problem = "holds recordings that lie far apart, and the site has no place yet"
                raise TrackError(problem, file=error.file, hint=HintKind.NO_PLACE_YET()) from error
            except TrackError as error:
                self.skipped.append(Skipped(one.name, error.problem))
        return [walk for _, walk in sorted(placed, key=lambda pair: pair[0])]


def _span(recording: Recording) -> tuple[float, float]:
    time_s = recording.track.time_s[np.isfinite(recording.track.time_s)]
    return (float(time_s.min()), float(time_s.max())) if time_s.size else (-math.inf, math.inf)
