"""Searchers as they are shown: by initials, so that a map that is passed on names no one."""

import re
from collections.abc import Iterable

from fieldcomb.coverage.site.folder import Site


def initials_of(names: Iterable[str]) -> dict[str, str]:
    """Return the initials of each name; those that two people share are numbered in the order given.

    >>> initials_of(["Ann Berg", "Bo", "Arne Bull", "Ann Berg"])
    {'Ann Berg': 'AB', 'Bo': 'B', 'Arne Bull': 'AB2'}
    """
    given: dict[str, str] = {}
    taken: dict[str, int] = {}
    for name in names:
        if name in given:
            continue
        short = "".join(word[0] for word in re.findall(r"\w+", name)).upper()[:4] or "?"
        taken[short] = taken.get(short, 0) + 1
        given[name] = short if taken[short] == 1 else f"{short}{taken[short]}"
    return given


def initials_in(site: Site) -> dict[str, str]:
    """Return the initials of everybody named in a site's outings, in the order in which they first come."""
    named = [name for o in site.outings for name in (*(item.searcher for item in o.recordings), *o.unrecorded)]
    return initials_of(name for name in named if name)
