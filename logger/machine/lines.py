"""Line numbers of the names in a TOML text, and the most likely mistake on a line that is not valid TOML.

`tomllib` gives values without line numbers, and its messages are written for programmers.
"""

from __future__ import annotations

import re

_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_PART}(?:[ \t]*\.[ \t]*{_PART})*"
_HEADER = re.compile(rf"[ \t]*\[\[?[ \t]*({_DOTTED})[ \t]*\]")
_KEY = re.compile(rf"[ \t]*({_DOTTED})[ \t]*=[ \t]*")
_PARTS = re.compile(_PART)
_REASON = re.compile(r"(.*?) \(at (?:line (\d+), column \d+|end of document)\)", re.DOTALL)

_ONE_PER_LINE = "Write one name = value per line, under its [section]."
_HINTS = tuple(
    (re.compile(pattern), hint)
    for pattern, hint in (
        (r"\s*\[[^\]]*$", "Close the section name with ]."),
        (r"[^=]*$", "Put = between the name and its value."),
        (r"\s*[\w-]+\s+[\w-]+\s*=", "A name cannot contain spaces."),
        (r"[^=#]*=\s*(?:#.*)?$", "Write the value after the =, or put a # before the name."),
        (r"[^=#]*=\s*[+-]?\d+,\d", "Write decimals with a point, for example 12.5."),
        (r"[^=#]*=\s*[+-]?(?:\.\d|\d+\.(?!\d))", "Write digits on both sides of the point."),
        (r"[^=#]*=\s*[+-]?\d[\d.]*\s*[^\W\d_]", "Write the number alone: its unit is in the name of the field."),
        (r"[^=#]*=\s*[^\W\d]", "Put text in quotes; write true and false without quotes."),
        (r"[^=#]*=\s*\"[^\"]*\\", "Write a backslash twice, or use single quotes."),
        (r"[^=#]*=\s*(?:\"[^\"]*|'[^']*)$", "Close the text with a second quote on the same line."),
    )
)


class Lines:
    """Line numbers, from 1, of the sections and fields of one text."""

    def __init__(self, text: str) -> None:
        self._lines: dict[tuple[str, ...], int] = {}
        section: tuple[str, ...] = ()
        closing: str | None = None
        for place, line in enumerate(text.split("\n"), start=1):
            if closing is not None:
                # Nothing inside a multi-line string is a name.
                closing = None if closing in line else closing
                continue
            if header := _HEADER.match(line):
                section = _split(header[1])
                self._note(section, place)
            elif key := _KEY.match(line):
                self._note(section + _split(key[1]), place)
                value = line[key.end() :]
                if value[:3] in ('"""', "'''") and value[:3] not in value[3:]:
                    closing = value[:3]

    def _note(self, path: tuple[str, ...], place: int) -> None:
        # Only the first two levels have sections; a longer path cannot be a known field's.
        for depth in range(1, min(len(path), 4) + 1):
            self._lines.setdefault(path[:depth], place)

    def of(self, *path: str) -> int | None:
        """Line of the name, else of what encloses it (an inline table, its section), else None."""
        for depth in range(len(path), 0, -1):
            if path[:depth] in self._lines:
                return self._lines[path[:depth]]
        return None


def _split(dotted: str) -> tuple[str, ...]:
    return tuple(part if part[0] not in "\"'" else part[1:-1] for part in _PARTS.findall(dotted))


def syntax_trouble(text: str, message: str) -> tuple[int, str, str]:
    """(line, reason, what to do) for a message of `tomllib`."""
    lines = text.split("\n")
    found = _REASON.fullmatch(message)
    if found is None:
        return 1, message, _ONE_PER_LINE
    place = int(found[2]) if found[2] else len(lines)
    reason = found[1]
    if reason.startswith(("Cannot overwrite", "Cannot declare", "Cannot mutate", "Duplicate")):
        return place, reason, "The same name is given twice: delete one of them."
    line = lines[place - 1].rstrip("\r") if place <= len(lines) else ""
    hint = next((hint for pattern, hint in _HINTS if pattern.match(line)), _ONE_PER_LINE)
    return place, reason, hint if line.strip() else _ONE_PER_LINE
