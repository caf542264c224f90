"""The report as text for a terminal: plain words, aligned, at most 100 columns, nothing that a terminal obeys."""

from collections.abc import Iterable, Iterator, Sequence

from fieldcomb.coverage.estimate.confidence import has_certain
from fieldcomb.coverage.gear.swing import BODY
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.report.answer import GO_NEXT, answer, citation, lanes_left, places_for_others, share_of
from fieldcomb.coverage.report.mark_words import format_marks, warning
from fieldcomb.coverage.report.outing_lines import format_junk_done
from fieldcomb.coverage.report.place_lines import format_reason_in_full, format_worths
from fieldcomb.coverage.report.rounding import format_share
from fieldcomb.coverage.report.season_words import season_lines, since_lines, worth_lines
from fieldcomb.coverage.report.text import columns, wrapped
from fieldcomb.coverage.report.todo_words import PROMISE, format_pair, junk_lines, planted_lines, searched_lines
from fieldcomb.coverage.report.words import (
    format_estimate,
    format_filled,
    format_interval,
    format_least_width,
    format_moment,
    format_next_evidence,
    format_no_go_entry,
    format_pace_95,
    format_pegs,
    format_spacings,
    format_strip_caution,
    format_team,
    format_total_under_coil,
    format_under_coil,
)
from fieldcomb.coverage.survey.results import Comparison, OutingResult, Report
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import (
    NONE,
    format_area,
    format_count,
    format_duration,
    format_length,
    format_number,
    format_percent,
    format_square_metres,
)

WIDTH = 100
PLACES_IN_FULL = 20

_PASSES = {"0": "never", "1": "once", "2": "twice", "3+": "three times or more"}


def table(report: Report) -> str:
    """Return what ``map`` and ``report`` print; a newline at the end."""
    filled = (format_filled(one.area, one.depth_m, one.coils) for one in report.filled)
    sections = [
        _sentence(warning(report), 0) if warning(report) else [],
        [line for one in report.left_out for line in _sentence(str(one.sentence), 0)],
        list(_head(report)),
        list(_outings(report)),
        list(_coils(report)),
        list(_bullets("By person", _people(report))),
        list(_bullets("Second search", _second_search(report))),
        list(_passes(report)),
        list(_unswept(report)),
        list(_bullets("The old surface under filled ground", filled)),
        list(_between(report.between)) if report.between else [],
        list(_bullets("Searched for", searched_lines(report))),
        list(_bullets("Planted targets", planted_lines(report.planted))),
        list(_bullets("What the finds say", season_lines(report))),
        list(_bullets("Junk", junk_lines(report.junk))),
        list(_recordings(report)),
        list(_bullets("Notes", report.notes)),
        list(_bullets("Read with care", _cautions(report))),
        list(_bullets("To cite", [citation(report)])),
        list(_places(report)),
    ]
    return "\n\n".join("\n".join(line.rstrip() for line in section) for section in sections if section) + "\n"


# ------------------------------------------------------------------------------------------------------------- words


def _right(cells: Sequence[str], widths: Sequence[int]) -> str:
    return "".join(cell.rjust(width) for cell, width in zip(cells, widths, strict=True))


def _left(text: str, width: int) -> str:
    return text + " " * max(0, width - columns(text))


def _sentence(text: str, indent: int) -> list[str]:
    return wrapped(harmless(text), WIDTH, " " * indent, " " * (indent + 2))


def _bullets(title: str, texts: Iterable[str]) -> Iterator[str]:
    lines = [line for text in texts for line in wrapped(harmless(text), WIDTH, "  - ", "    ")]
    if lines:
        yield title
        yield from lines


# -------------------------------------------------------------------------------------------------------------- head


def _head(report: Report) -> Iterator[str]:
    site, total = report.site, report.total
    yield from wrapped(harmless(site.name), WIDTH)
    boundary = "inside the boundary given" if site.boundary == "given" else "of the ground between your walks"
    net = [f"{format_area(m2)} {kind}" for m2, kind in ((site.no_go_m2, "no-go"), (site.blocked_m2, "blocked")) if m2]
    without = f", without {' and '.join(net)}" if net else ""
    yield from _line("Site", f"{format_area(site.area_m2)} {boundary}{without}")
    share = format_share(total.swept_pct, total.swept_m2, site.area_m2)
    swept = f"{share} {share_of(report)}, {format_area(total.swept_m2)}"
    times = f"in {format_count(len(report.outings), 'outing')}"
    yield from _line("Walked over", f"{swept}, {times}; {format_percent(total.twice_pct)} of that twice or more")
    for since in since_lines(report):
        yield from _line("", since)
    yield from _estimate(report)
    if under := format_total_under_coil(report.total.swept_pct, report.total.under, report.depth_m):
        yield from _line("Under the coil", under)
    yield from _line("Crosswise", f"{format_area(total.crosswise_m2)} were walked in two directions")
    if total.not_recorded_m2 > 0:
        yield from _line(
            "Not recorded", f"{format_area(total.not_recorded_m2)}, counted as neither walked over nor missed"
        )
    if total.said_walked_m2 > 0:
        words = "that people say they walked without a recording: counted as neither walked over nor missed"
        yield from _line("Said walked", f"{format_area(total.said_walked_m2)} {words}")


def _estimate(report: Report) -> Iterator[str]:
    total = report.total
    if total.estimate.pct is None:
        if total.estimate.reason:
            yield from _line("Estimate", f"none: {total.estimate.reason}")
        return
    recorded = format_share(total.swept_pct, total.swept_m2, report.site.area_m2)
    yield from _line("Estimate", format_estimate(total.estimate, recorded, has_certain(report.strips)))
    yield from _line("", format_least_width(total.found_from_m, total.estimate))
    if told := format_next_evidence(total.next_evidence, total.estimate):
        yield from _line("", f"{told}.")


def _line(title: str, text: str) -> list[str]:
    return wrapped(text, WIDTH, _left(title, 15), " " * 15)


# ----------------------------------------------------------------------------------------------------------- outings

_WIDTHS = (7, 11, 11, 11, 11, 9, 13, 6)


def _outings(report: Report) -> Iterator[str]:
    if not report.outings:
        return
    yield _left("Outings", 21) + _right(
        ("swept", "new", "again, m2", "again, m2", "crosswise", "min per", "", ""), _WIDTHS
    )
    heads = ("%", "m2", "same coil", "other coil", "m2", "100 m2", "searching", "digs")
    yield _left("", 21) + _right(heads, _WIDTHS)
    for outing in report.outings:
        yield from _outing(outing, report)
    yield "  swept, new, again and crosswise: as recorded"
    if any(outing.times.searching_s is None for outing in report.outings):
        yield "  A dash (-) means that the recording has no times"


def _outing(outing: OutingResult, report: Report) -> Iterator[str]:
    head, times, ground = outing.head, outing.times, outing.ground
    cells = (
        format_share(ground.swept_pct, ground.swept_m2, report.site.area_m2).removesuffix(" %"),
        format_square_metres(ground.new_m2),
        format_square_metres(ground.again_same_coil_m2),
        format_square_metres(ground.again_other_coil_m2),
        format_square_metres(ground.crosswise_m2),
        format_number(outing.minutes_per_100_m2, 1),
        format_duration(times.searching_s),
        NONE if times.digs is None else format_number(times.digs),
    )
    yield _left(f"  {format_moment(head.start_s, report.site.zone)}", 21) + _right(cells, _WIDTHS)
    label = f' "{head.label}"' if head.label else ""
    swings = "; ".join(dict.fromkeys(_swing(recording) for recording in outing.recordings))
    yield from _sentence(f"{head.id}{label}: {swings or ', '.join(head.coils)}", 4)
    yield from _sentence(_walking(outing), 4)
    if outing.marks:
        yield from _sentence(f"Marks: {format_marks(outing.marks)}", 4)
    for entry in outing.no_go.entries:
        said = format_no_go_entry(entry.area_m2, entry.area, entry.depth_m, entry.position_error_could_explain)
        yield from _sentence(f"no-go: {said}", 4)
    if head.note:
        yield from _sentence(f"note: {head.note}", 4)


def _swing(recording: RecordingResult) -> str:
    mark = "" if recording.swath_measured else " (not measured)"
    return f"{recording.coil}, swing width {format_length(recording.swath_m)}{mark}"


def _walking(outing: OutingResult) -> str:
    head, times, ground = outing.head, outing.times, outing.ground
    said = [f"walked {format_number(times.walked_m)} m"]
    if head.searchers > 1:
        said.insert(0, format_team(head.recorded, head.unrecorded))
        said[1] = f"walked {format_number(times.walked_m)} m in all"
    if times.speed_m_s is not None:
        said[-1] += f", searching at {format_number(times.speed_m_s, 2)} m/s"
    if times.elapsed_s is not None:
        said.append(f"{format_duration(times.elapsed_s)} in all")
        others = ((times.stopped_s, "standing"), (times.transit_s, "on the way"), (times.dropout_s, "not recorded"))
        said += [f"{format_duration(seconds)} {words}" for seconds, words in others if seconds]
    if times.stops is not None:
        said.append(format_count(times.stops, "stop"))
    grounds = (
        (ground.not_recorded_m2, "not recorded"),
        (ground.outside_m2, "outside the boundary"),
        (outing.no_go.area_m2, "of no-go ground entered"),
    )
    said += [f"{format_area(m2)} {words}" for m2, words in grounds if m2 > 0]
    if under := format_under_coil(outing.under):
        said.append(under)
    if outing.estimate.pct is not None:
        said.append(f"alone about {format_interval(outing.estimate)}")
    said.append(f"total so far {format_percent(ground.total_pct)} as recorded")
    if times.total_hours is not None:
        said[-1] += f" in {format_duration(times.total_hours * 3600)} of searching"
    return "; ".join(said)


# ------------------------------------------------------------------------------------------------------------ ground


def _coils(report: Report) -> Iterator[str]:
    if not report.coils:
        return
    yield "By coil"
    for coil in report.coils:
        pct = format_share(coil.swept_pct, coil.swept_m2, report.site.area_m2)
        share = f"{pct} {share_of(report)} as recorded"
        if coil.estimate.pct is not None:
            share = f"about {format_interval(coil.estimate)} {share_of(report)}; {pct} as recorded"
        said = f"{share}, {format_area(coil.swept_m2)}, in {format_count(coil.outings, 'outing')}"
        if under := format_under_coil(coil.under):
            pace = format_pace_95(coil.pace_95_low_m_s, coil.pace_95_high_m_s)
            slower = "" if coil.pace_95_low_m_s is None else " or slower"
            said += f"; {under}; it covers 95 % of the swing at {pace}{slower}"
        yield from _sentence(f"{coil.coil}: {said}", 2)


def _passes(report: Report) -> Iterator[str]:
    whole = report.site.area_m2
    yield "The coil passed, as recorded"
    for key, m2 in report.total.passes_m2.items():
        pct = format_share(100 * m2 / whole if whole > 0 else None, m2, whole)
        yield f"  {_left(_PASSES.get(key, key), 20)}{format_area(m2):>15}{pct:>10}"


_UNSWEPT = {
    "missed_m2": "missed between passes",
    "not_reached_m2": "not reached yet",
    "other_outings_m2": "swept only by outings that are not counted here",
    "not_recorded_m2": "not recorded",
    "said_walked_m2": "walked without a recording, as people say",
    "cannot_tell_m2": "cannot be told: the receiver's error may have drawn it, or it is too small",
}


def _unswept(report: Report) -> Iterator[str]:
    """Kinds of ground that was not walked over; they add up to it."""
    unswept, whole = report.total.unswept, report.site.area_m2
    if unswept is None:
        return
    by_lanes = ", by lanes where they are known" if report.total.estimate.by_lanes_pct else ""
    yield f"Not walked over, {format_area(unswept.whole)}{by_lanes}"
    for key, words in _UNSWEPT.items():
        m2 = getattr(unswept, key)
        if m2 > 0:
            pct = format_share(100 * m2 / whole if whole > 0 else None, m2, whole)
            yield from wrapped(words, WIDTH, f"{format_area(m2):>14}{pct:>9}  ", " " * 25)


def _between(between: Comparison) -> Iterator[str]:
    yield from wrapped(f"{harmless(between.first)} compared with {harmless(between.second)}, as recorded", WIDTH)
    rows = (
        ("swept in both", between.both_m2),
        (f"only in {harmless(between.first)}", between.first_only_m2),
        (f"only in {harmless(between.second)}", between.second_only_m2),
        ("in neither", between.neither_m2),
    )
    for words, m2 in rows:
        yield from wrapped(words, WIDTH, f"{format_area(m2):>15}  ", " " * 17)


def _people(report: Report) -> Iterator[str]:
    """Who searched how long and how much, where anybody is named."""
    for one in report.people if any(person.searcher for person in report.people) else ():
        time = "" if one.hours is None else f"{format_duration(one.hours * 3600)} of searching, "
        said = f"{time}{format_area(one.swept_m2)} as recorded, in {format_count(one.outings, 'outing')}"
        more = f"{format_count(one.not_recorded, 'outing')} without a recording" if one.not_recorded else ""
        parts = [said] if one.outings else []
        yield f"{one.searcher or 'no name given'}: {'; '.join([*parts, more] if more else parts)}"


def _second_search(report: Report) -> Iterator[str]:
    yield from (f"{done.coil}: {format_junk_done(done, report)}" for done in report.junk_done if done.done_pct > 0)
    yield from map(format_pair, report.coil_pairs)


def _places(report: Report) -> Iterator[str]:
    """Every place to go to, once, with what is known of it."""
    if report.between is not None:
        return
    with_coil = "" if report.coil_in_hand is None else f" with {report.coil_in_hand}"
    yield f"{GO_NEXT}{with_coil}"
    if not report.places:
        yield from _sentence(answer(report).go_next, 2)
        return
    if lanes := lanes_left(report):
        yield from _sentence(lanes, 2)
    for place in report.places[:PLACES_IN_FULL]:
        lon, lat = place.centre
        length = "" if place.length_m is None else format_length(place.length_m)
        sizes = f"  {place.letter:<4}{format_area(place.area_m2):>10}{length:>9}  "
        said = f"{format_reason_in_full(place)}, {place.where}; {format_worths(place)}; at {lat:.5f}, {lon:.5f}"
        yield from wrapped(harmless(said), WIDTH, sizes, " " * len(sizes))
    if more := len(report.places) - PLACES_IN_FULL:
        yield from [f"  and {format_number(more)} more on the map and in places.gpx"] if more > 0 else []
    if others := places_for_others(report):
        yield f"  and {others}"
    for line in worth_lines(report):
        yield from _sentence(line, 2)
    yield from _sentence(PROMISE, 2)


# -------------------------------------------------------------------------------------------------------- recordings


def _recordings(report: Report) -> Iterator[str]:
    if not any(outing.recordings for outing in report.outings):
        return
    yield "Recordings"
    for outing in report.outings:
        for recording in outing.recordings:
            yield from _recording(recording)


def _recording(recording: RecordingResult) -> Iterator[str]:
    who = f" ({recording.searcher})" if recording.searcher else ""
    every = "no times" if recording.interval_s is None else f"one every {recording.interval_s:.3g} s"
    dropped = [f"{format_number(many)} {why}" for why, many in sorted(recording.dropped.items()) if many]
    left_out = f"left out: {', '.join(dropped)}" if dropped else "none left out"
    said = f"{format_count(recording.fixes, 'fix')}, {every}, {left_out}; gps {recording.gps}"
    if recording.lift_measured:
        said += f"; coil {format_length(recording.lift_m)} above the soil"
    if recording.ground:
        said += f"; ground: {recording.ground}"
    if recording.spacings:
        said += f"; {format_spacings(recording.spacings)}"
    if recording.carried != BODY:
        said += f"; carried: {recording.carried}"
    yield from _sentence(f"{recording.file}{who}: {recording.verdict}; {said}", 2)
    if recording.pegs:
        yield from wrapped(
            f"Pegs: {format_pegs(len(recording.pegs), *recording.pegs_off_m, recording.unmeasured_pegs)}",
            WIDTH,
            "    - ",
            "      ",
        )
    for text in (*recording.advice, *recording.notes):
        yield from wrapped(harmless(text), WIDTH, "    - ", "      ")


def _cautions(report: Report) -> Iterator[str]:
    recordings = [recording for outing in report.outings for recording in outing.recordings]
    guessed = sum(not recording.swath_measured for recording in recordings)
    if guessed:
        of = f"{format_number(guessed)} of {format_count(len(recordings), 'recording')}"
        yield f"The swing width was not measured for {of}: every area is only as good as that guess. Measure it first."
    poor = [recording.file for recording in recordings if recording.verdict == "poor"]
    if poor:
        yield f"Poor recordings put all of this in doubt: {', '.join(poor)}. See Recordings, above, for what to change."
    yield (
        "The percentage is ground that the swing passed over, as recorded: not what the coil itself covered between "
        "two sweeps, and not what was heard or dug."
    )
    if caution := format_strip_caution(report.total.estimate):
        yield caution
    if report.site.boundary != "given":
        yield (
            "There is no boundary: the percentage is of the ground between your walks, and says nothing about the rest."
        )
