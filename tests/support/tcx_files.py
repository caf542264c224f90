"""TCX files made in code, and a list of awkward ones. All places are at sea, and invented."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from format_checks import Case

NINE = datetime(2026, 3, 7, 9, tzinfo=UTC)
SPACE = "http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2"
HEAD = f'<?xml version="1.0" encoding="UTF-8"?>\n<TrainingCenterDatabase xmlns="{SPACE}">\n'
TAIL = "</TrainingCenterDatabase>\n"


def stamp(seconds: float) -> str:
    """The time so many seconds after the start, as recorders write it."""
    return (NINE + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%SZ")


def place(i: int, lat: str | None = None) -> str:
    """The position of the i-th trackpoint."""
    lat = f"{55.5 + i * 1e-5:.7f}" if lat is None else lat
    lon = f"{3.2 + i * 1e-5:.7f}"
    degrees = f"<LatitudeDegrees>{lat}</LatitudeDegrees><LongitudeDegrees>{lon}</LongitudeDegrees>"
    return f"<Position>{degrees}</Position>"


def point(i: int, *, time: str | None = None, where: str | None = None, more: str = "") -> str:
    """One trackpoint, i seconds after the start."""
    time = f"<Time>{stamp(i)}</Time>" if time is None else time
    where = place(i) if where is None else where
    return f"<Trackpoint>{time}{where}<AltitudeMeters>1</AltitudeMeters>{more}</Trackpoint>\n"


def points(first: int, count: int) -> str:
    """Trackpoints, one a second."""
    return "".join(point(i) for i in range(first, first + count))


def lap(first: int, seconds: float, trigger: str | None, *tracks: str, notes: str = "", at: str | None = None) -> str:
    """One lap from the insides of its tracks."""
    at = stamp(first) if at is None else at
    end = f"<TriggerMethod>{trigger}</TriggerMethod>" if trigger is not None else ""
    inside = "".join(f"<Track>\n{track}</Track>\n" for track in tracks)
    words = f"<Notes>{notes}</Notes>" if notes else ""
    summary = f"<TotalTimeSeconds>{seconds}</TotalTimeSeconds><DistanceMeters>9</DistanceMeters><Calories>1</Calories>"
    return f'<Lap StartTime="{at}">{summary}<Intensity>Active</Intensity>{end}\n{inside}{words}</Lap>\n'


def activity(*laps: str, notes: str = "") -> str:
    """One activity."""
    words = f"<Notes>{notes}</Notes>" if notes else ""
    return f'<Activity Sport="Other"><Id>{stamp(0)}</Id>\n{"".join(laps)}{words}</Activity>\n'


def document(*activities: str, beside: str = "") -> str:
    """Make a file of activities, and of what stands behind them."""
    return f"{HEAD}<Activities>\n{''.join(activities)}</Activities>\n{beside}{TAIL}"


def course(count: int, mark: str = "") -> str:
    """A planned course."""
    lead = f"<Lap><TotalTimeSeconds>9</TotalTimeSeconds><BeginPosition>{place(0)}</BeginPosition></Lap>"
    line = f"<Track>\n{points(0, count)}</Track>"
    return f"<Courses><Course><Name>round</Name>{lead}{line}{mark}</Course></Courses>\n"


MARK = f"<CoursePoint><Name>peg 1</Name><Time>{stamp(5)}</Time>{place(5)}<PointType>Generic</PointType></CoursePoint>"


def _case(text: str, *rest: object, **more: object) -> Case:
    return Case(text.encode(), *rest, **more)  # type: ignore[arg-type]


def _plain(count: int = 5) -> str:
    return document(activity(lap(0, count, "Manual", points(0, count))))


def _laps() -> Case:
    kinds = ["Distance", "Manual", "Time", "Manual", None, "Location", "HeartRate", "Manual"]
    laps = [lap(2 * i, 2, kind, points(2 * i, 2)) for i, kind in enumerate(kinds)]
    by_hand = (False, True, False, True, None, False, False, False)
    return _case(document(activity(*laps)), 16, by_hand, ("The file also holds 8 laps, 2 of them ended by hand",))


def _multisport() -> Case:
    change = '<Transition StartTime="{}"><TotalTimeSeconds>2</TotalTimeSeconds>{}<Track>{}</Track></Transition>'
    change = change.format(stamp(3), "<TriggerMethod>Manual</TriggerMethod>", points(3, 2))
    first = activity(lap(0, 3, "Manual", points(0, 3)))
    second = activity(lap(5, 3, "Manual", points(5, 3)))
    sports = f"<FirstSport>{first}</FirstSport><NextSport>{change}{second}</NextSport>"
    text = document(f"<MultiSportSession><Id>{stamp(0)}</Id>{sports}</MultiSportSession>")
    return _case(text, 8, (False, True, False), ("3 laps",), 2)


def _prefixes() -> str:
    text = _plain().replace("xmlns=", "xmlns:tc=").replace("</", "\0").replace("<", "<tc:").replace("\0", "</tc:")
    return text.replace("<tc:?xml", "<?xml")


_MORE = '<Extensions><TPX xmlns="x"><Speed>0.4</Speed><Time>1</Time><Position>no</Position></TPX></Extensions>'
_BOMB = '<!DOCTYPE x [<!ENTITY a "aaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
_HEAD_ONLY = HEAD.partition("\n")[2]

_MADE: dict[str, Callable[[], Case]] = {
    "plain": lambda: _case(_plain(), 5),
    "laps of all kinds": _laps,
    "no laps but one": lambda: _case(document(activity(lap(0, 5, "Manual", points(0, 5)))), 5),
    "lap without a track": lambda: _case(
        document(activity(lap(0, 2, "Manual"), lap(2, 3, "Manual", points(2, 3)))), 3, (True, False), ("2 laps",)
    ),
    "lap that does not say what ended it": lambda: _case(
        document(activity(lap(0, 2, None, points(0, 2)), lap(2, 2, "", points(2, 2)), lap(4, 1, None, points(4, 1)))),
        5,
        (None, None, False),
        ("0 of them ended by hand",),
    ),
    "pause inside a lap": lambda: _case(
        document(activity(lap(0, 9, "Manual", points(0, 3), points(60, 3)))), 6, runs=2
    ),
    "laps that run on": lambda: _case(
        document(activity(lap(0, 3, "Distance", points(0, 3)), lap(3, 3, "Distance", points(3, 3)))),
        6,
        (False, False),
        ("2 laps",),
    ),
    "two activities": lambda: _case(
        document(activity(lap(0, 3, "Manual", points(0, 3))), activity(lap(90, 3, "Manual", points(90, 3)))),
        6,
        (False, False),
        ("2 laps",),
        2,
    ),
    "multi-sport": _multisport,
    "no position at the start": lambda: _case(
        document(activity(lap(0, 5, "Manual", point(0, where="") + point(1, where="") + points(2, 3)))),
        5,
        says=("2 track points without a readable position",),
        without_place=2,
    ),
    "empty position": lambda: _case(
        document(activity(lap(0, 2, None, point(0, where="<Position/>") + points(1, 1)))),
        2,
        says=("1 track point without",),
        without_place=1,
    ),
    "position that is no number": lambda: _case(
        document(activity(lap(0, 2, None, point(0, where=place(0, "nan")) + point(1, where=place(1, "?"))))),
        2,
        says=("2 track points without",),
        without_place=2,
    ),
    "empty tracks": lambda: _case(
        document(activity(lap(0, 9, None, "", points(0, 2), "", "", points(9, 1)))), 3, runs=2
    ),
    "missing times": lambda: _case(
        document(activity(lap(0, 3, None, point(0, time="") + point(1, time="<Time/>") + points(2, 1)))),
        3,
        without_time=2,
    ),
    "unreadable times": lambda: _case(
        document(activity(lap(0, 3, None, point(0, time="<Time>noon</Time>") + points(1, 2)))),
        3,
        says=("1 time could not be read, the first being 'noon'",),
        without_time=1,
    ),
    "local offset": lambda: _case(
        document(activity(lap(0, 2, None, point(0, time="<Time>2026-03-07T11:00:00.000+02:00</Time>") + points(1, 1)))),
        2,
    ),
    "no zone": lambda: _case(
        document(activity(lap(0, 2, None, point(0, time="<Time>2026-03-07T09:00:00</Time>") + points(1, 1)))),
        2,
        says=("1 time without a time zone",),
    ),
    "lap without a readable start": lambda: _case(
        document(activity(lap(0, 2, "Manual", points(0, 2), at="?"), lap(2, 2, "Manual", points(2, 2), at=""))),
        4,
        (True, False),
        ("1 time could not be read",),
    ),
    "decimal comma": lambda: _case(
        document(activity(lap(0, 2, None, point(0, where=place(0, "55,5")) + points(1, 1)))),
        2,
        says=("1 coordinate with a decimal comma",),
    ),
    "prefixes": lambda: _case(_prefixes(), 5),
    "prefixes never declared": lambda: _case(_prefixes().replace("xmlns:tc=", "tc="), 5),
    "no namespace": lambda: _case(_plain().replace(f' xmlns="{SPACE}"', ""), 5),
    "byte order mark": lambda: _case("\ufeff" + _plain(), 5),
    "UTF-16": lambda: Case(_plain().replace("UTF-8", "UTF-16").encode("utf-16"), 5),
    "blank lines before the declaration": lambda: _case("\n  \n" + _plain(), 5),
    "extensions": lambda: _case(
        document(activity(lap(0, 2, None, point(0, more=_MORE) + point(1, more=_MORE)) + _MORE), beside=_MORE), 2
    ),
    "words of the user": lambda: _case(
        document(activity(lap(0, 1, "Manual", points(0, 1), notes="peg 4"), lap(1, 1, None, points(1, 1)), notes="a")),
        2,
        (True, False),
        ("2 laps",),
    ),
    "bare ampersand": lambda: _case(
        document(activity(lap(0, 5, None, points(0, 5), notes="A & B"))), 5, says=("A bare & where &amp; was needed",)
    ),
    "course beside the activity": lambda: _case(
        document(activity(lap(0, 2, None, points(0, 2))), beside=course(3, MARK)),
        2,
        says=("The file also holds 1 course: a plan, not a walk", "The file also holds 1 waypoint"),
    ),
    "cut off in a point": lambda: _case(
        _plain().partition(f"<Time>{stamp(3)}")[0], 3, says=("The file stops in the middle", "unfinished")
    ),
    "cut off between two laps": lambda: _case(
        document(activity(lap(0, 2, "Manual", points(0, 2)), "CUT")).partition("CUT")[0], 2, (True,), ("stops in the",)
    ),
    "damaged in the middle": lambda: _case(
        _plain().replace(f"<Time>{stamp(3)}", "<Time"), 3, says=("is damaged on line", "with 1 <Trackpoint>")
    ),
    "zeros at the end": lambda: Case(_plain().encode() + bytes(99), 5, says=("99 bytes of the file are all zero",)),
    "course": lambda: _case(
        HEAD + course(3, MARK) + TAIL, None, (), ("only 1 course with 3 points: a plan, not a walk",)
    ),
    "workouts": lambda: _case(HEAD + "<Workouts/>" + TAIL, None, (), ("holds no trackpoints of an activity",)),
    "nothing in it": lambda: _case("<TrainingCenterDatabase/>", None, (), ("holds no trackpoints",)),
    "cut off before the first point": lambda: _case(HEAD + "<Activities><Activity", None, (), ("stops in the middle",)),
    "entities": lambda: _case(HEAD.replace("\n", _BOMB, 1) + "&b;" + TAIL, None, (), ("has a DOCTYPE",)),
    "deep nesting": lambda: _case(HEAD + "<a>" * 100_000, None, (), ("nested more than 64 deep",)),
    "deep nesting in extensions": lambda: _case(
        document(activity(lap(0, 2, None, point(0, more="<Extensions>" + "<a>" * 99)))),
        None,
        (),
        ("nested more than 64",),
    ),
    "giant tag": lambda: _case(_HEAD_ONLY + "<a b='" + "x" * 300_000, None, (), ("a single tag of more than",)),
}
CASES = {name: make() for name, make in _MADE.items()}
