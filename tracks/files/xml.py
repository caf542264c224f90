"""XML from watches and phones: one pass, bounded memory, and as far as the file is sound.

The parser is expat without namespaces, because some recorders write prefixes that they never declare: a name is
what stands after the colon. Whatever makes an XML reader slow or greedy on purpose (entities, deep nesting, giant
tags) is refused. A file that breaks off keeps everything before the break, and the break is noted.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import field, replace
from typing import NoReturn, Protocol, TypeVar
from xml.parsers import expat

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.encoding import PIECE_BYTES, as_utf8, coding_of, trailing_zeros, zeros_note
from fieldcomb.tracks.files.sniffing import not_this, of_root
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

_MAX_NAMES = 4096

Place = tuple[str, str]
"""An element and the one around it, without prefixes: ``("trkseg", "trkpt")``; the root is inside ``""``."""


@dataclass(frozen=True, slots=True)
class Actions:
    """What to call where. Elements that are not named cost next to nothing.

    opens : called with the attributes when an element begins.
    texts : called with all text inside an element, just before ``closes``.
    closes : called when an element ends; never for one that the file leaves unfinished.
    skips : names of elements passed over with all that is in them.
    """

    opens: Mapping[Place, Callable[[dict[str, str]], None]]
    texts: Mapping[Place, Callable[[str], None]] = field(default_factory=dict)
    closes: Mapping[Place, Callable[[], None]] = field(default_factory=dict)
    skips: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Ending:
    """How far a file could be read.

    notes : sentences about the file as a whole.
    broken : where and why reading stopped before the end; empty if it did not.
    unread : how much was not read after that; empty if nothing is known to be missing.
    unfinished : text of the element in ``Actions.texts`` in which reading stopped, up to there.
    """

    notes: tuple[str, ...] = ()
    broken: str = ""
    unread: str = ""
    unfinished: str = ""


# ------------------------------------------------------------------------------------------------ reading


@dataclass(slots=True, eq=False)
class _Element:
    """What is done with an element in one place. ``inside``: what may follow in it, by names as written."""

    tag: str
    inside: dict[str, "_Element"]
    skipped: bool = False
    opens: Callable[[dict[str, str]], None] | None = None
    texts: Callable[[str], None] | None = None
    closes: Callable[[], None] | None = None


class _Walker:
    """The stack of open elements, its limits, and the calls that :class:`Actions` asks for.

    What to do with an element is looked up once for each name in each kind of element around it, and then found by the
    name as it is written.
    """

    def __init__(self, file: str, root: str, actions: Actions):
        self.file, self.root, self.actions = file, root, actions
        self.lines_before = self.elements = 0
        self._inside: dict[str, dict[str, _Element]] = {}
        self.stack = [_Element("", {})]
        self.found_root = ""
        self._learned = 0
        self._skipping = 0
        self._text_depth = 0
        self.pieces: list[str] = []
        self.parser = expat.ParserCreate("utf-8")
        self.parser.buffer_text = True
        self.parser.buffer_size = PIECE_BYTES
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end

    def refuse(self, problem: str, hint: str) -> NoReturn:
        line = self.parser.CurrentLineNumber + self.lines_before
        raise TrackError(problem, file=self.file, where=f"line {line}", hint=hint)

    def _doctype(self, name: str, *_: object) -> None:
        if name.lower() == "html":
            raise _OtherRootError(name)
        self.refuse(
            "has a DOCTYPE, which can make a small file unpack into a huge one, and is refused",
            "No recorder needs it: export the file again, or delete the <!DOCTYPE ...> part with a text editor",
        )

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        stack = self.stack
        if len(stack) > limits.MAX_DEPTH or len(attributes) > limits.MAX_ATTRIBUTES:
            self._refuse_shape(len(attributes))
        self.elements += 1
        element = stack[-1].inside.get(name) or self._learn(name)
        stack.append(element)
        if element.opens is not None:
            element.opens(attributes)
        if element.texts is not None and not self._text_depth:
            self._text_depth = len(stack)
            self.parser.CharacterDataHandler = self.pieces.append
        if element.skipped:
            self._skipping = len(stack)
            self.parser.StartElementHandler = self._start_skipped
            self.parser.EndElementHandler = self._end_skipped

    def _end(self, _: str) -> None:
        stack = self.stack
        element = stack.pop()
        if element.texts is not None and self._text_depth > len(stack):
            text = "".join(self.pieces)
            self.pieces.clear()
            self._text_depth = 0
            self.parser.CharacterDataHandler = None
            element.texts(text)
        if element.closes is not None:
            element.closes()

    def _start_skipped(self, _: str, attributes: dict[str, str]) -> None:
        if len(self.stack) > limits.MAX_DEPTH or len(attributes) > limits.MAX_ATTRIBUTES:
            self._refuse_shape(len(attributes))
        self.elements += 1
        self.stack.append(self.stack[-1])

    def _end_skipped(self, _: str) -> None:
        if len(self.stack) == self._skipping:
            self._skipping = 0
            self.parser.StartElementHandler = self._start
            self.parser.EndElementHandler = self._end
        self.stack.pop()

    def check_elements(self) -> None:
        """Refuse a document of too many elements."""
        if self.elements > limits.MAX_ELEMENTS:
            raise limits.too_many(self.file, limits.MAX_ELEMENTS, "elements")

    def _learn(self, name: str) -> _Element:
        """Look up what is done with an element of this name inside the one that is open."""
        tag, around = name.rpartition(":")[2] or name, self.stack[-1]
        if not self.found_root:
            self.found_root = tag
            if tag != self.root:
                raise _OtherRootError(tag)
        place = (around.tag, tag)
        many = self._learned >= _MAX_NAMES
        element = _Element(tag, {} if many else self._inside.setdefault(tag, {}), tag in self.actions.skips)
        if not element.skipped:
            element.opens, element.texts = self.actions.opens.get(place), self.actions.texts.get(place)
            element.closes = self.actions.closes.get(place)
        if not many:
            self._learned += 1
            around.inside[name] = element
        return element

    def _refuse_shape(self, attributes: int) -> NoReturn:
        if attributes > limits.MAX_ATTRIBUTES:
            problem = f"has a tag with {attributes} attributes; more than {limits.MAX_ATTRIBUTES} are refused"
        else:
            problem = f"has tags nested more than {limits.MAX_DEPTH} deep, which is refused"
        self.refuse(problem, "No recorder writes this: the file is damaged, or was made to do harm. Export it again")


class _OtherRootError(Exception):
    """The document is XML of another kind; the argument is the name of its outermost element."""


def read_xml(
    data: bytes,
    file: str,
    root: str,
    actions: Actions,
    counted: str = "",
    *,
    longest_tag: int | None = None,
) -> Ending:
    """Walk through a document and call ``actions`` on the way.

    data : the whole file, in UTF-8, UTF-16 or any character set that it declares.
    root : name that the outermost element must have, without prefix.
    actions : what to call where.
    counted : element that is counted in the unread rest if the file breaks off in the middle.
    longest_tag : bytes of a tag beyond which a piece of the file may end; ``limits.MAX_TAG_BYTES`` if None.

    Raises TrackError: nothing could be read, the document is of another kind, or it goes beyond the limits of this
    module.
    """
    coding = coding_of(data)
    notes = [coding.note] if coding.note else []
    zeros = trailing_zeros(data, coding)
    end = len(data) - zeros
    blank = data[coding.start : coding.start + PIECE_BYTES] if coding.codec[:6] not in ("utf-16", "utf-32") else b""
    start = coding.start + len(blank) - len(blank.lstrip())
    walker = _Walker(file, root, actions)
    walker.lines_before = data.count(b"\n", 0, start)
    if zeros:
        notes.append(zeros_note(zeros))
    try:
        most = limits.MAX_TAG_BYTES if longest_tag is None else longest_tag
        ending = _feed(walker, as_utf8(data, coding, start, end), counted, most)
    except _OtherRootError as other:
        raise not_this(data, file, of_root(root), str(other)) from None
    if not walker.found_root:
        raise not_this(data, file, of_root(root), broken=ending.broken)
    walker.parser.buffer_text = False  # hands over what it still holds of a text that breaks off
    return replace(ending, notes=tuple(notes), unfinished="".join(walker.pieces))


def _feed(walker: _Walker, chunks: Iterator[bytes], counted: str, longest_tag: int) -> Ending:
    """Feed all chunks to the parser, up to the end or the first fault."""
    parser, fed = walker.parser, 0
    for chunk in chunks:
        try:
            parser.Parse(chunk, False)
        except expat.ExpatError as error:
            at = max(parser.ErrorByteIndex - fed, 1) - 1
            rest = chunk[at:] + b"".join(chunks)
            return _break(walker, error, rest, counted)
        walker.check_elements()
        fed += len(chunk)
        # The parser scans an unfinished tag anew with every chunk: without this limit, time grows with its square.
        if fed - parser.CurrentByteIndex > longest_tag:
            problem = f"has a single tag of more than {longest_tag // 1000} kB, which is refused"
            walker.refuse(
                problem, "No recorder writes this: the file is damaged, or was made to do harm. Export it again"
            )
    try:
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        line = error.lineno + walker.lines_before
        return Ending(broken=f"the file stops in the middle, on line {line}, as happens when a battery dies")
    return Ending()


_REASONS = {
    expat.errors.codes[expat.errors.XML_ERROR_TAG_MISMATCH]: "a closing tag does not match its opening tag",
    expat.errors.codes[expat.errors.XML_ERROR_INVALID_TOKEN]: "there is a character that XML does not allow",
    expat.errors.codes[expat.errors.XML_ERROR_UNDEFINED_ENTITY]: "an & begins a name that XML does not know",
    expat.errors.codes[expat.errors.XML_ERROR_DUPLICATE_ATTRIBUTE]: "a tag has the same attribute twice",
}


def _break(walker: _Walker, error: expat.ExpatError, rest: bytes, counted: str) -> Ending:
    line = error.lineno + walker.lines_before
    unread = f"{len(rest)} bytes" if len(rest) < 10_000 else f"{len(rest) / 1000:.0f} kB"
    points = len(re.findall(rb"<(?:[\w.-]{1,40}:)?" + counted.encode() + rb"[\s/>]", rest)) if counted else 0
    if points:
        unread += f", with {points} <{counted}>,"
    if walker.found_root and len(walker.stack) == 1:
        return Ending(broken=f"the document ends on line {line}, but the file goes on", unread=unread)
    reason = _REASONS.get(error.code, expat.ErrorString(error.code))
    if b"&" in rest[:2]:
        reason = "there is a bare &, which should be &amp;"
    return Ending(broken=f"the file is damaged on line {line}: {reason}", unread=unread)


# ------------------------------------------------------------------------------------------------ what readers share

# Recorders that put the user's words between tags unchecked lose the whole file by one of these.
_BARE_AMPERSAND = re.compile(rb"&(?!(?:amp|lt|gt|quot|apos|#[0-9]{1,7}|#x[0-9A-Fa-f]{1,6});)")
_FORBIDDEN = re.compile(
    rb"[\x01-\x08\x0b\x0c\x0e-\x1f]"
    rb"|&#(?:0{0,5}(?:[1-8]|1[124-9]|2[0-9]|3[01])|[xX]0{0,4}(?:[1-8bcBCeEfF]|1[0-9a-fA-F]));"
)


def mend_words(data: bytes) -> tuple[bytes, tuple[str, ...]]:
    """Write what XML forbids in words as it was meant, in a document that broke; with notes, none if there is no such.

    An & that stands alone is one, and a control character becomes a blank.

    >>> mend_words(b"<name>A & B &amp; C</name>")[0]
    b'<name>A &amp; B &amp; C</name>'
    """
    coding = coding_of(data)
    if coding.codec[:6] in ("utf-16", "utf-32"):
        data = b"".join(as_utf8(data, coding, coding.start, len(data) - trailing_zeros(data, coding)))
    mended, ampersands = _BARE_AMPERSAND.subn(b"&amp;", data)
    mended, controls = _FORBIDDEN.subn(b" ", mended)
    notes = []
    if ampersands:
        times = format_count(ampersands, "time")
        notes.append(f"A bare & where &amp; was needed, as in a name like A & B, {times}: read as meant")
    if controls:
        notes.append(
            f"{format_count(controls, 'character')} that XML does not allow, in a name or a note: read as spaces"
        )
    return mended, tuple(notes)


class Builder(Protocol):
    """Grows what the XML reader meets into something."""

    def actions(self) -> Actions:
        """Return what to do in which element."""
        ...


B = TypeVar("B", bound=Builder)


def read_mending(data: bytes, file: str, root: str, builder: Callable[[], B], counted: str) -> tuple[B, Ending]:
    """Walk through a document with a new builder, and once more with another if a letter that XML forbids broke it off.

    Parameters and errors are those of :func:`read_xml`. Returns the builder that met the most, and the ending.
    """
    built = builder()
    ending = read_xml(data, file, root, built.actions(), counted)
    mended, notes = mend_words(data) if ending.unread else (data, ())
    if not notes:
        return built, ending
    built = builder()
    ending = read_xml(mended, file, root, built.actions(), counted)
    return built, replace(ending, notes=(*ending.notes, *notes))


def break_notes(ending: Ending) -> list[str]:
    """Say where a document broke off, and how much of it was not read."""
    notes = []
    if ending.broken:
        notes.append(f"{ending.broken[0].upper()}{ending.broken[1:]}. Everything before that was read")
    if ending.unread:
        notes.append(f"{ending.unread} after that place were not read")
    return notes
