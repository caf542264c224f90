"""A site folder as it lies on the disk, and opening one to read or change it."""

import stat
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from fieldcomb.coverage.areas.areas import Area, read_areas
from fieldcomb.coverage.cache.folder import OUT
from fieldcomb.coverage.finds.find import FINDS_FILE
from fieldcomb.coverage.finds.placing import missing_photos
from fieldcomb.coverage.finds.reading import FindsRead, read_finds
from fieldcomb.coverage.gear.coils import coil_of_size, own_coil, split_naming
from fieldcomb.coverage.gear.swing import make_swing
from fieldcomb.coverage.season.events import EVENTS_FILE, GroundEvent, read_events
from fieldcomb.coverage.site.journal import locked, reason
from fieldcomb.coverage.site.naming import did_you_mean
from fieldcomb.coverage.site.peg_file import PegRow, place_pegs, read_pegs
from fieldcomb.coverage.site.settings import OUTINGS_FILE, SITE_FILE, TRACKS, OutingEntry, Settings
from fieldcomb.coverage.site.settings_file import read_outings, read_settings
from fieldcomb.coverage.site.settings_text import with_coil
from fieldcomb.coverage.site.toml_text import TomlFile
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.tracks.errors import AreaError, FieldcombError, SiteError, TrackError, UsageError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import Hint, HintKind
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.units import parse_length_m
from fieldcomb.tracks.values import dataclass

AREAS_FILE = "areas.geojson"
PEGS_FILE = "pegs.csv"
PLANTED_FILE = "planted.csv"
PHOTOS = "photos"
CARD_FILE = "card.html"
_OWN_FOLDERS = (OUT, TRACKS, PHOTOS, "lanes", "copies")
_OWN_FILES = (FINDS_FILE, EVENTS_FILE, SITE_FILE, OUTINGS_FILE, AREAS_FILE, PEGS_FILE, PLANTED_FILE, CARD_FILE)
NO_AREAS = (
    f"{AREAS_FILE} was here and is gone: without it nothing is taken off as no-go or blocked, and percentages are "
    f"of the ground between your walks. Put it back, or take the line areas = true out of {SITE_FILE}"
)
MAX_FILE_BYTES = 512 * 1024 * 1024

Say = Callable[[str | Hint], None]


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """An open site folder; ``outings_file`` is the text that ``outings`` were read from."""

    folder: Path
    settings: Settings
    outings_file: TomlFile
    outings: tuple[OutingEntry, ...]
    areas: tuple[Area, ...]
    notes: tuple[str, ...]
    pegs: tuple[PegRow, ...] = ()

    def as_input(self, frame: SiteFrame) -> SiteInput:
        """Return the site as a survey takes it."""
        known = self.settings
        own = tuple(own_coil(k.coil, k.swath_m, k.sweep_s, k.reach_m, k.rule) for k in known.coils.values())
        site = SiteInput(known.name, known.zone.key, known.cell_m, frame, self.areas, AREAS_FILE)
        return replace(site, coils=own, todo=known.todo, pegs=self.pegs_in(frame), reopened=known.reopened)

    def outing_number(self, outing_id: str) -> int:
        """Return the place of an outing in the list; UsageError when there is none of this id."""
        for number, outing in enumerate(self.outings):
            if outing.id == outing_id:
                return number
        raise UsageError(f"outing {outing_id!r} is not known", hint=self.known_outings)

    @property
    def known_outings(self) -> str:
        """What there is to name, for whoever named no outing of this site: ``Outings of this site: 2026-03-07a``."""
        return f"Outings of this site: {', '.join(outing.id for outing in self.outings) or 'none yet'}"

    def pegs_in(self, frame: SiteFrame) -> tuple[Peg, ...]:
        """Return the site's pegs in metres; raises SiteError for one that lies far from the site."""
        corners = shapely.get_coordinates([area.shape for area in self.areas])
        x, y = frame.to_metres(corners[:, 0], corners[:, 1])
        reach_m = float(np.hypot(x, y).max(initial=0.0))
        return place_pegs(self.pegs, frame, reach_m, shown(self.folder / PEGS_FILE))


def stored_files(site: Site) -> list[Path]:
    """List what lies in the site's tracks folder."""
    folder = site.folder / TRACKS
    return sorted(folder.iterdir()) if folder.is_dir() else []


def shown(path: str | Path) -> str:
    """A file name that can be printed and written down, whatever bytes it is made of."""
    return str(path).encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def used_by_site(folder: Path, file: Path) -> bool:
    """Return whether a new file would stand where a site reads its own, or where fieldcomb rewrites what is there."""
    with suppress(OSError, ValueError):
        parts = [part.casefold() for part in file.resolve().relative_to(folder.resolve()).parts]
        return bool(parts) and parts[0] in (_OWN_FOLDERS if len(parts) > 1 else _OWN_FILES)
    return False


def read_file(
    path: str | Path, error_type: type[FieldcombError] = TrackError, *, name: str | Path | None = None
) -> bytes:
    """Read a whole file that the user named; an error of ``error_type`` says why it cannot be.

    ``name`` is what the user knows it by, where that is not its path.
    """
    file = shown(path if name is None else name)
    try:
        status = Path(path).stat()
        if stat.S_ISDIR(status.st_mode):
            raise error_type("is a folder, not a file", file=file, hint="Name the files in it one by one")
        if not stat.S_ISREG(status.st_mode):
            raise error_type("is not a plain file", file=file, hint="Save it to the disk and use that file")
        if status.st_size > MAX_FILE_BYTES:
            raise error_type(f"is {status.st_size / 1e6:.0f} MB, far more than a walk", file=file, hint="Split it")
        return Path(path).read_bytes()
    except FileNotFoundError as error:
        like = did_you_mean(Path(path)) if name is None or str(name) == str(path) else ""
        hint = f"{like}Check the name and the folder"
        raise error_type("is not there", file=file, hint=hint) from error
    except PermissionError as error:
        raise error_type(
            "you do not have permission to read it", file=file, hint="Change its permissions, or copy it"
        ) from error
    except (OSError, ValueError) as error:
        words = reason(error) if isinstance(error, OSError) else str(error)
        raise error_type(f"cannot be read ({words})", file=file, hint="Copy it again from the recorder") from error


# -------------------------------------------------------------------------------------------------- opening


@contextmanager
def opened(folder: Path, say: Say, *, reading: bool = False) -> Iterator[Site]:
    """Open a site folder under its lock, after finishing what an interrupted command left there."""
    file = shown(folder)
    if not folder.exists():
        like = did_you_mean(folder)
        start = "To start a new one" if like else "Start it with"
        raise SiteError("is not there", file=file, hint=HintKind.NO_SUCH_SITE(site=file, start=f"{like}{start}"))
    if not folder.is_dir():
        raise SiteError("is a file, not a site folder", file=file, hint=HintKind.NOT_A_FOLDER())
    if not (folder / SITE_FILE).is_file():
        raise SiteError(f"is not a site folder: it has no {SITE_FILE}", file=file, hint=HintKind.NOT_A_SITE())
    with locked(folder, say, reading=reading):
        yield _read(folder)


def _read(folder: Path) -> Site:
    errors: dict[str, type[FieldcombError]] = {AREAS_FILE: AreaError}
    names = [name for name in (SITE_FILE, OUTINGS_FILE, AREAS_FILE, PEGS_FILE) if (folder / name).exists()]
    return site_of({name: read_file(folder / name, errors.get(name, SiteError)) for name in names}, folder)


def site_of(files: Mapping[str, bytes], folder: Path) -> Site:
    """Return the site that these files make, by their names in its folder; the folder itself is not read."""
    settings = read_settings(files[SITE_FILE], shown(folder / SITE_FILE))
    outings_file, outings = read_outings(files.get(OUTINGS_FILE, b""), shown(folder / OUTINGS_FILE), settings.zone)
    areas: tuple[Area, ...] = ()
    notes = settings.notes
    if AREAS_FILE in files:
        areas, more = read_areas(files[AREAS_FILE], shown(folder / AREAS_FILE))
        notes = (*notes, *more)
    elif settings.areas:
        notes = (*notes, NO_AREAS)
    pegs: tuple[PegRow, ...] = ()
    if PEGS_FILE in files:
        pegs, more = read_pegs(files[PEGS_FILE], shown(folder / PEGS_FILE))
        notes = (*notes, *more)
    return Site(folder, settings, outings_file, outings, areas, notes, pegs)


def finds_in(site: Site) -> FindsRead | None:
    """Read the finds of a site; None where nobody wrote any down. Raises SiteError for a file that cannot be used."""
    if not (site.folder / FINDS_FILE).exists():
        return None
    read = read_finds(read_file(site.folder / FINDS_FILE, SiteError, name=FINDS_FILE), FINDS_FILE, site.settings.zone)
    folder = site.folder / PHOTOS
    there = [path.name for path in folder.iterdir()] if folder.is_dir() and not folder.is_symlink() else []
    return replace(read, notes=(*read.notes, *missing_photos(read.finds, there, FINDS_FILE)))


def events_in(site: Site) -> tuple[tuple[GroundEvent, ...], tuple[str, ...]]:
    """Read what changed the ground of a site, and sentences on what of it cannot be used; nothing without the file."""
    if not (site.folder / EVENTS_FILE).exists():
        return (), ()
    raw = read_file(site.folder / EVENTS_FILE, SiteError, name=EVENTS_FILE)
    return read_events(raw, EVENTS_FILE, site.settings.zone)


def keep_coil(
    site: Site, typed: str | None, swath: str | None = None, sweep: float | None = None
) -> tuple[Site, str | None]:
    """Take ``small=13x20cm`` into the site's coils, with the swing typed for it.

    Returns the site with the coil, and what to write for the outing. A site that knows it already comes back as it is.
    """
    if typed is None:
        return site, None
    name, size = split_naming(typed)
    if name is None:
        return site, typed
    coil = coil_of_size(name, size)
    known = site.settings.coils.get(name)
    if known is not None:
        if known.coil != coil:
            hint = f"Correct its size in {SITE_FILE}, or choose another name"
            raise UsageError(f"coil {name!r} already has another size", hint=hint)
        return site, name
    make_swing(coil, None if swath is None else parse_length_m(swath, "swing width"), sweep, None)
    file = site.settings.file
    try:
        settings = read_settings(with_coil(file.text, coil, size, swath, sweep).encode(), file.name)
    except SiteError as error:
        hint = f'Write it there yourself: size = "{size}"'
        raise SiteError(f"coil {name!r} does not fit the way coils are written", file=file.name, hint=hint) from error
    return replace(site, settings=settings), name
