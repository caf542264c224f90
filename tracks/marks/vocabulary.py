"""Marks: what a walker noted on the way, as a waypoint or by the lap button, read from its first word.

Nothing that was written is lost: what is not understood is a plain note, and says why where a known word begins it.
"""

import re
import unicodedata
from collections.abc import Callable, Mapping

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.marks.spacings import parse_spacing
from fieldcomb.tracks.units import METRES_PER, format_length, parse_length_m
from fieldcomb.tracks.values import dataclass

LAP_MEANINGS = ("off", "lanes", "finds", "coil")  # what a press of the lap button may have meant
MARK_KINDS = ("off", "on", "coil", "lane", "peg", "keep", "junk", "left", "count", "blocked", "stop", "spacing")
NOTE = "note"
PRESS = "press"  # of the lap button, without words and without a meaning

MOST_DIGITS = 4  # of a lane or a count: more are a slip of the finger
PACED = "paces"  # in place of a length: counted in steps, of which it matters little how long they are
LEAST_SIZE_M, MOST_SIZE_M = 0.1, 50.0  # across: ground larger than this is drawn as an area, not marked with a word

Words = Mapping[str, str]  # a folded word, and the kind of mark that it makes
ENGLISH: Words = {kind: kind for kind in MARK_KINDS}

# Names that recorders give by themselves, alone or with a number: then the note may hold the words.
_GENERIC_WORDS = (
    "waypoint way point wpt wp poi mark marker marking place location position pos lap track trackpoint "
    "wegpunkt punkt marke marker runde veipunkt merke veimerke waypunt punto vuelta tour repère am pm utc gmt t z "
    "jan feb mar apr may jun jul aug sep sept oct nov dec"
)
_GENERIC = frozenset(_GENERIC_WORDS.split())
_AROUND = ".,:;!?#*()[]{}<>\"'„“”‘’«»_|/\\-–—"


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark.

    kind : one of MARK_KINDS, ``note`` or ``press``. name : the text after the word; of a note, all of it.
    number : the lane, or the signals counted. size_m : how wide blocked ground is, how far all
    round a ``stop`` ground is to be left alone, or how far the next lane is away.
    text : everything as written. time_s : Unix seconds. lon_deg, lat_deg : where; None when it is not known.
    origin : waypoint or lap. why : a sentence on what could not be taken as meant.
    """

    kind: str
    name: str
    number: int | None
    size_m: float | None
    text: str
    time_s: float | None
    lon_deg: float | None
    lat_deg: float | None
    origin: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a text means as a mark; fields as in Mark."""

    kind: str
    name: str
    number: int | None = None
    size_m: float | None = None
    why: str = ""


def fold(word: str) -> str:
    """Return a word as it is compared: without regard to letter case, or to how accents are stored.

    >>> fold("PÅ") == fold("pa" + chr(0x30A))
    True
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", word).casefold())


def is_generic(name: str) -> bool:
    """True for a name that says nothing: empty, a number, a date, or what recorders give by themselves.

    >>> is_generic("WPT003"), is_generic("Waypoint 3"), is_generic("17"), is_generic("oak")
    (True, True, True, False)
    """
    return all(word in _GENERIC for word in re.findall(r"[^\W\d_]+", fold(name)))


def mark_text(name: str, note: str) -> str:
    """Return all that was written: the name, and the note where it says more."""
    parts = [part for part in (name.strip(), note.strip()) if part]
    return ": ".join(dict.fromkeys(parts))


def read_text(name: str, note: str = "", words: Words = ENGLISH) -> Meaning:
    """Read what a name means; its note is looked into when the name says nothing, or nothing after the word.

    name, note : as written, of any kind and length.
    words : folded words, and the kind of mark that each makes.
    """
    kind, rest = _first_word(name, words)
    if kind and not rest:
        rest = _plain(note)
    elif not kind and is_generic(name):
        kind, rest = _first_word(note, words)
    everything = _plain(mark_text(name, note))
    if kind is None:
        return Meaning(NOTE, everything)
    meaning = _READERS.get(kind, Meaning)(kind, rest)
    return Meaning(NOTE, everything, why=meaning.why) if meaning.kind == NOTE else meaning


def _plain(text: str) -> str:
    return " ".join(text.split())


def _first_word(text: str, words: Words) -> tuple[str | None, str]:
    """Kind that the first word makes, None when it is not known, and the rest; ``lane12`` is ``lane 12``."""
    found = re.match(r"([^\s:=,;]+)[\s:=,;]*(.*)", text.lstrip(_AROUND + " \t\r\n"), re.DOTALL)
    if found is None:
        return None, ""
    head, rest = found.groups()
    kind = words.get(fold(head.strip(_AROUND)))
    if kind is None and (glued := re.fullmatch(r"(\D+?)[-.#_]?(\d.*)", head)):
        kind, rest = words.get(fold(glued[1].strip(_AROUND))), f"{glued[2]} {rest}"
        kind = kind if kind in ("lane", "count") else None
    return kind, _plain(rest)


def _named(kind: str, rest: str) -> Meaning:
    return Meaning(kind, rest) if rest else Meaning(NOTE, "", why=f"a {kind} mark needs a name after the word")


def _numbered(kind: str, rest: str) -> Meaning:
    """A lane counts from 1, a count square from 0."""
    first, _, name = rest.partition(" ")
    digits = first.strip(".,:;#()\"'")
    if digits.isdecimal() and len(digits) <= MOST_DIGITS and int(digits) >= (kind == "lane"):
        return Meaning(kind, name, number=int(digits))
    fault = f"{first!r} is not a number that a {kind} can have" if first else f"a {kind} mark needs a number"
    least = "1" if kind == "lane" else "0"
    return Meaning(NOTE, "", why=f"{fault}: a whole number of {least} or more was expected")


def _sized(kind: str, rest: str) -> Meaning:
    """The last word, or the last two (``3 m``), may be how wide it is."""
    parts = rest.split()
    why = ""
    for count in (2, 1):
        said = "".join(parts[-count:])
        if len(parts) < count or not said[:1].isdecimal() or (count == 2 and fold(parts[-1]) not in METRES_PER):
            continue
        try:
            size_m = parse_length_m(said, "size")
        except (UsageError, OverflowError) as error:
            why = why or f"{getattr(error, 'problem', 'its size is not possible')}, so it is only a sign on the map"
            continue
        if LEAST_SIZE_M <= size_m <= MOST_SIZE_M:
            return Meaning(kind, " ".join(parts[:-count]), size_m=size_m)
        room = f"{format_length(LEAST_SIZE_M)} to {format_length(MOST_SIZE_M)}"
        why = f"{format_length(size_m)} across is not within {room}, so it is only a sign on the map"
        break
    return Meaning(kind, rest, why=why)


def _stopped(kind: str, rest: str) -> Meaning:
    """The last word may be how far all round ground is to be left alone; a mark that is odd in that closes it too."""
    meaning = _sized(kind, rest)
    return Meaning(kind, rest) if meaning.why else meaning


def _spaced(kind: str, rest: str) -> Meaning:
    """How far the next lane is away, as a length or in paces (``1.4m``, ``2 paces``)."""
    if not rest:
        return Meaning(NOTE, "", why="no length follows it, such as 1.4m or 2 paces")
    try:
        spacing = parse_spacing(rest)
    except (UsageError, OverflowError) as error:
        return Meaning(NOTE, "", why=str(getattr(error, "problem", error)))
    return Meaning(kind, PACED if spacing.paced else "", size_m=spacing.across_m)


_READERS: dict[str, Callable[[str, str], Meaning]] = {
    "coil": _named,
    "peg": _named,
    "lane": _numbered,
    "count": _numbered,
    "blocked": _sized,
    "stop": _stopped,
    "spacing": _spaced,
}
