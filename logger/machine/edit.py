"""Change one field in the text of a machine file and leave every other character as it stands.

`with_field` puts a value where the field, or its commented-out line, stands; else into its section; else at the end.
Every change is read again and compared: where the text is written in a way that cannot be changed line by line, such as
an inline table, nothing is changed and the error says what to write by hand.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

from amptally.logger.errors import MachineFileError
from amptally.logger.machine.fields import SECTIONS
from amptally.logger.machine.lines import Lines
from amptally.logger.machine.spec import plain, toml

Value = float | int | bool | str

_HEADER = re.compile(r"[ \t]*\[[ \t]*([A-Za-z0-9_.\- \t]+?)[ \t]*\][ \t]*(?:#.*)?")
_ANY_HEADER = re.compile(r"[ \t]*\[")
_VALUE = r"""(?:"(?:[^"\\\r\n]|\\.)*"|'[^'\r\n]*'|[^\s#"'\[\]{},]+)"""
_KEY = r"(?:[A-Za-z0-9_-]+|\"[^\"\r\n]*\"|'[^'\r\n]*')"
_SETTING = re.compile(rf"([ \t]*)({_KEY}(?:[ \t]*\.[ \t]*{_KEY})*)([ \t]*=[ \t]*)({_VALUE})([ \t]*)(#.*)?")
_REMARK = re.compile(r"#[ \t]{3,}\S")
"""A line of the template that goes on about the field above it."""
_COMMENTED = re.compile(rf"([ \t]*#[ \t]?)([A-Za-z0-9_]+)([ \t]*=[ \t]*)({_VALUE})([ \t]*)(#.*)?")


def with_field(text: str, path: tuple[str, ...], value: Value | None) -> str:
    """The text with the field at `path` set to `value`; None puts a # before it, so that it can still be read.

    Raises MachineFileError, one line, where the field cannot be changed without touching others.
    """
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    body = text.removeprefix(mark)
    before = tomllib.loads(body)
    if isinstance(value, float):
        value = float(plain(value))
    if _at(before, path) == value:
        return text
    lines = body.split("\n")
    changed = _changed(lines, Lines(body), path, value)
    if changed is not None:
        after = "\n".join(changed)
        try:
            read = tomllib.loads(after)
        except ValueError:
            read = None
        if read is not None and _equal(read, _with(before, path, value)):
            return mark + after
    place = Lines(body).of(*path)
    at = "" if place is None else f" (line {place})"
    name = ".".join(path)
    wanted = f"put a # before {name}" if value is None else f"write {name} = {_toml(value)}"
    raise MachineFileError(f"{name}{at} is written in a way that is not changed here. In your editor, {wanted}.")


def _changed(lines: list[str], places: Lines, path: tuple[str, ...], value: Value | None) -> list[str] | None:
    """The lines with the change made; None where nothing could be found to change."""
    section, name = path[:-1], path[-1]
    place = places.of(*path)
    found = None if place is None else _SETTING.fullmatch(lines[place - 1].rstrip("\r"))
    if place is not None and found is not None and _last(found[2]) == name:
        return _replaced(lines, place - 1, _commented(found) if value is None else _set(found, _toml(value)))
    if value is None:
        return None
    span = _section_span(lines, section)
    if span is None:
        return _appended(lines, section, name, value)
    first, end = span
    example = SECTIONS[section[0]].specs[name].example
    after = None
    last = first
    for number in range(first + 1, end):
        line = lines[number].rstrip("\r")
        commented = _COMMENTED.fullmatch(line)
        if commented is not None and commented[2] == name:
            # A value that somebody once wrote stays readable; the template's example does not.
            if commented[4] in (toml(example), _toml(value)):
                return _replaced(lines, number, _uncommented(commented, _toml(value)))
            after = number
        if commented is not None or _SETTING.fullmatch(line) is not None:
            last = number
    number = last if after is None else after
    while number + 1 < end and _REMARK.match(lines[number + 1]):
        number += 1
    return _inserted(lines, number + 1, f"{name} = {_toml(value)}")


def _inserted(lines: list[str], number: int, line: str) -> list[str]:
    """The lines with one more, which has the line end of those before it."""
    ending = "\r" if lines[0].endswith("\r") else ""
    if number < len(lines):
        return [*lines[:number], line + ending, *lines[number:]]
    return [*lines[:-1], lines[-1] + ending, line]


def _section_span(lines: list[str], section: tuple[str, ...]) -> tuple[int, int] | None:
    """(index of the header, index after the section's last line); None where the text has no such header."""
    start = None
    for number, line in enumerate(lines):
        header = _HEADER.fullmatch(line.rstrip("\r"))
        if start is not None and _ANY_HEADER.match(line):
            return start, number
        if header is not None and start is None and _parts(header[1]) == section:
            start = number
    return None if start is None else (start, len(lines))


def _appended(lines: list[str], section: tuple[str, ...], name: str, value: Value) -> list[str]:
    ending = "\r" if any(line.endswith("\r") for line in lines) else ""
    kept = list(lines)
    if kept and kept[-1] == "":
        kept.pop()
    elif kept and ending and not kept[-1].endswith("\r"):
        kept[-1] += "\r"
    gap = [ending] if kept and kept[-1].strip() else []
    return [*kept, *gap, f"[{'.'.join(section)}]{ending}", f"{name} = {_toml(value)}{ending}", ""]


def _replaced(lines: list[str], number: int, line: str) -> list[str]:
    ending = "\r" if lines[number].endswith("\r") else ""
    return [*lines[:number], line + ending, *lines[number + 1 :]]


def _set(found: re.Match[str], value: str) -> str:
    """The line with another value; a comment behind it stays, in its column where there is room."""
    return _line(f"{found[1]}{found[2]}{found[3]}", found, value)


def _uncommented(found: re.Match[str], value: str) -> str:
    # The template's comments stand in one column: what the # took is given back as space before them.
    indent = found[1].replace("#", "", 1)
    indent = indent[:-1] if indent.endswith(" ") else indent
    return _line(f"{indent}{found[2]}{found[3]}", found, value)


def _line(head: str, found: re.Match[str], value: str) -> str:
    comment = found[6]
    if comment is None:
        return f"{head}{value}"
    column = found.start(6)
    setting = f"{head}{value}"
    return f"{setting:<{column}}{comment}" if len(setting) < column else f"{setting}  {comment}"


def _commented(found: re.Match[str]) -> str:
    return _line(f"{found[1]}# {found[2]}{found[3]}", found, found[4])


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in dotted.split("."))


def _last(dotted: str) -> str:
    return str(re.findall(_KEY, dotted)[-1]).strip("\"'")


def _toml(value: Value) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return plain(value) if isinstance(value, bool) else toml(value)


def _at(document: dict[str, Any], path: tuple[str, ...]) -> Any:
    """The value at a path; None where there is none."""
    found: Any = document
    for part in path:
        found = found.get(part) if isinstance(found, dict) else None
    return found


def _with(document: dict[str, Any], path: tuple[str, ...], value: Value | None) -> dict[str, Any]:
    """The document with one value changed, added or, for None, taken out."""
    inner = document.get(path[0])
    if len(path) > 1:
        return {**document, path[0]: _with(inner if isinstance(inner, dict) else {}, path[1:], value)}
    return {name: each for name, each in document.items() if name != path[0]} | (
        {} if value is None else {path[0]: value}
    )


def _equal(one: Any, other: Any) -> bool:
    """Equality of two documents in which a number may be nan."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_equal(one[name], other[name]) for name in one)
    return bool(one == other) or (one != one and other != other)
