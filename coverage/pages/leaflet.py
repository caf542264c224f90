"""The map and the frame of the page: folium, without any of the files that folium would have a browser fetch.

Leaflet stands in the page itself. Texts from the user's files never pass through folium's elements, whose output is
read once more as a template and put into the page unescaped; they travel in one block of data, as text.
"""

import json
import re
from importlib.resources import files
from typing import Any

import folium
from branca.element import Figure, MacroElement
from folium.map import Layer
from folium.raster_layers import ImageOverlay
from folium.template import Template
from markupsafe import Markup

from fieldcomb.coverage.pages.overlay import Picture
from fieldcomb.coverage.pages.templating import fill


class Sheet(Figure):  # type: ignore[misc]  # folium has no types
    """A page whose frame is ours: language, title, and a policy under which no request can leave."""

    def __init__(self, values: dict[str, Any]) -> None:
        super().__init__()
        self.header._children.clear()  # the frame has its own character set
        self.values = values

    def render(self, **kwargs: Any) -> str:
        """Render the children, then the page around them."""
        for child in self._children.values():
            child.render(**kwargs)
        map_, script = Markup(self.html.render(**kwargs)), Markup(self.script.render(**kwargs))
        return fill(
            "pages/templates/sheet.html",
            header=Markup(self.header.render(**kwargs)),
            map=map_,
            script=script,
            **self.values,
        )


class Plan(folium.Map):  # type: ignore[misc]  # folium has no types
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


class Overlay(ImageOverlay):  # type: ignore[misc]  # folium has no types
    """A picture that is already a data URI."""

    def __init__(self, name: str, picture: Picture) -> None:
        Layer.__init__(self, name=name, overlay=False, show=False)
        self._name = "ImageOverlay"
        self.bounds = [list(corner) for corner in picture.bounds]
        self.options: dict[str, Any] = {}
        self.pixelated = False  # the page's own style sheet says so for all pictures
        self.url = picture.url


class DrawCall(MacroElement):  # type: ignore[misc]  # folium has no types
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


class Start(MacroElement):  # type: ignore[misc]  # folium has no types
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


def for_script(value: object) -> Markup:
    """JSON that can stand inside a script element whatever its texts hold."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def _leaflet(name: str) -> str:
    return (files("js_lib_leaflet") / "static" / "js_lib_leaflet" / name).read_text("utf-8")


def leaflet_js() -> str:
    """Leaflet's script, without the pointer to its source map."""
    return re.sub(r"//# sourceMappingURL=\S*", "", _leaflet("leaflet.js")).strip()


def leaflet_css() -> str:
    """Leaflet's style, without the pictures of a marker and a button not used here, and a dead browser's rule."""
    css = re.sub(r"url\(images/[^)]*\)", "none", _leaflet("leaflet.css"))
    return re.sub(r"behavior:\s*url\([^)]*\);?", "", css).strip()
