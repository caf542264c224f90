"""What a page may give away: looked for in every byte of it, and in what is packed into those bytes."""

from __future__ import annotations

import base64
import binascii
import html
import re
import urllib.parse
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from pyproj import Transformer

MOST_DEEP = 4
COLOURS = re.compile(r"#[0-9a-fA-F]{3,8}\b")
STYLE = re.compile(r"<style>.*?</style>", re.DOTALL)
NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:[.,]\d+)*")
CLOCK = re.compile(r"\b\d{1,2}:\d\d\b|\b\d{1,2}\s?[ap]\.?m\b|\d{4}-\d\d-\d\dT", re.IGNORECASE)
MONTHS = re.compile(r"\b(?:January|February|March|April|May|June|July|August|September|October|November|December)\b")
PACKED = re.compile(rb"[A-Za-z0-9+/_-]{12,}={0,2}")
METAS = {
    '<meta charset="utf-8">',
    '<meta name="viewport" content="width=device-width, initial-scale=1">',
    '<meta name="referrer" content="no-referrer">',
}


@dataclass(frozen=True, slots=True)
class Secrets:
    """What a page must not give away.

    lon_lat : places in degrees. names : of people. words : file names, parts of paths, and anything else.
    initials : of people, where not even these are allowed.
    """

    lon_lat: tuple[tuple[float, float], ...]
    names: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    initials: tuple[str, ...] = ()


def unpacked(page: bytes, deep: int = 0) -> Iterator[bytes]:
    """A page, and everything in it that is packed: entities, percents, base64, compressed data; again and again."""
    yield page
    if deep == MOST_DEEP:
        return
    plain = html.unescape(urllib.parse.unquote(page.decode("latin-1"))).encode("latin-1", "replace")
    if plain != page:
        yield from unpacked(plain, deep + 1)
    for run in PACKED.findall(page):
        for chunk in {run, run.lstrip(b"+/_-")}:
            padded = chunk.rstrip(b"=") + b"=" * (-len(chunk.rstrip(b"=")) % 4)
            try:
                data = base64.b64decode(padded.replace(b"-", b"+").replace(b"_", b"/"), validate=True)
            except (binascii.Error, ValueError):
                continue
            yield from unpacked(data, deep + 1)
    for at in (m.start() for m in re.finditer(rb"\x78[\x01\x5e\x9c\xda]|\x1f\x8b", page)):
        for wbits in (15, 31):
            try:
                yield from unpacked(zlib.decompressobj(wbits).decompress(page[at:], 1_000_000), deep + 1)
            except zlib.error:
                continue


def leaks(page: bytes, whom: str, secrets: Secrets) -> list[str]:
    """Everything that a copy for the owner, the club or the public gives away and must not."""
    found = []
    for data in unpacked(page):
        text = data.decode("utf-8", "replace")
        found += _words(text, secrets)
        found += _degrees(text, secrets)
        found += _metres(text, whom, secrets)
    plain = page.decode("utf-8")
    for shown in (plain, html.unescape(urllib.parse.unquote(plain))):
        text = STYLE.sub("", COLOURS.sub("", shown))
        found += _numbers(text, whom)
        found += [f"time {one}" for one in CLOCK.findall(text)]
        if whom == "public":
            found += [f"month {one}" for one in MONTHS.findall(text)]
            found += [f"initials {one}" for one in secrets.initials if re.search(rf"\b{re.escape(one)}\b", text)]
    return sorted({*found, *_build(plain)})


def _words(text: str, secrets: Secrets) -> Iterator[str]:
    low = text.casefold()
    for name in secrets.names:
        for part in re.findall(r"\w{3,}", name):
            if re.search(rf"(?<!\w){re.escape(part.casefold())}(?!\w)", low):
                yield f"name {part}"
    for word in secrets.words:
        if word.casefold() in low:
            yield f"word {word}"


@cache
def _in_degrees(lon_lat: tuple[tuple[float, float], ...]) -> frozenset[str]:
    """Latitudes and longitudes without their sign, cut and rounded to three, four and five decimals."""
    return frozenset(
        f"{int(abs(value) * 10**places) / 10**places if cut else abs(value):.{places}f}"
        for place in lon_lat
        for value in place
        for places in (3, 4, 5)
        for cut in (True, False)
    )


def _degrees(text: str, secrets: Secrets) -> Iterator[str]:
    """Latitudes and longitudes with three decimals (100 m) or more, with a point or a comma."""
    wanted = _in_degrees(secrets.lon_lat)
    for number in set(re.findall(r"\d+[.,]\d{3,}", text)):
        whole, _, decimals = number.replace(",", ".").partition(".")
        if any(f"{whole}.{decimals[:places]}" in wanted for places in (3, 4, 5)):
            yield f"degrees {number}"


@cache
def _in_metres(lon_lat: tuple[tuple[float, float], ...]) -> tuple[tuple[int, int], ...]:
    """East and north in the UTM zone of each place, in whole metres."""
    pairs = []
    for lon, lat in lon_lat:
        zone = int((lon + 180) // 6) + 1
        to = _to_utm((32600 if lat >= 0 else 32700) + zone)
        east, north = to.transform(lon, lat)
        pairs.append((int(east), int(north)))
    return tuple(pairs)


@cache
def _to_utm(epsg: int) -> Transformer:
    return Transformer.from_crs(4326, epsg, always_xy=True)


def _metres(text: str, whom: str, secrets: Secrets) -> Iterator[str]:
    """Metres of the UTM grid finer than 1 km; for owner and club, kilometres too."""
    pairs = _in_metres(secrets.lon_lat)
    have = set(re.findall(r"(?<!\d)\d{3,}(?!\d)", COLOURS.sub("", text)))
    fine = {str(v // step) for pair in pairs for v in pair for step in (1, 10, 100)}
    years = {str(year) for year in range(2020, 2031)}
    yield from (f"metres {one}" for one in have & fine - years if len(one) > 3)
    if whom != "public":
        whole = {(str(east // 1000), str(north // 1000)) for east, north in pairs}
        yield from (f"kilometres {' '.join(pair)}" for pair in whole if have.issuperset(pair))


def _numbers(text: str, whom: str) -> Iterator[str]:
    """Numbers finer or longer than any that a copy has: more than two decimals, more than four digits."""
    for number in NUMBER.findall(text):
        digits = number.lstrip("+-")
        if re.search(r"[.,]\d{3,}$", digits) or len(re.split("[.,]", digits)[0]) > 4:
            yield f"number {number}"
    side = {"owner": 10, "club": 5}.get(whom)
    for path in re.findall(r'class="thin" d="([^"]*)"', text):
        if side is None or any(int(n) % side for n in re.findall(r"-?\d+", path)) or "." in path:
            yield f"square {path[:60]}"
    for points in re.findall(r'points="([^"]*)"', text):
        if side is None or not re.fullmatch(r"(-?\d+,-?\d+ ?)+", points):
            yield f"outline {points[:60]}"


def _build(text: str) -> Iterator[str]:
    """Parts of a page that nobody sees."""
    for pattern in ("<script", "<!--", "<iframe", "<object", "<img", "<a ", '<link rel="(?!icon)', "<foreignObject"):
        yield from (f"part {one}" for one in re.findall(pattern, text, re.IGNORECASE))
    yield from (f"attribute {one}" for one in re.findall(r'\s(?:id|data-[\w-]+|on\w+|xmlns(?::\w+)?)="[^"]*"', text))
    for meta in re.findall(r"<meta[^>]*>", text):
        if meta not in METAS and "Content-Security-Policy" not in meta:
            yield f"meta {meta}"
    yield from (f"address {one}" for one in re.findall(r"\w+://\S+", text))
