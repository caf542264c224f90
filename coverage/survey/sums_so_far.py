"""The sums over the outings of a site as they stood after the last one, kept so that one more is all that is added.

They are found by what stands for each of the outings added, in their order, and by all else that the sums depend on: a
change in any of them, or before them, is another name, and all is added up anew.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from operator import attrgetter
from typing import Any

from fieldcomb.coverage.cache.memo import Memo, digest
from fieldcomb.coverage.estimate.next_evidence import NextEvidence
from fieldcomb.coverage.estimate.swept_share import Estimates, OutingsTogether
from fieldcomb.coverage.estimate.walked_ground import Drawn, LaidOut, Sweep, WalkedWay, by_time
from fieldcomb.coverage.ground.pass_tally import OutingGround
from fieldcomb.coverage.ground.under_coil import Under
from fieldcomb.coverage.outings.times import OutingTimes
from fieldcomb.coverage.outings.walks import OutingHead
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.season.season_results import CoilEffort
from fieldcomb.coverage.survey.outing_layers import OutingRaster
from fieldcomb.coverage.survey.results import DrawnWalk, OutingResult, PersonResult
from fieldcomb.coverage.survey.sums import SurveySums
from fieldcomb.coverage.todo.coil_use import CoilUse
from fieldcomb.coverage.todo.results import JunkProgress
from fieldcomb.tracks.values import dataclass

LEAST_ADDED = 3  # of fewer the sums take no time
# What is added to, by where it is. Of ``Remaining`` the terms alone, as some of the four may be the same one.
_ADDED = (
    *(f"tally.{name}" for name in ("passes", "by_coil", "bearings", "not_recorded", "swept_cells")),
    *(f"chances.{name}" for name in ("union", "placed", "any_drawn")),
    *(f"ledger.{name}" for name in ("bare", "any_drawn", "used_m2", "used", "names", "left_m2", "done")),
    *(f"ledger.{name}.terms" for name in ("left", "had_dug", "had_reached", "had_time")),
    *("ledger.by_coil.chance", "ledger.uses.by_name", "searched.best", "since.since"),
    *(f"under.{name}" for name in ("by_coil", "untimed", "left_out", "no_clock")),
)
_OF_FINDS = tuple(f"effort.{name}" for name in ("passes", "any", "rows"))


@dataclass(frozen=True, slots=True, eq=False)
class SumsSoFar:
    """Sums as they stood after some outings.

    added : by where it is. walks : those that cannot be placed. estimates : by coil, None for all together, what could
    be placed, how far off its rim may be, and numbers of ``walks``. sweeps : where the walks of all lie beside each
    other; none where that was not asked for. untimed : those with ground swept without a clock. swings : by coil.
    """

    results: tuple[OutingResult, ...]
    people: dict[str, PersonResult]
    added: dict[str, Any]
    walks: tuple[Drawn, ...]
    estimates: dict[str | None, tuple[Mask | None, float, tuple[int, ...]]]
    sweeps: tuple[Sweep, ...]
    untimed: tuple[str | None, ...]
    swings: dict[str, tuple[Any, ...]]


SUMS_TYPES = (
    *(SumsSoFar, OutingResult, OutingHead, OutingTimes, OutingGround, Under, JunkProgress, PersonResult),
    *(CoilEffort, CoilUse, NextEvidence, OutingRaster, DrawnWalk, Sweep, WalkedWay),
)


def keep_sums(sums: SurveySums, names: Sequence[str], memory: Memo) -> None:
    """Keep the sums over all outings, where one more is likely to come; ``names`` stand for them in what is kept."""
    if memory.store is None or not _can_be_kept(sums, names):
        return
    name = _names(sums, names, memory)[-1]
    if memory.has(name):
        return
    walks = {id(walk): walk for of in sums.estimates.sums.values() for walk in of.walks}
    number = {one: place for place, one in enumerate(walks)}
    estimates = {
        coil: (of.placed, of.rim_sd_m, tuple(number[id(walk)] for walk in of.walks))
        for coil, of in sums.estimates.sums.items()
    }
    added = {where: attrgetter(where)(sums) for where in _added(sums)}
    untimed = tuple(sorted(sums.estimates.untimed, key=str))
    swings = {coil: tuple(sorted(of, key=repr)) for coil, of in sums.under.swings.items()}
    each, sweeps = tuple(walks.values()), _sweeps(sums.estimates)
    kept = SumsSoFar(tuple(sums.results), sums.people, added, each, estimates, sweeps, untimed, swings)
    memory.keep(name, kept)


def _sweeps(estimates: Estimates) -> tuple[Sweep, ...]:
    """Sweeps of all walks, but for what is gathered on them, which is large and soon gathered again."""
    laid = estimates.laid
    if laid is None or laid.walks != by_time(estimates.sums[None].walks):
        return ()
    return tuple(replace(one, at=[], squared=[]) for one in laid.found)


def recall_sums(sums: SurveySums, names: Sequence[str], ids: Sequence[str], memory: Memo) -> int:
    """Set sums to which nothing was added to what they were after as many outings as are kept; returns how many.

    names : stand for the outings in what is kept. ids : of the outings, in the same order.
    """
    if memory.store is None or not _can_be_kept(sums, names):
        return 0
    of_each = _names(sums, names, memory)
    for count in range(len(names), LEAST_ADDED - 1, -1):
        if memory.has(of_each[count - 1]):
            kept = memory.get(of_each[count - 1])
            if isinstance(kept, SumsSoFar) and len(kept.results) == count:
                _set(sums, kept)
                for name, outing in zip(names[:count], ids, strict=False):
                    memory.has(name)  # is in use, as is all that its sums stand for
                    sums.ledger.meet(outing)
                    sums.names.append(name)
                return count
    return 0


def _can_be_kept(sums: SurveySums, names: Sequence[str]) -> bool:
    """Whether sums can be gone on from: where lanes were walked or targets planted, more is added than is kept."""
    of = sums.of
    return len(names) >= LEAST_ADDED and all(names) and not (of.lanes or of.on_plans or of.site.planted)


def _names(sums: SurveySums, names: Sequence[str], memory: Memo) -> list[str]:
    """What stands for the sums after each of some outings."""
    of = sums.of
    days = [(one.event.day, one.event.kind) for one in of.events]
    under = (sums.under.guessed, sums.under.depth_m)
    counted = (sums.searched.stated, sums.effort is None, days, tuple(sums.since.since))
    base = digest((sums.ledger.depends_on, under, *counted))
    found = list[str]()
    for name in names:
        found.append(memory.name_of("sums", (found[-1] if found else base, name)))
    return found


def _added(sums: SurveySums) -> tuple[str, ...]:
    return _ADDED + _OF_FINDS * (sums.effort is not None)


def _set(sums: SurveySums, kept: SumsSoFar) -> None:
    for where in _added(sums):
        owner, _, name = where.rpartition(".")
        setattr(attrgetter(owner)(sums), name, kept.added[where])
    sums.under.untimed = Counter(sums.under.untimed)
    sums.under.swings = {coil: set(of) for coil, of in kept.swings.items()}
    sums.estimates.untimed = set(kept.untimed)
    sums.estimates.sums = {
        coil: OutingsTogether(placed, [kept.walks[number] for number in numbers], rim_sd_m)
        for coil, (placed, rim_sd_m, numbers) in kept.estimates.items()
    }
    if kept.sweeps:
        walks = by_time(sums.estimates.sums[None].walks)
        sums.estimates.laid = LaidOut(sums.estimates.plot, walks, kept.sweeps)
    sums.people = kept.people
    sums.results = [
        one if sums.is_asked(number) else replace(one, so_far=None) for number, one in enumerate(kept.results, 1)
    ]
