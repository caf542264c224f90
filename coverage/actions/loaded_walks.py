"""Walks that are to be added: read, walked as a survey does, and seen to be of this site."""

import hashlib
import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from fieldcomb.coverage.actions.given_walks import WalkToAdd
from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.areas import place_areas
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.intake.coil_changes import by_coil, with_marks
from fieldcomb.coverage.outings.amounts import check_fixes
from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.coverage.outings.walking import try_alone
from fieldcomb.coverage.outings.walks import WalkedChain, own_fixes, walk_recordings
from fieldcomb.coverage.pool.workers import Workers
from fieldcomb.coverage.site.folder import AREAS_FILE, Site, shown
from fieldcomb.coverage.site.naming import ID_WITHOUT_DATE
from fieldcomb.coverage.site.settings import Settings, Typed, spacings_typed, swing_of, top_pace_of, window_of
from fieldcomb.coverage.survey.inputs import check_distance, check_search, check_walked_cells
from fieldcomb.tracks.errors import FieldcombError, SiteError, UsageError
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import Hint, HintKind
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.motion.states import no_search_notes
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.units import format_length, local_date
from fieldcomb.tracks.values import dataclass

# Of a core, about: whether several processes are worth it.
READ_S_PER_BYTE, WALK_S_PER_BYTE, WALK_S_PER_FIX = 2e-7, 2e-7, 2e-5
CLOCK_UNSET_S = 3 * 86_400.0  # an outing is one visit, so a fix this long before the middle of it has a wrong clock


@dataclass(frozen=True, slots=True)
class ReadIn:
    """What was read from one file: fixes in it, those left out by reason, how it was swung, and what there is to say.

    coil_assumed : no coil was named, neither now nor as the site's default.
    """

    file: str
    swing: Swing
    coil_assumed: bool
    fixes: int
    dropped: dict[str, int]
    notes: tuple[str, ...]

    @property
    def counts(self) -> str:
        """How many fixes there are, and how many were left out and why, in words."""
        out = ", ".join(f"{many} {reason}" for reason, many in sorted(self.dropped.items()) if many)
        return f"{self.fixes} fixes" + (f"; left out: {out}" if out else ", none left out")


def assumed_in(read_in: Sequence[ReadIn]) -> Iterator[Hint]:
    """Return which coil and which swing widths were taken without being measured, and how to measure them."""
    assumed = [one.swing.coil.name for one in read_in if one.coil_assumed]
    if assumed:
        yield HintKind.COIL_ASSUMED(coil=assumed[0])
    widths = {one.swing.coil.name: one.swing.swath_m for one in read_in if not one.swing.swath_measured}
    for coil, width_m in widths.items():
        yield HintKind.SWING_GUESSED(coil=coil, width=format_length(width_m))


@dataclass(frozen=True, slots=True, eq=False)
class LoadedWalk:
    """A walk that has been read, before it is decided where it goes.

    data : what is in the file; empty where that is not kept. size_bytes : of it.
    fixes : its own, once it is walked. first_s : time of the first usable fix; infinite without a clock.
    alone : its pieces as if no other walk ran on into them, where they were walked as soon as they were read.
    """

    walk: WalkToAdd
    data: bytes
    sha256: str
    item: RecordingInput
    read_in: ReadIn
    fixes: Fixes | None = None
    first_s: float = math.inf
    alone: tuple[WalkedChain | None, ...] = ()
    size_bytes: int = 0

    @property
    def name(self) -> str:
        """The name that it was given under, without folders."""
        return shown(Path(self.walk.path).name)


@dataclass(frozen=True, slots=True, eq=False)
class LoadedOuting:
    """Files that make one outing, in order of time, and their walks."""

    files: tuple[LoadedWalk, ...]
    pieces: tuple[RecordingInput, ...]
    chains: tuple[WalkedChain, ...]

    @property
    def size_bytes(self) -> int:
        """Of its files together."""
        return sum(one.size_bytes for one in self.files)


def load_walk(settings: Settings, walk: WalkToAdd, typed: Typed, data: bytes, *, member: bool = False) -> LoadedWalk:
    """Read a walk, which may be a member of an archive; TrackError or UsageError when it cannot be used as typed."""
    try:
        window = window_of(walk.start, walk.end, settings.zone)
        swing = swing_of(settings, walk.typed, typed)
    except UsageError as error:
        raise in_roster(error, walk) from error
    recording = read_recording(data, shown(walk.path), member=member)
    pace = top_pace_of(settings, walk.typed, typed)
    named = replace(recording, file=shown(Path(walk.path).name))
    item = RecordingInput(named.file, named, swing, walk.searcher, window, pace, given_as=recording.file)
    item = replace(item, spacings=spacings_typed(walk.typed, typed))
    check_fixes([item])  # before anything is worked out of it
    item = with_marks(settings, (walk.typed, typed), item)
    assumed = all(level.coil is None for level in (walk.typed, typed, settings.defaults))
    read_in = ReadIn(shown(walk.path), swing, assumed, len(recording.track), {}, ())
    return LoadedWalk(walk, data, hashlib.sha256(data).hexdigest(), item, read_in, size_bytes=len(data))


def load_walks(
    settings: Settings,
    walks: list[tuple[WalkToAdd, bytes]],
    typed: Typed,
    workers: Workers,
    place: "SitePlace | None" = None,
    *,
    stored: bool = True,
) -> list[LoadedWalk]:
    """Read walks, given with their content, side by side; raises as ``load_walk`` for the first one at fault.

    walks : emptied, to free what is not to be ``stored``.
    place : where they are to be added, if that is known before they are read: then each is walked at once.
    """
    seconds = (READ_S_PER_BYTE + (WALK_S_PER_BYTE if place else 0.0)) * sum(len(data) for _, data in walks)
    read = workers.in_order(_try_load, (settings, typed, place), tuple(walks), seconds)
    left = deque(walks)
    walks.clear()
    found = []
    while left:
        loaded, (walk, data) = next(read), left.popleft()
        loaded = loaded or load_walk(settings, walk, typed, data)
        found.append(replace(loaded, data=data if stored else b""))
    return found


def _try_load(known: "tuple[Settings, Typed, SitePlace | None]", given: tuple[WalkToAdd, bytes]) -> LoadedWalk | None:
    """Read a walk, without its content; None for one that is at fault, which is told when its turn comes."""
    settings, typed, place = known
    try:
        loaded = replace(load_walk(settings, given[0], typed, given[1]), data=b"")
    except FieldcombError:
        return None
    return loaded if place is None else replace(loaded, alone=place.alone(loaded))


def in_roster(error: UsageError, walk: WalkToAdd) -> FieldcombError:
    """Return an error with the line of the roster that it comes from, if there is one."""
    if walk.place is None:
        return error
    file, line = walk.place
    return SiteError(error.problem, file=file, where=f"line {line}", hint=error.hint)


@dataclass(frozen=True, slots=True, eq=False)
class SitePlace:
    """Where walks are to be added: the site with its pegs and areas in metres, and what was typed for all of them."""

    site: Site
    typed: Typed
    frame: SiteFrame
    pegs: tuple[Peg, ...]
    areas: Sequence[AreaShape]

    def walked(self, files: Sequence[LoadedWalk]) -> LoadedOuting:
        """Walk the files of one outing as a survey does; TrackError when they are no search, or not of this site."""
        return self._walked(files, self._cut(files), ())

    def walked_each(self, outings: Sequence[Sequence[LoadedWalk]], workers: Workers) -> list[LoadedOuting]:
        """Walk the files of each outing, side by side; TrackError for the first that is at fault."""
        cut = [self._cut(files) for files in outings]
        known = [tuple(chain for one in files for chain in one.alone) for files in outings]
        if all(len(chains) == sum(map(len, parts)) for chains, parts in zip(known, cut, strict=True)):
            return [self._walked(*every) for every in zip(outings, cut, known, strict=True)]
        pieces = [piece for parts in cut for part in parts for piece in part]
        seconds = WALK_S_PER_FIX * sum(len(piece.recording.track) for piece in pieces)
        if not workers.pays(len(pieces), seconds):
            return [self._walked(files, parts, ()) for files, parts in zip(outings, cut, strict=True)]
        alone = workers.in_order(try_alone, self.frame, pieces, seconds)
        return [
            self._walked(files, parts, tuple(islice(alone, sum(len(part) for part in parts))))
            for files, parts in zip(outings, cut, strict=True)
        ]

    def alone(self, one: LoadedWalk) -> tuple[WalkedChain | None, ...]:
        """Walk the pieces of one file as if no other ran on into them; None for what cannot be used."""
        return tuple(try_alone(self.frame, piece) for piece in self._cut([one])[0])

    def _cut(self, files: Sequence[LoadedWalk]) -> list[tuple[RecordingInput, ...]]:
        settings = self.site.settings
        return [
            tuple(by_coil(settings, (one.walk.typed, self.typed), replace(one.item, pegs=self.pegs))) for one in files
        ]

    def _walked(
        self,
        files: Sequence[LoadedWalk],
        cut: Sequence[tuple[RecordingInput, ...]],
        alone: Sequence[WalkedChain | None],
    ) -> LoadedOuting:
        settings = self.site.settings
        pieces = tuple(piece for parts in cut for piece in parts)
        of_file = np.repeat(np.arange(len(files)), [len(parts) for parts in cut])
        chains = walk_recordings(pieces, self.frame, alone)
        check_search([chain.walk for chain in chains], files[0].item.file, self.areas)
        for chain in chains:
            first = settings.frame is None
            check_distance(chain.walk, chain.chain[0].shown_as, self.areas, self.frame, first)
        check_walked_cells([(chain.walk, chain.chain[0].shown_as) for chain in chains], settings.cell_m, self.areas)
        seen = [_looked_at(one, chains, np.flatnonzero(of_file == n).tolist()) for n, one in enumerate(files)]
        return LoadedOuting(tuple(sorted(seen, key=lambda one: one.first_s)), pieces, chains)


def site_place(site: Site, typed: Typed, frame: SiteFrame) -> SitePlace:
    """Return where walks are to be added, in a frame."""
    return SitePlace(site, typed, frame, site.pegs_in(frame), place_areas(site.areas, frame, AREAS_FILE)[0])


def _looked_at(one: LoadedWalk, chains: Sequence[WalkedChain], numbers: Sequence[int]) -> LoadedWalk:
    """Gather what was met in the pieces of one file, and when its walk began."""
    fixes, dropped = own_fixes(chains, numbers)
    mine = [chain for chain in chains if set(chain.numbers) & set(numbers)]
    met = (
        note
        for chain in mine
        for note in (*chain.cleaned.notes, *chain.walk.notes, *no_search_notes(chain.walk.no_search))
    )
    notes = tuple(dict.fromkeys((*one.item.recording.notes, *met)))
    read_in = replace(one.read_in, dropped=dropped, notes=notes)
    return replace(one, read_in=read_in, fixes=fixes, first_s=_begin_s(fixes.t_s), alone=())


def _begin_s(t_s: Floats) -> float:
    """Return the time of the first fix, those aside whose clock is days before the rest: it was not set yet."""
    if t_s.size == 0 or not np.isfinite(t_s).all():
        return math.inf
    return float(t_s[t_s >= np.median(t_s) - CLOCK_UNSET_S][0])


def outing_day(first_s: float, zone: ZoneInfo) -> str:
    """Return the day of a moment as ids of outings have it."""
    day = local_date(first_s, zone)
    return day.isoformat() if day else ID_WITHOUT_DATE
