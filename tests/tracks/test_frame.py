"""The site frame against numbers from outside: worked examples, and geodesics by another implementation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import example, given
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from fieldcomb.tracks.frame import WGS84, SiteFrame, centre_frame, distance_m, middle_frame

lons = st.floats(-180, 180)
lats = st.floats(-85, 85)


@pytest.mark.parametrize(
    ("epsg", "lon_deg", "lat_deg", "east_m", "north_m", "within_m"),
    [
        # PROJ's own tests of UTM.
        (32632, 12.0, 56.0, 687_071.439, 6_210_141.327, 0.001),
        (32759, 174.0, -44.0, 740_526.32, 5_123_750.87, 0.01),
        # The worked example of EPSG guidance note 7-2, British grid: 50d30'N 0d30'E on OSGB 1936.
        (None, 0.5, 50.5, 577_274.99, 69_740.50, 0.02),
    ],
)
def test_the_library_below_knows_transverse_mercator(
    epsg: int | None, lon_deg: float, lat_deg: float, east_m: float, north_m: float, within_m: float
) -> None:
    """The projection that the frame rests on gives the published coordinates (PROJ tests; EPSG guidance note 7-2)."""
    if epsg is None:
        british = "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996012717 +x_0=400000 +y_0=-100000 +ellps=airy"
        transformer = Transformer.from_crs(CRS("+proj=longlat +ellps=airy"), CRS(british), always_xy=True)
    else:
        transformer = Transformer.from_crs(4326, epsg, always_xy=True)
    assert transformer.transform(lon_deg, lat_deg) == pytest.approx((east_m, north_m), abs=within_m)


def test_the_frame_is_utm_before_it_is_scaled_and_shifted() -> None:
    """A frame centred on UTM's meridian at the equator gives the UTM value of PROJ's tests, unscaled and unshifted."""
    x, y = SiteFrame(9.0, 0.0).to_metres(12.0, 56.0)
    assert float(x) == pytest.approx((687_071.439 - 500_000) / 0.9996, abs=0.001)
    assert float(y) == pytest.approx(6_210_141.327 / 0.9996, abs=0.001)


def test_long_distances() -> None:
    """Flinders Peak to Buninyong on GRS 80 and Wellington to Salamanca (both from GeographicLib's pages and tests)."""
    flinders, buninyong = (
        (-(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600),
        (
            -(37 + 39 / 60 + 10.15610 / 3600),
            143 + 55 / 60 + 35.38390 / 3600,
        ),
    )
    grs80 = Geod(ellps="GRS80").inv(flinders[1], flinders[0], buninyong[1], buninyong[0])[2]
    assert grs80 == pytest.approx(54_972.271, abs=0.001)
    assert distance_m(flinders[1], flinders[0], buninyong[1], buninyong[0]) == pytest.approx(54_972.271, abs=0.002)
    assert distance_m(174.81, -41.32, -5.50, 40.96) == pytest.approx(19_959_679.267, abs=0.001)
    assert Geodesic.WGS84.Inverse(-41.32, 174.81, 40.96, -5.50)["s12"] == pytest.approx(19_959_679.267, abs=0.001)


def test_polygon_area_on_the_ellipsoid() -> None:
    """The diamond one degree round 0, 0 has 24619419146 m2 (GeographicLib's tests)."""
    area, _ = WGS84.polygon_area_perimeter([-1, 0, 1, 0], [0, -1, 0, 1])
    assert abs(area) == pytest.approx(24_619_419_146, abs=1)


@given(lons, lats, st.floats(0, 360), st.floats(1, 500), st.floats(0, 360), st.floats(1, 500))
@example(180.0, 10.0, 90.0, 500.0, 270.0, 500.0)
@example(-30.0, 85.0, 10.0, 500.0, 190.0, 500.0)
def test_lengths_in_the_frame_are_lengths_on_the_ground(
    lon_deg: float, lat_deg: float, way1: float, far1_m: float, way2: float, far2_m: float
) -> None:
    """Between two places up to 500 m off the middle the frame's length is the geodesic to 1e-6 (geographiclib)."""
    frame = SiteFrame(lon_deg, lat_deg)
    ends = [Geodesic.WGS84.Direct(lat_deg, lon_deg, way, far) for way, far in ((way1, far1_m), (way2, far2_m))]
    x, y = frame.to_metres([e["lon2"] for e in ends], [e["lat2"] for e in ends])
    truth = Geodesic.WGS84.Inverse(ends[0]["lat2"], ends[0]["lon2"], ends[1]["lat2"], ends[1]["lon2"])["s12"]
    assert math.hypot(x[1] - x[0], y[1] - y[0]) == pytest.approx(truth, rel=1e-6, abs=1e-6)


@given(lons, lats, st.floats(0, 360), st.floats(1, 500))
def test_north_is_up_and_east_is_right(lon_deg: float, lat_deg: float, way_deg: float, far_m: float) -> None:
    """A place so far off in such a direction from the middle lies there in the frame too (geographiclib), to 1 mm."""
    end = Geodesic.WGS84.Direct(lat_deg, lon_deg, way_deg, far_m)
    x, y = SiteFrame(lon_deg, lat_deg).to_metres(end["lon2"], end["lat2"])
    assert float(x) == pytest.approx(far_m * math.sin(math.radians(way_deg)), abs=1e-3)
    assert float(y) == pytest.approx(far_m * math.cos(math.radians(way_deg)), abs=1e-3)


@given(st.floats(-180, 180), st.floats(-60, 60))
def test_an_area_in_the_frame_is_an_area_on_the_ground(lon_deg: float, lat_deg: float) -> None:
    """A square kilometre in the frame is one on the ellipsoid to 1e-7 (geographiclib)."""
    lon, lat = SiteFrame(lon_deg, lat_deg).to_lonlat([-500, 500, 500, -500], [-500, -500, 500, 500])
    polygon = Geodesic.WGS84.Polygon()
    for place in zip(lat.tolist(), lon.tolist(), strict=True):
        polygon.AddPoint(*place)
    assert abs(polygon.Compute()[2]) == pytest.approx(1e6, rel=1e-7)


@given(lons, lats, st.lists(st.tuples(st.floats(-5000, 5000), st.floats(-5000, 5000)), min_size=1, max_size=20))
def test_there_and_back_again(lon_deg: float, lat_deg: float, places: list[tuple[float, float]]) -> None:
    """Metres to degrees and back gives the same place to a hundredth of a millimetre, anywhere on earth."""
    frame = SiteFrame(lon_deg, lat_deg)
    x, y = np.array(places).T
    back_x, back_y = frame.to_metres(*frame.to_lonlat(x, y))
    np.testing.assert_allclose(np.hypot(back_x - x, back_y - y), 0, atol=1e-5)


def test_shapes_are_kept_and_inputs_left_alone() -> None:
    """A grid of places comes back as a grid, one place as one, and what was given is not changed."""
    lon, lat = np.full((2, 3), -30.001), np.full((2, 3), 40.002)
    x, y = SiteFrame(-30.0, 40.0).to_metres(lon, lat)
    assert x.shape == y.shape == (2, 3)
    assert (lon == -30.001).all()
    assert (lat == 40.002).all()
    assert np.shape(SiteFrame(-30.0, 40.0).to_lonlat(1.0, 2.0)[0]) == ()


def test_what_cannot_be_placed_is_not_finite() -> None:
    """No number, or a place beyond the frame's reach, is not given a place among the others."""
    x, _ = SiteFrame(0.0, 0.0).to_metres([np.nan, 0.0, 90.0, 0.001], [0.0, np.nan, 0.0, 0.0])
    assert np.isfinite(x).tolist() == [False, False, False, True]


@given(lons, lats)
def test_the_frames_two_descriptions_agree(lon_deg: float, lat_deg: float) -> None:
    """The WKT for a GeoTIFF puts a place where the frame does."""
    frame = SiteFrame(round(lon_deg, 7), round(lat_deg, 7))
    lon, lat = frame.to_lonlat(300.0, -200.0)
    by_wkt = Transformer.from_crs(CRS("EPSG:4326"), CRS.from_wkt(frame.wkt), always_xy=True).transform(lon, lat)
    assert by_wkt == pytest.approx((300.0, -200.0), abs=1e-4)


@pytest.mark.parametrize("origin", [(180.1, 0.0), (0.0, 90.1), (math.nan, 0.0), (0.0, math.nan), (math.inf, 0.0)])
def test_nonsense_has_no_frame(origin: tuple[float, float]) -> None:
    """An origin that is no longitude and latitude is refused."""
    with pytest.raises(ValueError, match="not a longitude and latitude"):
        SiteFrame(*origin)


@pytest.mark.parametrize("centred", [centre_frame, middle_frame])
@pytest.mark.parametrize("lon_deg", [-180.0, -90.0, 0.0, 179.9999, 180.0])
def test_a_site_across_180_degrees_is_one_site(centred: object, lon_deg: float) -> None:
    """A site 400 m wide is centred on itself wherever it lies, also across 180 degrees."""
    assert callable(centred)
    lon, lat = SiteFrame(lon_deg, -17.0).to_lonlat([-200.0, 0.0, 200.0], [-100.0, 0.0, 100.0])
    frame = centred(lon, lat)
    x, y = frame.to_metres(lon, lat)
    np.testing.assert_allclose(x, [-200, 0, 200], atol=0.02)
    np.testing.assert_allclose(y, [-100, 0, 100], atol=0.02)


@given(st.floats(-180, 180), st.floats(-80, 80), st.lists(st.tuples(lons, lats), max_size=4))
@example(180.0, -17.0, [(0.0, 0.0)])
@example(0.0, 0.0, [(180.0, 0.0), (-180.0, 0.0)])
def test_a_few_wild_fixes_do_not_move_the_middle(
    lon_deg: float, lat_deg: float, wild: list[tuple[float, float]]
) -> None:
    """Where nine fixes lie on the site and up to four anywhere, even the first, the frame is the site's."""
    lon, lat = SiteFrame(lon_deg, lat_deg).to_lonlat(np.arange(-40.0, 50.0, 10), np.arange(-40.0, 50.0, 10))
    wild_lon, wild_lat = (np.array([w[k] for w in wild]) for k in (0, 1))
    frame = middle_frame(np.concatenate([wild_lon, lon]), np.concatenate([wild_lat, lat]))
    assert distance_m(frame.lon_deg, frame.lat_deg, lon_deg, lat_deg) < 100


@given(st.floats(-180, 180), st.floats(-80, 80))
def test_the_origin_can_be_written_down(lon_deg: float, lat_deg: float) -> None:
    """An origin has seven decimals, so that written down and read back it is the same frame."""
    frame = centre_frame(np.array([lon_deg]), np.array([lat_deg]))
    assert SiteFrame(float(f"{frame.lon_deg:.7f}"), float(f"{frame.lat_deg:.7f}")) == frame


@pytest.mark.parametrize(("lon", "lat"), [(-28.0003778, 46.500018), (179.9999, -17.0), (-180.0, 0.0), (5.0, 84.9)])
def test_the_steps_of_a_frame_are_those_that_proj_finds(lon: float, lat: float) -> None:
    """Places come out bit for bit as PROJ has them when it looks for the way from WGS 84 to the frame by itself."""
    frame = SiteFrame(lon, lat)
    found = Transformer.from_crs("EPSG:4326", frame.proj4, always_xy=True)
    rng = np.random.default_rng(1)
    degrees = lon + rng.normal(0, 0.1, 500), np.minimum(lat + rng.normal(0, 0.1, 500), 90.0)
    metres = frame.to_metres(*degrees)
    assert np.array_equal(metres, found.transform(*degrees))
    assert np.array_equal(frame.to_lonlat(*metres), found.transform(*metres, direction="INVERSE"))
