"""What can be wrong with what the user gave, as a short tree of exceptions.

Each message has four parts: which file, what is wrong, where, and what to do. The commands print it as it is
and leave with ``exit_code``; nothing else in the program ends with a traceback.
"""

from fieldcomb.tracks.hints import Hint


class FieldcombError(Exception):
    """Something in the user's files or words is at fault.

    problem : what is wrong, and what was expected.
    file : name of the file at fault, as the user knows it.
    where : place in the file: a line, a key, a feature.
    hint : what to do about it; a Hint where the command line and the page say it differently.
    """

    exit_code = 1

    def __init__(
        self, problem: str, *, file: str | None = None, where: str | None = None, hint: str | Hint | None = None
    ):
        self.problem = problem
        self.file = file
        self.where = where
        self.hint = hint
        super().__init__(problem)

    @property
    def fault(self) -> str:
        """The message without what to do: file, problem, place."""
        text = self.problem if self.file is None else f"{self.file}: {self.problem}"
        return f"{text} ({self.where})" if self.where else text

    def __str__(self) -> str:
        return f"{self.fault}. {self.hint}" if self.hint else self.fault

    @property
    def on_page(self) -> str:
        """The message for someone at the page, who has fields and no command line."""
        hint = self.hint.on_page if isinstance(self.hint, Hint) else self.hint
        return f"{self.fault}. {hint}" if hint else self.fault


class TrackError(FieldcombError):
    """A recording cannot be used."""


class AreaError(FieldcombError):
    """A boundary or another area cannot be used."""


class SiteError(FieldcombError):
    """A site folder, or one of its own files, is at fault."""


class UsageError(FieldcombError):
    """A value typed on the command line, or in site.toml, is wrong."""

    exit_code = 2
