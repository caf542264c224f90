"""Initials of searchers."""

from __future__ import annotations

from fieldcomb.coverage.intake.initials import initials_of


def test_long_names_have_four_initials() -> None:
    """A name of four words has four initials, one of more words no more; a name without letters is a question mark."""
    names = ["Ann", "Ann Bo Cid", "Ann Bo Cid Dag", "Ann Bo Cid Dag Eva", "Ann-Bo Øst", "..."]
    assert list(initials_of(names).values()) == ["A", "ABC", "ABCD", "ABCD2", "ABØ", "?"]
