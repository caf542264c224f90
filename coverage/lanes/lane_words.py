"""What a plan comes to, in a few lines for a terminal."""

from __future__ import annotations

from fieldcomb.coverage.lanes.lane_plan import LanePlan
from fieldcomb.coverage.lanes.named_plan import NamedPlan
from fieldcomb.tracks.units import format_count, format_length


def planned_lines(named: NamedPlan) -> list[str]:
    """Return what a plan comes to: how many lanes, how far apart, how long they take, and how they are set out."""
    plan, lanes = named.plan, named.plan.lanes
    whole = f"{format_count(len(lanes), 'lane')}, {format_length(plan.spacing_m)} apart, {plan.planned_m:.0f} m in all"
    out = [f"Plan {named.name}: {whole}, with {named.coil}", _share(named, plan)]
    walking, digging = (
        round(minutes) for minutes in (named.pace.minutes(lanes), named.pace.minutes_with_digging(lanes))
    )
    at = "your own pace" if named.pace.own else f"{named.pace.m_s:g} m/s"
    more = f"; about {digging} min with your digging" if named.pace.standing else ""
    out.append(f"Time: about {walking} min at {at}{more}")
    pegs = {peg.name: peg.own for group in named.groups for line in group.baselines for peg in (line.start, line.end)}
    own = sorted(name for name, mine in pegs.items() if mine)
    new = len(pegs) - len(own)
    said = [f"your pegs {', '.join(own)}"] * bool(own) + [format_count(new, "new peg")] * bool(new)
    out.append(f"Set out from {' and '.join(said)}, by tape; the sheet says how")
    if named.teams:
        out.append("; ".join(_of_team(named, team) for team in sorted(set(named.teams))))
    if plan.too_short_m:
        out.append(f"Left out: {format_count(len(plan.too_short_m), 'lane')} shorter than 3 m")
    return out


def _share(named: NamedPlan, plan: LanePlan) -> str:
    if plan.spacing_m > plan.swath_m:
        return (
            f"A sample: the swing covers {named.of_site_pct:.0f} % of the site; ground between the lanes is not missed"
        )
    return f"The swing covers {named.of_site_pct:.0f} % of the site when all are walked"


def _of_team(named: NamedPlan, team: int) -> str:
    mine = [lane for lane in named.plan.lanes if named.team_of(lane) == team]
    return f"Team {team}: lanes {mine[0].number} to {mine[-1].number}, {sum(lane.length_m for lane in mine):.0f} m"
