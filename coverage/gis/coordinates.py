"""Coordinate systems of files for a GIS: the site's own frame, or one that the user names by its EPSG number."""

from __future__ import annotations

import math
import warnings
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Transformer, network
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError
from pyproj.transformer import TransformerGroup
from shapely.geometry.base import BaseGeometry

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.frame import SiteFrame, wrap_lon
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

UTM_ZONE_DEG, UTM_LATITUDES_DEG = 6, (-80.0, 84.0)
NEAR_DEG = 0.5  # so far beyond the area that a system is made for it still serves


@dataclass(frozen=True, slots=True)
class GisFrame:
    """What coordinates are written in: ``epsg`` names a system; None stands for the site's frame."""

    site: SiteFrame
    epsg: int | None = None

    @property
    def wkt(self) -> str:
        """The system as WKT 1, which all programs read."""
        return self.site.wkt if self.epsg is None else str(CRS.from_epsg(self.epsg).to_wkt("WKT1_GDAL"))

    @property
    def name(self) -> str:
        """What the system is called."""
        if self.epsg is None:
            return f"metres from {self.site.lat_deg}, {self.site.lon_deg}"
        return str(CRS.from_epsg(self.epsg).name)

    def from_site(self, shape: BaseGeometry) -> BaseGeometry:
        """Return an outline, lines or points in site metres in this system, easting or longitude first."""
        if self.epsg is None:
            return shape

        def moved(xy: Floats) -> Floats:
            x, y = _transformer(self.site, self.epsg or 0).transform(xy[:, 0], xy[:, 1])
            return np.column_stack([x, y])

        return shapely.transform(shape, moved)


@lru_cache(maxsize=4)
def _transformer(site: SiteFrame, epsg: int) -> Transformer:
    network.set_network_enabled(active=False)  # type: ignore[attr-defined]  # nothing is fetched, whatever the machine is set to
    return Transformer.from_crs(CRS.from_wkt(site.wkt), CRS.from_epsg(epsg), always_xy=True)


def gis_frame(site: SiteFrame, epsg: int | None) -> GisFrame:
    """Return what to write in; raises UsageError for a number that is no flat system, or one for another place."""
    if epsg is None:
        return GisFrame(site)
    hint = f"Here EPSG:{suggested_epsg(site)} fits, or the number of your national grid"
    try:
        system = CRS.from_epsg(epsg)
    except CRSError as error:
        raise UsageError(f"EPSG:{epsg} is not known", hint=hint) from error
    if not (system.is_projected or system.is_geographic) or len(system.axis_info) != 2:
        raise UsageError(f"EPSG:{epsg} ({system.name}) is no system of two coordinates", hint=hint)
    area = system.area_of_use
    if area is not None and not _holds(area.bounds, site):
        raise UsageError(f"EPSG:{epsg} ({system.name}) is for another place: {area.name.rstrip('.')}", hint=hint)
    return GisFrame(site, epsg)


@dataclass(frozen=True, slots=True, eq=False)
class GridPlaces:
    """Places in a system: easting or longitude, northing or latitude; ``good_to_m`` is what the change of datum is.

    flat : whether they are metres. name : of the system. good_to_m : None where it is not known.
    """

    x: Floats
    y: Floats
    flat: bool
    name: str
    good_to_m: float | None


def in_grid(lon_deg: Floats, lat_deg: Floats, epsg: int, *, anywhere: bool = False) -> GridPlaces:
    """Return places in a coordinate system, by the best way to it that needs no file from elsewhere.

    anywhere : true for a zone of UTM, some of which are used beyond what they were made for.

    Raises UsageError: no such system, one for another place, or one that is neither degrees nor metres.
    """
    network.set_network_enabled(active=False)  # type: ignore[attr-defined]  # nothing is fetched
    if not anywhere:
        gis_frame(SiteFrame(float(lon_deg[0]), float(lat_deg[0])), epsg)
    system = CRS.from_epsg(epsg)
    if system.is_projected and system.axis_info[0].unit_name != "metre":
        raise UsageError(f"EPSG:{epsg} ({system.name}) is not in metres", hint="Use a grid in metres, or degrees")
    corners = (float(lon_deg.min()), float(lat_deg.min()), float(lon_deg.max()), float(lat_deg.max()))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that a better way needs a file: how good this one is is told
        here: Any = AreaOfInterest(*corners)
        ways = TransformerGroup(4326, epsg, always_xy=True, area_of_interest=here)
    way = ways.transformers[0]
    x, y = way.transform(lon_deg, lat_deg)
    good_to_m = float(way.accuracy) if way.accuracy >= 0 else None
    return GridPlaces(np.asarray(x, float), np.asarray(y, float), bool(system.is_projected), system.name, good_to_m)


def _holds(bounds_deg: tuple[float, float, float, float], site: SiteFrame) -> bool:
    west, south, east, north = bounds_deg
    width = (east - west) % 360 if east - west < 360 else 360.0
    inside = (site.lon_deg - west + NEAR_DEG) % 360 <= width + 2 * NEAR_DEG
    return inside and south - NEAR_DEG <= site.lat_deg <= north + NEAR_DEG


def suggested_epsg(site: SiteFrame) -> int:
    """Return the number of the UTM zone on WGS 84 that a site lies in; near the poles that of plain degrees.

    On an edge it is the one with the lower number. Counted here, as pyproj took 64 ms to look it up.
    """
    south_deg, north_deg = UTM_LATITUDES_DEG
    if not south_deg <= site.lat_deg <= north_deg:
        return 4326
    zone = max(math.ceil((wrap_lon(site.lon_deg) + 180) / UTM_ZONE_DEG), 1)
    return (32600 if site.lat_deg >= 0 else 32700) + zone
