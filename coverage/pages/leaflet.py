"""The map and the frame of the page, as folium makes them, without any of the files that it would have a browser fetch.

Folium's part of the page is the same for every map but for a few values, so it is made once, by
``tests/support/folium_frame.py``, kept in ``templates/map_frame.json``, and filled here: loading folium would take
longer than drawing the map. Leaflet stands in the page itself. Texts from the user's files never go into the frame;
they travel in one block of data, as text.
"""

import json
import re
from collections.abc import Mapping
from importlib.resources import files
from string import Template

from markupsafe import Markup

from fieldcomb.coverage.pages.overlay import Picture
from fieldcomb.coverage.pages.templating import page_file

OWN_SCRIPTS = ("draw", "signs", "history", "moving")


class Plan:
    """A map and its layers, as the element and the script that make it.

    Elements are numbered as they come, so that the page is the same byte for byte every time. Takes its pieces from
    the kept frame: ``map``, ``plan``, ``picture`` with its ``header``, ``group``, ``drawn`` and ``start``.
    """

    def __init__(self, lat_deg: float, lon_deg: float) -> None:
        self._pieces: Mapping[str, str] = json.loads(page_file("pages/templates/map_frame.json"))
        self._script: list[str] = []
        self._layers: list[tuple[str, str]] = []
        self._pictures: dict[str, str] = {}  # names of the first elements that show them
        self._elements = 0
        name = self._name("map")
        self._put("plan", name=name, centre=json.dumps([lat_deg, lon_deg]))
        self.header = Markup()
        self.html = Markup(Template(self._pieces["map"]).substitute(name=name))

    def picture(self, key: str, picture: Picture) -> None:
        """Add a layer that is a picture, under its key."""
        name = self._name("image_overlay")
        self.header += Markup(self._pieces["header"])
        self._put("picture", name=name, url=picture.url, bounds=json.dumps(picture.bounds))
        if picture.url in self._pictures:  # a coil that was used on one outing has the same picture as it
            self._script[-1] = self._script[-1].replace(f'"{picture.url}"', f"{self._pictures[picture.url]}._url")
        self._pictures.setdefault(picture.url, name)
        self._layers.append((key, name))

    def group(self, key: str, how: str) -> None:
        """Add a layer into which the page's script draws one entry of its data, in the way named."""
        name = self._name("feature_group")
        self._put("group", name=name)
        self._name("drawn")
        self._put("drawn", name=name, how=how, key=json.dumps(key))
        self._layers.append((key, name))

    def script(self) -> Markup:
        """Return the script that makes the map, draws every layer and ties them to the board."""
        layers = "".join(f"{json.dumps(key)}: {name}, " for key, name in self._layers)
        return Markup("".join([*self._script, Template(self._pieces["start"]).substitute(layers=layers)]))

    def _name(self, kind: str) -> str:
        self._elements += 1
        return f"{kind}_{self._elements:04d}"

    def _put(self, piece: str, **values: str) -> None:
        self._script.append(Template(self._pieces[piece]).substitute(values))


def for_script(value: object) -> Markup:
    """JSON that can stand inside a script element whatever its texts hold."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def _leaflet(name: str) -> str:
    return (files("js_lib_leaflet") / "static" / "js_lib_leaflet" / name).read_text("utf-8")


def leaflet_js() -> str:
    """Leaflet's script, without the pointer to its source map, and without motion for those who ask for less."""
    script = re.sub(r"//# sourceMappingURL=\S*", "", _leaflet("leaflet.js")).strip()
    return f"{script}\n{page_file('pages/templates/still.js')}"


def page_scripts() -> list[str]:
    """Leaflet's script and those of the page, in the order in which they run."""
    return [leaflet_js(), *(page_file(f"pages/templates/{name}.js") for name in OWN_SCRIPTS)]


def leaflet_css() -> str:
    """Leaflet's style, without the pictures of a marker and a button not used here, and a dead browser's rule."""
    css = re.sub(r"url\(images/[^)]*\)", "none", _leaflet("leaflet.css"))
    return re.sub(r"behavior:\s*url\([^)]*\);?", "", css).strip()
