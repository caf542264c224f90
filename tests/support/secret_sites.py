"""Small made-up sites at sea, full of what must not be given away: names, times, places, paths and closed ground."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from leaks import Secrets

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.actions.share_copy import copy_inputs
from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.contents import make_copy
from fieldcomb.coverage.copies.copy_page import copy_html
from fieldcomb.coverage.intake.initials import initials_of
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.frame import SiteFrame

FIRST = ("Zebedia", "Quorra", "Ysolde", "Wilmot", "Thessaly", "Ugthred")
LAST = ("Xanthopoulos", "Quennell", "Zouchett", "Vavasseur", "Yarborough")
PERIODS = ("Roman", "medieval", "modern", "")


@dataclass(frozen=True, slots=True)
class SecretSite:
    """One site before it is written: metres are from the middle of its frame."""

    frame: SiteFrame
    corners: tuple[tuple[float, float], ...]
    walks: tuple[tuple[tuple[float, float], ...], ...]
    starts: tuple[datetime, ...]
    people: tuple[str, ...]
    stop: tuple[float, float]
    finds: tuple[tuple[float, float, str, str, str], ...]  # x, y, kind, what, period
    name: str = "long meadow"
    bounded: bool = True


def draw_site(seed: int) -> SecretSite:
    """Draw a site of some 30 m, two days of lanes, a closed place, and finds on and off it; one in five has no edge."""
    rng = random.Random(seed)
    frame = SiteFrame(round(rng.uniform(-44.9, -18.1), 7), round(rng.choice([-1, 1]) * rng.uniform(25.1, 49.9), 7))
    wide, high = rng.uniform(18, 40), rng.uniform(18, 40)
    corners = tuple(
        (x * wide / 2 + rng.uniform(-3, 3), y * high / 2 + rng.uniform(-3, 3))
        for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    )
    walks = tuple(_lanes(rng, wide, high, half) for half in (0, 1))
    day = datetime(rng.choice([2024, 2025, 2026]), rng.randint(1, 11), rng.randint(1, 27), tzinfo=UTC)
    starts = tuple(
        day + timedelta(days=n, hours=rng.randint(6, 15), minutes=rng.randint(0, 59), seconds=rng.randint(0, 59))
        for n in (0, 1)
    )
    people = tuple(f"{first} {last}" for first, last in zip(rng.sample(FIRST, 2), rng.sample(LAST, 2), strict=True))
    stop = (rng.uniform(-wide / 4, wide / 4), rng.uniform(-high / 4, high / 4))
    lon, lat = frame.to_lonlat([stop[0]], [stop[1]])
    found = [(*stop, "keep", "hoard of gold", "Iron Age")]
    found += [
        (
            rng.uniform(-wide / 2, wide / 2),
            rng.uniform(-high / 2, high / 2),
            rng.choice(["keep", "keep", "junk", "left"]),
            rng.choice(
                [
                    "lead token",
                    f"buckle, {people[0].split()[0]} at {starts[0]:%H:%M}",
                    f"coin near {lat[0]:.5f} N {abs(lon[0]):.5f} W",
                    f"pin, see /home/{people[1].split()[1].lower()}/pin.jpg",
                ]
            ),
            rng.choice(PERIODS),
        )
        for _ in range(8)
    ]
    return SecretSite(frame, corners, walks, starts, people, stop, tuple(found), bounded=seed % 5 != 0)


def _lanes(rng: random.Random, wide: float, high: float, half: int) -> tuple[tuple[float, float], ...]:
    """Places a second apart on lanes over one half of the ground, a little uneven."""
    places: list[tuple[float, float]] = []
    left = -wide / 2 + half * wide / 2
    for lane in range(int(wide / 2 / 1.4)):
        x = left + 0.7 + lane * 1.4
        along = [-high / 2 + 0.4 * k for k in range(int(high / 0.4))]
        places += [(x + rng.gauss(0, 0.2), y) for y in (along if lane % 2 == 0 else along[::-1])]
    return tuple(places)


def write_site(site: SecretSite, folder: Path) -> tuple[Path, Secrets]:
    """Write a site as a user would, by its recordings; returns its folder, and what nobody may learn of it."""
    folder.mkdir()
    places = [*site.corners, *(p for walk in site.walks for p in walk), site.stop, *(f[:2] for f in site.finds)]
    lon, lat = site.frame.to_lonlat([p[0] for p in places], [p[1] for p in places])
    ring = [list(p) for p in zip(lon[:4].tolist(), lat[:4].tolist(), strict=True)]
    about = {"kind": "site", "reason": f"bank of {site.people[0].split()[1]} at {lat[0]:.6f}"}
    feature = {
        "type": "Feature",
        "properties": about,
        "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
    }
    edge = folder / "secret-edge.geojson"
    edge.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")
    root = folder / "hidden-place"
    new_site(root, boundary=str(edge) if site.bounded else None, name=site.name, cell="20cm", say=_quiet)

    for number, (walk, start, who) in enumerate(zip(site.walks, site.starts, site.people, strict=True)):
        file = folder / f"track-of-{who.split()[0]}.gpx"
        file.write_text(_gpx(site, walk, start, number == 0), encoding="utf-8")
        given = WalkToAdd(str(file), searcher=who)
        add(root, WalksToAdd([given], Typed(swath="1.5m"), label=f"with {who}", note=f"began {start:%H:%M}"), _quiet)
    rows = ["find_no,outing,time,lat,lon,how,error_m,finder,kind,what,period,kept_at,note,photo"]
    for n, (x, y, kind, what, period) in enumerate(site.finds, 1):
        flon, flat = site.frame.to_lonlat([x], [y])
        day = site.starts[n % 2]
        rows.append(
            f"{n},{day:%Y-%m-%d}a,{day:%Y-%m-%dT%H:%M:%SZ},{flat[0]:.7f},{flon[0]:.7f},fix,3,{site.people[n % 2]},"
            f'{kind},"{what}",{period},shelf of {site.people[0]},"{flat[0]:.7f}",secret-{n}.jpg'
        )
    (root / "finds.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    degrees = list(zip(lon.tolist(), lat.tolist(), strict=True))
    words = ["secret-", "track-of-", "hidden-place", str(folder), "hoard", "Iron Age", ".gpx", ".jpg", "/home/"]
    some = degrees[:4] + degrees[4::25] + degrees[-9:]
    return root, Secrets(tuple(some), site.people, tuple(words), tuple(initials_of(site.people).values()))


def _gpx(site: SecretSite, walk: tuple[tuple[float, float], ...], start: datetime, stops: bool) -> str:
    lon, lat = site.frame.to_lonlat([p[0] for p in walk], [p[1] for p in walk])
    near = min(range(len(walk)), key=lambda k: (walk[k][0] - site.stop[0]) ** 2 + (walk[k][1] - site.stop[1]) ** 2)
    mlon, mlat = site.frame.to_lonlat([site.stop[0]], [site.stop[1]])
    at = f'lat="{mlat[0]:.8f}" lon="{mlon[0]:.8f}"'
    mark = f"<wpt {at}><time>{_iso(start, near)}</time><name>stop metal case</name></wpt>"
    points = "".join(
        f'<trkpt lat="{b:.8f}" lon="{a:.8f}"><time>{_iso(start, k)}</time></trkpt>'
        for k, (a, b) in enumerate(zip(lon.tolist(), lat.tolist(), strict=True))
    )
    head = '<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
    return f"{head}{mark if stops else ''}<trk><trkseg>{points}</trkseg></trk></gpx>"


def _iso(start: datetime, seconds: int) -> str:
    return f"{start + timedelta(seconds=seconds):%Y-%m-%dT%H:%M:%SZ}"


def copies_of(root: Path) -> dict[str, bytes]:
    """Every copy of a site, from one survey, by whom it is for."""
    given = survey_inputs(root, say=_quiet)
    result = survey(given.site, given.outings)
    inputs = copy_inputs(root, given.site.finds, say=_quiet)
    return {one.value: copy_html(make_copy(result, one, inputs)).encode() for one in Audience}


def elsewhere(site: SecretSite, lon_deg: float, lat_deg: float) -> SecretSite:
    """The same metres at another place on earth."""
    return replace(site, frame=SiteFrame(lon_deg, lat_deg))


def _quiet(_: object) -> None:
    """Take a note and forget it."""
