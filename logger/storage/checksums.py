"""A run file's proof: a CRC-32 of each of its parts, at a place of fixed width in its own metadata.

A part is one row group, or several; the last part is the footer with the metadata. The place is written full of zeros
and counts as that; the checksums go into it when everything else is written. Reading checks the footer first, and each
part before the Parquet library sees a byte of it, so that a slice of a day costs a slice. docs/run-file.md has the
layout.
"""

from __future__ import annotations

import os
import re
import struct
import threading
import zlib
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from amptally.logger.ordinary_files import MAX_FOOTER, PARQUET_MAGIC, check_file, open_file
from amptally.logger.storage.parquet_layout import row_groups

KEY = "checksums"
"""Key of the place in the metadata."""
_MARK = "crc32-parts-1"
_HEAD = struct.Struct(">QI")
"""Bytes of the file, number of parts."""
_PART = struct.Struct(">QII")
"""End in the file, rows up to there, checksum."""
_SUM = struct.Struct(">I")
_PLACE = re.compile(rb'"%s": "%s ((?:[0-9a-f]{8})+) %s"' % (KEY.encode(), _MARK.encode(), _MARK.encode()))
_SIGNS = (_MARK.encode(), b'"%s": "' % KEY.encode())
"""Traces of a place: where one is left, but no whole place, the file was damaged."""
_TAIL = struct.Struct("<I4s")
_PIECE = 1 << 20


class DamagedPartError(ValueError):
    """A part whose bytes are not those that were written."""

    def __init__(self, part: Part | None) -> None:
        super().__init__("the footer" if part is None else str(part))
        self.part = part
        """None: the footer."""


@dataclass(frozen=True, slots=True)
class Part:
    """Consecutive bytes of a run file, and the rows in them."""

    start: int
    end: int
    first_row: int
    end_row: int
    checksum: int

    def __str__(self) -> str:
        return f"samples {self.first_row + 1:,} to {self.end_row:,}"


@dataclass(frozen=True, slots=True)
class Stamp:
    """Changes whenever a file changes."""

    size: int
    changed_ns: int
    number: int

    @classmethod
    def of(cls, path: Path) -> Stamp:
        """The stamp of a file. Raises OSError."""
        found = check_file(path)
        return cls(found.st_size, found.st_mtime_ns, found.st_ino)


@dataclass(slots=True)
class Proof:
    """The checksums of an open run file, and which of its parts have been found whole."""

    path: Path
    stamp: Stamp
    parts: tuple[Part, ...]
    """Of the samples; the footer has been checked before."""
    _whole: set[int] = field(default_factory=set, repr=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def check(self, start_row: int, end_row: int) -> None:
        """Check the parts that hold some rows. Raises DamagedPartError, OSError."""
        if Stamp.of(self.path) != self.stamp:
            with self._lock:
                self._whole.clear()
        first = bisect_right(self.parts, start_row, key=lambda part: part.end_row)
        for place in range(first, len(self.parts)):
            part = self.parts[place]
            if part.first_row >= end_row:
                return
            if place not in self._whole:
                self.check_part(part)
                with self._lock:
                    self._whole.add(place)

    def check_part(self, part: Part) -> None:
        """Check one part. Raises DamagedPartError, OSError."""
        with open_file(self.path) as file:
            if _checksum(file, part.start, part.end) != part.checksum:
                raise DamagedPartError(part)

    def damaged(self) -> Iterator[Part]:
        """The parts that are not whole. Raises OSError."""
        for part in self.parts:
            try:
                self.check_part(part)
            except DamagedPartError:
                yield part


def with_place(metadata: str, parts: int) -> str:
    """The JSON of some metadata, with a place for the checksums of `parts` row groups and the footer."""
    return f'{{"{KEY}": "{_MARK} {"0" * _width(parts + 1)} {_MARK}", {metadata.removeprefix("{")}'


def _width(parts: int) -> int:
    return 2 * (_HEAD.size + parts * _PART.size + _SUM.size)


def write_checksums(path: Path) -> None:
    """Fill in the place of a file that is otherwise complete. Raises OSError, ValueError."""
    with path.open("rb+") as file:
        size, footer_start = _footer_start(file)
        footer = _read(file, footer_start, size - _TAIL.size)
        place = _PLACE.search(footer)
        if place is None:
            raise ValueError("there is no place for the checksums")
        width = len(place[1])
        room = (width // 2 - _HEAD.size - _SUM.size) // _PART.size - 1
        parts = [_PART.pack(*part) for part in _parts(file, footer, room)]
        data_end = _PART.unpack(parts[-1])[0] if parts else 0
        rows = _PART.unpack(parts[-1])[1] if parts else 0
        parts.append(_PART.pack(size, rows, _checksum(file, data_end, size)))
        table = _HEAD.pack(size, len(parts)) + b"".join(parts)
        table = table.ljust(width // 2 - _SUM.size, b"\0")
        text = (table + _SUM.pack(zlib.crc32(table))).hex().encode()
        file.seek(footer_start + place.start(1))
        file.write(text)


def _parts(file: BinaryIO, footer: bytes, room: int) -> Iterator[tuple[int, int, int]]:
    """End, rows up to there and checksum of at most `room` parts."""
    groups = row_groups(footer)
    each = -(-len(groups) // max(room, 1))
    start = rows = 0
    for place, group in enumerate(groups, start=1):
        rows += group.rows
        if place % each == 0 or place == len(groups):
            yield group.end, rows, _checksum(file, start, group.end)
            start = group.end


def read_checksums(path: Path) -> Proof | None:
    """Check a file's footer against its checksums; None where the file was written without any.

    Raises DamagedPartError for a footer or checksums that are not as they were written, OSError.
    """
    stamp = Stamp.of(path)
    with open_file(path) as file:
        try:
            size, footer_start = _footer_start(file)
        except ValueError:
            size, footer_start = stamp.size, stamp.size
        footer = _read(file, footer_start, size)
        place = _PLACE.search(footer)
        if place is None:
            if _has_sign(file):
                raise DamagedPartError(None)
            return None
        raw = bytes.fromhex(place[1].decode())
        table, (checksum,) = raw[: -_SUM.size], _SUM.unpack(raw[-_SUM.size :])
        if zlib.crc32(table) != checksum or len(table) < _HEAD.size:
            raise DamagedPartError(None)
        written, count = _HEAD.unpack_from(table)
        if written != size or not 1 <= count <= (len(table) - _HEAD.size) // _PART.size:
            raise DamagedPartError(None)
        parts, start, first_row = [], 0, 0
        for number in range(count):
            end, end_row, checksum = _PART.unpack_from(table, _HEAD.size + number * _PART.size)
            parts.append(Part(start, end, first_row, end_row, checksum))
            start, first_row = end, end_row
        *data, last = parts
        zeros = footer[: place.start(1)] + b"0" * len(place[1]) + footer[place.end(1) :]
        before = _checksum(file, last.start, footer_start) if last.start <= footer_start else -1
        if last.end != size or before < 0 or zlib.crc32(zeros, before) != last.checksum:
            raise DamagedPartError(None)
    return Proof(path, stamp, tuple(data))


def _footer_start(file: BinaryIO) -> tuple[int, int]:
    """Size of a Parquet file, and where its footer starts. Raises ValueError where its last bytes do not say so."""
    size = file.seek(0, os.SEEK_END)
    if size < len(PARQUET_MAGIC) + _TAIL.size:
        raise ValueError("too short")
    length, magic = _TAIL.unpack(_read(file, size - _TAIL.size, size))
    if magic != PARQUET_MAGIC or length > min(MAX_FOOTER, size - len(PARQUET_MAGIC) - _TAIL.size):
        raise ValueError("no footer")
    return size, size - _TAIL.size - length


def _read(file: BinaryIO, start: int, end: int) -> bytes:
    file.seek(start)
    return file.read(end - start)


def _checksum(file: BinaryIO, start: int, end: int) -> int:
    """CRC-32 of some bytes; of fewer where the file ends before."""
    file.seek(start)
    found, left = 0, end - start
    while left > 0 and (piece := file.read(min(left, _PIECE))):
        found = zlib.crc32(piece, found)
        left -= len(piece)
    return found


def _has_sign(file: BinaryIO) -> bool:
    """Whether there is a trace of checksums anywhere in the file."""
    file.seek(0)
    kept = b""
    while piece := file.read(_PIECE):
        window = kept + piece
        if any(sign in window for sign in _SIGNS):
            return True
        kept = window[-max(map(len, _SIGNS)) :]
    return False
