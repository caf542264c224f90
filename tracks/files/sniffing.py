"""What kind of file this is, by its first bytes and never by its name; and the error when it is another kind."""

import re

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.encoding import coding_of

SHAPEFILE = b"\x00\x00\x27\x0a"  # ESRI Shapefile Technical Description, 1998: file code 9994, big end first
_MAGIC = (
    (b"PK\x03\x04", "a zip archive"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"\x1f\x8b", "a gzip file"),
    (b"BZh", "a file packed with bzip2"),
    (b"\xfd7zXZ", "a file packed with xz"),
    (b"\x28\xb5\x2f\xfd", "a file packed with zstd"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!\x1a\x07", "a RAR archive"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (SHAPEFILE, "a shapefile"),
    (b"SQLite format 3", "a database"),
)
_PACKED = tuple(words for _, words in _MAGIC[3:8])  # which are not opened here
_EMPTY, _BLANK, DAMAGED = "an empty file", "a blank file", "damaged XML"
_NO_VALUE = "a file of separators and quotation marks alone"
_WEB_PAGE = "a web page, perhaps a login page, saved as if it were a track"
_ROOTS = {"gpx": "GPX", "kml": "KML", "trainingcenterdatabase": "TCX", "html": _WEB_PAGE, "osm": "map data"}
_FIRST_TAG = re.compile(r"<(?:[\w.-]{1,40}:)?([A-Za-z_][\w.-]{0,80})")
# \x1e begins each record of a JSON text sequence (RFC 7464).
_ASIDE = re.compile(r"[\s\x1e]+|<\?[^>]*>|<!--.*?-->", re.DOTALL)
_ODD_LETTERS = 3  # control characters that a name may have got by mistake
_NMEA = re.compile(r"\$[A-Z]{2}[A-Z]{3},")


def looks_like(data: bytes) -> str:
    """Say in a few words what kind of file this is, from its first bytes, whatever its name ends in.

    XML that is known by nothing yet, because it is cut off or has a DOCTYPE, is ``DAMAGED``.

    >>> looks_like(b"<?xml version='1.0'?><kml>"), looks_like(b'{"type": "FeatureCollection"}'), looks_like(b"")
    ('KML', 'GeoJSON', 'an empty file')
    """
    if _only(b"\0 \t\r\n", data):
        return _BLANK if data else _EMPTY
    if _only(b"\0 \t\r\n,;\"'", data):
        return _NO_VALUE
    if data[8:12] == b".FIT":
        return "FIT"
    for magic, words in _MAGIC:
        if data.startswith(magic):
            return words
    coding = coding_of(data[:8192])
    head = data[coding.start : 8192].decode(coding.codec, errors="replace")
    letters = head[:2000].rstrip("\0")
    odd = sum(letter < " " and letter not in "\t\r\n\f\x1e" for letter in letters)
    if "\0" in letters or odd > max(_ODD_LETTERS, len(letters) // 50):
        return "a binary file"
    return _looks_like_text(head)


def _only(letters: bytes, data: bytes) -> bool:
    """Whether a file holds nothing but these letters; hardly any is looked at beyond its first bytes."""
    return not data[:64].strip(letters) and not data.strip(letters)


def _looks_like_text(head: str) -> str:
    at = 0
    while match := _ASIDE.match(head, at):
        at = match.end()
    head = head[at:]
    if head[:14].lower() == "<!doctype html" or head[:5].lower() == "<html":
        return _WEB_PAGE
    if head[:1] in ("{", "["):
        return "GeoJSON" if '"type"' in head and ("Feature" in head or "Polygon" in head) else "JSON"
    if head[:1] == "<":
        tag = _FIRST_TAG.match(head)
        return of_root(tag.group(1)) if tag else DAMAGED
    if _NMEA.match(head):
        return "NMEA sentences"
    first_line = head.partition("\n")[0]
    return "a table of values (CSV)" if any(mark in first_line for mark in ",;\t") else "plain text"


def of_root(tag: str) -> str:
    """Name the kind of an XML file by its outermost element."""
    return _ROOTS.get(tag.lower(), f"XML with <{tag[:80]}> as its outermost element")


def not_this(data: bytes, file: str, wanted: str, other_root: str = "", broken: str = "") -> TrackError:
    """Make the error for a file of another kind: what it looks like, and what to do."""
    words = of_root(other_root) if other_root else looks_like(data)
    if words in (_EMPTY, _BLANK, _NO_VALUE):
        return TrackError(f"is {words}", file=file, hint="Copy or export it again from the recorder")
    if words == _WEB_PAGE:
        return TrackError(f"is {words}", file=file, hint=f"Log in, download the {wanted} file again, and use that")
    if words in _PACKED:
        return TrackError(f"is {words}", file=file, hint="Unpack it and give the file in it")
    if words in (wanted, DAMAGED):
        hint = "Copy or export it again from the recorder"
        return TrackError(f"is not a valid {wanted} file", file=file, where=broken or None, hint=hint)
    hint = "Export the walk as GPX and use that file" if "GPX" in wanted else f"Give a {wanted} file"
    return TrackError(f"is not a {wanted} file: it looks like {words}", file=file, hint=hint)
