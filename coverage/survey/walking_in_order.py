"""Outings walked, each when it is due: recalled, as they were checked, or read by one of several processes."""

from collections.abc import Callable, Iterator, MutableMapping, Sequence

from fieldcomb.coverage.cache.memo import Memo
from fieldcomb.coverage.outings.found_pegs import found_before, with_pegs
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.outings.walking import MANY_FILES, WALK_S_PER_BYTE, CheckedOuting, walk_outing
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.pool.memory import give_back
from fieldcomb.coverage.pool.workers import Workers
from fieldcomb.tracks.errors import FieldcombError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.values import dataclass

KEPT_AS = "walk of initials"  # what was kept as "walk" may have the names of those who walked


@dataclass(frozen=True, slots=True, eq=False)
class NamedWalk:
    """An outing, or why it cannot be used; ``name`` stands for it in what is kept, "" where nothing is."""

    walked: WalkedOuting | FieldcombError
    name: str = ""

    @property
    def usable(self) -> WalkedOuting:
        """The outing; raises why it cannot be used."""
        if isinstance(self.walked, FieldcombError):
            raise self.walked
        return self.walked


@dataclass(slots=True, eq=False)
class _Planned:
    """An outing before its turn: as it was checked, the name of what is kept of it, or that it is at fault."""

    outing: OutingInput
    name: str = ""
    before: WalkedOuting | None = None
    fault: FieldcombError | None = None


def walk_in_order(
    outings: Sequence[OutingInput],
    frame: SiteFrame,
    memory: Memo,
    workers: Workers,
    checked: MutableMapping[str, CheckedOuting] | None = None,
) -> Iterator[NamedWalk]:
    """Yield each outing read and cleaned; or recalled, or as it was checked, where nothing it depends on has changed.

    checked : outings that were walked when they were checked, by id; emptied here, to free their walks.
    """
    given = {} if checked is None else checked
    planned = [_plan(outing, frame, memory, given.pop(outing.id, None)) for outing in outings]
    unknown = [one for one in planned if not (one.before or one.fault or memory.has(one.name))]
    side = [one.outing for one in unknown if len(one.outing.parts) <= MANY_FILES]
    seconds = sum(outing.size_bytes for outing in side) * WALK_S_PER_BYTE
    read = workers.in_order(_try, frame, side, seconds)
    waiting = {id(outing) for outing in side}
    while planned:
        one = planned.pop(0)
        found = next(read) if id(one.outing) in waiting else None
        yield NamedWalk(one.fault or _walk(one, found, frame, memory, workers), one.name)


def _plan(outing: OutingInput, frame: SiteFrame, memory: Memo, before: CheckedOuting | None) -> _Planned:
    try:
        made_from = None if outing.known_by is None else outing.known_by()
    except FieldcombError as error:
        return _Planned(outing, fault=error)
    walked = None if before is None else before.take()
    same = before is not None and (before.frame, before.made_from) == (frame, made_from)
    kept = made_from is not None and memory.store is not None
    name = memory.name_of(KEPT_AS, given_for(outing, frame, made_from)) if kept and made_from is not None else ""
    return _Planned(outing, name, walked if same else None)


def given_for(outing: OutingInput, frame: SiteFrame, made_from: tuple[object, ...]) -> tuple[object, ...]:
    """Return all that a walked outing depends on."""
    return (outing.id, outing.label, outing.note, outing.unrecorded, frame, *made_from)


def _walk(
    one: _Planned, found: WalkedOuting | None, frame: SiteFrame, memory: Memo, workers: Workers
) -> WalkedOuting | FieldcombError:
    kept = memory.get(one.name) if one.name and found is None and not one.before else None
    if isinstance(kept, WalkedOuting):
        return kept
    try:
        walked = one.before or found or walk_outing(one.outing, frame, workers)
    except FieldcombError as error:
        return error
    if one.name:
        memory.keep(one.name, walked)
    return walked


def _try(frame: SiteFrame, outing: OutingInput) -> WalkedOuting | None:
    """Walk an outing; None for one that cannot be used, which is told when its turn comes."""
    try:
        return walk_outing(outing, frame)
    except FieldcombError:
        return None


def in_order_of_time(
    walked: list[tuple[str, WalkedOuting]],
    outings: Sequence[OutingInput],
    walk: Callable[[Sequence[OutingInput]], Iterator[NamedWalk]],
) -> list[tuple[str, WalkedOuting]]:
    """Return outings in order of time, those walked once more that touch pegs which earlier ones found unmeasured.

    walked : sorted, and emptied, to free walks that are walked once more; then recordings that are held are let go.
    """
    walked.sort(key=lambda one: (one[1].start_s is None, one[1].start_s or 0.0))
    given = {outing.id: outing for outing in outings}
    known = found_before([one for _, one in walked])
    again = walk([with_pegs(given[one.id], pegs) for (_, one), pegs in zip(walked, known, strict=True) if pegs])
    in_order = []
    for pegs in known:
        found = next(again) if pegs else None
        one = walked.pop(0)
        in_order.append((found.name, found.usable) if found else one)
    for outing in outings:
        outing.let_go()
    give_back()
    return in_order


def marks_alone(outing: OutingInput, frame: SiteFrame, memory: Memo) -> tuple[Mark, ...]:
    """Return the marks of an outing that is not counted: of its walk where that is kept, so that nothing is read."""

    def work() -> tuple[Mark, ...]:
        return tuple(dict.fromkeys(mark for item in outing.load() for mark in item.marks))

    if outing.known_by is None or memory.store is None:
        return work()
    given = given_for(outing, frame, outing.known_by())
    walked = memory.get(memory.name_of(KEPT_AS, given))
    return walked.marks if isinstance(walked, WalkedOuting) else memory.get_or_compute("marks", given, work)


def keep_checked(outing: OutingInput, checked: CheckedOuting, memory: Memo) -> None:
    """Keep an outing as it was walked when it was checked, so that a survey need not read it again."""
    if checked.made_from is not None and checked.walked is not None:
        given = given_for(outing, checked.frame, checked.made_from)
        memory.keep(memory.name_of(KEPT_AS, given), checked.walked)
