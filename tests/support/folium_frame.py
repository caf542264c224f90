"""Folium's part of the map page, with marks where the values of a map come in: makes ``map_frame.json``.

    python tests/support/folium_frame.py

Run it when a test says that the kept frame is no longer what folium makes.
"""

from __future__ import annotations

import json
from itertools import count
from pathlib import Path
from typing import Any

import folium
from branca.element import Figure, MacroElement
from folium.map import Layer
from folium.raster_layers import ImageOverlay
from folium.template import Template

KEPT = Path(__file__).resolve().parents[2] / "coverage" / "pages" / "templates" / "map_frame.json"
CENTRE, BOUNDS, URL, KEY = [12.5, 34.5], [[1.5, 2.5], [3.5, 4.5]], "data:,picture", "a-key"


class Map(folium.Map):
    """A folium map with an empty list of things to fetch."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012  (folium wants lists, on the class)
    default_css: list[tuple[str, str]] = []  # noqa: RUF012
    _template = Template(
        """
        {% macro html(this, kwargs) %}<div class="folium-map" id="{{ this.get_name() }}"></div>{% endmacro %}
        {% macro script(this, kwargs) %}
        var {{ this.get_name() }} = L.map("{{ this.get_name() }}", {
          center: {{ this.location|tojson }}, ...{{ this.options|tojavascript }} });
        L.control.scale({imperial: false, maxWidth: 160}).addTo({{ this.get_name() }});
        fieldcomb.panes({{ this.get_name() }});
        {% endmacro %}
        """
    )


class DataPicture(ImageOverlay):
    """A picture that is already a data URI."""

    def __init__(self, url: str, bounds: list[list[float]]) -> None:
        Layer.__init__(self, name="picture", overlay=False, show=False)
        self._name = "ImageOverlay"
        self.bounds = bounds
        self.options: dict[str, Any] = {}
        self.pixelated = False  # the page's own style sheet says so for all pictures
        self.url = url


class DrawCall(MacroElement):
    """Has the page's script draw one entry of its data into the layer that this belongs to."""

    _template = Template(
        """
        {% macro script(this, kwargs) %}
        fieldcomb.{{ this.how }}({{ this._parent.get_name() }}, {{ this.key|tojson }});
        {% endmacro %}
        """
    )

    def __init__(self, how: str, key: str) -> None:
        super().__init__()
        self._name = "Drawn"
        self.how = how
        self.key = key


class Start(MacroElement):
    """Ties every layer to the board; comes last."""

    _template = Template(
        """
        {% macro script(this, kwargs) %}
        fieldcomb.start({
          {% for key, name in this.layers %}{{ key|tojson }}: {{ name }}, {% endfor %}
        });
        {% endmacro %}
        """
    )

    def __init__(self, layers: list[tuple[str, str]]) -> None:
        super().__init__()
        self._name = "Start"
        self.layers = layers


def folium_page(centre: list[float], layers: list[tuple[str, Any, Any]]) -> Figure:
    """Let folium make a map around [lat, lon] and render it; its parts are ``header``, ``html`` and ``script``.

    A layer is (key, url, bounds) of a picture, or (key, how, None) of what the page's script draws.
    """
    numbers = count(1)

    def numbered(element: Any) -> Any:
        element._id = f"{next(numbers):04d}"
        return element

    plan = numbered(
        Map(
            location=centre,
            tiles=None,
            zoom_start=18,
            zoom_control=False,
            zoom_snap=0.25,
            attribution_control=False,
        )
    )
    names = []
    for key, what, bounds in layers:
        layer = numbered(DataPicture(what, bounds) if bounds else folium.FeatureGroup(name=key, show=False))
        names.append((key, layer.get_name()))
        plan.add_child(layer)
        if not bounds:
            layer.add_child(numbered(DrawCall(what, key)))
    plan.add_child(numbered(Start(names)))
    figure = Figure()
    figure.header._children.clear()  # the page has its own character set
    figure.add_child(plan)
    for child in figure._children.values():
        child.render()
    return figure


def frame_pieces() -> dict[str, str]:
    """Return the pieces of the frame by name, with a mark such as ``$name`` for each value."""
    figure = folium_page(CENTRE, [("picture", URL, BOUNDS), (KEY, "areas", None)])
    joint = "\n    "  # folium's own, before each element's script
    url, bounds = json.dumps(URL), json.dumps(BOUNDS)
    scripts = [joint + element.render() for element in figure.script._children.values()]
    plan, picture, group, drawn, start = scripts
    layers = f'"picture": image_overlay_0002, "{KEY}": feature_group_0003, '
    return {
        "header": figure.header.render(),
        "map": _marked(figure.html.render(), map_0001="$name"),
        "plan": _marked(plan.replace(json.dumps(CENTRE), "$centre"), map_0001="$name"),
        "picture": _marked(picture, **{url: '"$url"', bounds: "$bounds", "image_overlay_0002": "$name"}),
        "group": _marked(group, feature_group_0003="$name"),
        "drawn": _marked(drawn.replace(json.dumps(KEY), "$key"), feature_group_0003="$name", areas="$how"),
        "start": start.replace(layers, "$layers"),
    }


def _marked(text: str, **marks: str) -> str:
    for word, mark in marks.items():
        text = text.replace(word, mark)
    return text


if __name__ == "__main__":
    KEPT.write_text(json.dumps(frame_pieces(), indent=1) + "\n", encoding="utf-8")
