"""Recordings and outings as they come in, with what was typed for them."""

from collections.abc import Callable

from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.tracks.marks.spacings import LaneSpacing
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.recording import EVER, Recording, Span
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class RecordingInput:
    """One recording and what was typed for it; ``window`` is (from, to) in Unix seconds, half open.

    marks : those made in the window. off : spans without searching. mark_notes : sentences on the marks.
    pegs : those of the site. spacings : between lanes, as typed for it; marks may add more.
    given_as : what messages call the file, where that is not ``file``.
    """

    file: str
    recording: Recording
    swing: Swing
    searcher: str | None = None
    window: Span = EVER
    top_pace_m_s: float | None = None
    marks: tuple[Mark, ...] = ()
    off: tuple[Span, ...] = ()
    mark_notes: tuple[str, ...] = ()
    pegs: tuple[Peg, ...] = ()
    spacings: tuple[LaneSpacing, ...] = ()
    given_as: str = ""

    @property
    def shown_as(self) -> str:
        """What messages call the file."""
        return self.given_as or self.file


ReadPart = Callable[[], tuple[RecordingInput, ...]]


@dataclass(slots=True, eq=False)
class HeldPart:
    """Recordings that were read before; called, it gives them, until they are let go."""

    items: tuple[RecordingInput, ...] | None

    def __call__(self) -> tuple[RecordingInput, ...]:
        """Return the recordings; ValueError once they were let go."""
        if self.items is None:
            raise ValueError("these recordings were let go")
        return self.items

    def let_go(self) -> None:
        """Free them."""
        self.items = None


@dataclass(frozen=True, slots=True)
class OutingInput:
    """One outing; its recordings are read when they are due, so that not all files are in memory at a time.

    parts : each reads the recordings of one file. unrecorded : initials of people who searched without a recording.
    known_by : returns all that ``load`` depends on, without reading what the files mean; None when it is not known.
    size_bytes : of its files together, as far as known.
    """

    id: str
    label: str | None
    note: str | None
    parts: tuple[ReadPart, ...]
    unrecorded: tuple[str, ...] = ()
    known_by: Callable[[], tuple[object, ...]] | None = None
    size_bytes: int = 0

    def load(self) -> tuple[RecordingInput, ...]:
        """Read its recordings."""
        return tuple(item for part in self.parts for item in part())

    def let_go(self) -> None:
        """Free those of its recordings that are held in memory; it cannot be read any more then."""
        for part in self.parts:
            if isinstance(part, HeldPart):
                part.let_go()
