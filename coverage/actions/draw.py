"""Drawing the map of a site: surveying it, and writing the output folder."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

from fieldcomb.coverage.actions.outputs import make_outputs, write_outputs
from fieldcomb.coverage.actions.survey_inputs import NOTHING_READ, survey_inputs
from fieldcomb.coverage.cache.folder import KEPT, Shelf
from fieldcomb.coverage.site.folder import OUT, Say
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import Progress, survey
from fieldcomb.tracks.recording import Recording


def draw_map(
    folder: Path,
    out: Path | None = None,
    *,
    since: date | None = None,
    between: tuple[str, str] | None = None,
    depth_m: float | None = None,
    read: Mapping[str, Recording] = NOTHING_READ,
    say: Say,
    progress: Progress,
) -> Report:
    """Survey a site and write its output folder.

    Parameters
    ----------
    folder : Path
        The site folder.
    out : Path, optional
        The output folder; the site's own if not given. Only in the site's own are results kept for the next time.
    since : date, optional
        Only outings from this day on.
    between : (id, id), optional
        Two outings to set beside each other.
    depth_m : float, optional
        How deep below the soil it is asked what the coil itself covered.
    read : mapping, optional
        Recordings that were read already, by the SHA-256 of their files.
    say, progress : callable
        Take notes for the user, and how far the work is.

    Returns
    -------
    Report
        What was written, as numbers.

    """
    out = folder / OUT if out is None else out
    given = survey_inputs(folder, since=since, between=between, read=read, say=say)
    for note in given.notes:
        say(f"note: {note}")
    shelf = Shelf(folder / OUT / KEPT, closed=out != folder / OUT)
    store = None if shelf.closed and not shelf.folder.is_dir() else shelf
    result = survey(given.site, given.outings, between=between, depth_m=depth_m, progress=progress, store=store)
    progress("drawing the map", 0, 1)
    write_outputs(out, make_outputs(result))
    shelf.tidy()
    return result.report
