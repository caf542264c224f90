"""Photographs of finds: what kind of picture a file is, and keeping it in the site under a name of its own."""

from __future__ import annotations

import struct
from pathlib import Path

from fieldcomb.coverage.register.change_find import set_find
from fieldcomb.coverage.register.find_record import find_record
from fieldcomb.coverage.site.folder import PHOTOS, Say, opened, shown
from fieldcomb.coverage.site.journal import reason, refuse_link, replace_files
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.values import dataclass

MOST_PHOTO_BYTES = 60_000_000
MOST_PHOTO_PIXELS = 200_000_000  # the largest sensors of phones have as many; a picture of more is made to fill memory
_HEIC = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1", b"avif")
_NO_SIZE = frozenset((0xC4, 0xC8, 0xCC))  # markers among those of a JPEG's frames that are none


@dataclass(frozen=True, slots=True)
class PhotoKind:
    """What a picture is: its ending, how a browser calls it, and its pixels, 0 where its head does not say.

    shown : whether every browser can show it.
    """

    ending: str
    media: str
    wide: int
    high: int
    shown: bool = True


def photo_kind(data: bytes) -> PhotoKind | None:
    """Return what kind of picture a file is by its first bytes, whatever it is called; None for anything else."""
    if data[:3] == b"\xff\xd8\xff":
        return PhotoKind("jpg", "image/jpeg", *_jpeg_size(data))
    if data[:8] == b"\x89PNG\r\n\x1a\n" and data[12:16] == b"IHDR" and len(data) >= 24:
        return PhotoKind("png", "image/png", *struct.unpack(">II", data[16:24]))
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP" and len(data) >= 30:
        return PhotoKind("webp", "image/webp", *_webp_size(data))
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC:
        return PhotoKind("heic", "image/heic", 0, 0, shown=False)
    return None


def _jpeg_size(data: bytes) -> tuple[int, int]:
    """Return the pixels across and down that the first frame of a JPEG says it has."""
    at = 2
    while at + 9 < len(data) and data[at] == 0xFF:
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        if 0xC0 <= marker <= 0xCF and marker not in _NO_SIZE:
            high, wide = struct.unpack(">HH", data[at + 5 : at + 9])
            return wide, high
        at += 1 if marker == 0xFF else 2 + length
    return 0, 0


def _webp_size(data: bytes) -> tuple[int, int]:
    if data[12:16] == b"VP8X":
        return 1 + int.from_bytes(data[24:27], "little"), 1 + int.from_bytes(data[27:30], "little")
    if data[12:16] == b"VP8L":
        bits = int.from_bytes(data[21:25], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    return int.from_bytes(data[26:28], "little") & 0x3FFF, int.from_bytes(data[28:30], "little") & 0x3FFF


def check_photo(data: bytes, name: str) -> PhotoKind:
    """Return what kind of picture it is; UsageError for none, a far too large one, or one made to fill memory."""
    if not data:
        raise UsageError(f"{name} is empty", hint="Take the picture again")
    if len(data) > MOST_PHOTO_BYTES:
        problem = f"{name} has {len(data) / 1e6:.0f} MB, more than the limit of {MOST_PHOTO_BYTES / 1e6:.0f} MB"
        raise UsageError(problem, hint="Let the camera take smaller pictures")
    kind = photo_kind(data)
    if kind is None:
        raise UsageError(f"{name} is no picture that is known here", hint="Use JPEG, PNG, WebP or HEIC")
    if kind.wide * kind.high > MOST_PHOTO_PIXELS:
        problem = f"{name} says that it has {kind.wide} x {kind.high} pixels, more than any camera of a phone"
        raise UsageError(problem, hint="It was not kept")
    return kind


def keep_photo(folder: Path, find_no: int, photo_id: str, name: str, data: bytes, *, say: Say) -> str:
    """Keep a photograph of a find byte for byte; when this returns it is on the disk and named in the find's row.

    photo_id : made where it was taken; one that comes again is kept once. name : for messages. Returns its name.

    Raises UsageError: no such find, or no such picture. SiteError: it cannot be written.
    """
    kind = check_photo(data, name)
    kept = f"find-{find_no}-{photo_id[:12]}.{kind.ending}"
    place = folder / PHOTOS
    with opened(folder, say) as site:
        read = find_record(site)
        find = next((find for find in read.finds if find.find_no == find_no), None)
        if find is None:
            raise UsageError(f"there is no find {find_no}", hint="Open the page of the finds again")
        refuse_link(place, "Put the folder itself there")
        try:
            place.mkdir(exist_ok=True)
            if not (place / kept).is_file():
                replace_files(place, {kept: data})
        except OSError as error:
            problem = f"the picture cannot be written here ({reason(error)})"
            raise SiteError(problem, file=shown(place), hint="Free some space, or change its permissions") from error
        photos = find.photos
    if kept not in photos:  # it lies in the folder by now, so a row that cannot be written loses nothing
        set_find(folder, find_no, {"photo": "; ".join([*photos, kept])}, say=say)
    return kept
