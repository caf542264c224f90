"""A site of which sums are kept gives byte for byte the report of one of which nothing is kept, whatever changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from recordings import DAY_S, FRAME, START_S, fixes, item, outing, serpentine, site, swing
from recordings import field as rectangle

from fieldcomb.coverage.actions.outputs import make_outputs
from fieldcomb.coverage.cache.folder import LIST, STAGE, Shelf
from fieldcomb.coverage.cache.memo import Store, packed, unpacked
from fieldcomb.coverage.estimate import walked_ground
from fieldcomb.coverage.estimate.effort import Plot
from fieldcomb.coverage.estimate.walked_ground import Drawn, Sweep, WalkedWay
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.gear.target_ids import CLASSES, DigRule
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.season.events import GroundEvent
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.coverage.survey.sums import SurveySums
from fieldcomb.coverage.survey.survey import CACHED_TYPES, survey
from fieldcomb.coverage.todo.assumptions import TodoSettings
from fieldcomb.coverage.todo.planted import PlantedTarget
from fieldcomb.tracks.marks.vocabulary import Mark


@dataclass
class Shelved:
    """A store in memory."""

    held: dict[str, bytes] = field(default_factory=dict)
    closed: bool = False

    def get(self, name: str) -> bytes | None:
        """Give what was put."""
        return self.held.get(name)

    def has(self, name: str) -> bool:
        """Whether it was put."""
        return name in self.held

    def put(self, name: str, data: bytes) -> None:
        """Hold it."""
        self.held[name] = data


@dataclass
class Added:
    """Counts outings that are added to sums."""

    count: int = 0

    def since(self, work: Callable[[], Any]) -> tuple[Any, int]:
        """Do some work; gives what it gave, and how many outings were added meanwhile."""
        before = self.count
        return work(), self.count - before


@pytest.fixture
def added(monkeypatch: pytest.MonkeyPatch) -> Added:
    """Count outings that are added."""
    found, add = Added(), SurveySums.add

    def counted(*given: Any) -> None:
        found.count += 1
        add(*given)

    monkeypatch.setattr(SurveySums, "add", counted)
    return found


def mark(kind: str, x_m: float, y_m: float, number: int | None = None) -> Mark:
    """A mark without a time at a place in site metres."""
    lon, lat = FRAME.to_lonlat([x_m], [y_m])
    return Mark(kind, "", number, None, kind, None, float(lon[0]), float(lat[0]), "waypoint")


def walked(number: int, width_m: float = 1.5, *, coil: str = "28cm", east_m: float | None = None, **more: Any) -> Any:
    """An outing on some day: eight lanes of 28 m, each day a little farther east."""
    timed = more.pop("timed", True)
    start_s = START_S + number * DAY_S if timed else None
    lanes = serpentine(8, 28.0, 1.6, x0_m=0.8 * number if east_m is None else east_m)
    how = replace(swing(width_m, coil), gps=more.pop("gps", "typical"), rule=more.pop("rule", swing().rule))
    marks = tuple(mark(*one) for one in more.pop("marks", ()))
    one = item(fixes(lanes, start_s=start_s), how, f"{number}.gpx", marks=marks, **more)
    known = (number, width_m, coil, east_m, timed, how, marks, *more.items())
    return replace(outing(f"2026-02-{number + 2:02}a", one), known_by=lambda: known)


def outputs(given: SiteInput, outings: Sequence[OutingInput], store: Store | None, **asked: Any) -> dict[str, bytes]:
    """All files of a report."""
    return make_outputs(survey(given, outings, store=store, **asked))


FIELD = site(rectangle(20, 30))
DUG = [("junk", 4.0, 9.0), ("junk", 5.0, 9.5), ("count", 3.0, 20.0, 7)]
RULE = DigRule(frozenset({20, 30}), ((CLASSES[0], frozenset({20})), (CLASSES[1], frozenset({10, 30}))))
Scene = tuple[SiteInput, Callable[[int], OutingInput]]
FOUND = tuple(Find(n, "keep", outing="2026-02-03a", lat_deg=40.0 + 1e-5 * n, lon_deg=-30.0) for n in range(1, 5))
CHANGED = (
    GroundEvent(date.fromtimestamp(START_S + 1 * DAY_S), "ploughed"),
    GroundEvent(date.fromtimestamp(START_S + 2 * DAY_S), "flooded"),
)
LATE = (GroundEvent(date.fromtimestamp(START_S + 4 * DAY_S), "ploughed"),)
SCENES: dict[str, Scene] = {
    "lanes": (FIELD, walked),
    "two coils": (FIELD, lambda n: walked(n, coil=("28cm", "15x20cm")[n % 2])),
    "a coil later": (FIELD, lambda n: walked(n, coil="28cm" if n < 4 else "15x20cm")),
    "placed": (FIELD, lambda n: walked(n, gps="2cm")),
    "placed and not": (FIELD, lambda n: walked(n, gps=("2cm", "typical")[n % 2])),
    "without times": (FIELD, lambda n: walked(n, timed=n < 4)),
    "the last without times": (FIELD, lambda n: walked(n, timed=n != 1)),
    "no boundary": (site(), walked),
    "the same boundary": (site(), lambda n: walked(n, east_m=0.0)),
    "one digs": (FIELD, lambda n: walked(n, marks=DUG if n == 1 else ())),
    "everybody digs": (FIELD, lambda n: walked(n, marks=DUG, coil=("28cm", "15x20cm")[n % 2])),
    "holes are left": (replace(FIELD, todo=TodoSettings(recheck=False, depth_m=0.2)), lambda n: walked(n, marks=DUG)),
    "some is left": (FIELD, lambda n: walked(n, rule=RULE if n == 2 else swing().rule)),
    "finds": (replace(FIELD, finds=FOUND), walked),
    "events": (replace(FIELD, events=CHANGED), walked),
    "an event between": (replace(FIELD, events=LATE), walked),
    "people": (FIELD, lambda n: replace(walked(n, searcher="AB"[n % 2]), unrecorded=("C",) * (n % 2))),
    "planted": (replace(FIELD, planted=(PlantedTarget("1", (5.0, 9.0), "", 0.1, None, True),)), walked),
}
# Where one outing more changes what those before it came to, or targets hang on each.
ANEW = {"no boundary", "holes are left", "an event between", "the last without times", "planted"}


@pytest.mark.parametrize("scene", SCENES)
def test_one_more_outing_gives_the_report_of_a_site_without_anything_kept(scene: str, added: Added) -> None:
    """Site by site, the same bytes with the fourth outing and one more, and once again; only that one is added."""
    given, of = SCENES[scene]
    store, outings = Shelved(), [of(number) for number in range(5)]
    assert outputs(given, outings[:4], store) == outputs(given, outings[:4], None)
    fresh = outputs(given, outings, None)
    made, number = added.since(lambda: outputs(given, outings, store))
    again, once_more = added.since(lambda: outputs(given, outings, store))
    assert made == again == fresh
    assert (number, once_more) == (5 if scene in ANEW else 1, 5 if scene == "planted" else 0)


def test_of_one_more_outing_nothing_else_is_added(added: Added) -> None:
    """After the fifth outing it alone is added, after two more these two; and as many are told in the report."""
    store, outings = Shelved(), [walked(number) for number in range(7)]
    for count, more in ((4, 4), (5, 1), (7, 2)):
        result, number = added.since(lambda: survey(FIELD, outings[:count], store=store))  # noqa: B023
        assert number == more and len(result.report.outings) == count == len(result.layers.outings)


def test_of_one_more_outing_only_its_own_ground_is_found_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where four walks lie is known: of the fifth it is found alone, and beside the others; of five at once of each."""
    grounds: list[int] = []
    found = walked_ground._sweep

    def counted(plot: Plot, first: Drawn, parts: tuple[WalkedWay, ...], *rest: Any) -> Sweep:
        grounds.append(len(parts))
        return found(plot, first, parts, *rest)

    monkeypatch.setattr(walked_ground, "_sweep", counted)
    store, outings = Shelved(), [walked(number) for number in range(5)]
    survey(FIELD, outings[:4], store=store)
    grounds.clear()
    survey(FIELD, outings, store=store)
    assert len(grounds) == 2
    grounds.clear()
    survey(FIELD, outings)
    assert len(grounds) == 10


def test_growth_is_told_as_ever(added: Added) -> None:
    """From eight to nine outings growth is told after every second one only, and after the last: kept or not."""
    store, outings = Shelved(), [walked(number, east_m=0.4 * number) for number in range(9)]
    survey(FIELD, outings[:8], store=store)
    result, more = added.since(lambda: survey(FIELD, outings, store=store))
    fresh = survey(FIELD, outings)
    assert more == 1
    told = [one.so_far for one in result.report.outings]
    assert [one is not None for one in told] == [False, True] * 4 + [True]
    assert told == [one.so_far for one in fresh.report.outings]


CHANGES: dict[str, Callable[[list[OutingInput]], list[OutingInput]]] = {
    "in the middle": lambda of: [*of[:2], walked(10, 1.2), *of[2:]],
    "first": lambda of: [walked(-1), *of],
    "one edited": lambda of: [of[0], walked(1, 1.1), *of[2:]],
    "the last edited": lambda of: [*of[:-1], walked(4, 1.1)],
    "first gone": lambda of: of[1:],
    "last gone": lambda of: of[:-1],
    "two gone": lambda of: of[1:-1],
    "in another order": lambda of: of[::-1],
    "a label": lambda of: [replace(of[0], label="west"), *of[1:]],
}


@pytest.mark.parametrize("what", CHANGES)
def test_any_change_of_outings_gives_the_report_of_a_site_without_anything_kept(what: str) -> None:
    """Added in the middle, edited, deleted or named anew: the same bytes as with nothing kept, and so back again."""
    store, before = Shelved(), [walked(number, coil=("28cm", "15x20cm")[number % 2]) for number in range(5)]
    first = outputs(FIELD, before, store)
    after = CHANGES[what](before)
    assert outputs(FIELD, after, store) == outputs(FIELD, after, None)
    assert outputs(FIELD, before, store) == first


OTHERS: dict[str, tuple[SiteInput, dict[str, Any]]] = {
    "a depth": (FIELD, {"depth_m": 0.1}),
    "smaller": (site(rectangle(18, 30)), {}),
    "coarser": (site(rectangle(20, 30), cell_m=0.2), {}),
    "a no-go": (replace(FIELD, areas=(*FIELD.areas, replace(rectangle(4, 4), kind="no-go"))), {}),
    "junk": (replace(FIELD, areas=(*FIELD.areas, replace(rectangle(9, 9), kind="junk", per_m2=8.0))), {}),
    "filled": (replace(FIELD, areas=(*FIELD.areas, replace(rectangle(9, 9), kind="filled", depth_cm=10.0))), {}),
    "a target": (replace(FIELD, todo=TodoSettings(target=CLASSES[0], junk_per_m2=2.0)), {}),
    "how deep": (replace(FIELD, todo=TodoSettings(depth_m=0.15)), {}),
    "a name": (replace(FIELD, name="Other Bank"), {}),
    "a zone": (replace(FIELD, zone="Pacific/Auckland"), {}),
    "finds": (replace(FIELD, finds=FOUND), {}),
    "an event": (replace(FIELD, events=CHANGED), {}),
    "two compared": (FIELD, {"between": ("2026-02-02a", "2026-02-05a")}),
}


@pytest.mark.parametrize("what", OTHERS)
def test_another_question_is_answered_as_without_anything_kept(what: str) -> None:
    """Another depth, ground, setting, zone, event or comparison: the same bytes as without anything kept."""
    store, outings = Shelved(), [walked(number, coil=("28cm", "15x20cm")[number % 2]) for number in range(4)]
    outputs(FIELD, outings, store)
    given, asked = OTHERS[what]
    assert outputs(given, outings, store, **asked) == outputs(given, outings, None, **asked)
    assert outputs(given, [*outings, walked(4)], store) == outputs(given, [*outings, walked(4)], None)


@pytest.mark.parametrize("damage", [lambda b: b[: len(b) // 2], lambda b: packed(7)])
@pytest.mark.parametrize("spare", ["SumsSoFar", "OutingRaster", "OutingAlone"])
def test_of_damaged_files_the_rest_is_used(damage: Callable[[bytes], bytes], spare: str) -> None:
    """When all but one kind of what is kept was cut off, emptied, replaced or lengthened, the report is the same."""
    store, outings = Shelved(), [walked(number) for number in range(5)]
    outputs(FIELD, outings[:4], store)
    kept = [name for name, data in store.held.items() if type(unpacked(data, CACHED_TYPES)[1]).__name__ == spare]
    assert kept
    store.held = {name: data if name in kept else damage(data) for name, data in store.held.items()}
    assert outputs(FIELD, outings, store) == outputs(FIELD, outings, None)


def test_what_was_deleted_is_computed_again() -> None:
    """When any one kept file is gone, the report of one more outing is the same."""
    store, outings = Shelved(), [walked(number) for number in range(4)]
    outputs(FIELD, outings[:3], store)
    fresh = outputs(FIELD, outings, None)
    for name in list(store.held):
        rest = Shelved({other: data for other, data in store.held.items() if other != name})
        assert outputs(FIELD, outings, rest) == fresh


@pytest.mark.parametrize("written", [0, 7, 14])
def test_after_an_interrupted_write_the_report_is_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, written: int
) -> None:
    """Stopped after some files were kept, with one half written beside them: the next reports are as without any."""
    outings = [walked(number) for number in range(4)]
    renamed = [0]
    real = Path.replace

    def stopped(path: Path, target: Path) -> Path:
        renamed[0] += 1
        if renamed[0] > written:
            raise KeyboardInterrupt
        return real(path, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", stopped)
        with pytest.raises(KeyboardInterrupt):
            outputs(FIELD, outings[:3], Shelf(tmp_path))
    kept = [path for path in tmp_path.iterdir() if path.name != LIST]
    assert len(kept) == written
    for path in kept[:1]:
        (tmp_path / f"{STAGE}1-{path.name}").write_bytes(path.read_bytes()[:100])
    for count in (3, 4, 4):
        shelf = Shelf(tmp_path)
        shelf.clear_unfinished()
        assert outputs(FIELD, outings[:count], shelf) == outputs(FIELD, outings[:count], None)
