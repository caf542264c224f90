"""The square of a kilometre that a site lies in, or a larger one for a larger site. It is cut, never rounded."""

import math

import shapely
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.gis.coordinates import GisFrame, suggested_epsg
from fieldcomb.tracks.frame import SiteFrame

SIDES_KM = (1, 10, 100)
NEAR_POLE = "beyond 80° south or 84° north"


def globe_square(shape: BaseGeometry, frame: SiteFrame) -> str:
    """Return the square of the UTM grid that the middle of some ground lies in, by its south-west corner.

    shape : the ground in site metres. The square is the smallest of 1, 10 and 100 km that is not smaller than it.

    >>> globe_square(Point(0, 0).buffer(200), SiteFrame(0.6945, 50.5))
    'the square of 1 km at 336 km east, 5596 km north in UTM zone 31 north'
    """
    epsg = suggested_epsg(frame)
    if epsg == 4326:
        return NEAR_POLE
    left, bottom, right, top = shapely.bounds(shape)
    span_km = max(right - left, top - bottom) / 1000
    side_km = next((side for side in SIDES_KM if side >= span_km), SIDES_KM[-1])
    middle = shapely.get_coordinates(GisFrame(frame, epsg).from_site(Point((left + right) / 2, (bottom + top) / 2)))
    east, north = (side_km * math.floor(metres / 1000 / side_km) for metres in middle[0])
    zone = f"UTM zone {epsg % 100} {'south' if epsg // 100 == 327 else 'north'}"
    return f"the square of {side_km} km at {east} km east, {north} km north in {zone}"
