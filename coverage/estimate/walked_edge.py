"""The chance that ground was walked, from how far inside the edge of walked ground it lies, as recorded.

Where walked ground ends in the field, its edge may be anywhere, and the chance is that of a normal law. Along the
boundary more is known: nobody searches beyond it, and whoever goes up to it keeps much the same rim all along. On the
way round the site drift moves edges out as often as in, so their mean shows that rim.
"""

import math

import numpy as np

from fieldcomb.coverage.estimate.effort import Plot
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# How far off it may be at one place: where walked ground ends in the field, several lanes with errors of their own show
# its edge; along the boundary often a single one does.
FIELD_EDGE_SIGMAS, RIM_EDGE_SIGMAS = 0.6, 1.0
OUT_M = 0.5  # the coil reaches no farther than this beyond the boundary
# Who searches up to the boundary leaves a rim within some metres, which varies by so much on its way round; elsewhere
# ground ends anywhere. How much of the boundary is of the first kind is seen, within limits.
RIM_WITHIN_M, RIM_SD_M, ANYWHERE_M, UP_TO_RIM = 4.0, 0.5, 20.0, (0.02, 0.9)
# Turns at the ends of lanes are more path than lanes, and seem to end farther out: by so much of a receiver's error, as
# far as a typical one.
MOST_RIM_MORE_M, RIM_MORE_SIGMAS = 0.4, 0.255
# So many standard deviations inside an edge a chance is 1, and so many outside 0, to the last bit: the normal integral
# is below 1e-17 there, and what is added to 1 or taken from it must be 5e-17 to change it.
CERTAIN_SIGMAS = 8.5
MOST_ODDS = 50.0  # logarithm of what the field may be likelier than the rim, or less likely


@dataclass(frozen=True, slots=True)
class _Edges:
    """What is known of the edges of one walk: which share of the boundary it went up to, and the rim it left there.

    field_sd_m, along_sd_m : how far off an edge may be at one place, in the field and along the boundary.
    """

    up_to_rim: float
    rim_m: float
    field_sd_m: float
    along_sd_m: float

    @property
    def both_m2(self) -> float:
        """Variance of a rim as recorded: how far off that may be, and how much the rim varies."""
        return self.along_sd_m**2 + RIM_SD_M**2

    @property
    def rim_sd_m(self) -> float:
        """How far off a rim may still be, once it is known what it is all along."""
        return self.along_sd_m * RIM_SD_M / math.sqrt(self.both_m2)


def chance_inside(plot: Plot, within_m: Floats, sigma_m: float) -> Floats:
    """Chance that each inside cell was within walked ground, (cells,), as found with a receiver of so many metres.

    within_m : how far inside the edge each lies, (cells,); outside it is negative. The chance is worked out near edges
    alone, as elsewhere it is 0 or 1 to the last bit: on a field of a hectare that takes two fifths of the time.
    """
    depth_m = plot.within_m[plot.inside]
    edge_m = depth_m + OUT_M - within_m  # as recorded, in from where the coil could have reached
    of = _edges(edge_m[depth_m < plot.cell_m], sigma_m)
    certain_m = max(CERTAIN_SIGMAS * of.field_sd_m, CERTAIN_SIGMAS * of.rim_sd_m + of.rim_m)
    walked_over = edge_m < -RIM_WITHIN_M  # a tree or other island, which ended nothing
    some = np.flatnonzero(((within_m < certain_m) | (edge_m < 0)) & ~walked_over)
    reach_m, within_m, edge_m = depth_m[some] + OUT_M, within_m[some], edge_m[some]
    mean_m = (edge_m * RIM_SD_M**2 + of.rim_m * of.along_sd_m**2) / of.both_m2
    share = _share_of_rim(of, edge_m, mean_m)
    to_rim = _between((reach_m - mean_m) / of.rim_sd_m, reach_m / of.rim_sd_m)
    in_field = _between(within_m / of.field_sd_m, reach_m / of.field_sd_m)
    chance = np.ones(depth_m.size)
    chance[some] = share * to_rim + (1 - share) * in_field
    return chance


def _edges(outer_m: Floats, sigma_m: float) -> _Edges:
    """See what is known of edges by those of the outermost cells, as recorded."""
    up_to_rim = float(np.clip((outer_m < RIM_WITHIN_M).mean(), *UP_TO_RIM))
    rims_m = outer_m[np.abs(outer_m) < RIM_WITHIN_M]  # not round no-go ground that was walked over on the map
    more_m = min(MOST_RIM_MORE_M, RIM_MORE_SIGMAS * sigma_m)
    rim_m = max(float(rims_m.mean()) + more_m, 0.0) if rims_m.size else RIM_WITHIN_M
    return _Edges(up_to_rim, rim_m, FIELD_EDGE_SIGMAS * sigma_m, RIM_EDGE_SIGMAS * sigma_m)


def _share_of_rim(of: _Edges, edge_m: Floats, mean_m: Floats) -> Floats:
    """Chance that an edge is a rim along the boundary, and no edge in the field.

    edge_m : where it is as recorded. mean_m : where it is to be expected, if it is a rim.
    """
    from scipy.special import log_ndtr

    rim_odds = math.log(of.up_to_rim / math.sqrt(of.both_m2))
    field_odds = math.log((1 - of.up_to_rim) * math.sqrt(2 * math.pi) / ANYWHERE_M)
    # From here on an edge lies too far in to be a rim; that it lies within the boundary makes less than 1 of odds.
    field_from_m = of.rim_m + math.sqrt(2 * of.both_m2 * (MOST_ODDS + 1 + rim_odds - field_odds))
    odds, near = np.full(edge_m.size, MOST_ODDS), np.flatnonzero(edge_m < field_from_m)
    edge_m, mean_m = edge_m[near], mean_m[near]
    rim = rim_odds - (edge_m - of.rim_m) ** 2 / (2 * of.both_m2) + log_ndtr(mean_m / of.rim_sd_m)
    odds[near] = np.clip(field_odds + log_ndtr(edge_m / of.field_sd_m) - rim, -MOST_ODDS, MOST_ODDS)
    return np.asarray(1 / (1 + np.exp(odds)))


def _between(within: Floats, room: Floats) -> Floats:
    """Chance that an edge normal about ``room - within`` lies from 0 to ``room``, when it is above 0."""
    from scipy.special import log_ndtr

    chance = (within > 0).astype(float)  # as it is where the edge is certain
    near = np.flatnonzero((np.abs(within) < CERTAIN_SIGMAS) | (within > room))
    within, room = within[near], room[near]
    chance[near] = 1 - np.exp(log_ndtr(-within) - log_ndtr(room - within))  # holds far inside, where both are tiny
    return chance
