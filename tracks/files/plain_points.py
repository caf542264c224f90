"""Runs of plain points in XML, read at once, not tag by tag: the same result in a third of the time, in C a tenth.

A plain point is written as recorders write nearly all of them: ASCII, a place and a time in one usual form, children
without attributes. Runs of such points are found in the bytes; in what the parser is given, each run is replaced by
one marker, so that the parser still sees where it stands. That reading counts only if it is sound from end to end and
every marker was met, in its order, where a point would be a fix; so in a character set in which the bytes of a run are
other letters, none is. Otherwise (a damaged file, points in a comment, a limit) the file is read once more, tag by tag,
as if nothing had been tried.
"""

import re
from array import array
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.encoding import PIECE_BYTES
from fieldcomb.tracks.files.timestamps import Clock
from fieldcomb.tracks.files.xml import Builder, Ending, Place, read_mending, read_xml
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# Never possessive where a repeated part has a group: several releases of Python mix up where such groups lie.
BLANK, _TEXT = r"[ \t\r\n]*+", r"[ \t\r\n!-%'-;=?-~]*+"  # letters that mean nothing to XML
# The letters alone: whether they are a number or a time, all of them are asked together.
DEGREES = r"[0-9.-]{1,24}+"
MOMENT = r"(?P<time>[0-9T:-]{19}(?:\.\d{1,9}+)?+)Z"

_MARKER = "plain-points"
# As deep as a plain point can be, so that it is refused where that would be.
_MARKED = f"<{_MARKER}><a><a><a/></a></a></{_MARKER}>".encode()
_ELEMENT_BYTES = 4  # of the shortest, <a/>
_HEAD_BYTES = 200  # of a point, in which its attributes stand
SECOND, _HOUR = len("2026-03-07T09:12:00"), len("2026-03-07T09")
_TAKEN_BYTES = 2 * PIECE_BYTES


def leaf(number: int, name: str = r"[A-Za-z_]\w*+") -> str:
    """Return the pattern of an element without attributes and children; ``number`` is its own in the whole pattern."""
    return rf"<(?P<n{number}>{name})>{_TEXT}</(?P=n{number})>{BLANK}"


def passed_over(tag: str, number: int) -> str:
    """Return the pattern of an element with children and theirs, in which nothing is looked for."""
    name, attribute = r"[A-Za-z_][\w:.-]*+", r"(?: [A-Za-z_][\w:.-]*+=\"[\w:/.#-]*+\")?+"
    inner = leaf(number + 1, name)
    middle = rf"<(?P<n{number}>{name}){attribute}>{_TEXT}(?:{inner})*</(?P=n{number})>{BLANK}"
    return rf"<{tag}>{BLANK}(?:{middle})*</{tag}>{BLANK}"


@dataclass(frozen=True, slots=True, eq=False)
class PlainRun:
    """Points one after another, nothing between them but blanks.

    lon_deg, lat_deg, time_s : float64 (n,), as ``Gather.degrees`` and ``Clock.seconds`` read them; all are numbers.
    last_time : the last time as written.
    """

    lon_deg: Floats
    lat_deg: Floats
    time_s: Floats
    last_time: str


@dataclass(frozen=True, slots=True, eq=False)
class FoundPoints:
    """Plain points in a piece of a file.

    lon_deg, lat_deg, fraction_s : float64 (n,). moments : uint8 (n, 19), the letters of their times to the second.
    between : what stands between runs of points: how many points came before it, and it.
    last_times : the time of the last point before each of these, and of the last of all, as written without its Z;
        empty where there is none.
    """

    lon_deg: Floats
    lat_deg: Floats
    fraction_s: Floats
    moments: NDArray[np.uint8]
    between: list[tuple[int, bytes]]
    last_times: list[bytes]


# What finds the plain points in a piece; None where a number is none.
Finder = Callable[[bytes], FoundPoints | None]


def by_pattern(pattern: re.Pattern[bytes]) -> Finder:
    """Return what finds plain points by a pattern with the groups ``lat``, ``lon`` and ``time``.

    pattern : matches nothing but a whole and sound element of ASCII, in which nothing has a meaning but these three; it
        begins with its tag and takes blanks behind it, and no more.
    """
    lat, lon, time = (pattern.groupindex[name] for name in ("lat", "lon", "time"))
    step = pattern.groups + 1

    def find(piece: bytes) -> FoundPoints | None:
        parts = pattern.split(piece)
        times = parts[time::step]
        try:
            lon_deg, lat_deg = (np.frombuffer(array("d", map(float, parts[group::step]))) for group in (lon, lat))
        except ValueError:
            return None
        joined, fraction_s = b"".join(times), np.zeros(len(times))
        if len(joined) > len(times) * SECOND:
            fraction_s = np.array([float(one[SECOND:] or 0) for one in times])
            joined = b"".join([one[:SECOND] for one in times])
        moments = np.frombuffer(joined, np.uint8).reshape(-1, SECOND)
        between = [(before, text) for before, text in enumerate(parts[::step]) if text]
        ends = [*(before for before, _ in between), len(times)]
        last_times = [times[end - 1] if end else b"" for end in ends]
        return FoundPoints(lon_deg, lat_deg, fraction_s, moments, between, last_times)

    return find


@dataclass(frozen=True, slots=True)
class PlainForm:
    """How a format writes plain points.

    places : the point, in each element in which it is a fix.
    finder : gives what finds them in a piece of a file of which the first point begins with these bytes.
    """

    places: tuple[Place, ...]
    finder: Callable[[bytes], Finder]

    @property
    def tag(self) -> str:
        """Name of the element that is a point."""
        return self.places[0][1]


class RunBuilder(Builder, Protocol):
    """Grows what the XML reader meets into something, and takes plain points by the run."""

    def take_run(self, run: PlainRun) -> None:
        """Take a run, as if its points had been met one by one."""
        ...


_R = TypeVar("_R", bound=RunBuilder)


def read_points(data: bytes, file: str, root: str, builder: Callable[[], _R], form: PlainForm) -> tuple[_R, Ending]:
    """Walk through a document that is mostly points; parameters, result and errors are those of ``read_mending``."""
    return _read_by_runs(data, file, root, builder, form) or read_mending(data, file, root, builder, form.tag)


def _read_by_runs(
    data: bytes, file: str, root: str, builder: Callable[[], _R], form: PlainForm
) -> tuple[_R, Ending] | None:
    """Read a document by its runs; None where that is not sure to give what reading it tag by tag gives."""
    shortened = _shorten(data, form)
    if shortened is None:
        return None
    short, runs, built = shortened[0], iter(shortened[1]), builder()
    actions = built.actions()
    # As text: inside another text that is read, points are not looked for, and the marker is not met.
    met = {(around, _MARKER): lambda _: built.take_run(next(runs)) for around, _ in form.places}
    actions = replace(actions, texts={**actions.texts, **met})
    try:
        # A tag that is too long is noticed when a piece ends in it, and the pieces are others here.
        ending = read_xml(short, file, root, actions, longest_tag=limits.MAX_TAG_BYTES - PIECE_BYTES)
    except TrackError:
        return None
    return (built, ending) if not ending.broken and next(runs, None) is None else None


# ------------------------------------------------------------------------------------------------ finding runs


class _Shortener:
    """A document in which each run is a marker, and the numbers of its points, grown a piece at a time."""

    def __init__(self, find: Finder) -> None:
        self._find = find
        self._lon, self._lat, self._time = array("d"), array("d"), array("d")
        self._ends: list[int] = []
        self._last_times: list[str] = []
        self._last_time = b""
        self.kept: list[bytes] = []
        self.kept_bytes = 0

    def take(self, piece: bytes) -> bool:
        """Take the next piece; False if it holds a number or a time that is none."""
        found, points = self._find(piece), len(self._time)
        time_s = None if found is None else _seconds(found.moments, found.fraction_s)
        if found is None or time_s is None:
            return False
        for grown, more in ((self._lon, found.lon_deg), (self._lat, found.lat_deg), (self._time, time_s)):
            grown.frombytes(more.tobytes())
        for (before, text), last_time in zip(found.between, found.last_times, strict=False):
            self._end_run(points + before, last_time or self._last_time)
            self._keep(text)
        self._last_time = found.last_times[-1] or self._last_time
        return True

    def _end_run(self, end: int, last_time: bytes) -> None:
        if end > (self._ends[-1] if self._ends else 0):
            self._ends.append(end)
            self._last_times.append(f"{last_time.decode()}Z")
            self._keep(_MARKED)

    def _keep(self, text: bytes) -> None:
        self.kept.append(text)
        self.kept_bytes += len(text)

    def runs(self) -> list[PlainRun]:
        """Return the runs in file order, once the document is whole."""
        if not self._ends:
            return []
        lon, lat, time = (np.frombuffer(v) for v in (self._lon, self._lat, self._time))
        spans = zip([0, *self._ends[:-1]], self._ends, self._last_times, strict=True)
        return [PlainRun(lon[a:b], lat[a:b], time[a:b], last) for a, b, last in spans]

    def shortened(self) -> bytes:
        """Return the document."""
        self._end_run(len(self._time), self._last_time)
        return b"".join(self.kept)


def _seconds(letters: NDArray[np.uint8], fraction_s: Floats) -> Floats | None:
    """Unix seconds of times as :data:`MOMENT` finds them; None if one of them is none."""
    hours = letters[:, :_HOUR]
    firsts = np.flatnonzero(np.r_[len(hours) > 0, (hours[1:] != hours[:-1]).any(axis=1)])
    in_words, clock = [hours[i].tobytes().decode() for i in firsts.tolist()], Clock()
    hours_s = np.array([clock.seconds(f"{hour}:00:00Z") for hour in in_words], float)
    tens, digits = letters[:, [14, 17]] - np.uint8(48), letters[:, [15, 18]] - np.uint8(48)  # below 0 is far above
    sound = (tens <= 5).all() and (digits <= 9).all() and (letters[:, [13, 16]] == ord(":")).all()
    # The end of a day may be written as 24:00:00, but then it does not begin an hour.
    if not sound or clock.unreadable or any(hour.endswith("24") for hour in in_words):
        return None
    minutes, seconds = (tens * 10 + digits).T
    time_s = np.repeat(hours_s, np.diff(firsts, append=len(hours))) + minutes * 60.0 + seconds
    return np.asarray(time_s + fraction_s)


def _shorten(data: bytes, form: PlainForm) -> tuple[bytes, list[PlainRun]] | None:
    """Put a marker for each run, a piece of the file at a time; None if that is unsafe, or hardly shorter."""
    # An element begins with "<" and no "/": with more of these the limit may be passed, and where is said tag by tag.
    many = len(data) > _ELEMENT_BYTES * limits.MAX_ELEMENTS
    many = many and data.count(b"<") - data.count(b"</") > limits.MAX_ELEMENTS
    opening = f"<{form.tag}".encode()
    first = data.find(opening)
    if many or first < 0:
        return None
    short, at = _Shortener(form.finder(data[first : first + _HEAD_BYTES])), 0
    while at < len(data):
        # Between points; a cut through one would only keep it from being plain.
        cut = at + _TAKEN_BYTES
        if cut < len(data):
            cut = max(data.rfind(opening, at + 1, cut), 0) or cut
        if not short.take(data[at:cut]) or short.kept_bytes > cut // 2 + PIECE_BYTES:
            return None
        at = cut
    shortened, runs = short.shortened(), short.runs()
    sure = runs and shortened.count(_MARKER.encode()) == 2 * len(runs)  # else the marker's name stands in the file
    return (shortened, runs) if sure else None
