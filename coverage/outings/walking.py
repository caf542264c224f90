"""An outing read and walked; the files of a team side by side."""

from fieldcomb.coverage.outings.inputs import OutingInput, ReadPart, RecordingInput
from fieldcomb.coverage.outings.walks import WalkedChain, WalkedOuting, join_walks, walk_alone, walk_recordings
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.tracks.errors import FieldcombError, TrackError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.values import dataclass

MANY_FILES = 3  # the files of an outing of more than these are read side by side
WALK_S_PER_BYTE = 3e-7  # of a core, about, for GPX: whether several processes are worth it


@dataclass(slots=True, eq=False)
class CheckedOuting:
    """An outing walked when it was checked: in which frame, and of what (as ``OutingInput.known_by`` returns it).

    walked : None once somebody has taken it.
    """

    frame: SiteFrame
    made_from: tuple[object, ...] | None
    walked: WalkedOuting | None

    def take(self) -> WalkedOuting | None:
        """Hand the walks over, so that they can be freed whoever else still holds this."""
        walked, self.walked = self.walked, None
        return walked


def walk_outing(outing: OutingInput, frame: SiteFrame, workers: Workers = ALONE) -> WalkedOuting:
    """Read an outing and make walks of it; raises TrackError for a recording that cannot be used."""
    if len(outing.parts) <= MANY_FILES or workers.jobs < 2:
        return join_walks(outing, walk_recordings(outing.load(), frame), frame)
    items: list[RecordingInput] = []
    alone: list[WalkedChain | None] = []
    read = workers.in_order(_read_alone, frame, outing.parts, outing.size_bytes * WALK_S_PER_BYTE)
    for part, found in zip(outing.parts, read, strict=True):
        loaded, walked = found or (part(), ())
        items += loaded
        alone += walked or [None] * len(loaded)
    return join_walks(outing, walk_recordings(items, frame, alone), frame)


def _read_alone(
    frame: SiteFrame, part: ReadPart
) -> tuple[tuple[RecordingInput, ...], tuple[WalkedChain | None, ...]] | None:
    """Read one file and walk its recordings; None for what cannot be read, which is told when its turn comes."""
    try:
        items = part()
    except FieldcombError:
        return None
    return items, tuple(try_alone(frame, item) for item in items)


def try_alone(frame: SiteFrame, item: RecordingInput) -> WalkedChain | None:
    """Walk a recording as if no other ran on into it; None where it cannot be used, which is told in its turn."""
    try:
        return walk_alone(item, frame)
    except TrackError:
        return None
