"""The KML reader: polygons with their holes, names and data, and refusal of anything that is not whole."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.formats.kml_polygons import KmlPolygon, read_kml_polygons

FIELDS = (Path(__file__).parents[2] / "data" / "fields.kml").read_bytes()
RING = "<LinearRing><coordinates>3,55 3.1,55 3.1,55.1 3,55</coordinates></LinearRing>"


def polygons_of(data: bytes, file: str) -> tuple[KmlPolygon, ...]:
    """The polygons of a file."""
    return read_kml_polygons(data, file)[0]


def placemark(inside: str, name: str = "field") -> bytes:
    """Make a KML file of one placemark."""
    head = '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2">'
    return f"{head}<Placemark><name>{name}</name>{inside}</Placemark></kml>".encode()


def polygon(coordinates: str) -> str:
    """Make a polygon without holes."""
    ring = f"<LinearRing><coordinates>{coordinates}</coordinates></LinearRing>"
    return f"<Polygon><outerBoundaryIs>{ring}</outerBoundaryIs></Polygon>"


def test_polygons_with_holes_names_and_data() -> None:
    """Each polygon comes with its outer ring, its holes, its placemark's name and the data typed in for it."""
    field, west, east = polygons_of(FIELDS, "fields.kml")
    assert field.name == 'Long "Acre" & pond'
    assert field.data == {"kind": "site", "reason": "leave given"}
    assert field.outer[0].tolist() == [3.2, 3.202, 3.202, 3.2, 3.2]
    assert field.outer[1].tolist() == [55.5, 55.5, 55.501, 55.501, 55.5]
    ((hole_lon, hole_lat),) = field.inners
    assert hole_lon.tolist() == [3.2005, 3.2005, 3.2008, 3.2005]
    assert hole_lat.tolist() == [55.5002, 55.5004, 55.5004, 55.5002]
    assert (west.name, east.name, west.data, west.inners) == ("islands", "islands", {}, ())
    assert (west.outer[0][0], east.outer[0][0]) == (3, 4)


def test_every_coordinate_is_the_one_another_reader_finds() -> None:
    """The rings hold exactly the numbers that the standard library's XML reader finds in the file, in order."""
    rings = [
        text.split()
        for text in (
            element.findtext("{*}LinearRing/{*}coordinates")
            for element in ElementTree.fromstring(FIELDS).iter()
            if element.tag.endswith("BoundaryIs")
        )
        if text
    ]
    read = [ring for one in polygons_of(FIELDS, "t.kml") for ring in (one.outer, *one.inners)]
    assert len(read) == len(rings) == 4
    for (lon, lat), groups in zip(read, rings, strict=True):
        assert list(zip(lon, lat, strict=True)) == [tuple(float(x) for x in group.split(",")[:2]) for group in groups]


@pytest.mark.parametrize("codec", ["utf-8-sig", "utf-16", "utf-16-le"])
def test_character_sets(codec: str) -> None:
    """Boundaries in any Unicode form are read, with their names."""
    (field,) = polygons_of(placemark(polygon("3,55 4,55 4,56"), "Åker 🧭").decode().encode(codec), "t.kml")
    assert field.name == "Åker 🧭"


@pytest.mark.parametrize("text", ["3,55 4,55 4,56", "3, 55\n4 ,55\t4 , 56", "3,55,0 4,55,1.5 4,56,"])
def test_ways_of_writing_coordinates(text: str) -> None:
    """Heights, line ends and blanks around commas make no difference."""
    (field,) = polygons_of(placemark(polygon(text)), "t.kml")
    assert field.outer[0].tolist() == [3, 4, 4] and field.outer[1].tolist() == [55, 55, 56]


@pytest.mark.parametrize("text", ["3,55 4;55 4,56", "3 55", "3,55 4,nan 4,56", "3,55 4,north", "3,55 inf,55", "3_0,5"])
def test_unreadable_coordinate_is_an_error(text: str) -> None:
    """A boundary with a corner that cannot be read is refused: a field without one of its corners is another field."""
    with pytest.raises(TrackError, match="coordinate") as caught:
        polygons_of(placemark(polygon(text), "north field"), "t.kml")
    assert "t.kml" in str(caught.value) and "north field" in str(caught.value)


@pytest.mark.parametrize(
    ("inside", "says"),
    [
        ("<LineString><coordinates>3,55 4,55</coordinates></LineString>", "only 1 line"),
        (f"<MultiGeometry>{RING}{RING}</MultiGeometry>", "only 2 loose rings"),
        ("<gx:Track><when/></gx:Track>", "only 1 track"),
        ("", "no other shape"),
        ("<Polygon/>", "0 outer rings"),
        (f"<Polygon><outerBoundaryIs>{RING}{RING}</outerBoundaryIs></Polygon>", "2 outer rings"),
    ],
)
def test_without_a_polygon_what_was_found_is_said(inside: str, says: str) -> None:
    """A file that holds no usable polygon is refused, saying what it holds instead."""
    with pytest.raises(TrackError, match=says):
        polygons_of(placemark(inside), "t.kml")


def test_file_that_only_links_elsewhere() -> None:
    """A KML file that only points to data on a server says so; nothing is fetched."""
    text = b"<kml><Document><NetworkLink><Link><href>https://example.org/a.kml</href></Link></NetworkLink></Document></kml>"
    with pytest.raises(TrackError, match="only 1 linked file"):
        polygons_of(text, "t.kml")


def test_cut_off_at_every_byte() -> None:
    """A boundary file that is cut off anywhere is refused: half a boundary looks like a whole one on the map."""
    whole = len(FIELDS.rstrip())
    for cut in range(0, whole, 3):
        with pytest.raises(TrackError):
            polygons_of(FIELDS[:cut], "t.kml")
    with pytest.raises(TrackError, match="not a complete KML file"):
        polygons_of(FIELDS[: whole - 1], "t.kml")
    assert len(polygons_of(FIELDS[:whole], "t.kml")) == 3


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (b"<gpx/>", "it looks like GPX"),
        (b'<!DOCTYPE kml [<!ENTITY a "b">]><kml/>', "DOCTYPE"),
        (b"<kml>" + b"<Folder>" * 200_000, "nested more than 64 deep"),
        (b"<html>", "web page"),
    ],
)
def test_what_is_no_kml_is_refused(data: bytes, says: str) -> None:
    """Other files, and files made to do harm, are refused by name."""
    with pytest.raises(TrackError, match=says):
        polygons_of(data, "t.kml")


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_any_damage_ends_in_polygons_or_a_message(data: st.DataObject) -> None:
    """Bytes changed, lost or put in anywhere give either polygons or a message, never a crash."""
    raw = bytearray(FIELDS)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        raw[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    try:
        polygons = polygons_of(bytes(raw), "t.kml")
    except TrackError:
        return
    assert all(one.outer[0].shape == one.outer[1].shape for one in polygons) and polygons


def test_bare_ampersand_in_a_name_is_read_as_meant_and_told() -> None:
    """A boundary named A & B by a program that forgot to write &amp; is the same ground, and a note says so."""
    good = placemark(polygon("3,55 4,55 4,56"), "Hill &amp; Dale")
    (meant,), quiet = read_kml_polygons(good, "t.kml")
    (field,), notes = read_kml_polygons(good.replace(b"&amp;", b"&"), "t.kml")
    assert field.name == meant.name == "Hill & Dale" and quiet == ()
    assert all(np.array_equal(*pair) for pair in zip(field.outer, meant.outer, strict=True))
    assert len(notes) == 1 and notes[0].startswith("A bare & where &amp; was needed")


def test_bare_ampersand_does_not_make_a_file_whole_that_is_cut_off() -> None:
    """A boundary that is cut off behind such a name is refused all the same."""
    text = placemark(polygon("3,55 4,55 4,56"), "Hill & Dale")
    with pytest.raises(TrackError, match="not a complete KML file"):
        read_kml_polygons(text[: text.index(b"</coordinates>")], "t.kml")
