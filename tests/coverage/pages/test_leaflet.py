from __future__ import annotations

import json

from folium_frame import KEPT, folium_page, frame_pieces

from fieldcomb.coverage.pages.leaflet import Plan
from fieldcomb.coverage.pages.overlay import Picture


def test_the_kept_frame_is_what_folium_makes() -> None:
    """The frame that the program fills is the one that folium makes today; if not, folium_frame.py makes it anew."""
    assert json.loads(KEPT.read_text(encoding="utf-8")) == frame_pieces()


def test_a_filled_frame_is_the_page_that_folium_would_have_made() -> None:
    """A map of several pictures and drawings has the same elements and script as from folium itself, byte for byte."""
    south_west, north_east = (40.0, -30.000000026), (40.000901059, -29.5)
    plan = Plan(40.0004503, -29.9994145)
    for key in ("passes", "coil-0"):
        plan.picture(key, Picture(f"data:image/png;base64,{key}+/=", (south_west, north_east), 0.1, False))
    plan.group("certain", "areas")
    plan.picture("pace", Picture("data:image/png;base64,p", (south_west, north_east), 0.1, False))
    plan.group("walk-0", "walk")

    bounds = [list(south_west), list(north_east)]
    pictures = [(key, f"data:image/png;base64,{key}+/=", bounds) for key in ("passes", "coil-0")]
    figure = folium_page(
        [40.0004503, -29.9994145],
        [*pictures, ("certain", "areas", None), ("pace", "data:image/png;base64,p", bounds), ("walk-0", "walk", None)],
    )
    assert (plan.header, plan.html, plan.script()) == tuple(
        part.render() for part in (figure.header, figure.html, figure.script)
    )
