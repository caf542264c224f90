"""TOML files that people edit by hand: checked key by key, with the line in every message, and their layout kept."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from typing import Any, TypeAlias

from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.hints import Hint
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.values import dataclass

MOST_TOML_BYTES = 16_000_000  # some 30,000 outings: more than any site has
MOST_SAID_LETTERS = 240
_PUT_RIGHT = "Correct that line in an editor"

Keys = tuple[str | int, ...]  # a place in the file: ("outing", 2, "coil")
ValueCheck = Callable[[Any], Any]  # looks at one value; raises UsageError


def unused(value: Any) -> None:
    """Take any value: the check of a key that no longer does anything."""


@dataclass(frozen=True, slots=True)
class Named:
    """A table whose keys are free names, each holding a table of this form."""

    form: Form


@dataclass(frozen=True, slots=True)
class Several:
    """An array of tables of this form."""

    form: Form


Form: TypeAlias = Mapping[str, "ValueCheck | Form | Named | Several"]


@dataclass(frozen=True, slots=True, eq=False)
class TomlFile:
    """A file as it stands (``text``, with its line ends), and what it says (``data``)."""

    name: str
    text: str
    data: dict[str, Any]

    def fault(self, keys: Keys, problem: str, hint: str | Hint | None = None) -> SiteError:
        """Return the error for a place in this file; a value that it quotes is cut when it is very long."""
        if len(problem) > MOST_SAID_LETTERS:
            problem = f"{problem[: MOST_SAID_LETTERS - 60]} … {problem[-50:]}"
        return SiteError(harmless(problem), file=self.name, where=f"line {line_of(self.text, keys)}", hint=hint)


def read_toml(raw: bytes, name: str, form: Form) -> TomlFile:
    """Read a file and check every key and value in it against ``form``.

    Raises SiteError: not TOML, a key that is not known, or a value that cannot be; the message has the line.
    """
    if len(raw) > MOST_TOML_BYTES:
        most_mb = MOST_TOML_BYTES // 1_000_000
        problem = f"is {len(raw) / 1e6:.1f} MB, more than the {most_mb} MB that a site's settings can have"
        raise SiteError(problem, file=name, hint="Put back the file that fieldcomb wrote")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        hint = "Save it as UTF-8 in your editor"
        raise SiteError("holds a character that is not UTF-8", file=name, where=f"line {line}", hint=hint) from error
    try:
        data = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        raise _not_toml(str(error), text, name) from error
    except RecursionError as error:
        raise SiteError("is nested too deeply", file=name, hint="Put back the file that fieldcomb wrote") from error
    except ValueError as error:  # Python reads no integer of more digits, whatever the file is
        long = re.search(r"\d[\d_]{4000,}", text)
        where = None if long is None else f"line {text.count(chr(10), 0, long.start()) + 1}"
        raise SiteError("holds a number with thousands of digits", file=name, where=where, hint=_PUT_RIGHT) from error
    file = TomlFile(name, text, _without_orders(data))
    _check_table(file, file.data, form, ())
    return file


def _without_orders(value: Any) -> Any:
    """Return a value with all its texts made harmless; keys stay, since they name places in the file."""
    if isinstance(value, str):
        return harmless(value)
    if isinstance(value, list):
        return [_without_orders(item) for item in value]
    return {key: _without_orders(item) for key, item in value.items()} if isinstance(value, dict) else value


def _not_toml(message: str, text: str, name: str) -> SiteError:
    match = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    problem = message[: match.start()] if match else message
    line, column = (match.group(1), match.group(2)) if match else (None, None)
    where = f"line {line}, column {column}" if line else f"line {text.rstrip().count(chr(10)) + 1}, the end of the file"
    hint = 'Put text in quotes, and write each line like: cell = "10cm"'
    return SiteError(f"is not understood: {problem[:1].lower()}{problem[1:]}", file=name, where=where, hint=hint)


def _check_table(file: TomlFile, table: Any, form: Form, keys: Keys) -> None:
    if not isinstance(table, dict):
        raise file.fault(keys, f"{_say(keys)} must be a table, written as [{_say(keys)}]")
    for key, value in table.items():
        here = (*keys, key)
        if harmless(key) != key.strip():
            hint = "Use letters, digits and plain signs in names"
            raise file.fault(here, f"the name {harmless(key)!r} holds characters that cannot be shown", hint)
        want = form.get(key)
        if want is None:
            place = f" in {_say(keys)}" if keys else ""
            known = [name for name, check in form.items() if check is not unused]
            raise file.fault(here, f"key {key!r} is not known{place}", "Known keys here: " + ", ".join(known))
        if isinstance(want, Named):
            _check_table(file, value, dict.fromkeys(value, want.form) if isinstance(value, dict) else {}, here)
        elif isinstance(want, Several):
            _check_several(file, value, want.form, here)
        elif isinstance(want, Mapping):
            _check_table(file, value, want, here)
        else:
            _check_value(file, value, want, here)


def _check_several(file: TomlFile, value: Any, form: Form, keys: Keys) -> None:
    if not isinstance(value, list):
        raise file.fault(keys, f"{_say(keys)} must be written as [[{_say(keys)}]]")
    for number, item in enumerate(value):
        _check_table(file, item, form, (*keys, number))


def _check_value(file: TomlFile, value: Any, check: ValueCheck, keys: Keys) -> None:
    try:
        check(value)
    except UsageError as error:
        raise file.fault(keys, f"key {keys[-1]!r}: {error.problem}", error.hint) from error


def _say(keys: Keys) -> str:
    return ".".join(key for key in keys if isinstance(key, str))


# ------------------------------------------------------------------------------------------------- lines

_HEADER = re.compile(r"\s*(\[\[?)\s*(.+?)\s*\]\]?\s*(?:#.*)?\Z")
_PART = re.compile(r"\s*(?:\"((?:[^\"\\]|\\.)*)\"|'([^']*)'|([^\s.=\"']+))\s*")


def line_of(text: str, keys: Keys) -> int:
    """Line number, from 1, of a place in a TOML text, or of the nearest place around it."""
    best, best_length = 1, 0
    for line, found in _places(text):
        length = 0
        for one, other in zip(found, keys, strict=False):
            if one != other:
                break
            length += 1
        if length > best_length:
            best, best_length = line, length
    return best


def _places(text: str) -> Iterator[tuple[int, Keys]]:
    """Return the line of each header and key. Values are not looked into, so keys of an inline table have its line."""
    table: Keys = ()
    counts: dict[Keys, int] = {}
    quote = ""
    for number, line in enumerate(text.removeprefix("\ufeff").split("\n"), 1):
        inside, quote = quote, _open_quote(line, quote)
        if inside:
            continue
        if match := _HEADER.match(line):
            table = _counted(_parts(match.group(2)), counts, match.group(1) == "[[")
            yield number, table
        elif "=" in line and not line.lstrip().startswith("#"):
            yield number, table + _parts(line)


def _counted(parts: Keys, counts: dict[Keys, int], several: bool) -> Keys:
    """Put the number of each array of tables after its name."""
    keys: Keys = ()
    for index, part in enumerate(parts):
        keys = (*keys, part)
        if several and index == len(parts) - 1:
            counts[keys] = counts.get(keys, -1) + 1
        if keys in counts:
            keys = (*keys, counts[keys])
    return keys


def _parts(text: str) -> Keys:
    parts: list[str] = []
    at = 0
    while match := _PART.match(text, at):
        parts.append(next(group for group in match.groups() if group is not None))
        at = match.end()
        if text[at : at + 1] != ".":
            break
        at += 1
    return tuple(parts)


def _open_quote(line: str, quote: str) -> str:
    """Return the triple quotes that are still open after this line, if any."""
    at = 0
    while True:
        if quote:
            at = line.find(quote, at)
            if at < 0:
                return quote
            at, quote = at + 3, ""
        else:
            match = re.compile(r"\"\"\"|'''").search(line, at)
            if match is None:
                return ""
            at, quote = match.end(), match.group()


# ----------------------------------------------------------------------------------------------- changing


Value = str | float | bool | list[str]


def quoted(value: Value) -> str:
    """Write a value as TOML."""
    import tomlkit

    return tomlkit.item(value).as_string()


def append_table(text: str, header: str, values: Mapping[str, Value], remark: str = "") -> str:
    """Write one more table after all that stands in a file, with the file's own line ends."""
    lines = [f"# {remark}"] if remark else []
    lines += [header, *(f"{key} = {quoted(value)}" for key, value in values.items())]
    end = "\r\n" if "\r\n" in text else "\n"
    if text and not text.endswith("\n"):
        text += end
    gap = end if text else ""
    return text + gap + end.join(lines) + end


def set_values(text: str, keys: Keys, changes: Mapping[str, str | float | bool | None]) -> str:
    """Set (or with None remove) values in one table of a file; remarks, order and layout stay."""
    import tomlkit

    mark = "\ufeff" if text.startswith("\ufeff") else ""
    document = tomlkit.parse(text.removeprefix("\ufeff"))
    table: Any = document
    for key in keys:
        table = table[key]
    for key, value in changes.items():
        if value is not None:
            table[key] = value
        elif key in table:
            del table[key]
    changed = tomlkit.dumps(document)
    if "\r\n" in text and "\n" not in text.replace("\r\n", ""):
        changed = changed.replace("\r\n", "\n").replace("\n", "\r\n")
    return mark + changed
