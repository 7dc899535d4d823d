"""The form of a CSV table: encoding, separator, the line of names under other lines, a row of units, its width."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from amptally.logger.importing.specs import refusal
from amptally.logger.unit_words import is_unit_row

SEPARATORS = ",;\t"
MAX_WIDTH = 4096
_LOOK_AHEAD = 200
"""Lines searched for the names."""
_NUMBER = re.compile(r"[+-]?[\d.,'\s]*\d[\d.,'\s]*([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class TextTable:
    """Where the rows of a CSV begin and how they are read."""

    separator: str
    names: tuple[str, ...]
    """Column names, in order."""
    units: tuple[str, ...]
    """What the row of units says, by column; empty where there is no such row."""
    first_row: int
    """Offset of the line after names and units [bytes]."""
    lines_above: int
    """Number of lines before `first_row`."""
    width: int
    """Greatest number of cells in a row, as far as the head shows."""
    notes: tuple[str, ...]
    """What was found and is not usual."""


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    """The first is 1."""
    end: int
    """Offset of what follows [bytes]."""
    text: str

    def cells(self, separator: str) -> list[str]:
        """The cells without blanks and quotes around them."""
        rows = csv.reader([self.text], delimiter=separator, skipinitialspace=separator != "\t")
        return [cell.strip(' "\u00a0') for cell in next(rows, [])]


def utf16_of(head: bytes) -> str | None:
    """The encoding of a text in UTF-16, by its mark or its zeros; None where it is another."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    sample = head[:400]
    for zeros, encoding in ((sample[1::2], "utf-16-le"), (sample[::2], "utf-16-be")):
        if len(sample) > 8 and zeros.count(0) > 0.9 * len(zeros) and sample.count(0) < 0.6 * len(sample):
            return encoding
    return None


def find_table(where: str, head: bytes, wanted: set[str]) -> TextTable:
    """The table in the first bytes of a file. `wanted` are the names asked for. Raises ImportDataError."""
    lines = _lines(where, head)
    named = _names_line(lines, wanted)
    if named is None:
        raise refusal(f"{where} is empty or has no line of column names near its top. Put one above the rows.")
    line, separator = named
    names = tuple(line.cells(separator))
    below = [later for later in lines if later.number > line.number and _filled(later)]
    notes: list[str] = []
    units: tuple[str, ...] = ()
    last = line
    above = sum(_filled(earlier) for earlier in lines if earlier.number < line.number)
    if above:
        notes.append(f"the names stand in line {line.number}; {above} line{'s' * (above > 1)} above them not read")
    if below and is_unit_row(cells := below[0].cells(separator)):
        units, last = tuple(cells), below[0]
        notes.append(f"line {last.number} holds units, not values")
    width = max((len(row.cells(separator)) for row in below), default=0)
    return TextTable(
        separator, names, units, last.end, last.number, min(max(width, len(names) + 1), MAX_WIDTH), tuple(notes)
    )


def _lines(where: str, head: bytes) -> list[_Line]:
    start, found = 3 if head.startswith(b"\xef\xbb\xbf") else 0, list[_Line]()
    encoding = "utf-8" if _is_utf8(head) else "cp1252"
    while start < len(head) and len(found) < _LOOK_AHEAD:
        end = head.find(b"\n", start) + 1 or len(head)
        text = head[start:end].rstrip(b"\r\n").decode(encoding, "replace")
        found.append(_Line(len(found) + 1, end, text))
        start = end
    first = next((line.text for line in found if line.text.strip()), "")
    if any(c < " " and c != "\t" for c in first):
        raise refusal(f"{where} is neither Parquet nor CSV text with line feeds. Export the data as one of these.")
    return [
        line if all(c >= " " or c == "\t" for c in line.text) else _Line(line.number, line.end, "") for line in found
    ]


def _is_utf8(head: bytes) -> bool:
    try:
        head[: max(len(head) - 3, 0)].decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start >= len(head) - 6  # the head may end within a letter
    return True


def _filled(line: _Line) -> bool:
    return bool(line.text.strip()) and not line.text.startswith("#")


def _names_line(lines: list[_Line], wanted: set[str]) -> tuple[_Line, str] | None:
    """The line that holds most of the names asked for; without any of them, the first that looks like names."""
    best, most = None, 0
    for line in lines:
        # Some programs write the names as a comment.
        bare = _Line(line.number, line.end, line.text.lstrip("# ")) if line.text.startswith("#") else line
        splits = [(mark, bare.cells(mark)) for mark in SEPARATORS]
        separator, cells = max(splits, key=lambda split: (len(wanted.intersection(split[1])), len(split[1])))
        held = len(wanted.intersection(cells))
        if held > most and (bare is line or held == len(wanted)):
            best, most = (bare, separator), held
    if best is not None:
        return best
    filled = [line for line in lines if _filled(line)]
    widths = [(max((len(line.cells(mark)), -place) for place, mark in enumerate(SEPARATORS)), line) for line in filled]
    usual = max((width for (width, _), _ in widths), default=0)
    for (width, place), line in widths:
        separator = SEPARATORS[-place]
        cells = [cell for cell in line.cells(separator) if cell]
        if 2 * width > usual and cells and not any(_NUMBER.fullmatch(cell) for cell in cells):
            return line, separator
    if filled:
        (_, place), line = widths[0]
        return line, SEPARATORS[-place]
    return None
