"""report.json: every number of a survey, for scripts. The same numbers for people are in ``table``."""

from dataclasses import fields
from importlib.metadata import version
from typing import Any

from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.finds.fields import find_fields
from fieldcomb.coverage.ground.pass_tally import OutingGround
from fieldcomb.coverage.ground.under_coil import Under
from fieldcomb.coverage.ground.unswept import Unswept
from fieldcomb.coverage.lanes.declared import LanesResult
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.report.answer import answer, citation
from fieldcomb.coverage.report.mark_words import mark_fields
from fieldcomb.coverage.report.outing_lines import format_outing
from fieldcomb.coverage.report.place_lines import place_fields, strip_fields
from fieldcomb.coverage.report.rounding import as_fields, parts, rounded, share
from fieldcomb.coverage.report.season_words import event_fields, found_fields, since_fields, worth_fields
from fieldcomb.coverage.report.todo_words import junk_fields, planted_fields, searched_fields, todo_fields
from fieldcomb.coverage.report.words import format_next_evidence
from fieldcomb.coverage.season.worth_digging import worth_of
from fieldcomb.coverage.survey.results import CoilResult, OutingResult, Report, TotalResult
from fieldcomb.coverage.todo.results import JunkProgress, TodoCoil
from fieldcomb.tracks.files.json_text import to_json
from fieldcomb.tracks.motion.peg_drift import PegResidual
from fieldcomb.tracks.units import iso_utc

REPORT_SCHEMA = 1
AREA = PCT = LENGTH = 2  # decimals
SECONDS = 1
_TIMES = {
    **{"walked_m": LENGTH, "speed_m_s": 3, "total_hours": 3},
    **dict.fromkeys(("elapsed_s", "searching_s", "stopped_s", "transit_s", "dropout_s"), SECONDS),
}
_RECORDING = {"swath_m": 3, "sweep_s": 2, "interval_s": 2, "reach_m": 3, "lift_m": 3}
_PAIR = {"area_m2": AREA, "junk_m2": AREA}
_COMPARED = dict.fromkeys(("both_m2", "first_only_m2", "second_only_m2", "neither_m2"), AREA)


def report_json(report: Report) -> str:
    """Return report.json: sorted keys, null for what is not known, letters as they are, a newline at the end.

    Areas are rounded to 0.01 m2 and shares to 0.01 %, so that parts still sum to their whole.
    """
    site = report.site
    whole = rounded(site.area_m2, AREA) or 0.0
    value = {
        "schema": REPORT_SCHEMA,
        "fieldcomb": version("fieldcomb"),
        "site": as_fields(site, {"no_go_m2": AREA, "blocked_m2": AREA})
        | {"area_m2": whole, "frame_origin": [site.frame.lon_deg, site.frame.lat_deg], "frame": site.frame.proj4},
        "outings": [_outing(outing, whole) | {"in_short": format_outing(outing, report)} for outing in report.outings],
        "coils": [_coil(coil, whole) for coil in report.coils],
        "total": _total(report.total, site.area_m2),
        "strips": [strip_fields(strip) for strip in report.strips],
        "between": None if report.between is None else as_fields(report.between, _COMPARED),
        "notes": [*(str(one.sentence) for one in report.left_out), *report.notes],
        "left_out": [as_fields(one, {}, without=("hint", "marks_read")) for one in report.left_out],
        "searched_for": searched_fields(report.searched_for),
        "junk": junk_fields(report.junk),
        "todo": [todo_fields(coil) | {"worth_digging": _worth(coil, report)} for coil in report.todo],
        "answer": as_fields(answer(report), {}),
        "cite": citation(report),
        "places": [place_fields(place) for place in report.places],
        "coil_in_hand": report.coil_in_hand,
        "places_for_others": report.places_for_others,
        "people": [as_fields(one, {"hours": 3, "swept_m2": AREA}) for one in report.people],
        "junk_done": [_junk_done(one) for one in report.junk_done],
        "coil_pairs": [as_fields(pair, _PAIR, without=("rest", "junk", "grid", "cells")) for pair in report.coil_pairs],
        "lanes": [_lanes(plan) for plan in report.lanes],
        "lanes_ahead": [{"name": plan.name, "closed": list(plan.closed)} for plan in report.plans_ahead],
        "planted": planted_fields(report.planted),
        "finds": [find_fields(find) for find in report.finds],
        "events": [event_fields(one) for one in report.events],
        "since": since_fields(report.since),
        "found": found_fields(report.season, site.frame),
        "depth_m": rounded(report.depth_m, 3),
        "filled": [as_fields(one, {"depth_m": 3}) for one in report.filled],
    }
    return to_json(value, indent=2) + "\n"


def _worth(coil: TodoCoil, report: Report) -> dict[str, Any] | None:
    return None if report.season is None else worth_fields(worth_of(report.season.worth, coil.coil, None))


def _share(pct: float | None, part_m2: float, whole_m2: float) -> float | None:
    return share(pct, rounded(part_m2, AREA) or 0.0, whole_m2, PCT)


def _outing(outing: OutingResult, whole_m2: float) -> dict[str, Any]:
    head, ground = outing.head, outing.ground
    return {
        "id": head.id,
        "label": head.label,
        "note": head.note,
        "start": None if head.start_s is None else iso_utc(head.start_s),
        "coils": list(head.coils),
        "recordings": [_recording(recording) for recording in outing.recordings],
        "searchers": head.searchers,
        "recorded": head.recorded,
        "unrecorded": list(head.unrecorded),
        **as_fields(outing.times, _TIMES),
        **_ground(ground, whole_m2),
        "minutes_per_100_m2": rounded(outing.minutes_per_100_m2, 2),
        "no_go_entered": [as_fields(entry, {"area_m2": AREA, "depth_m": LENGTH}) for entry in outing.no_go.entries],
        "no_go_entered_m2": rounded(outing.no_go.area_m2, AREA),
        "marks": [mark_fields(mark) for mark in outing.marks],
        "junk_done": [_junk_done(one) for one in outing.junk_done],
        **_estimate(outing.estimate),
        "strips_placed": outing.estimate.strips_placed,
        "est_reason": outing.estimate.reason,
        "so_far": None if outing.so_far is None else _estimate(outing.so_far),
        **_under(outing.under, _share(ground.swept_pct, ground.swept_m2, whole_m2)),
    }


def _junk_done(done: JunkProgress) -> dict[str, Any]:
    return as_fields(done, {"ground_m2": AREA, "done_pct": PCT, "gained_points": PCT})


def _ground(ground: OutingGround, whole_m2: float) -> dict[str, Any]:
    new_and_again = ("new_m2", "again_same_coil_m2", "again_other_coil_m2")
    areas = ("swept_m2", "crosswise_m2", "outside_m2", "not_recorded_m2")
    return {
        **{key: rounded(getattr(ground, key), AREA) for key in areas},
        **parts(ground.swept_m2, {key: getattr(ground, key) for key in new_and_again}, AREA),
        "swept_pct": _share(ground.swept_pct, ground.swept_m2, whole_m2),
        "twice_pct": rounded(ground.twice_pct, PCT),
        "total_pct": rounded(ground.total_pct, PCT),
    }


def _estimate(estimate: Estimate) -> dict[str, float | str | None]:
    shares = {"swept_est_pct": estimate.pct, "swept_low": estimate.low, "swept_high": estimate.high}
    shares["est_by_lanes_pct"] = estimate.by_lanes_pct
    return {key: rounded(pct, PCT) for key, pct in shares.items()} | {"est_by": estimate.by}


def _under(under: Under, swept_pct: float | None) -> dict[str, float | None]:
    """Shares under the coil, never above the share swept even when both are rounded."""
    shares = {"under_coil_pct": under.pct, "under_coil_low_pct": under.low, "under_coil_high_pct": under.high}
    return {
        key: None if pct is None or swept_pct is None else min(round(pct, PCT), swept_pct)
        for key, pct in shares.items()
    }


def _recording(recording: RecordingResult) -> dict[str, Any]:
    pegs = [_peg(peg) for peg in recording.pegs]
    spacings = [as_fields(spacing, {"across_m": 3}) for spacing in recording.spacings]
    return as_fields(recording, _RECORDING) | {"pegs": pegs, "ground": recording.ground or None, "spacings": spacings}


def _peg(peg: PegResidual) -> dict[str, Any]:
    places = dict.fromkeys(("east_m", "north_m", "left_east_m", "left_north_m"), LENGTH)
    return as_fields(peg, places, without=("time_s", "source")) | {"time": iso_utc(peg.time_s)}


def _coil(coil: CoilResult, whole_m2: float) -> dict[str, Any]:
    pct = _share(coil.swept_pct, coil.swept_m2, whole_m2)
    places = {"swept_m2": AREA, "pace_95_low_m_s": 3, "pace_95_high_m_s": 3}
    return {
        **as_fields(coil, places, without=("estimate", "under")),
        "swept_pct": pct,
        **_estimate(coil.estimate),
        **_under(coil.under, pct),
        "under_coil_left_out": coil.under.left_out,
    }


def _lanes(plan: LanesResult) -> dict[str, Any]:
    places = {"spacing_m": 3, "bearing_deg": 4, "planned_m": LENGTH, "of_plan_pct": PCT, "of_site_pct": PCT}
    numbers = {"done": len(plan.done), "part": len(plan.part), "left": list(plan.left), "open": list(plan.open)}
    shares = {"of_site_low": rounded(plan.low, PCT), "of_site_high": rounded(plan.high, PCT)}
    blocks = [
        {"from": block.first, "to": block.last, "state": block.state, "p": rounded(block.chance, 4)}
        for block in plan.blocks
    ]
    lanes = [
        as_fields(one, {"walked": 4}, without=("number", "by")) | {"no": one.number, "by": list(one.by)}
        for one in plan.known
    ]
    left_out = ("low", "high", "blocks", "grounds", "known", *numbers)
    return as_fields(plan, places, without=left_out) | numbers | shares | {"blocks": blocks, "lane": lanes}


def _next_evidence(total: TotalResult) -> dict[str, Any] | None:
    evidence = total.next_evidence
    if evidence is None:
        return None
    sentence = f"{format_next_evidence(evidence, total.estimate)}."
    return as_fields(evidence, {"low": PCT, "high": PCT}) | {"sentence": sentence}


def _unswept(unswept: Unswept | None) -> dict[str, float] | None:
    """Ground that was not swept, by kind; the kinds add up to all of it."""
    if unswept is None:
        return None
    kinds = {field.name: getattr(unswept, field.name) for field in fields(unswept) if field.name.endswith("_m2")}
    return parts(unswept.whole, kinds, AREA) | {"cannot_tell_pieces": unswept.cannot_tell_pieces}


def _total(total: TotalResult, area_m2: float) -> dict[str, Any]:
    whole = rounded(area_m2, AREA) or 0.0
    passes = parts(area_m2, total.passes_m2, AREA)
    swept = rounded(total.swept_m2, AREA) or 0.0
    # Swept and not swept are rounded apart; where they are one and the same ground, let them say so.
    by_passes = round(whole - passes.get("0", 0.0), AREA)
    swept = by_passes if abs(by_passes - total.swept_m2) <= 0.02 else swept
    return {
        "swept_m2": swept,
        "swept_pct": share(total.swept_pct, swept, whole, PCT),
        "twice_pct": rounded(total.twice_pct, PCT),
        "crosswise_m2": rounded(total.crosswise_m2, AREA),
        "not_recorded_m2": rounded(total.not_recorded_m2, AREA),
        "passes_m2": passes,
        "said_walked_m2": rounded(total.said_walked_m2, AREA),
        "unswept": _unswept(total.unswept),
        **_estimate(total.estimate),
        "est_reason": total.estimate.reason,
        "strips_placed": total.estimate.strips_placed,
        "found_from_m": total.found_from_m,
        "next_evidence": _next_evidence(total),
        **_under(total.under, _share(total.swept_pct, total.swept_m2, whole)),
        "under_coil_left_out": total.under.left_out,
    }
