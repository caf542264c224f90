"""One outing in one line, the same in terminal, map and page: ``6 June, small, +4 points, 52 min``."""

from fieldcomb.coverage.report.words import format_long_day, format_team
from fieldcomb.coverage.survey.results import OutingResult, Report
from fieldcomb.coverage.todo.results import JunkProgress
from fieldcomb.tracks.units import format_duration, format_number


def format_outing(outing: OutingResult, report: Report) -> str:
    """Return the day, the coils, what was new, and the time of searching; of a team, of how many it is known.

    New is in points of the site, as recorded; with a smaller coil in junk, of the junk ground. The day has its year
    where the outings are of several.
    """
    said = [format_outing_day(outing, report), ", ".join(outing.head.coils), format_gain(outing, report)]
    if outing.times.searching_s is not None:
        said.append(format_duration(outing.times.searching_s))
    if outing.head.searchers > 1:
        said.append(format_team(outing.head.recorded, outing.head.unrecorded))
    return ", ".join(said)


def format_outing_day(outing: OutingResult, report: Report) -> str:
    """Return the day of an outing, with its year where the outings of a report are of several."""
    zone, start_s = report.site.zone, outing.head.start_s
    days = (format_long_day(one.head.start_s, zone) for one in report.outings if one.head.start_s is not None)
    day = format_long_day(start_s, zone)
    return day if start_s is None or len({day[-4:] for day in days}) > 1 else day[:-5]


def format_days(report: Report) -> str:
    """Return the days of a report, from the first to the last: ``6 to 22 June 2026``; empty without times."""
    starts = [outing.head.start_s for outing in report.outings if outing.head.start_s is not None]
    if not starts:
        return ""
    first, last = (format_long_day(start_s, report.site.zone).split() for start_s in (min(starts), max(starts)))
    shared = next((k for k in range(len(last)) if first[k:] == last[k:]), len(last))
    return " ".join(last) if shared == 0 else f"{' '.join(first[:shared])} to {' '.join(last)}"


def format_gain(outing: OutingResult, report: Report) -> str:
    """Return what an outing brought: points of the site that were new, or of the junk ground where that is more."""
    whole_m2 = report.site.area_m2
    points = 100 * outing.ground.new_m2 / whole_m2 if whole_m2 else 0.0
    junk = max((done.gained_points for done in outing.junk_done), default=0.0)
    return f"+{_points(junk)} of the junk ground" if junk > points else f"+{_points(points)}"


def format_junk_done(done: JunkProgress, report: Report) -> str:
    """Return how much of its junk ground a coil has done: ``34 % of the junk ground done, +12 on 22 June``."""
    coils = [(outing, {one.coil for one in outing.junk_done}) for outing in reversed(report.outings)]
    latest = next(outing for outing, names in coils if done.coil in names)
    gained, day = _whole(done.gained_points), format_outing_day(latest, report)
    return f"{done.done_pct:.0f} % of the junk ground done, +{gained} on {day}"


def _points(points: float) -> str:
    text = _whole(points)
    return f"{text} point" if text == "1" else f"{text} points"


def _whole(points: float) -> str:
    """Points without decimals; below one with a tenth, so that a little is not nothing."""
    return format_number(points, 0 if points >= 0.95 or points < 0.05 else 1)
