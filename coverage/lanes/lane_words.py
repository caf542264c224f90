"""What a plan comes to, in a few lines for a terminal."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from fieldcomb.coverage.lanes.declared import LanesResult
from fieldcomb.coverage.lanes.lane_plan import BLOCK_LANES, LanePlan
from fieldcomb.coverage.lanes.named_plan import NamedPlan
from fieldcomb.tracks.units import format_count, format_duration, format_length, format_number


def planned_lines(named: NamedPlan) -> list[str]:
    """Return what a plan comes to: how many lanes, how far apart, how long they take, and how they are set out."""
    plan, lanes = named.plan, named.plan.lanes
    apart, length = format_length(plan.spacing_m), format_number(plan.planned_m)
    whole = f"{format_count(len(lanes), 'lane')}, {apart} apart, {length} m in all"
    out = [f"Plan {named.name}: {whole}, with {named.coil}", _share(named, plan)]
    walking, digging = (
        format_duration(60 * minutes) for minutes in (named.pace.minutes(lanes), named.pace.minutes_with_digging(lanes))
    )
    at = "your own pace" if named.pace.own else f"{named.pace.m_s:g} m/s"
    more = f"; about {digging} with your digging" if named.pace.standing else ""
    out.append(f"Time: about {walking} at {at}{more}")
    pegs = {peg.name: peg.own for group in named.groups for line in group.baselines for peg in (line.start, line.end)}
    own = sorted(name for name, mine in pegs.items() if mine)
    new = len(pegs) - len(own)
    said = [f"your pegs {', '.join(own)}"] * bool(own) + [format_count(new, "new peg")] * bool(new)
    out.append(f"Set out from {' and '.join(said)}, by tape; the sheet says how")
    if named.teams:
        out += [_of_team(named, team) for team in sorted(set(named.teams))]
    if plan.too_short_m:
        out.append(f"Left out: {format_count(len(plan.too_short_m), 'lane')} shorter than 3 m")
    return out


def _share(named: NamedPlan, plan: LanePlan) -> str:
    if plan.spacing_m > plan.swath_m:
        return (
            f"A sample: the swing covers {named.of_site_pct:.0f} % of the site; "
            "ground between the lanes does not count as missed"
        )
    return f"The swing covers {named.of_site_pct:.0f} % of the site when all are walked"


def _of_team(named: NamedPlan, team: int) -> str:
    mine = [lane for lane in named.plan.lanes if named.team_of(lane) == team]
    which = f"lane {mine[0].number}" if len(mine) == 1 else f"lanes {mine[0].number} to {mine[-1].number}"
    time = format_duration(60 * named.pace.minutes_with_digging(mine))
    return f"Team {team}: {which}, {format_number(sum(lane.length_m for lane in mine))} m, {time}"


def format_walked_lanes(plan: LanesResult) -> str:
    """Return what was swept by the lanes of a plan in one sentence, without any receiver.

    >>> done, left, silent = tuple(range(1, 18)), (19,), (20,)
    >>> plan = LanesResult("1", "28cm", 1.2, 0.0, 20, 800.0, done, (18,), left, silent, 87, 86, 84, 88)
    >>> format_walked_lanes(plan)
    '86 % (84-88) of the site, from 17 of 20 lanes of plan 1'
    >>> format_lanes_left(plan)
    'lanes 18 (the rest), 19 and 20 of plan 1'
    """
    decimals = 1 if plan.of_site_pct < 10 else 0  # a plan on a small part of the site
    middle, low, high = (f"{pct:.{decimals}f}" for pct in (plan.of_site_pct, plan.low, plan.high))
    share = f"{middle} % ({low}-{high}) of the site"
    return f"{share}, from {format_lanes_done(plan)}"


def format_lanes_done(plan: LanesResult) -> str:
    """Return how many lanes of a plan were walked: ``17 of 20 lanes of plan 1``."""
    return f"{len(plan.done)} of {format_count(plan.lanes, 'lane')} of plan {plan.name}"


def format_lanes_left(plan: LanesResult) -> str:
    """Return which lanes of a plan are still to walk: not walked, in part, or not spoken of; empty for none."""
    left = plan.to_walk
    if not left:
        return ""
    runs = [f"{run} (the rest)" if run.isdigit() and int(run) in plan.part else run for run in _runs(left, plan.part)]
    words = runs[0] if len(runs) == 1 else f"{', '.join(runs[:-1])} and {runs[-1]}"
    return f"{'lane' if len(left) == 1 else 'lanes'} {words} of plan {plan.name}"


def kept_off_note(plan: LanesResult) -> str:
    """Return which lanes are not to be walked any more, since ground was closed after they were planned; or nothing."""
    if not plan.kept_off:
        return ""
    which = lanes_in_words(plan.kept_off)
    return f"Do not walk {which} of plan {plan.name}: ground to leave alone is there. Plan lanes again, to go round it"


def next_lanes(left: Collection[int]) -> tuple[int, ...]:
    """Return which lanes to walk next, of those that are left: the first block of them, in the order of the numbers."""
    return tuple(sorted(left)[:BLOCK_LANES])


def numbers_in_words(numbers: Sequence[int]) -> str:
    """Return numbers in order, runs of three or more drawn together.

    >>> numbers_in_words((1, 2, 3, 4, 7, 9, 10))
    '1-4, 7, 9, 10'
    """
    return ", ".join(_runs(numbers, ()))


def lanes_in_words(numbers: Sequence[int]) -> str:
    """Return lanes in order: ``lane 7``, ``lanes 7, 8``."""
    return f"{'lane' if len(numbers) == 1 else 'lanes'} {numbers_in_words(numbers)}"


def _runs(numbers: Sequence[int], alone: Sequence[int]) -> list[str]:
    """Return numbers in words, runs of three or more drawn together, but for those that stand alone."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1 and number not in alone and runs[-1][-1] not in alone:
            runs[-1].append(number)
        else:
            runs.append([number])
    said = [[f"{run[0]}-{run[-1]}"] if len(run) > 2 else [str(number) for number in run] for run in runs]
    return [one for run in said for one in run]
