"""The site frame: the one place that knows degrees and metres at once."""

from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike
from pyproj import CRS, Geod, Transformer

from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

WGS84 = Geod(ellps="WGS84")
MOST_LAT_DEG = 85.0  # of a site: the Mercator map of browsers (EPSG:3857) ends at 85.05 degrees


Degrees = TypeVar("Degrees", float, Floats)


def wrap_lon(lon_deg: Degrees) -> Degrees:
    """Return a longitude, or a difference of two, as it lies within -180 (inclusive) and 180 degrees.

    >>> wrap_lon(190.0), wrap_lon(-180.0), wrap_lon(180.0)
    (-170.0, -180.0, -180.0)
    """
    return (lon_deg + 180) % 360 - 180


@dataclass(frozen=True, slots=True)
class SiteFrame:
    """Transverse Mercator (k0 = 1, WGS 84) centred on the site: easting right, northing up, metres.

    At 500 m from the origin lengths are true to 3 parts in 10^9 and areas on a 1 km site to 1 part in 10^7,
    so that an area in this frame is an area on the ground (on level ground).
    """

    lon_deg: float
    lat_deg: float

    def __post_init__(self) -> None:
        if not (-180 <= self.lon_deg <= 180 and -90 <= self.lat_deg <= 90):
            raise ValueError(f"frame origin {self.lon_deg}, {self.lat_deg} is not a longitude and latitude")

    @property
    def proj4(self) -> str:
        """The frame as a PROJ string."""
        return f"+proj=tmerc +lat_0={self.lat_deg!r} +lon_0={self.lon_deg!r} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m"

    @property
    def wkt(self) -> str:
        """The frame as WKT, for a GeoTIFF."""
        return CRS.from_proj4(self.proj4).to_wkt("WKT1_GDAL")

    def to_metres(self, lon_deg: ArrayLike, lat_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Longitudes and latitudes to (x_m, y_m); shape kept. Values that cannot be placed come back as inf or NaN."""
        x, y = _transformer(self).transform(np.asarray(lon_deg, float), np.asarray(lat_deg, float))
        return np.asarray(x, float), np.asarray(y, float)

    def to_lonlat(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[Floats, Floats]:
        """(x_m, y_m) to longitudes and latitudes in degrees; shape kept."""
        lon, lat = _transformer(self).transform(np.asarray(x_m, float), np.asarray(y_m, float), direction="INVERSE")
        return np.asarray(lon, float), np.asarray(lat, float)


@lru_cache(maxsize=16)
def _transformer(frame: SiteFrame) -> Transformer:
    # The steps that PROJ finds by itself from WGS 84 to the frame. To have it look for them takes 7 ms, a hundred times
    # as long: half a minute for the frames of thousands of areas.
    steps = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step"
    return Transformer.from_pipeline(f"{steps} {frame.proj4.replace('+datum=WGS84 +units=m', '+ellps=WGS84')}")


def centre_frame(lon_deg: Floats, lat_deg: Floats) -> SiteFrame:
    """Return the frame centred on these places, which may lie on both sides of 180 degrees.

    The origin is rounded to 1e-7 degree (about 1 cm), so that it can be written down and read back unchanged.
    """
    first = float(lon_deg[0])
    turned = wrap_lon(lon_deg - first)
    lon = wrap_lon(first + (float(turned.min()) + float(turned.max())) / 2)
    lat = (float(lat_deg.min()) + float(lat_deg.max())) / 2
    return SiteFrame(round(lon, 7), round(lat, 7))


def middle_frame(lon_deg: Floats, lat_deg: Floats) -> SiteFrame:
    """Return the frame on the median of these places, which a few wild ones do not move."""
    turn = np.radians(lon_deg)
    near = float(np.degrees(np.arctan2(np.median(np.sin(turn)), np.median(np.cos(turn)))))  # not a wild one itself
    lon = near + float(np.median(wrap_lon(lon_deg - near)))
    return SiteFrame(round(wrap_lon(lon), 7), round(float(np.median(lat_deg)), 7))


def distance_m(lon1_deg: float, lat1_deg: float, lon2_deg: float, lat2_deg: float) -> float:
    """Geodesic distance on WGS 84 (Karney's method as in PROJ)."""
    return float(WGS84.inv(lon1_deg, lat1_deg, lon2_deg, lat2_deg)[2])
