"""Who a copy is for, and how much of the ground, the people and the finds each of them may see."""

from enum import Enum

from fieldcomb.tracks.values import dataclass


class Audience(Enum):
    """Whom a copy is for, by the word that is typed."""

    OWNER = "owner"
    CLUB = "club"
    PUBLIC = "public"


@dataclass(frozen=True, slots=True)
class Allowed:
    """What a copy may say. Everything that is not allowed here is in none of its bytes.

    square_m : side of the squares in which ground is drawn; None: no ground is drawn.
    outline_m : step to which corners of the outline are rounded. north_up : else the longest side lies along the page.
    by_outing : ground is drawn by outing as well. named : whether it bears the name of the site.
    days : days and initials; else years alone. left_out : what is not in it, the same whether there was any or not.
    """

    square_m: int | None
    outline_m: int | None
    north_up: bool
    by_outing: bool
    named: bool
    days: bool
    left_out: tuple[str, ...]


_NEVER = "photographs and free notes"
_CLOSED = (
    "ground that was closed, what was found on it, and the walks of the day on which it was closed, if there is any"
)
ALLOWED = {
    Audience.OWNER: Allowed(
        square_m=10,
        outline_m=1,
        north_up=True,
        by_outing=True,
        named=True,
        days=True,
        left_out=(
            "coordinates, and any place closer than a square of 10 m",
            "the walks themselves, and times of day",
            "names: people are shown by their initials",
            f"the place of {_CLOSED}",
            _NEVER,
        ),
    ),
    Audience.CLUB: Allowed(
        square_m=5,
        outline_m=1,
        north_up=False,
        by_outing=False,
        named=True,
        days=True,
        left_out=(
            "where the ground lies, and which way is north: the drawing is turned, and has metres from its own corner",
            "the walks themselves, and times of day",
            "names: people are shown by their initials",
            "where anything was found",
            _CLOSED,
            _NEVER,
        ),
    ),
    Audience.PUBLIC: Allowed(
        square_m=None,
        outline_m=None,
        north_up=False,
        by_outing=False,
        named=False,
        days=False,
        left_out=(
            "any place closer than the square named here, and how large the ground is",
            "people, days and times",
            "what was found, apart from counts by period",
            _CLOSED,
            _NEVER,
        ),
    ),
}
