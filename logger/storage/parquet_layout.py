"""Where the row groups of a Parquet file lie: the few fields of its footer that say so, and nothing else.

Polars does not tell. The footer is Thrift in its compact form (Apache Thrift, "Thrift Compact protocol encoding");
its fields are numbered in parquet.thrift of Apache Parquet. Read only from a file that this process has just written.
"""

from __future__ import annotations

from dataclasses import dataclass

_TRUE, _FALSE, _BYTE, _DOUBLE, _BINARY, _LIST, _SET, _STRUCT = 1, 2, 3, 7, 8, 9, 10, 12
_VARINTS = (4, 5, 6)
_ROW_GROUPS = 4
"""Field of FileMetaData."""
_COLUMNS, _NUM_ROWS = 1, 3
"""Fields of RowGroup."""
_META_DATA = 3
"""Field of ColumnChunk."""
_TOTAL_COMPRESSED_SIZE, _DATA_PAGE_OFFSET, _DICTIONARY_PAGE_OFFSET = 7, 9, 11
"""Fields of ColumnMetaData."""


@dataclass(frozen=True, slots=True)
class RowGroup:
    """One row group."""

    rows: int
    end: int
    """Offset of the first byte after its last column."""


def row_groups(footer: bytes) -> list[RowGroup]:
    """The row groups of a footer, in order. Raises ValueError for one that this reader does not understand."""
    try:
        return _Footer(footer).row_groups()
    except IndexError as error:
        raise ValueError("the footer ends early") from error


class _Footer:
    """Reads forward through the bytes of a footer."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def row_groups(self) -> list[RowGroup]:
        number = 0
        while (head := self._field(number)) is not None:
            number, kind = head
            if number == _ROW_GROUPS and kind == _LIST:
                return [self._row_group() for _ in range(self._list_head()[0])]
            self._skip(kind)
        raise ValueError("no row groups")

    def _row_group(self) -> RowGroup:
        number, rows, end = 0, -1, 0
        while (head := self._field(number)) is not None:
            number, kind = head
            if number == _COLUMNS and kind == _LIST:
                end = max((self._column() for _ in range(self._list_head()[0])), default=0)
            elif number == _NUM_ROWS and kind in _VARINTS:
                rows = self._zigzag()
            else:
                self._skip(kind)
        if rows < 0 or end <= 0:
            raise ValueError("a row group without rows or columns")
        return RowGroup(rows, end)

    def _column(self) -> int:
        """End of a column's pages."""
        number, end = 0, 0
        while (head := self._field(number)) is not None:
            number, kind = head
            if number == _META_DATA and kind == _STRUCT:
                end = self._column_metadata()
            else:
                self._skip(kind)
        return end

    def _column_metadata(self) -> int:
        number, size, starts = 0, 0, []
        while (head := self._field(number)) is not None:
            number, kind = head
            if kind in _VARINTS:
                value = self._zigzag()
                if number == _TOTAL_COMPRESSED_SIZE:
                    size = value
                elif number in (_DATA_PAGE_OFFSET, _DICTIONARY_PAGE_OFFSET) and value > 0:
                    starts.append(value)
            else:
                self._skip(kind)
        return min(starts) + size if starts else 0

    def _field(self, before: int) -> tuple[int, int] | None:
        """Number and type of the next field; None at the end of a struct."""
        head = self._data[self._at]
        self._at += 1
        if head == 0:
            return None
        kind, step = head & 0x0F, head >> 4
        return (before + step if step else self._zigzag()), kind

    def _list_head(self) -> tuple[int, int]:
        """Number and type of a list's items."""
        head = self._data[self._at]
        self._at += 1
        return (head >> 4 if head >> 4 != 15 else self._varint()), head & 0x0F

    def _skip(self, kind: int) -> None:
        if kind in _VARINTS:
            self._varint()
        elif kind == _BINARY:
            length = self._varint()
            self._at += length
        elif kind == _STRUCT:
            while (head := self._field(0)) is not None:
                self._skip(head[1])
        elif kind in (_LIST, _SET):
            count, items = self._list_head()
            for _ in range(count):
                self._skip(_BYTE if items in (_TRUE, _FALSE) else items)
        elif kind in (_BYTE, _DOUBLE):
            self._at += 1 if kind == _BYTE else 8
        elif kind not in (_TRUE, _FALSE):
            raise ValueError(f"a field of unknown type {kind}")

    def _varint(self) -> int:
        data, at = self._data, self._at
        value = byte = data[at]
        if byte >= 0x80:
            value, shift = byte & 0x7F, 7
            while byte >= 0x80:
                at += 1
                byte = data[at]
                value |= (byte & 0x7F) << shift
                shift += 7
        self._at = at + 1
        return value

    def _zigzag(self) -> int:
        value = self._varint()
        return (value >> 1) ^ -(value & 1)
