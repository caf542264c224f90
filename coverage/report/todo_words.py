"""What is still to do, what was searched for and what is known of junk: one set of names and words for all outputs."""

from collections.abc import Iterator, Sequence
from typing import Any

from fieldcomb.coverage.report.rounding import DEGREE_PLACES, as_fields
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.todo.planted import PlantedResult, all_planted
from fieldcomb.coverage.todo.results import CoilPair, JunkResult, SearchedClass, TodoCoil, TodoPiece
from fieldcomb.tracks.units import format_area, format_count, format_length, format_percent

PROMISE = (
    "This ranks ground by where one more pass might find most. It is a model and promises nothing: how many "
    "targets there are, how deep and how loud they are, is not known."
)
NOT_MEASURED = "iron not measured here"
CLASS_NAMES = {"iron": "iron", "low": "low targets", "middle": "middle targets", "high": "high targets"}
_PIECE = {
    **{"area_m2": 2, "minutes": 1, "gain_per_100_m2": 4, "gain_per_hour": 4, "unswept_pct": 1},
    **{"junk_per_m2": 2, "junk_error_per_m2": 2},
}


# -------------------------------------------------------------------------------------------------------- report.json


def piece_fields(piece: TodoPiece) -> dict[str, Any]:
    """Return a piece of ground to do as report.json and todo.geojson have it."""
    centre = [round(degrees, DEGREE_PLACES) + 0.0 for degrees in piece.centre]
    return as_fields(piece, _PIECE, without=("shape", "cause")) | {"centre": centre}


def todo_fields(coil: TodoCoil) -> dict[str, Any]:
    """Return what is to do with one coil."""
    pieces = [piece_fields(piece) for piece in coil.pieces]
    places = {"area_m2": 2, "minutes": 1, "m2_per_minute": 2}
    return as_fields(coil, places) | {"mostly": coil.mostly or None, "pieces": pieces}


def searched_fields(searched: tuple[SearchedClass, ...]) -> dict[str, Any]:
    """Return shares of the site by class of target."""
    places = dict.fromkeys(("whole_pct", "part_pct", "none_pct", "not_stated_pct"), 2)
    return {one.name: as_fields(one, places, without=("name",)) for one in searched}


def junk_fields(junk: JunkResult | None) -> dict[str, Any] | None:
    """Return what is known of junk; null where a survey did not ask."""
    shares = ("counted_pct", "dug_pct", "drawn_pct", "assumed_pct", "not_measured_pct", "error_pct", "heard_m2")
    return None if junk is None else as_fields(junk, dict.fromkeys((*shares, "then_per_m2", "now_per_m2"), 2))


def planted_fields(planted: Sequence[PlantedResult]) -> list[dict[str, Any]]:
    """Return what was found of targets that were planted, by class and depth."""
    places = {"depth_m": 3, **dict.fromkeys(("pct", "low", "high", "model_pct"), 2)}
    return [{"class": one.target_class or None} | as_fields(one, places, without=("target_class",)) for one in planted]


# ------------------------------------------------------------------------------------------------------------- words


def format_planted(one: PlantedResult, deep: str = "") -> str:
    """What was found of planted targets, beside what the model said.

    >>> format_planted(PlantedResult("coin", 0.15, 20, 14, 70.0, 51.5, 83.6, 81.2), " at that depth")
    '14 of 20 found, 70 % (52-84); 81 % of the ground round them lay under the coil at that depth'
    """
    said = f"{one.found} of {one.n} found, {one.pct:.0f} % ({one.low:.0f}-{one.high:.0f})"
    if one.model_pct is None:
        return said
    return f"{said}; {one.model_pct:.0f} % of the ground round them lay under the coil{deep}"


def planted_lines(planted: Sequence[PlantedResult]) -> Iterator[str]:
    """Lines on planted targets by class and depth; all together first where there are several."""
    whole = all_planted(planted)
    if whole is not None and len(planted) > 1:
        yield f"all: {format_planted(whole, ' at their depths')}"
    for one in planted:
        where = "depth not stated" if one.depth_m is None else f"{format_length(one.depth_m)} deep"
        deep = "" if one.depth_m is None else " at that depth"
        yield f"{one.target_class or 'no class'}, {where}: {format_planted(one, deep)}"


def planted_in_short(planted: Sequence[PlantedResult]) -> str:
    """One line on all planted targets; empty where there are none."""
    whole = all_planted(planted)
    return "" if whole is None else f"Planted targets: {format_planted(whole, ' at their depths')}"


def format_pair(pair: CoilPair) -> str:
    """What one coil swept and a smaller one has not yet: ``swept with large, not yet with small: 112 m2 ...``."""
    junk = f"{format_area(pair.junk_m2)} of junk ground, " if pair.junk_m2 > 0 else ""
    return f"swept with {pair.larger}, not yet with {pair.smaller}: {junk}{format_area(pair.area_m2)} in all"


def searched_lines(report: Report) -> Iterator[str]:
    """What was searched for, by class of target; one line if what was dug is not stated."""
    if not report.searched_for:
        return
    if all(
        target_class.whole_pct == target_class.part_pct == target_class.none_pct == 0
        for target_class in report.searched_for
    ):
        yield "not stated: write which target numbers you dig, and what they mean, for each coil in site.toml"
        return
    for one in report.searched_for:
        parts = (
            (one.whole_pct, "all of them dug"),
            (one.part_pct, "part of them dug"),
            (one.none_pct, "heard, not dug"),
        )
        said = [
            f"{format_percent(pct)} {words}"
            for pct, words in (*parts, (one.not_stated_pct, "not stated"))
            if pct >= 0.05
        ]
        yield f"{CLASS_NAMES[one.name]}: {', '.join(said) or 'nothing swept'}"


def junk_lines(junk: JunkResult | None) -> Iterator[str]:
    """What is known of junk, and how well."""
    if junk is None:
        return
    parts = []
    if junk.squares:
        parts.append(f"{format_count(junk.signals, 'signal')} in {format_count(junk.squares, 'count square')}")
    if junk.dug:
        parts.append(f"{format_count(junk.dug, 'piece')} dug: a lower bound, since nails are left in the ground")
    if parts and junk.then_per_m2 is not None and junk.now_per_m2 is not None:
        where = f"on the {format_percent(100 - junk.not_measured_pct, 0)} of the site where anything is known"
        bound = junk.counted_pct == junk.drawn_pct == junk.assumed_pct == 0
        now = "what is left is not known" if bound else f"{junk.now_per_m2:.2g} now"
        dense = f"{'at least ' if bound else ''}{junk.then_per_m2:.2g} per m2 before digging, {now}"
        error = f"; a rough guess (± {format_percent(junk.error_pct, 0)})" if junk.error_pct else ""
        yield f"{'; '.join(parts)}. {where[:1].upper()}{where[1:]}: {dense}{error}"
    if junk.not_measured_pct >= 0.05:
        share = format_percent(junk.not_measured_pct, 0)
        yield f"{NOT_MEASURED}: {share} of the site. A count square (mark count 14) helps most"
    if junk.heard_not_dug:
        yield (
            f"heard, not dug: {format_count(junk.heard_not_dug, 'mark')}, {format_area(junk.heard_m2)} round those "
            "marks"
        )
