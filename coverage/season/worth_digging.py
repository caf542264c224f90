"""How often a signal was worth digging here, by coil and class of target, and a ranking of ground that counts it in."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from fieldcomb.coverage.finds.find import JUNK, KEEP, LEFT, Find
from fieldcomb.coverage.gear.target_ids import CLASSES, DigRule
from fieldcomb.coverage.season.counts import class_of
from fieldcomb.coverage.season.season_results import Share, WorthDigging
from fieldcomb.coverage.todo.ranking import Ranking


def worth_digging(finds: Sequence[Find], rules: Mapping[str, DigRule]) -> tuple[WorthDigging, ...]:
    """Count what came of signals with each coil: of all, and of each class of target that its numbers tell."""
    out = []
    for coil in sorted({find.coil for find in finds if find.coil}):
        own = [find for find in finds if find.coil == coil]
        for name in ("", *CLASSES):
            kinds = [find.kind for find in own if name in ("", class_of(find, rules))]
            share = Share(kinds.count(KEEP), kinds.count(JUNK), kinds.count(LEFT))
            if share.dug:
                out.append(WorthDigging(coil, name, share))
    return tuple(out)


def worth_of(worth: Sequence[WorthDigging], coil: str, target: str | None) -> WorthDigging | None:
    """Return what is known of a coil: of the class of target that matters where it dug any, else of all its signals."""
    known = {(one.coil, one.of_class): one for one in worth}
    return known.get((coil, target or "")) or known.get((coil, ""))


def chance_worth(worth: WorthDigging | None) -> float:
    """Return the chance that the next signal is worth digging: (kept + 1) / (dug + 2), Laplace's rule of succession.

    Of a coil that dug nothing here it is one half.

    >>> chance_worth(WorthDigging("small", "", Share(2, 17))), chance_worth(None)
    (0.14285714285714285, 0.5)
    """
    return 0.5 if worth is None else (worth.share.kept + 1) / (worth.share.dug + 2)


def rank_by_finds(ranking: Ranking, worth: Sequence[WorthDigging], target: str | None) -> Ranking:
    """Return a ranking in which what a coil brings counts by the chance that its signals are worth digging."""
    chance = {coil.coil: chance_worth(worth_of(worth, coil.coil, target)) for coil in ranking.coils}
    coils = tuple(
        replace(
            coil,
            pieces=tuple(
                replace(
                    piece,
                    gain_per_100_m2=piece.gain_per_100_m2 * chance[coil.coil],
                    gain_per_hour=None if piece.gain_per_hour is None else piece.gain_per_hour * chance[coil.coil],
                )
                for piece in coil.pieces
            ),
        )
        for coil in ranking.coils
    )
    gains = tuple(replace(one, gain=one.gain * chance.get(one.coil, 0.5)) for one in ranking.gains)
    return replace(ranking, coils=coils, gains=gains)
