"""Crash-safe record of what arrived, one file per run, written before anything is decoded.

`AMPJRNL1`, u32 header length, header JSON, u32 CRC-32 of it; then records: magic 0xA5 0x4A, kind byte, u64 host
monotonic µs, u32 length, payload, u32 CRC-32 over everything after the magic. Little-endian. docs/run-file.md has the
text. A torn or damaged record costs itself: reading goes on at the next record that checks out.
"""

from __future__ import annotations

import json
import os
import struct
import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

from logger.durable import sync_folder
from logger.errors import JournalError, StorageError

MAGIC = b"AMPJRNL1"
SYNC_SECONDS = 0.2
"""Longest time that bytes wait for fsync; with the system's own delay at most 0.5 s are lost."""
MAX_HEADER = 1 << 22
MAX_PAYLOAD = 1 << 20
_RECORD_MAGIC = b"\xa5\x4a"
_RECORD = struct.Struct("<BQI")
_U32 = struct.Struct("<I")

RecordKind = Literal["bytes", "note"]
_KINDS: dict[RecordKind, int] = {"bytes": ord("B"), "note": ord("N")}
_KIND_NAMES = {code: name for name, code in _KINDS.items()}


@dataclass(frozen=True, slots=True)
class Record:
    """One thing that happened while recording."""

    kind: RecordKind
    """bytes: what arrived from the board; note: a JSON object about the recording itself."""
    host_us: int
    """Host monotonic clock."""
    payload: bytes


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes of the journal that no record could be read from."""

    offset: int
    length: int


class JournalWriter:
    """Appends records; `path` must not exist."""

    def __init__(self, path: Path, header: dict[str, object]) -> None:
        raw = json.dumps(header, ensure_ascii=False, allow_nan=False).encode()
        try:
            self._file: BinaryIO = path.open("xb", buffering=0)
        except FileExistsError as error:
            raise StorageError(f"{path} exists already. Recover it with: amptally recover {path}") from error
        except OSError as error:
            raise StorageError(f"Cannot write {path}: {error.strerror}. Name another folder with --out.") from error
        self.path = path
        self.size = 0
        self._last_sync = time.monotonic()
        self._dirty = False
        self._write(MAGIC + _U32.pack(len(raw)) + raw + _U32.pack(zlib.crc32(raw)))
        self.sync()
        sync_folder(path.parent)

    def append(self, kind: RecordKind, host_us: int, payload: bytes) -> None:
        """Write one record; raises StorageError when the disk takes no more."""
        for start in range(0, max(len(payload), 1), MAX_PAYLOAD):
            part = payload[start : start + MAX_PAYLOAD]
            body = _RECORD.pack(_KINDS[kind], host_us, len(part)) + part
            self._write(_RECORD_MAGIC + body + _U32.pack(zlib.crc32(body)))
        if time.monotonic() - self._last_sync >= SYNC_SECONDS:
            self.sync()

    def note(self, host_us: int, **what: object) -> None:
        """Record an event of the recording itself."""
        self.append("note", host_us, json.dumps(what).encode())

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        try:
            while view:
                view = view[self._file.write(view) or 0 :]
        except OSError as error:
            raise StorageError(f"Cannot write {self.path}: {error.strerror}.") from error
        self.size += len(data)
        self._dirty = True

    def sync_if_due(self) -> None:
        """Called while nothing arrives, so that the last bytes do not wait."""
        if self._dirty and time.monotonic() - self._last_sync >= SYNC_SECONDS:
            self.sync()

    def sync(self) -> None:
        """Force what was written to the disk."""
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            raise StorageError(f"Cannot write {self.path}: {error.strerror}.") from error
        self._last_sync = time.monotonic()
        self._dirty = False

    def close(self) -> None:
        """Sync and close; harmless when repeated."""
        if not self._file.closed:
            try:
                self.sync()
            finally:
                self._file.close()


class JournalReader:
    """Reads the header at once and the records lazily."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            with path.open("rb") as file:
                self.header, self._start = self._read_header(file)
        except OSError as error:
            raise JournalError(f"Cannot read {path}: {error.strerror}. Name a .journal file.") from error

    def _read_header(self, file: BinaryIO) -> tuple[dict[str, object], int]:
        if file.read(len(MAGIC)) != MAGIC:
            raise JournalError(f"{self.path} is no amptally journal. Name the .journal file beside the run.")
        length = _U32.unpack(file.read(4).ljust(4, b"\0"))[0]
        raw = file.read(min(length, MAX_HEADER))
        crc = file.read(4)
        bad = f"{self.path} has a damaged header: run id and machine file are lost."
        if len(raw) != length or crc != _U32.pack(zlib.crc32(raw)):
            raise JournalError(f"{bad} Its bytes are untouched; keep the file.")
        try:
            header = json.loads(raw)
        except ValueError as error:
            raise JournalError(bad) from error
        if not isinstance(header, dict):
            raise JournalError(bad)
        return header, file.tell()

    def __iter__(self) -> Iterator[Record | Damage]:
        with self.path.open("rb") as file:
            file.seek(self._start)
            yield from _records(file, self._start)


_PIECE = 1 << 20
_OVERHEAD = len(_RECORD_MAGIC) + _RECORD.size + _U32.size


def _records(file: BinaryIO, offset: int) -> Iterator[Record | Damage]:
    buffer = b""
    lost_from: int | None = None
    ended = False
    while True:
        at = 0
        while True:
            found = _record_at(buffer, at)
            if found is None and not ended:
                break
            if isinstance(found, Record):
                if lost_from is not None:
                    yield Damage(lost_from, offset + at - lost_from)
                    lost_from = None
                yield found
                at += _OVERHEAD + len(found.payload)
                continue
            if at >= len(buffer):
                break
            lost_from = offset + at if lost_from is None else lost_from
            following = buffer.find(_RECORD_MAGIC, at + 1)
            at = following if following >= 0 else max(at + 1, len(buffer) - (0 if ended else 1))
        offset += at
        buffer = buffer[at:]
        if ended:
            if lost_from is not None:
                yield Damage(lost_from, offset - lost_from)
            return
        piece = file.read(_PIECE)
        ended = not piece
        buffer += piece


def _record_at(buffer: bytes, at: int) -> Record | bool | None:
    """The record at `at`; False where there is none; None where more bytes are needed to tell."""
    head_end = at + len(_RECORD_MAGIC) + _RECORD.size
    if len(buffer) < head_end:
        return None
    if not buffer.startswith(_RECORD_MAGIC, at):
        return False
    code, host_us, length = _RECORD.unpack_from(buffer, at + len(_RECORD_MAGIC))
    if code not in _KIND_NAMES or length > MAX_PAYLOAD:
        return False
    end = head_end + length
    if len(buffer) < end + _U32.size:
        return None
    body = buffer[at + len(_RECORD_MAGIC) : end]
    if _U32.unpack_from(buffer, end)[0] != zlib.crc32(body):
        return False
    return Record(_KIND_NAMES[code], host_us, body[_RECORD.size :])
