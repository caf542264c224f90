"""What an order from the page took for granted is told on the page, as the command tells it in the terminal."""

from __future__ import annotations

from pathlib import Path

from small_walks import walk

from fieldcomb.coverage.jobs.job_protocol import START, HeldFile, Order
from fieldcomb.coverage.jobs.worker import carry_out
from fieldcomb.coverage.site.settings import Typed


def notes(folder: Path, typed: Typed) -> str:
    """All that is noted while a site is begun with a walk."""
    (folder / "w.gpx").write_text(walk())
    told: list[str] = []

    def tell(**values: object) -> None:
        found = values.get("notes", [])
        assert isinstance(found, list)
        told.extend(found)

    files = (HeldFile("w.gpx", str(folder / "w.gpx")),)
    carry_out(Order(START, str(folder / "s"), files, typed=typed, name="s", draw=False), tell)
    return "\n".join(told)


def test_the_page_says_which_coil_and_swing_it_took_for_granted(tmp_path: Path) -> None:
    """Without a coil and a swing width the page names those it took, and where to type the measured ones."""
    said = notes(tmp_path, Typed())
    assert "No coil was named, so 28cm was assumed" in said and "type it for the outing" in said
    assert "1.48 m for coil 28cm is a guess, not measured: lay a tape on the ground" in said and "--" not in said


def test_the_page_is_silent_of_guesses_where_all_was_typed(tmp_path: Path) -> None:
    """With a coil and a swing width nothing is called a guess."""
    said = notes(tmp_path, Typed(coil="28cm", swath="1.4m"))
    assert "w.gpx: " in said and "No coil" not in said and "guess" not in said
