"""How many are left, by how finds per effort fall off: the lines of Leslie and of DeLury, for outings of any effort.

All take a closed stock, of which every piece is as easily found as the next, and as easily on each outing. Loud and
shallow ones go first, so that what is left is harder to find and more than the line says.
"""

import math
from collections.abc import Sequence

import numpy as np

from fieldcomb.coverage.todo.counted_limits import LIMITS_LEVEL
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

LEAST_OUTINGS = 3  # a line through two points says nothing of how well it fits


@dataclass(frozen=True, slots=True)
class CatchLine:
    """A line fitted to finds per effort.

    stock : how many there were before the first outing. stock_se : its standard error.
    catchability : share of the stock that one unit of effort finds. catchability_se : its standard error.
    low, high : limits of the stock; None where the line does not fall beyond doubt, and any stock would do.
    at, rate : the points, prior catch and catch per effort. noise : t times the spread of a point about the line.
    """

    stock: float
    stock_se: float
    catchability: float
    catchability_se: float
    low: float | None
    high: float | None
    at: tuple[float, ...]
    rate: tuple[float, ...]
    noise: float = 0.0

    def band(self, prior: float) -> tuple[float, float]:
        """Limits of the line itself after some finds; they meet zero at the limits of the stock."""
        x = np.array(self.at)
        away = (prior - x.mean()) ** 2 / float(((x - x.mean()) ** 2).sum())
        middle, half = self.catchability * (self.stock - prior), self.noise * math.sqrt(1 / x.size + away)
        return middle - half, middle + half

    @property
    def falls(self) -> bool:
        """Whether the line falls beyond doubt."""
        return self.high is not None


@dataclass(frozen=True, slots=True)
class _Line:
    """Least squares of y on x: slope, height at the mean of x, and what their errors are made of."""

    slope: float
    middle_x: float
    middle_y: float
    variance: float  # of one point about the line
    spread_x: float  # sum of squares about the mean
    count: int

    @property
    def slope_se(self) -> float:
        return math.sqrt(self.variance / self.spread_x)


def leslie(
    caught: Sequence[float], effort: Sequence[float], *, ricker: bool = False, level: float = LIMITS_LEVEL
) -> CatchLine:
    """Fit catch per effort on prior catch (Leslie and Davis 1939): C/f = qN - qK.

    caught : finds of each outing, in order. effort : of each, above 0, in any unit.
    ricker : count half of an outing's own finds as prior catch (Ricker 1975).

    The limits of the stock are Fieller's, of the place where the line meets zero: they exist only where the slope is
    below zero at the same level, and are not symmetric.

    Raises ValueError: fewer than three outings, effort that is none, or nothing found before the last.
    """
    found, spent = _checked(caught, effort)
    prior = np.cumsum(found) - found * (0.5 if ricker else 1.0)
    rate = found / spent
    line = _fit(prior, rate)
    if line.slope == 0:
        return CatchLine(math.inf, math.inf, 0.0, line.slope_se, None, None, _tuple(prior), _tuple(rate))
    stock = line.middle_x - line.middle_y / line.slope
    away = (stock - line.middle_x) ** 2 / line.spread_x
    se = math.sqrt(line.variance * (1 / line.count + away)) / abs(line.slope)
    t = _quantile(line.count - 2, level)
    low, high = _fieller(line, t)
    noise = t * math.sqrt(line.variance)
    return CatchLine(stock, se, -line.slope, line.slope_se, low, high, _tuple(prior), _tuple(rate), noise)


def delury(caught: Sequence[float], effort: Sequence[float]) -> tuple[float, float]:
    """Fit the logarithm of catch per effort on prior effort (DeLury 1947): log C/f = log qN - qE.

    Returns the stock and the catchability; both NaN where an outing found nothing, which has no logarithm, or where the
    line does not fall. caught, effort : as of ``leslie``, which also says how sure it is.
    """
    found, spent = _checked(caught, effort)
    if not (found > 0).all():
        return math.nan, math.nan
    line = _fit(np.cumsum(spent) - spent, np.log(found / spent))
    if line.slope >= 0:
        return math.nan, math.nan
    return math.exp(line.middle_y - line.slope * line.middle_x) / -line.slope, -line.slope


def _checked(caught: Sequence[float], effort: Sequence[float]) -> tuple[Floats, Floats]:
    found, spent = np.asarray(caught, float), np.asarray(effort, float)
    if found.size < LEAST_OUTINGS or found.shape != spent.shape:
        raise ValueError(f"{found.size} outings with {spent.size} efforts: {LEAST_OUTINGS} or more were expected")
    if not (spent > 0).all() or (found < 0).any() or not found[:-1].any():
        raise ValueError("effort above 0, and finds before the last outing, were expected")
    return found, spent


def _fit(x: Floats, y: Floats) -> _Line:
    middle_x, middle_y = float(x.mean()), float(y.mean())
    spread = float(((x - middle_x) ** 2).sum())
    slope = float(((x - middle_x) * (y - middle_y)).sum()) / spread
    off = y - middle_y - slope * (x - middle_x)
    return _Line(slope, middle_x, middle_y, float((off**2).sum()) / (x.size - 2), spread, x.size)


def _quantile(degrees: int, level: float) -> float:
    """Quantile of Student's t that leaves half of what is beyond a level on either side."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees, (1 + level) / 2))


def _fieller(line: _Line, t: float) -> tuple[float | None, float | None]:
    """Limits of where a falling line meets zero (Fieller 1954); None where it does not fall beyond doubt."""
    t2 = t**2
    doubt = t2 * line.variance / (line.slope**2 * line.spread_x)
    if line.slope >= 0 or doubt >= 1:
        return None, None
    away = -line.middle_y / line.slope
    half = math.sqrt(t2 * line.variance * ((1 - doubt) / line.count + away**2 / line.spread_x)) / -line.slope
    return line.middle_x + (away - half) / (1 - doubt), line.middle_x + (away + half) / (1 - doubt)


def _tuple(values: Floats) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
