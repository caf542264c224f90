"""Starting a site folder."""

import errno
from contextlib import suppress
from pathlib import Path

from fieldcomb.coverage.actions.outputs import EDGE_FILE, own_out, write_outputs
from fieldcomb.coverage.areas.areas import areas_geojson, place_areas, read_areas
from fieldcomb.coverage.areas.edge_walk import WalkedEdge, edge_of_walk
from fieldcomb.coverage.cache.folder import OUT
from fieldcomb.coverage.raster.grid import check_cells
from fieldcomb.coverage.site.folder import AREAS_FILE, Say, read_file, shown
from fieldcomb.coverage.site.journal import FOLDERS, LOCK, new_folder, reason, remove_half_made, room_or_rights
from fieldcomb.coverage.site.options_fields import read_cell_m
from fieldcomb.coverage.site.settings import OUTINGS_FILE, SITE_FILE
from fieldcomb.coverage.site.settings_text import NEW_OUTINGS, new_site_text
from fieldcomb.coverage.survey.inputs import choose_frame
from fieldcomb.tracks.errors import AreaError, SiteError, UsageError
from fieldcomb.tracks.files.limits import MAX_NEW_CELLS
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import parse_zone


def new_site(
    folder: Path,
    *,
    name: str | None = None,
    zone: str = "UTC",
    cell: str = "10cm",
    boundary: str | None = None,
    edge: str | None = None,
    held: str | None = None,
    say: Say,
) -> WalkedEdge | None:
    """Start a site folder, complete or not at all; returns the edge that was made of a walk.

    folder : where; it must be absent or empty.
    name, zone, cell : as typed; the name is the folder's when None.
    boundary : file of areas. With it the frame is fixed here, else at the first ``add``.
    edge : recording of a walk round the edge, instead of a boundary.
    held : where that file lies, when ``boundary`` or ``edge`` is only the name that it is known by.
    say : takes notes for the user.

    Raises UsageError, AreaError, TrackError, SiteError: nothing has been written then.
    """
    if name is not None and not name.strip():
        raise UsageError("the name of a site must not be empty", hint="Leave --name out to take the folder's")
    remove_half_made(folder.parent)  # also where it is refused below, because the site was made meanwhile
    _check_free(folder)
    files, walked = new_site_files(name or shown(folder.absolute().name), zone, cell, boundary, edge, held, say)
    try:
        new_folder(folder, files | {LOCK: b""})
    except OSError as error:
        if error.errno in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):  # someone else was quicker
            _check_free(folder)
        problem = f"the site cannot be written ({reason(error)}); nothing was changed"
        hint = f"{room_or_rights(error)}, or choose a folder that you can write to"
        raise SiteError(problem, file=shown(folder), hint=hint) from error
    return walked


def new_site_files(
    name: str,
    zone: str,
    cell: str,
    boundary: str | None,
    edge: str | None = None,
    held: str | None = None,
    say: Say = lambda _: None,
) -> tuple[dict[str, bytes], WalkedEdge | None]:
    """Return the files of a fresh site by name, and the edge that was made of a walk; parameters as of ``new_site``."""
    parse_zone(zone)
    cell_m = read_cell_m(cell)
    if boundary is not None and edge is not None:
        raise UsageError("--boundary and --edge were both given", hint="Use the one that is the site's edge")
    frame, areas, walked = _first_areas(boundary, edge, held, cell_m, say)
    text = new_site_text(name or "site", zone, cell, frame, bool(areas))
    return {SITE_FILE: text.encode(), OUTINGS_FILE: NEW_OUTINGS.encode(), **areas}, walked


def _check_free(folder: Path) -> None:
    file = shown(folder)
    try:
        if not folder.absolute().parent.is_dir():
            hint = "Make that folder first, or check the name"
            raise SiteError("the folder that should contain it does not exist", file=file, hint=hint)
        if not (folder.exists() or folder.is_symlink()):
            return
        if not folder.is_dir():
            raise SiteError("is a file, not a folder", file=file, hint="Choose another name for the site")
        if any(folder.iterdir()):
            raise SiteError("already exists and is not empty", file=file, hint=HintKind.SITE_IS_THERE())
    except (OSError, ValueError) as error:
        words = reason(error) if isinstance(error, OSError) else str(error)
        raise SiteError(f"cannot be used ({words})", file=file, hint="Choose another name for the site") from error


def _first_areas(
    boundary: str | None, edge: str | None, held: str | None, cell_m: float, say: Say
) -> tuple[SiteFrame | None, dict[str, bytes], WalkedEdge | None]:
    """Read and check the areas that a site begins with; returns its frame, its file of areas, and a walked edge."""
    walked = None
    if boundary is not None:
        raw = read_file(held or boundary, AreaError, name=boundary)
        areas, notes = read_areas(raw, shown(boundary))
        # GeoJSON is kept as it was given, with whatever else it says of its areas.
        content = raw if raw.lstrip().startswith(b"{") else areas_geojson(areas).encode()
    elif edge is not None:
        recording = read_recording(read_file(held or edge, name=edge), shown(edge))
        walked = edge_of_walk(recording)
        areas, notes = (walked.area,), tuple(dict.fromkeys((*walked.area.notes, *recording.notes)))
        content = areas_geojson(areas).encode()
    else:
        return None, {}, None
    frame = choose_frame(areas, ())
    file = shown(boundary or edge or "")
    placed, more = place_areas(areas, frame, file)
    site = [area.shape.bounds for area in placed if area.kind == "site"]
    if site:
        left, bottom, right, top = zip(*site, strict=True)
        check_cells((min(left), min(bottom), max(right), max(top)), cell_m, MAX_NEW_CELLS, AreaError, file)
    for note in (*notes, *more):
        say(note)
    return frame, {AREAS_FILE: content}, walked


def remove_fresh(folder: Path) -> None:
    """Remove a site that was just made and to which nothing was added; one that has anything in it is left."""
    with suppress(OSError):
        if (folder / OUTINGS_FILE).read_bytes() != NEW_OUTINGS.encode():
            return
        for name in (*FOLDERS, OUT):
            if (folder / name).exists():
                (folder / name).rmdir()  # refused where there is anything in it
        for name in (OUTINGS_FILE, SITE_FILE, LOCK):
            (folder / name).unlink(missing_ok=True)
        folder.rmdir()


def write_edge(site: Path, walked: WalkedEdge, name: str, say: Say) -> None:
    """Write the picture of a walked edge into a new site; that it cannot be written does no harm to the site."""
    folder = site / OUT
    try:
        own_out(site)
        from fieldcomb.coverage.pages.edge_page import edge_html

        write_outputs(folder, {EDGE_FILE: edge_html(walked, harmless(name)).encode()})
    except SiteError as error:
        say(f"note: there is no picture of the edge: {error.problem}")
    else:
        say(f"Look at the walk and the edge made of it: {shown(folder / EDGE_FILE)}")
