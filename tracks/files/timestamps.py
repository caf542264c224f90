"""Times as recorders write them: XML Schema dateTime, read fast, with what was odd about them counted.

Source: XML Schema 1.0 part 2, section 3.2.7 (dateTime).
"""

import math
import re
from datetime import date

from fieldcomb.tracks.units import format_count

_UNIX_DAY = date(1970, 1, 1).toordinal()
UNIX_FIRST_S, UNIX_END_S = 315_532_800.0, 4_102_444_800.0  # 1980-01-01, before satellites; 2100-01-01
_NUMBER = re.compile(r"\d{1,20}(?:[.,]\d{0,20})?", re.ASCII)
_WHOLE = {f":{second:02}Z": float(second) for second in range(60)}
_TIME = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d)(?::(\d\d)([.,]\d{1,12})?)?\s?(?:([Zz])|([+-])(\d\d):?(\d\d)?)?", re.ASCII
)


class Clock:
    """Reads the times of one file, remembers the last minute (points come in order), and counts what was odd."""

    def __init__(self) -> None:
        self.zoneless = 0
        self.unreadable = 0
        self.first_unreadable = ""
        self._minute = ""
        self._minute_s = 0.0

    def seconds(self, text: str) -> float:
        """Unix seconds UTC of an XML Schema dateTime; NaN, and counted, if it is none.

        >>> Clock().seconds("1970-01-02T02:00:00.5+02:00")
        86400.5
        """
        # Almost every time has the form 2026-03-07T09:12:00Z: only its seconds are new.
        if text[:16] == self._minute:
            whole = _WHOLE.get(text[16:])
            if whole is not None:
                return self._minute_s + whole
        if text[:16] == self._minute and text[16:17] == ":" and text[-1] == "Z":
            second, fraction = text[17:19], text[19:-1]
            if second < "60" and second.isdecimal() and text.isascii() and (not fraction or _is_fraction(fraction)):
                return self._minute_s + int(second) + (float(fraction) if fraction else 0.0)
        text = text.strip()
        match = _TIME.fullmatch(text)
        seconds = _seconds(match) if match else math.nan
        if match is None or math.isnan(seconds):
            self.unreadable += 1
            self.first_unreadable = self.first_unreadable or text[:40]
        elif match.group(8) == "Z" and match.group(6) and match.group(4) != "24" and text[10] == "T":
            # Not by rounding down: a leap second, or a fraction of many nines, lies in the next minute already.
            self._minute, self._minute_s = text[:16], round((seconds - int(match.group(6))) / 60) * 60.0
        elif match.group(8) is None and match.group(9) is None:
            self.zoneless += 1
        return seconds

    def moment(self, value: object) -> float:
        """Unix seconds UTC of what stands for a time in JSON or a table: a text as above, or a Unix number.

        A number counts seconds when it then lies in the years 1980 to 2099, or else milliseconds when it does so;
        the two cannot be mixed up. Any other number is unreadable: seconds since the start, or days of a spreadsheet.

        >>> Clock().moment(86400000000 * 10), Clock().moment("864000000.5"), Clock().moment(12)
        (864000000.0, 864000000.5, nan)
        """
        text = value if isinstance(value, str) else repr(value)[:40]
        if isinstance(value, bool) or not _NUMBER.fullmatch(text.strip()):
            return self.seconds(text)
        number = float(text.strip().replace(",", "."))
        for seconds in (number, number / 1000):
            if UNIX_FIRST_S <= seconds < UNIX_END_S:
                return seconds
        self.unreadable += 1
        self.first_unreadable = self.first_unreadable or text[:40]
        return math.nan

    def notes(self) -> list[str]:
        """Say what was odd about the times."""
        notes = []
        if self.zoneless:
            notes.append(f"{format_count(self.zoneless, 'time')} without a time zone, read as UTC")
        if self.unreadable:
            count = format_count(self.unreadable, "time")
            notes.append(f"{count} could not be read, the first being {self.first_unreadable!r}; the points were kept")
        return notes


def _is_fraction(text: str) -> bool:
    return text[0] == "." and text[1:].isdecimal()


def _seconds(match: re.Match[str]) -> float:
    year, month, day, hour, minute = (int(part) for part in match.group(1, 2, 3, 4, 5))
    second = int(match.group(6) or 0)
    offset = int(match.group(10) or 0) * 60 + int(match.group(11) or 0)
    # 24:00:00 is the end of a day and :60 a leap second; both are in use, and simply run over into what follows.
    if hour > 24 or minute > 59 or second > 60 or (hour == 24 and (minute or second)) or offset > 14 * 60:
        return math.nan
    try:
        days = date(year, month, day).toordinal() - _UNIX_DAY
    except ValueError:
        return math.nan
    east_minutes = -offset if match.group(9) == "-" else offset
    fraction = float((match.group(7) or ".0").replace(",", "."))
    return days * 86400.0 + hour * 3600 + (minute - east_minutes) * 60 + second + fraction
