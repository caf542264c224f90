"""What can be wrong with what the user gave, as a short tree of exceptions.

Each message has four parts: which file, what is wrong, where, and what to do. The commands print it as it is
and leave with ``exit_code``; nothing else in the program ends with a traceback.
"""

from __future__ import annotations


class FieldcombError(Exception):
    """Something in the user's files or words is at fault.

    Parameters
    ----------
    problem : str
        What is wrong, and what was expected.
    file : str, optional
        Name of the file at fault, as the user knows it.
    where : str, optional
        Place in the file: a line, a key, a feature.
    hint : str, optional
        What to do about it.

    """

    exit_code = 1

    def __init__(self, problem: str, *, file: str | None = None, where: str | None = None, hint: str | None = None):
        self.problem = problem
        self.file = file
        self.where = where
        self.hint = hint
        super().__init__(problem)

    def __str__(self) -> str:
        text = self.problem if self.file is None else f"{self.file}: {self.problem}"
        if self.where:
            text += f" ({self.where})"
        if self.hint:
            text += f". {self.hint}"
        return text


class TrackError(FieldcombError):
    """A recording cannot be used."""


class AreaError(FieldcombError):
    """A boundary or another area cannot be used."""


class SiteError(FieldcombError):
    """A site folder, or one of its own files, is at fault."""


class UsageError(FieldcombError):
    """A value typed on the command line, or in site.toml, is wrong."""

    exit_code = 2
