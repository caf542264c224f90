"""Thumbnails of photographs of finds for the user's own map: small, and without all that a camera writes beside them.

Pillow makes them where it is installed. A photograph is only ever read, and only from the site's own folder of them.
"""

from __future__ import annotations

import hashlib
import warnings
from base64 import b64encode
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from fieldcomb.coverage.cache.memo import Store
from fieldcomb.coverage.finds.find import FINDS_FILE, Find
from fieldcomb.coverage.register.photos import MOST_PHOTO_BYTES, MOST_PHOTO_PIXELS, PhotoKind, photo_kind
from fieldcomb.coverage.site.folder import PHOTOS, shown
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

if TYPE_CHECKING:
    from PIL import Image

THUMBNAIL_PIXELS = 160  # across or down, at most
MOST_THUMBNAIL_BYTES = 3_000_000  # all together, as they stand in the page
# Of a picture that has to be decoded whole: so many take 0.5 GB as PNG and 1.0 GB as WebP (measured); of a plain JPEG
# with 200 million only an eighth of each side is decoded, in 0.08 GB.
MOST_WHOLE_PIXELS = 60_000_000
MOST_OF_A_FIND = 4
NEEDS_PILLOW = (
    "Photographs of finds are not shown in the map: thumbnails need Pillow. Install fieldcomb with it: "
    "pip install '.[photos]'"
)
_QUALITY = 70
_NAMED = 5  # files that a sentence names
_FORMATS = {"jpg": "JPEG", "png": "PNG", "webp": "WEBP"}
_ORIENTATION = 0x0112  # the tag of EXIF that says how the camera was held
_AS_JPEG = f"Save a copy as JPEG in {PHOTOS} and name that in {FINDS_FILE}"
_SMALLER = f"Save a smaller copy as JPEG in {PHOTOS} and name that in {FINDS_FILE}"
_HEIC = ("HEIC is not read here", _AS_JPEG)
_OTHER = ("not a JPEG, PNG or WebP", _AS_JPEG)
_HEAVY = (f"more than the limit of {MOST_PHOTO_BYTES / 1e6:.0f} MB", _SMALLER)
_PIXELS = (
    f"too many pixels, of which {MOST_PHOTO_PIXELS / 1e6:.0f} million are read of a plain JPEG and "
    f"{MOST_WHOLE_PIXELS / 1e6:.0f} million of any other",
    _SMALLER,
)
_BROKEN = ("broken or cut off", "Copy it again from the camera")
_CLOSED = ("cannot be read", "Change its permissions")
_LINK = ("not a plain file, and links are not followed", "Put the picture itself there")


@dataclass(slots=True)
class Thumbnails:
    """Thumbnails by number of find, and sentences on photographs that have none.

    of : for each, pixels across and down, and a JPEG in base64.
    """

    of: dict[int, list[tuple[int, int, str]]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


class _NoThumbnailError(Exception):
    """Why a photograph has no thumbnail: what is wrong, and what to do."""


def make_thumbnails(folder: Path, finds: Sequence[Find], store: Store | None = None) -> Thumbnails:
    """Return thumbnails of the photographs of finds that have a place; the first of each find before second ones.

    folder : of the site. store : where thumbnails are kept, by a digest of the photograph.
    """
    there = _files(folder)
    named = ((find_no, there.get(name) or there.get(name.casefold())) for find_no, name in _named(finds))
    wanted = [(find_no, path) for find_no, path in named if path is not None]
    done = Thumbnails()
    if not wanted:
        return done
    try:
        from PIL import __version__ as edition
    except ImportError:
        done.notes.append(NEEDS_PILLOW)
        return done
    made: dict[Path, tuple[int, int, str] | None] = {}
    faults: dict[tuple[str, str], list[str]] = {}
    room, more = MOST_THUMBNAIL_BYTES, 0
    for find_no, path in wanted:
        if room <= 0 or len(done.of.get(find_no, ())) == MOST_OF_A_FIND:
            more += 1
            continue
        if path not in made:
            try:
                made[path] = _described(_thumbnail(path, store, edition))
            except _NoThumbnailError as fault:
                made[path] = None
                faults.setdefault((fault.args[0], fault.args[1]), []).append(shown(path.name))
        thumbnail = made[path]
        if thumbnail is not None and len(thumbnail[2]) > room:
            room, more = 0, more + 1
        elif thumbnail is not None:
            room -= len(thumbnail[2])
            done.of.setdefault(find_no, []).append(thumbnail)
    done.notes.extend(_sentences(faults, more))
    return done


def _named(finds: Sequence[Find]) -> Iterator[tuple[int, str]]:
    """Give the names of photographs, each once for a find, all first ones before all second ones."""
    names = {find.find_no: list(dict.fromkeys(find.photos)) for find in finds if find.placed}
    for turn in range(max(map(len, names.values()), default=0)):
        yield from ((find_no, of[turn]) for find_no, of in names.items() if turn < len(of))


def _files(folder: Path) -> dict[str, Path]:
    """Return what lies in the folder of photographs, by name and by name in small letters; no link is followed."""
    photos = folder / PHOTOS
    try:
        if photos.is_symlink() or not photos.is_dir():
            return {}
        files = sorted(photos.iterdir())
        return {path.name.casefold(): path for path in files} | {path.name: path for path in files}
    except OSError:
        return {}  # that they cannot be looked up is told where the finds are read


def _sentences(faults: Mapping[tuple[str, str], Sequence[str]], more: int) -> Iterator[str]:
    for (problem, to_do), names in faults.items():
        rest = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        yield f"No thumbnail of {', '.join(names[:_NAMED])}{rest} in {PHOTOS}: {problem}. {to_do}"
    if more:
        room = f"{MOST_OF_A_FIND} of a find and {MOST_THUMBNAIL_BYTES / 1e6:.0f} MB in all"
        yield f"The map leaves out {format_count(more, 'photograph')}: it takes {room}. The cards of the finds show all"


def _described(jpeg: bytes) -> tuple[int, int, str]:
    kind = photo_kind(jpeg)
    assert kind is not None  # it is a JPEG, made here
    return kind.wide, kind.high, b64encode(jpeg).decode("ascii")


def _thumbnail(path: Path, store: Store | None, edition: str) -> bytes:
    """Return the thumbnail of a photograph, which is kept by its digest: only a new one is decoded."""
    data, kind = _photograph(path)
    name = f"thumbnail {edition} {hashlib.sha256(data).hexdigest()}"
    kept = None if store is None else store.get(name)
    if kept is not None and kept[:2] == b"\xff\xd8" and kept[-2:] == b"\xff\xd9" and _fits(kept):
        return kept
    made = _made(data, kind)
    if store is not None:
        store.put(name, made)
    return made


def _fits(kept: bytes) -> bool:
    """Tell whether what was kept can be a thumbnail, whoever put it there."""
    kind = photo_kind(kept)
    return kind is not None and 0 < min(kind.wide, kind.high) <= max(kind.wide, kind.high) <= THUMBNAIL_PIXELS


def _photograph(path: Path) -> tuple[bytes, PhotoKind]:
    """Read a photograph that can have a thumbnail, by its first bytes and the size that it says it has."""
    try:
        if path.is_symlink() or not path.is_file():
            raise _NoThumbnailError(*_LINK)
        with path.open("rb") as file:
            head = file.read(64)
            kind = photo_kind(head)
            if kind is None or kind.ending not in _FORMATS:
                raise _NoThumbnailError(*(_OTHER if kind is None else _HEIC))
            data = head + file.read(MOST_PHOTO_BYTES + 1 - len(head))
    except OSError as error:
        raise _NoThumbnailError(*_CLOSED) from error
    if len(data) > MOST_PHOTO_BYTES:
        raise _NoThumbnailError(*_HEAVY)
    if kind.ending != "jpg" and kind.wide * kind.high > MOST_WHOLE_PIXELS:
        raise _NoThumbnailError(*_PIXELS)
    return data, kind


def _made(data: bytes, kind: PhotoKind) -> bytes:
    """Decode a photograph and return it small, upright and as nothing but a picture."""
    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # on odd things that it reads over
        Image.MAX_IMAGE_PIXELS = MOST_PHOTO_PIXELS
        try:
            with Image.open(BytesIO(data), formats=(_FORMATS[kind.ending],)) as image:
                return _small(image)
        except (_NoThumbnailError, Image.DecompressionBombError) as error:
            raise _NoThumbnailError(*_PIXELS) from error
        except Exception as error:  # a file that is broken on purpose can break its decoder in any way
            raise _NoThumbnailError(*_BROKEN) from error


def _small(image: Image.Image) -> bytes:
    from PIL import Image

    wide, high = image.size
    image.draft(None, (2 * THUMBNAIL_PIXELS, 2 * THUMBNAIL_PIXELS))  # a JPEG is decoded at a fraction of its size
    whole = wide * high if image.info.get("progressive") else image.width * image.height
    if wide * high > MOST_PHOTO_PIXELS or whole > MOST_WHOLE_PIXELS:
        raise _NoThumbnailError(*_PIXELS)
    turned = _turned(image)
    plain = _plain(image)
    plain.thumbnail((THUMBNAIL_PIXELS, THUMBNAIL_PIXELS))
    if turned is not None:
        plain = plain.transpose(turned)
    if plain.mode == "RGBA":
        white = Image.new("RGBA", plain.size, "white")
        white.alpha_composite(plain)
        plain = white
    plain = plain.convert("RGB")
    # Made anew of its pixels alone: places, times, names and comments stay in the photograph.
    bare = Image.frombytes("RGB", plain.size, plain.tobytes())
    out = BytesIO()
    bare.save(out, "JPEG", quality=_QUALITY, optimize=True)
    return out.getvalue()


def _turned(image: Image.Image) -> Image.Transpose | None:
    """Return how a picture is to be turned for its camera to have been upright (EXIF 2.32, orientation 1 to 8)."""
    from PIL import Image

    turn = Image.Transpose
    ways = (turn.FLIP_LEFT_RIGHT, turn.ROTATE_180, turn.FLIP_TOP_BOTTOM, turn.TRANSPOSE, turn.ROTATE_270)
    try:
        says = int(image.getexif().get(_ORIENTATION) or 1)
    except Exception:  # the picture is good, whatever stands beside it
        return None
    return dict(enumerate((*ways, turn.TRANSVERSE, turn.ROTATE_90), 2)).get(says)


def _plain(image: Image.Image) -> Image.Image:
    """Return a picture in colours that can be made smaller: grey, RGB, or RGBA where something shows through."""
    if image.mode in ("L", "RGB", "RGBA"):
        return image
    if image.mode.startswith("I"):
        return image.convert("I").point(lambda value: value * (1 / 256)).convert("L")  # 16 bits
    return image.convert("RGBA" if image.has_transparency_data else "RGB")
