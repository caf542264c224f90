"""Finds and their site: nothing is thrown away because of where it lies, and what does not fit is told."""

from __future__ import annotations

from shapely.geometry import box

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.finds.placing import missing_photos, of_this_site
from fieldcomb.tracks.frame import SiteFrame

FRAME = SiteFrame(-28.0, 46.5)


def at(number: int, x_m: float, y_m: float, outing: str = "") -> Find:
    """A find at a place in metres."""
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    return Find(number, "keep", number + 1, outing, lat_deg=float(lat), lon_deg=float(lon))


def test_a_find_outside_the_site_is_kept_and_told() -> None:
    """What was found beyond the edge is a find like any other, and the report says in which row it stands."""
    finds = (at(1, 0, 0), at(2, 80, 0), Find(3, "junk", 4))
    kept, notes = of_this_site(finds, FRAME, box(-50, -50, 50, 50), (), "finds.csv")
    assert kept == finds
    assert notes == ("finds.csv, row 3: 1 find lies outside the site, and is counted all the same",)


def test_rows_of_another_site_keep_everything_but_their_place() -> None:
    """A file that came from another site is noticed by its places and its outings; no row is lost."""
    finds = (at(1, 0, 0, "2026-03-07a"), at(2, 30_000, 0, "2025-01-01a"), at(3, 30_010, 0, "2025-01-01a"))
    kept, notes = of_this_site(finds, FRAME, None, {"2026-03-07a"}, "finds.csv")
    assert [find.placed for find in kept] == [True, False, False] and len(kept) == 3
    assert "rows 3, 4: 2 finds lie more than 10 km from this site; are they from another one?" in notes[0]
    assert notes[1] == "finds.csv, rows 3, 4: this site has no outing 2025-01-01a"


def test_a_photo_that_is_not_there_is_told() -> None:
    """The row names a file that the folder of photos lacks; the find counts all the same."""
    finds = (Find(1, "keep", 2, photos=("a.jpg",)), Find(2, "keep", 3, photos=("b.jpg", "C.JPG")), Find(3, "junk", 4))
    assert missing_photos(finds, ["A.JPG", "c.jpg"], "finds.csv") == (
        'finds.csv, row 3: photo is "b.jpg": no such file in the folder photos',
    )
