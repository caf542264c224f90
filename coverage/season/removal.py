"""How many are left, from searches of equal effort over the same ground: Carle and Strub, and two passes."""

import math
from collections.abc import Sequence

from fieldcomb.coverage.todo.counted_limits import LIMITS_LEVEL, wilson_limits

MOST_TIMES = 1000  # what was found; beyond that the searches say nothing of how many there are


def carle_strub(caught: Sequence[int]) -> tuple[float, float, float]:
    """Weighted likelihood of Carle and Strub (1978, Biometrics 34), with a flat prior (alpha = beta = 1).

    The smallest N not below the sum T of finds for which
    (N+1)/(N-T+1) * prod over i of (kN-X-T+1+k-i)/(kN-X+2+k-i) is at most 1, where X is the sum of (k-i) c_i.

    caught : finds of two or more searches, in order.

    Returns N, the share p that each search finds, and Zippin's standard error of N (infinite where there is none).
    NaN where nothing was found, or N is beyond all measure. It gives a number for searches that found no fewer too: ask
    first whether they fell off.
    """
    count, total = len(caught), sum(caught)
    weighted = sum((count - i) * found for i, found in enumerate(caught, 1))
    if total == 0:
        return math.nan, math.nan, math.nan

    def enough(stock: int) -> bool:
        left = count * stock - weighted
        log = math.log((stock + 1) / (stock - total + 1))
        log += sum(math.log((left - total + 1 + count - i) / (left + 2 + count - i)) for i in range(1, count + 1))
        return log <= 1e-12

    most = MOST_TIMES * total
    if not enough(most):
        return math.nan, math.nan, math.nan
    stock = next(n for n in range(total, most + 1) if enough(n))
    share = total / (count * stock - weighted)
    return float(stock), share, _zippin_se(stock, share, count)


def _zippin_se(stock: float, share: float, count: int) -> float:
    """Zippin 1958: N (1 - q^k) q^k / ((1 - q^k)^2 - (pk)^2 q^(k-1)), its root."""
    missed = 1 - share
    found = 1 - missed**count
    under = found**2 - (share * count) ** 2 * missed ** (count - 1)
    return math.sqrt(stock * found * missed**count / under) if under > 0 else math.inf


def two_pass(first: int, second: int) -> tuple[float, float]:
    """Stock and its standard error from two searches of equal effort (Seber and Le Cren 1967): c1² / (c1 - c2).

    NaN where the second found no fewer.
    """
    fewer = first - second
    if fewer <= 0:
        return math.nan, math.nan
    return first**2 / fewer, first * second * math.sqrt(first + second) / fewer**2


def two_pass_limits(first: int, second: int, level: float = LIMITS_LEVEL) -> tuple[float, float] | None:
    """Limits of the stock behind two searches; None where the second may as well have found no fewer by chance.

    Of all finds of both, the second's share is (1-p)/(2-p): its limits are those of any share. Normal limits by the
    standard error held the truth in only 7 of 10 simulated pairs.
    """
    low, high = wilson_limits(second, first + second, level)
    if high >= 0.5:
        return None
    least, most = (first / (1 - share / (1 - share)) for share in (low, high))
    return max(least, float(first + second)), most
