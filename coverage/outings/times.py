"""How long an outing took and how far it went: searching, standing, on the way and not recorded."""

from collections.abc import Sequence

from fieldcomb.tracks.motion.legs import Walk
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class OutingTimes:
    """Metres, seconds and stops of one outing, all its walks together; all but metres None without a clock.

    total_hours : hours of searching, this outing and all before it.
    """

    walked_m: float
    elapsed_s: float | None
    searching_s: float | None
    stopped_s: float | None
    transit_s: float | None
    dropout_s: float | None
    stops: int | None
    digs: int | None
    speed_m_s: float | None
    total_hours: float | None


def outing_times(walks: Sequence[Walk], far_share: float, before: Sequence[OutingTimes]) -> OutingTimes:
    """Add up the walks of an outing; ``far_share`` of its searching was far from the site, and counts as on the way."""
    walked_m, search_m = sum(w.walked_m for w in walks), sum(w.search_m for w in walks) * (1 - far_share)
    times = [w.times for w in walks if w.times is not None]
    if len(times) < len(walks):
        return OutingTimes(walked_m, None, None, None, None, None, None, None, None, None)
    searching_s = sum(t.searching_s for t in times) * (1 - far_share)
    transit_s = sum(t.transit_s for t in times) + sum(t.searching_s for t in times) * far_share
    stopped_s, dropout_s = sum(t.stopped_s for t in times), sum(t.dropout_s for t in times)
    hours = [o.searching_s for o in before] + [searching_s]
    return OutingTimes(
        walked_m=walked_m,
        elapsed_s=searching_s + stopped_s + transit_s + dropout_s,
        searching_s=searching_s,
        stopped_s=stopped_s,
        transit_s=transit_s,
        dropout_s=dropout_s,
        stops=sum(len(w.stops) for w in walks),
        digs=sum(s.kind == "dig" for w in walks for s in w.stops),
        speed_m_s=search_m / searching_s if searching_s > 0 else None,
        total_hours=sum(h for h in hours if h is not None) / 3600 if None not in hours else None,
    )
