"""Opening ground again that a mark had closed; the day is kept in site.toml, and the mark stays."""

from datetime import date
from pathlib import Path

from fieldcomb.coverage.areas.from_marks import closed_name, opened_again
from fieldcomb.coverage.cache.memo import Memo
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.site.folder import Say, opened
from fieldcomb.coverage.site.journal import write_all
from fieldcomb.coverage.site.settings import SITE_FILE
from fieldcomb.coverage.site.settings_file import read_settings
from fieldcomb.coverage.site.settings_text import with_reopened
from fieldcomb.coverage.survey.walking_in_order import marks_alone
from fieldcomb.tracks.errors import FieldcombError, UsageError
from fieldcomb.tracks.marks.vocabulary import fold
from fieldcomb.tracks.units import local_date, parse_zone


def reopen(folder: Path, name: str, day: date, say: Say) -> str:
    """Open closed ground again from a day on; returns its name.

    name : what was written after ``stop``, in any letter case, or the outing of a mark without words.

    Raises UsageError: no mark closed such ground, it is open already, or the day is before that of its mark; nothing
    was changed.
    """
    closed = _closed(folder, say)
    with opened(folder, say) as site:
        known = dict.fromkeys(own for own, since in closed if opened_again(own, since, site.settings.reopened) is None)
        own = next((one for one in known if fold(one) == fold(name)), None)
        if own is None:
            listed = ", ".join(repr(one) for one in known) or "none"
            raise UsageError(f"no ground is closed as {name!r}", hint=f"Closed ground of this site: {listed}")
        marked = max((since for name, since in closed if fold(name) == fold(own) and since is not None), default=day)
        if day < marked:
            problem = f"{own!r} was closed on {marked}, which is after {day}"
            raise UsageError(problem, hint="Give the day from which on it may be searched again")
        text = with_reopened(site.settings.file.text, own, str(day))
        read_settings(text.encode(), site.settings.file.name)
        write_all(folder, {SITE_FILE: text.encode()})
    return own


def _closed(folder: Path, say: Say) -> list[tuple[str, date | None]]:
    """Names of ground that marks closed, with the day of each mark."""
    given = survey_inputs(folder, say=say)
    found = []
    for outing in (*given.outings, *given.site.others):
        try:
            marks = marks_alone(outing, given.site.frame, Memo(None, ()))
        except FieldcombError as error:
            say(f"Outing {outing.id}: its marks could not be read: {error.fault}")
            continue
        for mark in marks:
            if mark.kind == "stop":
                found.append((closed_name(mark, outing.id), local_date(mark.time_s, parse_zone(given.site.zone))))
    return found
