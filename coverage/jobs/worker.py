"""Carries out one order in a process of its own, by the same calls as the commands make.

It is started by ``job_queue``, loads all that an order may need, waits for one on its standard input, and reports on
its standard output. Before it has an order it ends with its input, as when the server is gone. It may be killed at any
moment: a change to a site is made whole or not at all, and an output folder keeps what was there before.
"""

import json
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

from fieldcomb.coverage.jobs.job_protocol import (
    ADD,
    AREAS,
    CHANGE,
    COLLECT,
    COMPARE,
    COMPARED,
    EDIT,
    NEW,
    PLAN,
    REOPEN,
    SHARE,
    SHEET,
    START,
    HeldFile,
    Order,
    read_order,
)
from fieldcomb.coverage.pool.workers import Workers, cores
from fieldcomb.tracks.errors import FieldcombError
from fieldcomb.tracks.hints import Hint
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_count

Tell = Callable[..., None]
UNCHANGED = "it already has these values; nothing changed"

USED = (
    *(f"fieldcomb.coverage.actions.{name}" for name in ("add", "draw", "edit", "new_site")),
    "fieldcomb.coverage.gis.geotiff",
    "fieldcomb.coverage.pages.map_page",
    *("rasterio.features", "scipy.linalg", "scipy.ndimage", "scipy.sparse.csgraph", "scipy.spatial", "scipy.special"),
)


def run_order() -> int:
    """Read one order from standard input, carry it out, and report how it went."""
    tell = _teller()
    load_all()
    line = sys.stdin.readline()
    if not line:
        return 0  # there is no server any more
    order = read_order(line)
    try:
        carry_out(order, tell)
    except FieldcombError as error:
        # Who looks at the page need not know where the sites lie.
        tell(fault=error.on_page.replace(str(Path(order.site).parent) + os.sep, ""))
    except MemoryError:
        tell(fault="There is not enough memory for this. A larger cell, such as 20cm, needs less")
    except OSError as error:
        tell(fault=f"The system refused ({(error.strerror or str(error)).lower()})")
    return 0


def load_all() -> None:
    """Load what adding a walk and drawing a map take, which is otherwise loaded where it is used."""
    for name in USED:
        import_module(name)


def _teller() -> Tell:
    """Return the function that reports progress; whatever a library prints goes to stderr from here on."""
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)

    def tell(**values: Any) -> None:
        out.write(json.dumps(values) + "\n")
        out.flush()

    return tell


def carry_out(order: Order, tell: Tell) -> None:
    """Do what an order says.

    order : what to do.
    tell : takes keyword arguments as ``job_protocol.with_line`` reads them.

    Raises FieldcombError: the order cannot be carried out; what was reported as kept is on the disk all the same.
    """
    if order.do == NEW:
        _new(order, tell)
        return
    with Workers(cores(), _say(tell)) as workers:
        added: Sequence[Any] = ()
        if order.do == START:
            added = _start(order, tell, workers)
        elif order.do == ADD:
            added = _add(order, tell, workers)
        elif order.do in _CHANGES:
            _CHANGES[order.do](order, tell)
        elif order.do in _WORK:
            _WORK[order.do](order, tell, workers)
        if order.do == COMPARE:
            _compare(order, tell, workers)
        elif order.draw:
            _draw(order, tell, added, workers)


def _say(tell: Tell) -> Callable[[str | Hint], None]:
    def say(note: str | Hint) -> None:
        text = note.on_page if isinstance(note, Hint) else note
        tell(notes=[harmless(text).removeprefix("note: ")])

    return say


def _add(order: Order, tell: Tell, workers: Workers) -> Sequence[Any]:
    tell(step="Reading the recording" if len(order.files) == 1 else f"Reading {len(order.files)} files")
    from fieldcomb.coverage.actions.add import add
    from fieldcomb.coverage.actions.given_walks import Split, WalksToAdd, WalkToAdd, with_roster
    from fieldcomb.coverage.actions.loaded_walks import assumed_in

    def held(file: HeldFile) -> WalkToAdd:
        return WalkToAdd(file.name, order.start, order.end, held=file.path)

    say, split = _say(tell), Split.RECORDINGS if order.each else Split.TOGETHER
    walks = WalksToAdd([held(file) for file in order.files], order.typed, order.label, order.note, split)
    if order.roster is not None:
        walks = with_roster(walks, held(order.roster), say)
    added = add(Path(order.site), walks, say, workers)
    tell(kept=[one.id for one in added])
    for outing in added:
        for one in outing.recordings:
            say(f"{one.file}: {one.counts}")
            for note in one.notes:
                say(f"{one.file}: {note}")
    for guess in assumed_in([one for outing in added for one in outing.recordings]):
        say(guess)
    return added


def _start(order: Order, tell: Tell, workers: Workers) -> Sequence[Any]:
    """Make a site without an edge for walks that come first; it goes again where none of them can be added."""
    from fieldcomb.coverage.actions.new_site import new_site, remove_fresh

    site = Path(order.site)
    new_site(site, name=order.name, zone=order.zone, cell=order.cell, say=_say(tell))
    try:
        return _add(order, tell, workers)
    except BaseException:
        remove_fresh(site)
        raise


def _collect(order: Order, tell: Tell, workers: Workers) -> None:
    tell(step="Looking for marks of finds")
    from fieldcomb.coverage.register.collect_finds import collect_finds

    done = collect_finds(Path(order.site), say=_say(tell), workers=workers)
    words = f"{format_count(len(done.new), 'new find')} of {format_count(done.marked, 'mark')}"
    tell(kept=[f"{words}; {format_count(done.rows, 'find')} in all"])


def _share(order: Order, tell: Tell, workers: Workers) -> None:
    tell(step="Making the copy")
    from fieldcomb.coverage.actions.share_copy import share_copy
    from fieldcomb.coverage.copies.audience import Audience

    def progress(what: str, done: int, whole: int) -> None:
        tell(step=what.capitalize(), done=done, whole=whole)

    made = share_copy(Path(order.site), Audience(order.name), say=_say(tell), progress=progress, workers=workers)
    kept = [f"The earlier copy is kept as {made.earlier}"] * bool(made.earlier)
    left_out = f"Left out: {'; '.join((*made.left_out, *made.here))}"
    tell(kept=[f"a copy for the {order.name}"], notes=[left_out, *kept])


def _plan(order: Order, tell: Tell, workers: Workers) -> None:
    tell(step="Planning lanes")
    from fieldcomb.coverage.actions.plan_lanes import ACROSS, LaneWishes, plan_site_lanes
    from fieldcomb.coverage.lanes.lane_words import planned_lines

    bearing = ACROSS if order.across else None
    wishes = LaneWishes(order.typed.coil, bearing, inside=order.inside, minutes=order.minutes, name=order.name)
    made = plan_site_lanes(Path(order.site), wishes, say=_say(tell), progress=_progress(tell), workers=workers)
    tell(kept=planned_lines(made.named))


def _sheet(order: Order, tell: Tell) -> None:
    tell(step="Reading the sheet")
    from fieldcomb.coverage.actions.tick_lanes import tick_site_lanes

    (file,) = order.files
    done = tick_site_lanes(Path(order.site), file.name, order.name, say=_say(tell), held=file.path)
    counts = f"{done.walked} of {format_count(done.lanes, 'lane')} walked, {done.part} in part, {done.not_walked} not"
    tell(kept=[f"Plan {done.plan}: {counts}"], notes=list(done.notes))


def _change(order: Order, tell: Tell) -> None:
    tell(step="Changing the site")
    from fieldcomb.coverage.actions.edit import change_site

    lines = change_site(Path(order.site), {key: str(value) for key, value in order.changes.items()}, _say(tell))
    tell(kept=list(lines) or [UNCHANGED])


def _areas(order: Order, tell: Tell) -> None:
    tell(step="Drawing the areas")
    from fieldcomb.coverage.actions.edit import change_areas

    assert order.boundary is not None
    drawn = Path(order.boundary.path).read_bytes()
    lines = change_areas(Path(order.site), drawn, order.known, _say(tell))
    tell(kept=list(lines) or [UNCHANGED])


def _reopen(order: Order, tell: Tell) -> None:
    tell(step="Looking for marks that closed ground")
    from fieldcomb.coverage.actions.reopen import reopen

    own = reopen(Path(order.site), order.name or "", date.fromisoformat(order.since or ""), _say(tell))
    tell(kept=[f"{own}: open again from {order.since} on; kept with its date in site.toml, and the mark stays"])


def _new(order: Order, tell: Tell) -> None:
    tell(step="Making the site")
    from fieldcomb.coverage.actions.new_site import new_site, write_edge

    site, say = Path(order.site), _say(tell)
    given = order.boundary or order.edge
    made = new_site(
        site,
        name=order.name,
        zone=order.zone,
        cell=order.cell,
        boundary=order.boundary.name if order.boundary else None,
        edge=order.edge.name if order.edge else None,
        held=given.path if given else None,
        say=say,
    )
    tell(kept=[site.name])
    if made is not None:
        tell(step="Drawing the edge")
        write_edge(site, made, order.name or site.name, lambda text: None)


def _edit(order: Order, tell: Tell) -> None:
    tell(step="Correcting the outing")
    from fieldcomb.coverage.actions.edit import edit

    assert order.outing is not None
    lines = edit(Path(order.site), order.outing, order.changes, recording=order.recording, say=_say(tell))
    tell(kept=list(lines) or [UNCHANGED])


_CHANGES: Mapping[str, Callable[[Order, Tell], None]] = {
    EDIT: _edit,
    CHANGE: _change,
    AREAS: _areas,
    REOPEN: _reopen,
    SHEET: _sheet,
}
_WORK: Mapping[str, Callable[[Order, Tell, Workers], None]] = {COLLECT: _collect, SHARE: _share, PLAN: _plan}


def _draw(order: Order, tell: Tell, added: Sequence[Any], workers: Workers) -> None:
    tell(step="Looking at the site", done=0, whole=1)
    from fieldcomb.coverage.actions.draw import draw_site
    from fieldcomb.coverage.gear.swing import parse_depth_m

    depth_m = None if order.depth is None else parse_depth_m(order.depth)
    say, progress = _say(tell), _progress(tell)
    draw_site(Path(order.site), depth_m=depth_m, added=added, say=say, progress=progress, workers=workers)
    tell(drawn=True)


def _compare(order: Order, tell: Tell, workers: Workers) -> None:
    """Draw a map of two outings, or of those since a day, into a folder of its own, so that the site's map stays."""
    tell(step="Looking at these outings", done=0, whole=1)
    from fieldcomb.coverage.actions.draw import draw_site
    from fieldcomb.coverage.actions.outputs import own_out
    from fieldcomb.coverage.gear.swing import parse_depth_m

    out = own_out(Path(order.site)) / COMPARED
    depth_m = None if order.depth is None else parse_depth_m(order.depth)
    since = None if order.since is None else date.fromisoformat(order.since)
    run = partial(draw_site, Path(order.site), out, since=since, between=order.between, depth_m=depth_m)
    run(say=_say(tell), progress=_progress(tell), workers=workers)
    tell(drawn=True)


def _progress(tell: Tell) -> Callable[[str, int, int], None]:
    def progress(what: str, done: int, whole: int) -> None:
        tell(step=what[:1].upper() + what[1:], done=done, whole=whole)

    return progress


if __name__ == "__main__":
    done = run_order()
    sys.stderr.flush()
    os._exit(done)  # everything is told; to free piece by piece what a map was made of takes Python 0.15 s
