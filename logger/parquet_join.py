"""Parquet files of one schema joined as they are: column data copied byte by byte, one footer written for all.

Column data do not know where in a file they lie; only the footer does. So joining costs a copy, where writing anew
would decode, encode and compress everything again. The footer is Thrift's compact protocol
(github.com/apache/thrift, doc/specs/thrift-compact-protocol.md); its fields are those of parquet.thrift
(github.com/apache/parquet-format). Fields that are not touched here are carried on as they stand.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

MAGIC = b"PAR1"
MOST_FOOTER_BYTES = 1 << 28
_PIECE = 1 << 20
_STOP, _TRUE, _FALSE, _BYTE, _I16, _I32, _I64, _DOUBLE, _BINARY, _LIST, _SET, _MAP, _STRUCT = range(13)
_SCHEMA, _NUM_ROWS, _ROW_GROUPS, _KEY_VALUES = 2, 3, 4, 5
_OFFSETS: dict[int, tuple[int, ...]] = {0: (5,), 1: (2, 4, 6), 2: (9, 10, 11, 14)}
"""Fields that hold a place in the file: of a row group, of its column chunks (1), of their metadata (3 in a chunk)."""
_GROUP_COLUMNS, _GROUP_ORDINAL, _CHUNK_METADATA = 1, 7, 3
_LENGTH = struct.Struct("<I")
_NO_ENTRIES: tuple[int, Any] = (_LIST, (_STRUCT, []))
MOST_GROUPS = (1 << 15) - 1
"""Row groups count in 16 bits."""

Fields = dict[int, tuple[int, Any]]
"""A struct: by field id its type and value; a list is (type of its elements, values)."""


class NotJoinableError(Exception):
    """Files that cannot be joined as they are; they can be read and written anew."""


@dataclass(frozen=True, slots=True)
class _Part:
    path: Path
    end: int
    """Where column data end and the footer begins."""
    rows: int
    groups: list[bytes]
    """Row groups as the joined footer has them."""
    others: Fields
    """The other fields of the footer."""


def join(out: BinaryIO, paths: Sequence[Path], key: str, text: str, least_rows: int) -> None:
    """Write the rows of all `paths` in order into `out`, with `text` under the metadata key `key`.

    Raises NotJoinableError, with nothing written, where schemas differ or row groups would be shorter than `least_rows`
    in the mean; OSError.
    """
    parts: list[_Part] = []
    at, count = 0, 0
    for path in paths:
        parts.append(_part(path, at, count))
        at += parts[-1].end - len(MAGIC)
        count += len(parts[-1].groups)
    others = parts[0].others
    if any(part.others.get(_SCHEMA) != others.get(_SCHEMA) for part in parts):
        raise NotJoinableError("schemas differ")
    rows = sum(part.rows for part in parts)
    if rows < least_rows * count or count > MOST_GROUPS:
        raise NotJoinableError("row groups are short, or too many")
    out.write(MAGIC)
    for part in parts:
        _copy(part, out)
    kept = [entry for entry in others.get(_KEY_VALUES, _NO_ENTRIES)[1][1] if entry[1][1] != key.encode()]
    entries = [*kept, {1: (_BINARY, key.encode()), 2: (_BINARY, text.encode())}]
    groups = [group for part in parts for group in part.groups]
    footer = {**others, _NUM_ROWS: (_I64, rows), _ROW_GROUPS: (_LIST, (_STRUCT, groups)),
              _KEY_VALUES: (_LIST, (_STRUCT, entries))}  # fmt: skip
    packed = _packed(footer)
    out.write(packed + _LENGTH.pack(len(packed)) + MAGIC)


def _part(path: Path, by: int, number: int) -> _Part:
    """What is joined of one file, its column data `by` bytes further on, its row groups counted from `number`."""
    with path.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(size - 8, 0))
        tail = file.read(8)
        length = _LENGTH.unpack(tail[:4])[0] if len(tail) == 8 else size
        if tail[4:] != MAGIC or length > min(size - 12, MOST_FOOTER_BYTES):
            raise NotJoinableError("no Parquet file")
        file.seek(size - 8 - length)
        footer = file.read(length)
    try:
        fields = _Reader(footer).struct()
        groups = []
        for place, group in enumerate(fields.pop(_ROW_GROUPS)[1][1]):
            _move(group, by)
            group[_GROUP_ORDINAL] = (_I16, number + place)
            groups.append(_packed(group))
        return _Part(path, size - 8 - length, fields[_NUM_ROWS][1], groups, fields)
    except (LookupError, TypeError, ValueError, RecursionError) as error:
        raise NotJoinableError("a footer that cannot be read") from error


def _move(group: Fields, by: int) -> None:
    """Shift every place in the file that a row group knows of."""
    for level, fields in ((0, group), *_chunks(group)):
        for field in _OFFSETS[level]:
            # 0 stands for a place that is not told.
            if field in fields and fields[field][1] > 0:
                fields[field] = (fields[field][0], fields[field][1] + by)


def _chunks(group: Fields) -> list[tuple[int, Fields]]:
    chunks = group[_GROUP_COLUMNS][1][1]
    return [(1, chunk) for chunk in chunks] + [(2, chunk[_CHUNK_METADATA][1]) for chunk in chunks]


def _copy(part: _Part, out: BinaryIO) -> None:
    with part.path.open("rb") as file:
        left = part.end - file.seek(len(MAGIC))
        while left:
            piece = file.read(min(_PIECE, left))
            if not piece:
                raise OSError(f"{part.path} became shorter")
            out.write(piece)
            left -= len(piece)


class _Reader:
    """Thrift's compact protocol → fields."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def struct(self) -> Fields:
        fields: Fields = {}
        number = 0
        while head := self._byte():
            delta, kind = head >> 4, head & 15
            number = number + delta if delta else _unzigzag(self._varint())
            fields[number] = (kind, self._value(kind))
        return fields

    def _byte(self) -> int:
        self._at += 1
        return self._data[self._at - 1]

    def _varint(self) -> int:
        found = shift = 0
        while True:
            byte = self._byte()
            found |= (byte & 0x7F) << shift
            if byte < 0x80:
                return found
            shift += 7

    def _take(self, count: int) -> bytes:
        found = self._data[self._at : self._at + count]
        if len(found) != count:
            raise IndexError("the footer ends early")
        self._at += count
        return found

    def _value(self, kind: int) -> Any:
        if kind in (_TRUE, _FALSE):
            return kind == _TRUE
        if kind in (_I16, _I32, _I64):
            return _unzigzag(self._varint())
        if kind == _BYTE:
            return self._byte()
        if kind == _DOUBLE:
            return self._take(8)
        if kind == _BINARY:
            return self._take(self._varint())
        if kind == _STRUCT:
            return self.struct()
        if kind in (_LIST, _SET):
            head = self._byte()
            count, of = head >> 4, head & 15
            if count == 15:
                count = self._varint()
            # Booleans stand in a byte each here.
            one = self._byte if of in (_TRUE, _FALSE) else lambda: self._value(of)
            return of, [one() for _ in range(count)]
        raise NotJoinableError(f"a footer with type {kind}")


def _packed(fields: Fields) -> bytes:
    out = bytearray()
    _write_struct(out, dict(sorted(fields.items())))
    return bytes(out)


def _write_struct(out: bytearray, fields: Fields) -> None:
    before = 0
    for number, (kind, value) in fields.items():
        if kind in (_TRUE, _FALSE):
            kind = _TRUE if value else _FALSE
        delta = number - before
        if 0 < delta < 16:
            out.append(delta << 4 | kind)
        else:
            out.append(kind)
            _write_varint(out, _zigzag(number))
        _write_value(out, kind, value)
        before = number
    out.append(_STOP)


def _write_value(out: bytearray, kind: int, value: Any) -> None:
    if kind in (_I16, _I32, _I64):
        _write_varint(out, _zigzag(value))
    elif kind == _BYTE:
        out.append(value)
    elif kind == _DOUBLE:
        out += value
    elif kind == _BINARY:
        _write_varint(out, len(value))
        out += value
    elif kind == _STRUCT and isinstance(value, bytes):
        out += value  # packed already
    elif kind == _STRUCT:
        _write_struct(out, value)
    elif kind in (_LIST, _SET):
        of, values = value
        out.append(min(len(values), 15) << 4 | of)
        if len(values) >= 15:
            _write_varint(out, len(values))
        for each in values:
            if of in (_TRUE, _FALSE):
                out.append(each)
            else:
                _write_value(out, of, each)


def _write_varint(out: bytearray, value: int) -> None:
    while value >= 0x80:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)


def _zigzag(value: int) -> int:
    return value << 1 if value >= 0 else (-value << 1) - 1


def _unzigzag(value: int) -> int:
    return value >> 1 if not value & 1 else -(value + 1 >> 1)
