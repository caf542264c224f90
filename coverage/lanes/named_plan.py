"""A plan with its name: what is written into the site, and how long its lanes take."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate, groupby, pairwise

from fieldcomb.coverage.lanes.lane_plan import Lane, LanePlan
from fieldcomb.coverage.lanes.setting_out import SetOut
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.values import dataclass

PLANNED_PACE_M_S = 0.3  # common practice, no source: taken where no earlier outing shows a pace
TURN_S = 20.0  # common practice, no source: from the end of a lane to the start of the next
LABEL_EVERY = 5
TODO = "todo"  # in place of the name of an area: only where to go next
WHOLE_BLOCKS = 1.25  # blocks stay whole where the longest share is at most so many times what it need be
PARTING_STEPS = 40


@dataclass(frozen=True, slots=True)
class Pace:
    """How a searcher gets on: pace along a lane, and seconds of standing (digging) for each second of searching.

    own : from earlier outings of this site, and not what is usual.
    """

    m_s: float = PLANNED_PACE_M_S
    standing: float = 0.0
    own: bool = False

    def minutes(self, lanes: Sequence[Lane]) -> float:
        """Time for lanes one after another, with turns and without digging."""
        return (sum(lane.length_m for lane in lanes) / self.m_s + TURN_S * len(lanes)) / 60

    def minutes_with_digging(self, lanes: Sequence[Lane]) -> float:
        """The same with as much standing as in earlier outings."""
        walking = sum(lane.length_m for lane in lanes) / self.m_s
        return self.minutes(lanes) + walking * self.standing / 60


DEFAULT_PACE = Pace()


@dataclass(frozen=True, slots=True, eq=False)
class NamedPlan:
    """A plan of lanes as it is set out and kept in a site.

    teams : for each lane, which team walks it, from 1; all 1 for a single searcher. of_site_pct : share of the site
    that the swing covers when all lanes are walked.
    """

    name: str
    site: str
    coil: str
    plan: LanePlan
    groups: tuple[SetOut, ...]
    frame: SiteFrame
    pace: Pace
    of_site_pct: float
    label_every: int = LABEL_EVERY
    teams: tuple[int, ...] = ()

    def is_label(self, lane: Lane) -> bool:
        """Whether its number is to be spoken or pressed while it is walked."""
        return lane.number % self.label_every == 0 or lane.number == 1

    def team_of(self, lane: Lane) -> int:
        """Which team walks a lane."""
        return self.teams[lane.number - 1] if self.teams else 1


def shared_out(lanes: Sequence[Lane], teams: int, pace: Pace = DEFAULT_PACE) -> tuple[int, ...]:
    """Share lanes out to teams: each gets lanes beside each other that take about the same time.

    Returns the team of each lane, from 1. Blocks stay whole, unless a team would then be busy longer by a quarter than
    need be. Only with fewer lanes than teams some teams get none.
    """
    blocks = [list(block) for _, block in groupby(lanes, key=lambda lane: lane.block)]
    by_lane = _parts([pace.minutes([lane]) for lane in lanes], teams)
    by_block = _parts([pace.minutes(block) for block in blocks], teams)
    longest = max((pace.minutes(lanes[one]) for one in by_lane), default=0.0)
    borders = list(accumulate((len(block) for block in blocks), initial=0))
    whole = [slice(borders[one.start], borders[one.stop]) for one in by_block]
    fair = len(blocks) >= teams and all(pace.minutes(lanes[one]) <= WHOLE_BLOCKS * longest for one in whole)
    return tuple(team for team, one in enumerate(whole if fair else by_lane, 1) for _ in lanes[one])


def _parts(weights: Sequence[float], count: int) -> list[slice]:
    """Part a row of weights into so many pieces, none empty if there are enough, the heaviest as light as can be."""
    sums = [0.0, *accumulate(weights)]
    count = min(count, len(weights))

    def within(most: float) -> list[slice]:
        cuts = [0]
        while cuts[-1] < len(weights):
            after = bisect_right(sums, sums[cuts[-1]] + most) - 1
            needed = len(weights) - (count - len(cuts))  # leave one for each piece to come
            cuts.append(max(cuts[-1] + 1, min(after, needed)) if len(cuts) <= count else len(weights))
        return [slice(*pair) for pair in pairwise(cuts)]

    low, high = max(weights, default=0.0), sums[-1]
    for _ in range(PARTING_STEPS):
        middle = (low + high) / 2
        low, high = (low, middle) if len(within(middle)) <= count else (middle, high)
    return within(high)
