"""Limits of a share and of a rate that were counted: what else the same count is compatible with."""

import math

LIMITS_LEVEL = 0.9  # of all limits that are shown: they hold the truth nine times in ten


def wilson_limits(successes: int, tries: int, level: float = LIMITS_LEVEL) -> tuple[float, float]:
    """Limits of a share, 0 to 1, by Wilson's score interval without continuity correction.

    With p = successes / tries and the normal quantile z they are (p + z²/2n ± z sqrt(p(1-p)/n + z²/4n²)) / (1 + z²/n)
    (E. B. Wilson 1927; R. G. Newcombe 1998, Statistics in Medicine 17, method 3). Nothing tried says nothing: 0 and 1.

    Raises ValueError: more successes than tries, or fewer than none.

    >>> [round(limit, 4) for limit in wilson_limits(15, 148, 0.95)]
    [0.0624, 0.1605]
    """
    from scipy.special import ndtri

    if not 0 <= successes <= tries:
        raise ValueError(f"{successes} of {tries}")
    if tries == 0:
        return 0.0, 1.0
    z2 = float(ndtri((1 + level) / 2)) ** 2
    share = successes / tries
    middle = share + z2 / (2 * tries)
    half = math.sqrt(z2 * (share * (1 - share) / tries + z2 / (4 * tries**2)))
    whole = 1 + z2 / tries
    low, high = (middle - half) / whole, (middle + half) / whole
    return (0.0 if successes == 0 else low), (1.0 if successes == tries else high)


def poisson_limits(count: int, level: float = LIMITS_LEVEL) -> tuple[float, float]:
    """Exact limits of the mean of which a count is one outcome.

    Half the chi-square quantiles with 2 n and 2 n + 2 degrees of freedom (F. Garwood 1936, Biometrika 28). Where
    nothing was counted the lower limit is 0.

    Raises ValueError: a count below none.

    >>> [round(limit, 3) for limit in poisson_limits(5)]
    [1.97, 10.513]
    """
    from scipy.special import gammaincinv

    if count < 0:
        raise ValueError(f"{count} is no count")
    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    return low, float(gammaincinv(count + 1, 1 - tail))
