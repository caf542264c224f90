"""A find: one thing that was dug, or heard and left, with what its finder wrote on its bag and in its row."""

from __future__ import annotations

from datetime import date

from fieldcomb.tracks.values import dataclass

FINDS_FILE = "finds.csv"
KEEP, JUNK, LEFT = "keep", "junk", "left"
FIND_KINDS = (KEEP, JUNK, LEFT)
# How its position is known: mean of the fixes of a stop, one fix, measured by other means, typed from elsewhere.
HOW = ("stop", "fix", "measured", "typed")
SOIL_LAYERS = ("topsoil", "fill", "below")
FIND_COLUMNS = (
    *("find_no", "outing", "time", "lat", "lon", "how", "error_m", "finder", "coil", "number", "depth_cm", "hole"),
    *("kind", "what", "material", "period", "from_year", "to_year", "count", "weight_g", "condition"),
    *(
        "layer",
        "in_situ",
        "photo",
        "belongs_with",
        "reported_to",
        "report_no",
        "reported_on",
        "kept_at",
        "note",
        "mark",
    ),
)
NEEDED_COLUMNS = ("find_no", "kind")


@dataclass(frozen=True, slots=True)
class Find:
    """One row of finds.csv that can be used. Texts are blank, and other values None, where nothing is known.

    find_no : what is written on the bag; 1 or more, and never used twice in a site. kind : one of FIND_KINDS.
    row : of the file, as a spreadsheet counts rows. outing : id of the outing. time_s : Unix seconds.
    lat_deg, lon_deg : WGS 84; both or neither. how : one of HOW. error_m : radius round the true place, 95 %.
    finder : name of the searcher. coil : name of the coil. number : smallest and largest target number that was shown.
    depth_m : of the find below the surface. hole : finds with the same text came out of one hole.
    from_year, to_year : the earlier first; negative is BCE. count : pieces. layer : one of SOIL_LAYERS.
    photos : names of files in the site's folder of photos. belongs_with : find_no of others. mark : what stands for the
    mark of a recording that the find was collected from.
    """

    find_no: int
    kind: str
    row: int = 0
    outing: str = ""
    time_s: float | None = None
    lat_deg: float | None = None
    lon_deg: float | None = None
    how: str = ""
    error_m: float | None = None
    finder: str = ""
    coil: str = ""
    number: tuple[int, int] | None = None
    depth_m: float | None = None
    hole: str = ""
    what: str = ""
    material: str = ""
    period: str = ""
    from_year: int | None = None
    to_year: int | None = None
    count: int | None = None
    weight_g: float | None = None
    condition: str = ""
    layer: str = ""
    in_situ: bool | None = None
    photos: tuple[str, ...] = ()
    belongs_with: tuple[int, ...] = ()
    reported_to: str = ""
    report_no: str = ""
    reported_on: date | None = None
    kept_at: str = ""
    note: str = ""
    mark: str = ""

    @property
    def placed(self) -> bool:
        """Whether it is known where it was found."""
        return self.lat_deg is not None and self.lon_deg is not None
