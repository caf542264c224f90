"""Grid references are those that other programs and published examples give, and are cut, never rounded."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.gis.coordinates import in_grid
from fieldcomb.coverage.gis.grid_references import (
    UtmZone,
    british,
    cut_m,
    figures_for,
    irish,
    mgrs,
    square_m,
    utm_zone,
)
from fieldcomb.tracks.errors import UsageError

# Eastings and northings drawn at random, and the references that the package bng 1.0.5 computes for them; the first
# three are examples in its documentation, with 4 figures there.
BRITISH = [
    *((443143.0, 1139158.0, "HU4314339158"), (363723.0, 356004.0, "SJ6372356004"), (537395.0, 35394.0, "TV3739535394")),
    *((51212.07, 1289516.29, "HL5121289516"), (640403.71, 482684.1, "TB4040382684")),
    *((79798.99, 1238746.69, "HL7979838746"), (79640.91, 901487.7, "NA7964001487")),
    *((9612.88, 37964.34, "SV0961237964"), (174494.83, 77876.82, "SW7449477876")),
    *((288154.25, 14330.29, "SX8815414330"), (502376.01, 1150288.62, "JQ0237650288")),
    *((233238.51, 965486.82, "NC3323865486"), (436440.75, 474473.38, "SE3644074473")),
    *((355402.46, 160991.94, "ST5540260991"), (188354.28, 574261.64, "NW8835474261")),
    *((11106.18, 1194464.93, "HQ1110694464"), (553675.53, 656124.04, "OQ5367556124")),
    *((590931.17, 876628.18, "OF9093176628"), (604583.28, 1024547.63, "JW0458324547")),
    *((360558.03, 851876.65, "NJ6055851876"), (340767.54, 82870.51, "SY4076782870")),
    *((74619.2, 120749.49, "SQ7461920749"), (681080.78, 184789.9, "TR8108084789")),
    *((354963.03, 516890.81, "NY5496316890"), (261569.53, 1082430.74, "HX6156982430")),
    *((674033.28, 1083849.48, "JW7403383849"), (201768.39, 577258.85, "NX0176877258")),
]
# Latitude and longitude, and the reference that the package mgrs 1.6.0 computes: corners of zones, the wide zones of
# Norway and Svalbard, both sides of the equator and of 180 degrees, and places drawn at random.
MGRS = [
    *((0.0, 0.0, "31NAA6602100000"), (56.0, 12.0, "33VUC1292810141"), (-44.0, 174.0, "60GTS5947323750")),
    *((60.39, 5.32, "32VKN9723000510"), (61.0, 3.5, "32VKN0277075278"), (78.2, 8.9, "31XFG3447087473")),
    *((78.2, 9.1, "33XUG6552987473"), (78.2, 20.9, "33XXG3447087473"), (78.2, 21.5, "35XLG7461986585")),
    *((78.2, 32.9, "35XPG3447087473"), (78.2, 33.1, "37XCG6552987473"), (46.5, -28.0, "26TMS2326850089")),
    *((-33.9, 151.2, "56HLH3356847473"), (71.9, 0.0001, "31WCV9601580366"), (72.0, 8.99, "31XGV0629399199")),
    *((83.99, 10.0, "33XVP4162529512"), (-79.99, -170.0, "02CNS1940319363"), (51.5, -0.0001, "30UYC0820909696")),
    *((0.0001, -179.9999, "01NAA6603200011"), (-0.0001, 179.9999, "60MZE3396799988")),
    *((55.9999, 11.9999, "32UPH8706510129"), (64.0, 2.9999, "31WDL9999597014"), (56.0, 3.0001, "32VJH2605622335")),
    *((5.600964, 110.40868, "49NDG3451119127"), (77.429044, -75.734864, "18XVL8214594763")),
    *((45.588398, 73.519152, "43TCL8448749383"), (28.434545, -140.341662, "07REM6446845517")),
    *((-75.487756, -41.698402, "24CVB2454420250"), (42.359533, -89.141844, "16TCM2361591917")),
    *((2.262517, -65.723367, "20NJH9707750361"), (58.728495, 160.269809, "57VWF7352410516")),
    *((-14.119405, 179.440922, "60LYK6353137698"), (-69.712821, 112.53924, "49DEC5955765401")),
    *((63.476843, -125.670427, "10VCR6697641493"), (35.672139, 21.201073, "34SEE1819647603")),
]


def together(reference: str) -> str:
    """A reference without its blanks."""
    return reference.replace(" ", "")


@pytest.mark.parametrize(("east_m", "north_m", "reference"), BRITISH)
def test_british_references_are_those_of_an_independent_program(east_m: float, north_m: float, reference: str) -> None:
    """Letters and figures of 27 places from end to end of the grid agree, and fewer figures are the same ones cut."""
    assert together(british(east_m, north_m, 10)) == reference
    assert together(british(east_m, north_m, 6)) == reference[:5] + reference[7:10]


def test_references_are_cut_and_not_rounded() -> None:
    """East 77274.98 of its square is 772 with three figures; rounding would give 773."""
    east_m, north_m = 577274.98, 69740.49
    assert [british(east_m, north_m, n) for n in (10, 8, 6)] == ["TV 77274 69740", "TV 7727 6974", "TV 772 697"]


@pytest.mark.parametrize(("lat", "lon", "reference"), MGRS)
def test_military_references_are_those_of_an_independent_program(lat: float, lon: float, reference: str) -> None:
    """Zone, band, letters and metres agree wherever UTM reaches."""
    zone = utm_zone(lon, lat)
    places = in_grid(np.array([lon]), np.array([lat]), zone.epsg, anywhere=True)
    assert together(mgrs(zone, float(places.x[0]), float(places.y[0]), 10)) == reference


def test_irish_squares_run_from_the_north_west() -> None:
    """The letters of the Irish Grid go by rows from A in the north-west to Z in the south-east, without I."""
    rows = [[irish(100_000 * e + 1, 100_000 * n + 1, 10)[0] for e in range(5)] for n in range(4, -1, -1)]
    assert ["".join(row) for row in rows] == ["ABCDE", "FGHJK", "LMNOP", "QRSTU", "VWXYZ"]


def test_the_datum_of_a_grid_is_taken_into_account_and_told() -> None:
    """From WGS 84 to the British grid the corner lies some 100 m away from the same degrees, known to 2 m or better."""
    wgs = in_grid(np.array([0.5]), np.array([50.5]), 27700)
    away_m = float(np.hypot(wgs.x[0] - 577274.99, wgs.y[0] - 69740.50))
    assert 100 < away_m < 160 and wgs.good_to_m is not None and 0 < wgs.good_to_m <= 2


@pytest.mark.parametrize(("east_m", "north_m"), [(-1.0, 5.0), (700_000.0, 5.0), (5.0, 1_300_000.0)])
def test_a_place_beyond_the_grid_is_refused(east_m: float, north_m: float) -> None:
    """Outside the squares that have letters there is no reference."""
    with pytest.raises(UsageError, match="the British grid does not reach to this place"):
        british(east_m, north_m, 8)


def test_beyond_utm_degrees_are_asked_for() -> None:
    """UTM ends at 80 south and 84 north."""
    with pytest.raises(UsageError, match="UTM ends at"):
        utm_zone(10.0, 84.5)


@given(st.floats(0, 699_999), st.floats(0, 1_299_999), st.sampled_from([4, 6, 8, 10]))
def test_a_place_lies_in_the_square_that_its_reference_names(east_m: float, north_m: float, figures: int) -> None:
    """The south-west corner is never beyond the place, nor a whole square away from it."""
    for value in (east_m, north_m):
        assert -1e-5 <= value - cut_m(value, figures) < square_m(figures)
    assert british(east_m, north_m, figures) == british(cut_m(east_m, figures), cut_m(north_m, figures), figures)


@given(st.floats(0.01, 500))
def test_no_reference_is_finer_than_its_place_is_known(known_to_m: float) -> None:
    """The default number of figures names the smallest usual square that is not smaller than the error."""
    side = square_m(figures_for(known_to_m))
    assert side >= known_to_m and (side == 1 or side / 10 < known_to_m)


def test_zones_are_written_with_two_digits() -> None:
    """Zone 1 is 01, as the other program writes it."""
    assert UtmZone(1, "N").name == "01N"
