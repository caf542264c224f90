"""Which lanes a recording walked, when the receiver is farther off than the lanes lie apart.

A walk along numbered lanes is a chain: each leg lies on one lane, mostly the next one, and the receiver's error on one
leg is much like that on the leg before. All sequences of lanes are weighed at once by the forward-backward rule, for
each of several errors, which count by how well they explain the walk. Nothing is sampled, so the same legs always give
the same answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# Chance of going on from one lane to the one so many further in the order of walking; the rest is shared by all lanes.
# Chosen for this project; walked plans were simulated with 4.5 % of lanes skipped and 3.5 % walked again.
STEPS = {1: 0.90, 2: 0.045, 0: 0.035, 3: 0.01, -1: 0.005}
ANY_STEP = 0.005
# The slow error that a receiver may have, each with its chance, and how long it lasts. Chosen for this project.
SLOW_FACTORS = {0.6: 0.2, 1.0: 0.4, 1.6: 0.3, 2.6: 0.1}  # of that of its class, which is often too good
USUAL_SLOW_M, LEAST_SLOW_M = 1.5, 0.3  # with less, flags and eyes are farther off
LASTING_S = (100.0, 400.0, 1500.0)
FAST_SHARE = 1 / 3  # of the slow error; it fades in the mean over a leg
FAST_FADES_S = 50.0
WALKER_M = 0.15  # how far the mean of a leg strays from its lane
CONSIDERED_M = 15.0  # five times the largest slow error: lanes farther from a leg than this are not considered
LEAST_LANES_NEAR = 8  # but so many always are
TOGETHER = 5  # lanes whose chances are summed in one go; a block is as many
DONE, AGAIN = 0.9, 0.5  # a block is done, or is to be walked again, beyond these chances


@dataclass(frozen=True, slots=True)
class LegAcross:
    """One leg as lanes see it.

    across_m : its mean place across the lanes, without its ends. seconds : how long it took. at_s : when, in Unix
    seconds. lane : place of its lane in the plan if a mark, a press or a tick said so.
    """

    across_m: float
    seconds: float
    at_s: float
    lane: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """What a recording says of lanes.

    of_leg : (legs, lanes), chance that a leg lies on a lane. walked : (lanes,), chance that a lane was walked at all.
    """

    of_leg: Floats
    walked: Floats
    _chain: _Chain

    @property
    def lane_of_leg(self) -> NDArray[np.intp]:
        """The likeliest lane of each leg."""
        return np.asarray(np.argmax(self.of_leg, axis=1))

    def all_walked(self, lanes: Sequence[int]) -> float:
        """Chance that each of these lanes was walked; at most eight of them."""
        left_out = self._chain.avoiding(list(lanes))
        return float(np.clip(sum((-1) ** bin(chosen).count("1") * p for chosen, p in enumerate(left_out)), 0, 1))


def decode(across_m: Floats, legs: Sequence[LegAcross], slow_m: float = USUAL_SLOW_M) -> Decoded:
    """Weigh all ways in which legs can lie on lanes.

    across_m : (lanes,), where lanes lie across, in the order of their numbers. slow_m : the slow error of the class of
    the receiver.

    Each leg has mean offset b_i(k) = z_i - Y_k on lane k; b is a chain with slow error sb that lasts tau, seen with the
    error r_i of one leg. Lanes are walked upwards or downwards, each with chance one half.
    """
    chain = _Chain(np.asarray(across_m, float), tuple(legs), max(slow_m, LEAST_SLOW_M))
    return Decoded(chain.posterior(), chain.walked(), chain)


@dataclass(frozen=True, slots=True)
class _Error:
    """One error of a receiver and one direction of walking, with its chance."""

    slow_m: float
    lasting_s: float
    upwards: bool
    chance: float


def _errors(slow_m: float) -> tuple[_Error, ...]:
    many = len(LASTING_S) * 2
    return tuple(
        _Error(slow_m * factor, lasting_s, up, chance / many)
        for (factor, chance), lasting_s, up in product(SLOW_FACTORS.items(), LASTING_S, (True, False))
    )


class _Chain:
    """The chain of legs with its forward and backward sums, (errors, near lanes) each, for one set of legs."""

    def __init__(self, across_m: Floats, legs: tuple[LegAcross, ...], slow_m: float) -> None:
        self.lanes = across_m.size
        self.avoided: dict[tuple[int, ...], Floats] = {}
        self.near = [_near(across_m, leg) for leg in legs]  # lanes that each leg may lie on
        self.errors = _errors(slow_m)
        self.steps = _Steps(across_m, legs, self.near, self.errors)
        self._forward()
        self._backward()
        chance = np.log([error.chance for error in self.errors]) + self.evidence
        weight = np.exp(chance - chance.max())
        self.weight = weight / weight.sum()

    def _forward(self) -> None:
        self.ahead: list[Floats] = []
        self.evidence = np.zeros(len(self.errors))
        for number in range(len(self.near)):
            now = self.steps.first if number == 0 else np.einsum("ek,ekl->el", self.ahead[-1], self.steps.to(number))
            total = now.sum(axis=1)
            self.evidence += np.log(total)
            self.ahead.append(now / total[:, None])

    def _backward(self) -> None:
        self.behind: list[Floats] = [np.ones((len(self.errors), near.size)) for near in self.near]
        for number in range(len(self.near) - 1, 0, -1):
            before = np.einsum("ekl,el->ek", self.steps.to(number), self.behind[number])
            self.behind[number - 1] = before / before.max(axis=1, keepdims=True)

    def posterior(self) -> Floats:
        """(legs, lanes): chance that a leg lies on a lane."""
        out = np.zeros((len(self.near), self.lanes))
        for number, near in enumerate(self.near):
            both = self.ahead[number] * self.behind[number]
            out[number, near] = self.weight @ (both / both.sum(axis=1, keepdims=True))
        return out

    def walked(self) -> Floats:
        """(lanes,): chance that a lane was walked; lanes beside each other are weighed in one go."""
        groups = [list(range(first, min(first + TOGETHER, self.lanes))) for first in range(0, self.lanes, TOGETHER)]
        alone = [self.avoiding(lanes)[1 << np.arange(len(lanes))] for lanes in groups]
        return np.asarray(1 - np.concatenate([*alone, np.zeros(0)]).clip(0, 1))

    def avoiding(self, lanes: list[int]) -> Floats:
        """Chance that none of a subset of lanes was walked, for each subset: (2 ** lanes,), counted in binary."""
        if (known := self.avoided.get(tuple(lanes))) is None:
            known = self.avoided[tuple(lanes)] = self._avoiding(lanes)
        return known

    def _avoiding(self, lanes: list[int]) -> Floats:
        chosen = np.arange(2 ** len(lanes))[:, None] >> np.arange(len(lanes)) & 1 == 1
        touched = [number for number, near in enumerate(self.near) if np.isin(lanes, near).any()]
        if not touched:
            return np.ones(len(chosen))
        first, last = touched[0], touched[-1]
        now = np.broadcast_to(self.ahead[first], (len(chosen), *self.ahead[first].shape))
        now = now * self._open(first, lanes, chosen)
        full = self.ahead[first]
        for number in range(first + 1, last + 1):
            step = self.steps.to(number)
            full = np.einsum("ek,ekl->el", full, step)
            scale = full.sum(axis=1)
            full /= scale[:, None]
            now = (
                np.einsum("sek,ekl->sel", now, step, optimize=True) / scale[:, None] * self._open(number, lanes, chosen)
            )
        share = (now * self.behind[last]).sum(axis=2) / (full * self.behind[last]).sum(axis=1)
        chance: Floats = np.sum(share * self.weight, axis=1)
        return chance

    def _open(self, number: int, lanes: list[int], chosen: NDArray[np.bool_]) -> Floats:
        """(subsets, 1, near lanes): 0 for a lane that a subset avoids, else 1."""
        hit = np.asarray(lanes)[:, None] == self.near[number][None, :]
        avoided = np.any(chosen[:, :, None] & hit[None], axis=1)
        return np.where(avoided, 0.0, 1.0)[:, None, :]


def _near(across_m: Floats, leg: LegAcross) -> NDArray[np.intp]:
    """Return the lanes that a leg may lie on, in the order of their numbers."""
    if leg.lane is not None:
        return np.array([leg.lane])
    away_m = np.abs(across_m - leg.across_m)
    closest = np.argsort(away_m, kind="stable")[:LEAST_LANES_NEAR]
    return np.union1d(np.flatnonzero(away_m <= CONSIDERED_M), closest)


class _Steps:
    """How likely a leg on one lane is followed by the next leg on another, (errors, lanes before, lanes now)."""

    def __init__(
        self,
        across_m: Floats,
        legs: tuple[LegAcross, ...],
        near: list[NDArray[np.intp]],
        errors: tuple[_Error, ...],
    ) -> None:
        self.slow2 = np.array([error.slow_m**2 for error in errors])
        self.lasting_s = np.array([error.lasting_s for error in errors])
        self.up = np.array([1 if error.upwards else -1 for error in errors])
        self.lanes, self.legs, self.near = across_m.size, legs, near
        self.off = [leg.across_m - across_m[lanes] for leg, lanes in zip(legs, near, strict=True)]
        self.known: dict[int, Floats] = {}
        if legs:
            spread = self.slow2 + self._one_leg2(0)
            self.first = np.exp(-(self.off[0] ** 2) / (2 * spread[:, None])) / np.sqrt(spread)[:, None]
            if legs[0].lane is not None:
                self.first = np.ones_like(self.first)

    def to(self, number: int) -> Floats:
        """Steps from leg ``number`` - 1 to leg ``number``."""
        if number not in self.known:
            self.known[number] = self._to(number)
        return self.known[number]

    def _to(self, number: int) -> Floats:
        between_s = max(0.0, self.legs[number].at_s - self.legs[number - 1].at_s)
        lasts = np.exp(-between_s / self.lasting_s)
        known = self.slow2 / (self.slow2 + self._one_leg2(number - 1))
        spread = self.slow2 * (1 - lasts**2 * known) + self._one_leg2(number)
        expected = (lasts * known)[:, None, None] * self.off[number - 1][None, :, None]
        miss = self.off[number][None, None, :] - expected
        fits = np.exp(-(miss**2) / (2 * spread[:, None, None])) / np.sqrt(spread)[:, None, None]
        ahead = self.near[number][None, :] - self.near[number - 1][:, None]
        up, down = _step_chance(ahead, self.lanes), _step_chance(-ahead, self.lanes)
        # A leg far from all lanes fits none; every way stays possible, so that the sums are never zero.
        return np.maximum(fits, 1e-200) * np.where(self.up[:, None, None] > 0, up, down)

    def _one_leg2(self, number: int) -> Floats:
        fades = min(1.0, FAST_FADES_S / max(self.legs[number].seconds, 1.0))
        return np.asarray(self.slow2 * FAST_SHARE**2 * fades + WALKER_M**2)


def _step_chance(ahead: NDArray[np.intp], lanes: int) -> Floats:
    chance = np.full(ahead.shape, ANY_STEP / lanes)
    for step, share in STEPS.items():
        chance[ahead == step] += share
    return chance


def block_state(all_walked: float) -> str:
    """``done``, ``walk again`` or ``cannot tell``, by the chance that every lane of a block was walked."""
    return "done" if all_walked > DONE else "walk again" if 1 - all_walked > AGAIN else "cannot tell"
