"""A plan with its name: what is written into the site, and how long its lanes take."""

from __future__ import annotations

from collections.abc import Sequence

from fieldcomb.coverage.lanes.lane_plan import Lane, LanePlan
from fieldcomb.coverage.lanes.setting_out import SetOut
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.values import dataclass

PLANNED_PACE_M_S = 0.3  # common practice, no source: taken where no earlier outing shows a pace
TURN_S = 20.0  # common practice, no source: from the end of a lane to the start of the next
LABEL_EVERY = 5


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


def shared_out(lanes: Sequence[Lane], teams: int) -> tuple[int, ...]:
    """Share lanes out to teams: each gets lanes beside each other, whole blocks, of about the same length.

    Returns the team of each lane, from 1. With fewer blocks than teams some teams get none.
    """
    whole_m = sum(lane.length_m for lane in lanes)
    before_m, team_of_block = 0.0, dict[int, int]()
    for lane in lanes:
        middle_m = before_m + lane.length_m / 2
        team_of_block.setdefault(lane.block, min(teams, 1 + int(teams * middle_m / whole_m)))
        before_m += lane.length_m
    return tuple(team_of_block[lane.block] for lane in lanes)
