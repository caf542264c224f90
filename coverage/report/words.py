"""What was measured in words: moments, directions, places, and the sentences that table and page share."""

from collections.abc import Callable, Sequence
from datetime import datetime

from fieldcomb.coverage.estimate.next_evidence import SPACINGS, SWING, NextEvidence
from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.ground.under_coil import Under
from fieldcomb.tracks.marks.spacings import LaneSpacing
from fieldcomb.tracks.units import format_area, format_count, format_length, iso_utc, parse_zone

NO_TIME = "no time in the file"
WHOLE_FROM_PCT = 10.0  # estimates below have a decimal
MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
_DIRECTIONS = (
    "north to south",
    "north-north-east to south-south-west",
    "north-east to south-west",
    "east-north-east to west-south-west",
    "east to west",
    "east-south-east to west-north-west",
    "south-east to north-west",
    "south-south-east to north-north-west",
)


def format_moment(time_s: float | None, zone: str) -> str:
    """Unix seconds as date and time in the site's zone, the same on every machine.

    >>> format_moment(1772874720, "UTC")
    '7 Mar 2026, 09:12'
    """
    return _in_zone(
        time_s, zone, lambda local: f"{local.day} {MONTHS[local.month - 1][:3]} {local.year}, {local:%H:%M}"
    )


def format_day(time_s: float | None, zone: str) -> str:
    """Unix seconds as a date in the site's zone.

    >>> format_day(1772874720, "UTC")
    '7 Mar 2026'
    """
    return format_moment(time_s, zone).partition(",")[0]


def format_long_day(time_s: float | None, zone: str) -> str:
    """Unix seconds as a date in the site's zone, with its month in full.

    >>> format_long_day(1780731000, "UTC"), format_long_day(None, "UTC")
    ('6 June 2026', 'no time in the file')
    """
    return _in_zone(time_s, zone, lambda at: f"{at.day} {MONTHS[at.month - 1]} {at.year}")


def _in_zone(time_s: float | None, zone: str, words: Callable[[datetime], str]) -> str:
    """Put a moment into words by the clock of a site."""
    if time_s is None:
        return NO_TIME
    try:
        local = datetime.fromtimestamp(time_s, parse_zone(zone))
    except (ValueError, OverflowError, OSError):  # the last hours of the year 9999 in a zone ahead of UTC
        return iso_utc(time_s)
    return words(local)


def format_bearing(value_deg: float | None) -> str:
    """A bearing of 0-180 degrees from true north, in plain words.

    >>> format_bearing(2), format_bearing(91), format_bearing(None)
    ('north to south (2° from true north)', 'east to west (91° from true north)', 'no clear direction')
    """
    if value_deg is None:
        return "no clear direction"
    return f"{_DIRECTIONS[round(value_deg / 22.5) % 8]} ({value_deg:.0f}° from true north)"


def format_no_go_entry(area_m2: float, area: str | None, depth_m: float, could: bool) -> str:
    """How far a walk reached into a no-go area, and whether the receiver alone could be the reason.

    >>> format_no_go_entry(12.0, "nesting birds", 3.0, True)
    '12.0 m2 inside nesting birds, up to 3 m deep: position error could explain it'
    """
    name = area or "no-go ground (no reason given)"
    explains = "could explain" if could else "could not explain"
    deep = format_length(round(depth_m, 2)) if depth_m >= 0.005 else "under 1 cm"
    return f"{format_area(area_m2)} inside {name}, up to {deep} deep: position error {explains} it"


def format_lat_lon(lon_lat_deg: tuple[float, float]) -> str:
    """Latitude and longitude with seven decimals (about 1 cm)."""
    lon, lat = lon_lat_deg
    return f"{lat:.7f}, {lon:.7f}"


def format_pegs(count: int, before_m: float, after_m: float, unmeasured: int = 0) -> str:
    """How far off a receiver was at the pegs; with a single touch there is no *after*.

    >>> format_pegs(6, 1.81, 0.74), format_pegs(1, 1.81, 1.81), format_pegs(2, 0.03, 0.02)
    ('6 touches, 1.8 m off before, 70 cm after', '1 touch, 1.8 m off', '2 touches, 3 cm off before, 2 cm after')
    >>> format_pegs(9, 1.81, 0.74, 4), format_pegs(9, 1.81, 0.74, 9)[:30]
    ('9 touches (4 of unmeasured pegs), 1.8 m off before, 70 cm after', '9 touches of unmeasured pegs, ')
    """
    before, after = (format_length(round(off_m, 1 if off_m >= 0.095 else 2)) for off_m in (before_m, after_m))
    touches = format_count(count, "touch")
    if unmeasured:
        pegs = "of an unmeasured peg" if count == 1 else "of unmeasured pegs"
        touches += f" {pegs}" if unmeasured == count else f" ({unmeasured} {pegs})"
    return f"{touches}, {before} off" if count == 1 else f"{touches}, {before} off before, {after} after"


def format_spacings(spacings: Sequence[LaneSpacing]) -> str:
    """Spacings between lanes as typed: how many, their mean, the least and the most.

    >>> format_spacings([LaneSpacing(1.4, False)])
    '1 measured spacing, 1.4 m'
    >>> format_spacings([LaneSpacing(1.4, False), LaneSpacing(1.7, False), LaneSpacing(1.5, True)])
    '3 measured spacings, 1.5 m on average (1.4 to 1.7 m), 1 of them in paces'
    """
    lengths = [spacing.across_m for spacing in spacings]
    mean_m, paced = round(sum(lengths) / len(lengths), 1), sum(spacing.paced for spacing in spacings)
    said = f"{format_count(len(lengths), 'measured spacing')}, {format_length(mean_m)}"
    if len(lengths) > 1:
        said += f" on average ({min(lengths):.1f} to {max(lengths):.1f} m)"
    return said + (f", {paced} of them in paces" if paced else "")


def format_team(recorded: int, unrecorded: Sequence[str]) -> str:
    """How many of the people of an outing there is a recording of, and who recorded nothing.

    Ground that is not recorded is not ground missed, so this belongs next to every percentage.
    """
    said = f"{recorded} of {recorded + len(unrecorded)} recorded"
    return said + (f" (not {', '.join(unrecorded)})" if unrecorded else "")


def format_estimate(estimate: Estimate, recorded: str, certain: bool = False) -> str:
    """The estimate of the share walked over in one line, with its 90 % interval and what was recorded; empty without.

    >>> format_estimate(Estimate(71.2, 63.4, 77.4, False, None), "66.1 %")
    'walked over 71 % (63-77), as recorded 66.1 %; no missed ground is certain'
    """
    if estimate.pct is None:
        return ""
    trust = "only missed ground called certain can be trusted" if certain else "no missed ground is certain"
    trust = "missed ground is where it is drawn" if estimate.strips_placed else trust
    if estimate.by_lanes_pct:
        trust = f"by lanes {estimate.by_lanes_pct:.0f} %, and lanes left out are where they were set out; {trust}"
    if estimate.all_by_lanes:
        trust = "by lanes; those left out are where they were set out"
    return f"walked over {format_interval(estimate)}, as recorded {recorded}; {trust}"


def format_interval(estimate: Estimate, brackets: str = "({}-{})") -> str:
    """The estimate with its 90 % interval; empty where there is none.

    Below 10 % it has a decimal, as whole percents would often be all the same.

    >>> format_interval(Estimate(71.2, 63.4, 77.4, False, None)), format_interval(Estimate(6.6, 6.4, 6.9, False, None))
    ('71 % (63-77)', '6.6 % (6.4-6.9)')
    """
    if estimate.pct is None:
        return ""
    decimals = 1 if estimate.pct < WHOLE_FROM_PCT else 0
    middle, low, high = (f"{value:.{decimals}f}" for value in (estimate.pct, estimate.low, estimate.high))
    return f"{middle} % {brackets.format(low, high)}"


def format_strip_caution(estimate: Estimate) -> str:
    """What to make of a missed strip that is drawn; empty where all of them are where they are drawn."""
    if estimate.pct is None:
        return "A receiver may be several metres off, so a narrow strip may lie elsewhere, or may not have been missed."
    if estimate.strips_placed:
        return ""
    return (
        "A receiver may be several metres off: a strip that is not called certain may lie elsewhere, or may not have "
        "been missed at all."
    )


_MEASURE = {SPACINGS: "Measure ten spacings between your lanes", SWING: "Measure your swing width"}


def format_next_evidence(evidence: NextEvidence | None, estimate: Estimate) -> str:
    """What to measure next, and what it would make of the interval; empty where nothing would help.

    >>> format_next_evidence(NextEvidence("spacings", 77.4, 86.6), Estimate(81.0, 71.2, 89.4, False, None))
    'Measure ten spacings between your lanes: the range would narrow from 71-89 to about 77-87'
    """
    if evidence is None:
        return ""
    now, then = (f"{one.low:.0f}-{one.high:.0f}" for one in (estimate, evidence))
    return f"{_MEASURE[evidence.measure]}: the range would narrow from {now} to about {then}"


def format_under_coil(under: Under) -> str:
    """The share under the coil itself, about; a range where the time of a sweep is a guess. Empty without one.

    >>> format_under_coil(Under(45.2)), format_under_coil(Under(45.2, 25.4, 45.2)), format_under_coil(Under(None))
    ('the coil itself about 45 %', 'the coil itself about 25 to 45 %', '')
    >>> format_under_coil(Under(0.2)), format_under_coil(Under(0.0))
    ('the coil itself under 1 %', 'the coil itself 0 %')
    >>> format_under_coil(Under(45.2, left_out=2))
    'the coil itself about 45 %, not counting 2 outings without times'
    """
    return _about(under) + _left_out(under) if under.pct is not None else ""


def _about(under: Under) -> str:
    pct, low, high = under.pct or 0.0, under.low, under.high
    if low is not None and high is not None and round(low) != round(high):
        return f"the coil itself about {low:.0f} to {high:.0f} %"
    if pct < 0.5:
        return f"the coil itself {'under 1' if pct > 0 else '0'} %"
    return f"the coil itself about {pct:.0f} %"


def _left_out(under: Under) -> str:
    return f", not counting {format_count(under.left_out, 'outing')} without times" if under.left_out else ""


def format_total_under_coil(pct: float, under: Under, depth_m: float | None) -> str:
    """Walked over and under the coil in one line, with what the second number hangs on. Empty without a clock.

    >>> format_total_under_coil(71.3, Under(45.2, 25.4, 45.2), None)
    'walked over 71 %, the coil itself about 25 to 45 %; sweep time is a guess (1 to 2 s): count your sweeps'
    >>> format_total_under_coil(71.3, Under(45.2), 0.15)
    'walked over 71 %, the coil itself about 45 % at 15 cm deep, according to a model'
    """
    if under.pct is None:
        return ""
    deep = "" if depth_m is None else f" at {format_length(depth_m)} deep, according to a model"
    guess = "" if under.low is None else "; sweep time is a guess (1 to 2 s): count your sweeps"
    return f"walked over {pct:.0f} %, {_about(under)}{deep}{_left_out(under)}{guess}"


def format_pace_95(low_m_s: float | None, high_m_s: float | None) -> str:
    """How slow a walk keeps 95 % of the swath under the coil.

    >>> format_pace_95(0.146, 0.146), format_pace_95(0.073, 0.146), format_pace_95(None, None)
    ('0.15 m/s', '0.07 to 0.15 m/s', 'any pace')
    """
    if low_m_s is None or high_m_s is None:
        return "any pace"
    low, high = f"{low_m_s:.2f}", f"{high_m_s:.2f}"
    return f"{low} m/s" if low == high else f"{low} to {high} m/s"


def format_filled(area: str | None, depth_m: float, coils: Sequence[str]) -> str:
    """Which coils could hear down to the old surface of filled ground.

    >>> format_filled("old pond", 0.4, []), format_filled(None, 0.15, ["a", "b"])
    ('old pond, 40 cm of fill: no coil used so far can reach it', 'filled ground, 15 cm of fill: a, b could reach it')
    """
    said = f"{', '.join(coils)} could reach it" if coils else "no coil used so far can reach it"
    return f"{area or 'filled ground'}, {format_length(depth_m)} of fill: {said}"


def format_least_width(width_m: float | None, estimate: Estimate) -> str:
    """What silence about missed ground means with this receiver."""
    if estimate.all_by_lanes:
        return "Gaps between lanes that somebody strayed from are in the share, and not on the map."
    if estimate.strips_placed:
        return "Missed strips from about 1 m wide are found where they are."
    if width_m is None:
        return (
            "This receiver is too poor to tell a missed strip from its own error. There may be some even if none "
            "is shown."
        )
    return (
        f"This receiver mostly finds only strips wider than about {format_length(width_m)}. "
        "Narrower ones may exist even if none is shown."
    )
