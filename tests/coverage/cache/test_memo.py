"""Results that are kept for the next report: never another number, never out of date, never in the way."""

from __future__ import annotations

import json
import os
import shutil
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays_of
from recordings import field as rectangle
from recordings import fixes, item, outing, serpentine, site, swing
from small_walks import MORNING, snapshot, walk

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.edit import edit
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.actions.outputs import make_outputs
from fieldcomb.coverage.cache import folder as cache_folder
from fieldcomb.coverage.cache.folder import Shelf, edition
from fieldcomb.coverage.cache.memo import Memo, digest, packed, unpacked
from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.survey.survey import survey

PROGRAM = Path(cache_folder.__file__).parents[2]
ROOMS = sorted({path.parent for part in ("tracks", "coverage") for path in (PROGRAM / part).rglob("*.py")})


@dataclass
class Shelved:
    """A store in memory that notes what it is asked."""

    held: dict[str, bytes] = field(default_factory=dict)
    put_names: list[str] = field(default_factory=list)
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
        self.put_names.append(name)


@dataclass(frozen=True)
class Pair:
    """Something made of two values."""

    a: Any
    b: Any


def quiet(_: str) -> None:
    """Take a note and forget it."""


# ------------------------------------------------------------------------------------------- a survey, again


def three_outings(widths: Sequence[float] = (1.5, 1.4, 1.6)) -> list[Any]:
    """Three walks over 20 x 30 m, each on another day and with another swing width, by which it is known."""
    walks = [
        item(fixes(serpentine(12, 28.0, 1.6, x0_m=0.3 * n), start_s=1_770_000_000.0 + 86_400 * n), swing(width))
        for n, width in enumerate(widths)
    ]
    return [
        replace(outing(f"2026-02-0{n + 2}a", walk), known_by=lambda walk=walk: (walk.swing,))
        for n, walk in enumerate(walks)
    ]


def outputs(store: Shelved | None, widths: Sequence[float] = (1.5, 1.4, 1.6)) -> dict[str, bytes]:
    """All files of a report."""
    return make_outputs(survey(site(rectangle(20, 30)), three_outings(widths), store=store))


def test_report_from_kept_results_is_the_same_byte_for_byte() -> None:
    """Without keeping, the first time and the second time every file of the report is the same byte for byte."""
    store = Shelved()
    fresh, first = outputs(None), outputs(store)
    assert first == fresh and store.put_names
    store.put_names.clear()
    assert outputs(store) == fresh


def test_second_report_computes_nothing_again() -> None:
    """The second report of the same walks finds all that was kept, and keeps nothing more."""
    store = Shelved()
    outputs(store)
    store.put_names.clear()
    outputs(store)
    assert store.put_names == []


def test_only_the_outing_that_changed_is_computed_again() -> None:
    """When the second of three outings gets another swing width, only what it is in is computed again.

    That is its walk, what it did, its lines and passes as drawn, the estimates of the first two and of all three, three
    more of all, and their sums; the report is the new one.
    """
    store = Shelved()
    outputs(store)
    all_of_it = len(store.put_names)
    store.put_names.clear()
    changed = outputs(store, (1.5, 1.2, 1.6))
    assert (len(store.put_names), all_of_it) == (10, 19)
    assert changed == outputs(None, (1.5, 1.2, 1.6)) != outputs(None)


@pytest.mark.parametrize("damage", [lambda b: b[: len(b) // 2], lambda b: b"", lambda b: packed(7), lambda b: b + b"x"])
def test_damaged_results_are_computed_again(damage: Any) -> None:
    """A kept result that was cut off, emptied, replaced or lengthened is computed again: the report is the same."""
    store = Shelved()
    fresh = outputs(store)
    store.held = {name: damage(data) for name, data in store.held.items()}
    assert outputs(store) == fresh


# --------------------------------------------------------------------------------------------- in a site folder


@pytest.fixture
def kept_site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A site with two outings and one report."""
    monkeypatch.chdir(tmp_path)
    new_site(Path("s"), say=quiet)
    Path("one.gpx").write_text(walk())
    Path("two.gpx").write_text(walk(MORNING + timedelta(days=1), east_m=2.0, count=6))
    for name in ("one.gpx", "two.gpx"):
        add(Path("s"), WalksToAdd([WalkToAdd(name)], Typed(coil="28cm")), quiet)
    assert main(["report", "s"]) == 0
    return Path("s")


def without_kept(files: dict[str, bytes | None]) -> dict[str, bytes | None]:
    """Files that are for people."""
    return {name: data for name, data in files.items() if "kept" not in name}


def numbers(site: Path) -> dict[str, Any]:
    """What report.json says."""
    found: dict[str, Any] = json.loads((site / "out/report.json").read_bytes())
    return found


def test_kept_folder_may_be_deleted_or_forbidden(kept_site: Path) -> None:
    """Without out/kept/, and where a file stands in its place, the report is the same."""
    first = without_kept(snapshot(kept_site / "out"))
    shutil.rmtree(kept_site / "out/kept")
    (kept_site / "out/kept").write_text("in the way")
    assert main(["report", "s"]) == 0
    again = without_kept(snapshot(kept_site / "out"))
    assert again == first
    assert (kept_site / "out/kept").read_text() == "in the way"


def test_recording_that_was_changed_is_not_counted_though_its_results_are_kept(kept_site: Path) -> None:
    """A file in tracks/ that is no longer the one that was added is in no number, even if it was read before."""
    stored = next((kept_site / "tracks").iterdir())
    stored.chmod(0o644)
    stored.write_bytes(stored.read_bytes() + b"\n")
    before = numbers(kept_site)
    assert main(["report", "s"]) == 0
    now = numbers(kept_site)
    assert len(now["outings"]) == len(before["outings"]) - 1
    assert "has changed since it was added" in now["notes"][0]


def test_correcting_an_outing_counts_at_once(kept_site: Path) -> None:
    """After an edit of the swing width the report has the new numbers; taking it back gives the old ones again."""
    before = numbers(kept_site)
    edit(kept_site, before["outings"][0]["id"], {"swath": "0.8m"}, say=quiet)
    assert main(["report", "s"]) == 0
    assert numbers(kept_site)["total"]["swept_m2"] < before["total"]["swept_m2"]
    edit(kept_site, before["outings"][0]["id"], {"swath": ""}, say=quiet)
    assert main(["report", "s"]) == 0
    assert numbers(kept_site) == before


def test_report_into_another_folder_keeps_nothing_there(kept_site: Path) -> None:
    """What is kept stands in the site alone, so that a folder made with -o can be handed on."""
    assert main(["report", "s", "-o", "for-the-owner"]) == 0
    assert not (Path("for-the-owner") / "kept").exists()


def test_old_results_make_room(tmp_path: Path) -> None:
    """What the last report did not use goes when all would be more than twice what it used: the oldest first."""
    first = Shelf(tmp_path)
    for n in range(4):
        first.put(f"old {n}", bytes(100))
    names = sorted(path.name for path in tmp_path.iterdir() if path.name != "list.txt")
    for n, name in enumerate(names):
        os.utime(tmp_path / name, (n, n))
    now = Shelf(tmp_path)
    now.put("new", bytes(150))
    now.tidy()
    assert {path.name for path in tmp_path.iterdir()} == {*now.used, names[-1], "list.txt"}
    assert now.get("new") == bytes(150)


@pytest.mark.parametrize("room", ROOMS, ids=lambda room: room.relative_to(PROGRAM).as_posix())
def test_another_state_of_any_room_shares_no_results(room: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One changed line in any room of the program makes all that was kept before it count as not there."""
    before, read = edition.__wrapped__(), Path.read_bytes
    changed = sorted(room.glob("*.py"))[-1]

    def with_a_line_more(path: Path) -> bytes:
        return read(path) + b"# one line more\n" * path.samefile(changed)

    monkeypatch.setattr(Path, "read_bytes", with_a_line_more)
    assert edition.__wrapped__() != before


# --------------------------------------------------------------------------------------------------- the form

PLAIN = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text()
ARRAYS = st.sampled_from([np.bool_, np.uint8, np.int16, np.float32, np.float64]).flatmap(
    lambda kind: arrays_of.arrays(kind, arrays_of.array_shapes(max_dims=3, max_side=9, min_side=0))
)
VALUES = st.recursive(
    PLAIN,
    lambda inner: (
        st.tuples(inner, inner)
        | st.lists(inner, max_size=3)
        | st.dictionaries(st.text() | st.integers(), inner, max_size=3)
        | st.builds(Pair, inner, inner)
        | st.builds(slice, st.integers(), st.integers())
    ),
    max_leaves=12,
)


@given(VALUES)
@example((1, 1.0, True, "1", [1], (1,), -0.0))
def test_any_value_comes_back_as_it_was(value: Any) -> None:
    """Plain values, lists, dataclasses come back equal and of the same types."""
    back = unpacked(packed(value), [Pair])
    assert back == value and repr(back) == repr(value)


@given(st.frozensets(st.integers()))
def test_sets_come_back_and_their_order_does_not_matter(value: frozenset[int]) -> None:
    """A set comes back as it was, and has one digest however it was put together."""
    other = frozenset(sorted(value, reverse=True))
    assert unpacked(packed(value), []) == value and digest(value) == digest(other)


@given(ARRAYS, ARRAYS)
def test_arrays_come_back_to_the_last_bit(one: Any, two: Any) -> None:
    """Arrays come back with shape, type and every bit; one that stands in a value twice is one again."""
    back = unpacked(packed({"x": one, "y": (two, one)}), [])
    for found, was in ((back["x"], one), (back["y"][0], two)):
        assert found.dtype == was.dtype and found.shape == was.shape and found.tobytes() == was.tobytes()
    assert back["y"][1] is back["x"]


@given(st.integers(0, 2**32 - 1), st.integers(1, 300_000), st.sampled_from(["u1", "i2", "u2", "i4"]))
@settings(max_examples=30, deadline=None)
def test_whole_numbers_come_back_whether_they_become_less_or_not(seed: int, size: int, kind: str) -> None:
    """Noise takes hardly more than its own bytes, a raster that is mostly empty a tenth; of both no bit is lost."""
    noise = np.frombuffer(np.random.default_rng(seed).bytes(size * np.dtype(kind).itemsize), kind)
    empty = np.zeros(size, kind)
    empty[:: 1 + size // 10] = noise[:: 1 + size // 10]
    for one, most in ((noise, 1.01 * noise.nbytes + 500), (empty, 0.1 * noise.nbytes + 500)):
        data = packed(one)
        np.testing.assert_array_equal(unpacked(data, []), one)
        assert len(data) < most


def test_numbers_that_hardly_become_less_are_kept_as_they_are() -> None:
    """A megabyte of noise lies in what is kept byte for byte; behind a megabyte of nothing the two become less."""
    noise = np.frombuffer(np.random.default_rng(0).bytes(1 << 20), np.uint16)
    assert noise.tobytes() in packed(noise)
    both = np.concatenate([noise, np.zeros_like(noise), np.zeros_like(noise)])
    assert len(packed(both)) < 1.01 * noise.nbytes + 20_000


def test_outlines_and_days_come_back_to_the_last_bit() -> None:
    """An outline with a hole, an empty one and a day come back as they were."""
    ring = shapely.box(1, 1, 2, 2).exterior
    outline = shapely.MultiPolygon([shapely.Polygon(shapely.box(0, 0, 3.1, 1 / 3 + 5).exterior, [ring])])
    for value in (outline, shapely.MultiPolygon(), date(2026, 3, 7)):
        back = unpacked(packed((value,)), [])[0]
        assert type(back) is type(value) and digest(back) == digest(value)


def test_outlines_of_older_outings_are_kept() -> None:
    """Of fourteen outings two are drawn as outlines: the second report keeps nothing anew, and is the same."""
    store, site_of = Shelved(), site(rectangle(20, 30))
    walks = [item(fixes(serpentine(3, 28.0, 1.6), start_s=1_770_000_000.0 + 86_400 * n), swing(1.5)) for n in range(14)]
    outings = [replace(outing(f"2026-02-{n + 2:02}a", one), known_by=lambda n=n: (n,)) for n, one in enumerate(walks)]
    first = make_outputs(survey(site_of, outings, store=store))
    store.put_names.clear()
    assert make_outputs(survey(site_of, outings, store=store)) == first and store.put_names == []


@given(VALUES, VALUES)
@example(1, 1.0)
@example([1], (1,))
@example("a", ["a"])
@example({1: 2}, [1, 2])
@example(True, 1)
def test_other_values_have_other_digests(one: Any, two: Any) -> None:
    """Two values have the same digest when they are the same in all types, and never else."""
    assert (digest(one) == digest(two)) == (repr(one) == repr(two))


def test_digest_tells_arrays_outlines_and_days_apart() -> None:
    """One changed bit, shape, kind of number, corner or day gives another digest."""
    box = shapely.box(0, 0, 1, 1)
    values = [
        np.zeros(4),
        np.zeros((2, 2)),
        np.zeros(4, np.float32),
        np.array([0, 0, 0, 1e-300]),
        np.zeros(8, bool),
        box,
        shapely.box(0, 0, 1, 1.0000001),
        date(2026, 3, 7),
        date(2026, 3, 8),
    ]
    assert len({digest(value) for value in values}) == len(values)


def test_what_cannot_be_kept_is_an_error_for_the_programmer() -> None:
    """Functions, and arrays of anything, are refused when they are written, not silently left out."""
    for value in (quiet, object(), Pair(1, quiet)):
        with pytest.raises(TypeError):
            packed(value)


@pytest.mark.parametrize(
    "tree",
    [
        ["of", "Popen", "ls"],
        ["of", "Pair", 1],
        ["array", 0, "|O", [1]],
        ["array", 0, "<f8", [1 << 40]],
        ["array", 1, "<f8", [0]],
        ["array", 0, "<f8", [-1]],
        ["outline", "00"],
        ["outline", 7],
        ["date", "yesterday"],
        ["no such kind"],
        [],
        [["list"]],
    ],
)
def test_only_named_types_are_made_of_what_is_read(tree: Any) -> None:
    """A file that names another type, an array of objects, or more than it holds is refused as not ours."""
    text = json.dumps(tree).encode()
    with pytest.raises(ValueError):
        unpacked(zlib.compress(len(text).to_bytes(8, "big") + text), [Pair])


@given(st.binary(max_size=200))
def test_any_bytes_are_refused_or_read(data: bytes) -> None:
    """No bytes end the program: they are refused."""
    with pytest.raises(ValueError):
        unpacked(data, [Pair])


def test_what_was_raised_is_raised_and_not_kept() -> None:
    """A computation that fails is tried again the next time."""
    store = Shelved()

    def fail() -> int:
        raise OSError("no")

    with pytest.raises(OSError):
        Memo(store).get_or_compute("x", (1,), fail)
    assert Memo(store).get_or_compute("x", (1,), lambda: 5) == 5
    assert Memo(store).get_or_compute("x", (1,), fail) == 5
