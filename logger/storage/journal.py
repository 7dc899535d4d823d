"""Crash-safe record of the received bytes, one file per run, written before anything is decoded.

`AMPJRNL1`, u32 header length, header JSON, u32 CRC-32 of it; then records: magic 0xA5 0x4A, kind byte, u64 host
monotonic µs, u32 length, payload, u32 CRC-32 over everything after the magic. Little-endian. docs/run-file.md has the
text. A torn or damaged record loses only itself: reading continues at the next valid record. A damaged header loses
its own content, not the records after it.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import struct
import threading
import time
import zlib
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

from amptally.logger.errors import JournalError, StorageError
from amptally.logger.ordinary_files import open_file
from amptally.logger.storage.durable import sync_file, sync_folder
from amptally.logger.storage.json_text import HostileJsonError, read_json

MAGIC = b"AMPJRNL1"
SHORTEST_HEADER = len(MAGIC) + 4
"""Bytes before the header's JSON: the magic and its length."""
SYNC_SECONDS = 0.2
"""Pause between two fsyncs; with the time the disk takes for one, at most 0.5 s are lost."""
SLOW_SYNC_S = 0.3
"""A disk that takes longer than this for one fsync cannot keep that promise."""
MAX_HEADER = 1 << 22
MAX_PAYLOAD = 1 << 12
"""Small, so that a file full of false record headers is read quickly: each of them costs a check of this many bytes."""
LATEST_HOST_US = 1 << 62
_RECORD_MAGIC = b"\xa5\x4a"
_RECORD = struct.Struct("<BQI")
_U32 = struct.Struct("<I")

RecordKind = Literal["bytes", "note"]
_KINDS: dict[RecordKind, int] = {"bytes": ord("B"), "note": ord("N")}
_KIND_NAMES = {code: name for name, code in _KINDS.items()}


@dataclass(frozen=True, slots=True)
class Record:
    """One event of a recording."""

    kind: RecordKind
    """bytes: data from the board; note: a JSON object about the recording itself."""
    host_us: int
    """Host monotonic clock in µs."""
    payload: bytes


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes of the journal that hold no valid record."""

    offset: int
    length: int


class JournalWriter:
    """Appends records; `path` must not exist. A separate thread syncs, so that no caller waits for a slow disk."""

    def __init__(self, path: Path, header: dict[str, object]) -> None:
        raw = json.dumps(header, ensure_ascii=False, allow_nan=False).encode()
        try:
            self._file: BinaryIO = path.open("x+b", buffering=0)
        except FileExistsError as error:
            raise StorageError(f"{path} already exists. Recover it with: amptally recover {path}") from error
        except OSError as error:
            raise StorageError(f"Cannot write {path}: {error.strerror}. Name another folder with --out.") from error
        self.path = path
        self.size = 0
        self.slowest_sync_s = 0.0
        """Longest fsync so far."""
        self._lock = threading.Lock()
        self._unsynced = threading.Event()
        self._closing = threading.Event()
        self._failed: StorageError | None = None
        try:
            self._write(MAGIC + _U32.pack(len(raw)) + raw + _U32.pack(zlib.crc32(raw)))
            self.sync()
            sync_folder(path.parent)
        except OSError as error:
            # A journal without its header is useless.
            self._file.close()
            path.unlink(missing_ok=True)
            raise self._trouble(error) from error
        self._syncer = threading.Thread(target=self._keep_synced, daemon=True, name="journal sync")
        self._syncer.start()

    def append(self, kind: RecordKind, host_us: int, payload: bytes) -> None:
        """Write one record. Raises StorageError when the disk is full or fails."""
        pieces = []
        for start in range(0, max(len(payload), 1), MAX_PAYLOAD):
            part = payload[start : start + MAX_PAYLOAD]
            body = _RECORD.pack(_KINDS[kind], host_us, len(part)) + part
            pieces.append(_RECORD_MAGIC + body + _U32.pack(zlib.crc32(body)))
        self._write(b"".join(pieces))

    def note(self, host_us: int, **what: object) -> None:
        """Record an event of the recording itself."""
        self.append("note", host_us, json.dumps(what, ensure_ascii=False).encode())

    def _write(self, data: bytes) -> None:
        if self._failed is not None:
            raise self._failed
        view = memoryview(data)
        with self._lock:
            try:
                while view:
                    view = view[self._file.write(view) or 0 :]
            except (OSError, ValueError) as error:  # ValueError: already closed
                raise self._trouble(error) from error
            self.size += len(data)
        self._unsynced.set()

    def _trouble(self, error: Exception) -> StorageError:
        if isinstance(error, StorageError):
            return error
        return StorageError(f"Cannot write {self.path}: {getattr(error, 'strerror', None) or error}.")

    def _keep_synced(self) -> None:
        while not self._closing.is_set():
            self._unsynced.wait()
            try:
                self.sync()
            except StorageError as error:
                self._failed = error
                return
            self._closing.wait(SYNC_SECONDS)

    def sync(self) -> None:
        """Flush all records to the disk. Raises StorageError."""
        self._unsynced.clear()
        started = time.monotonic()
        try:
            sync_file(self._file.fileno())
        except (OSError, ValueError) as error:
            raise self._trouble(error) from error
        self.slowest_sync_s = max(self.slowest_sync_s, time.monotonic() - started)

    def restore(self) -> bool:
        """Write the journal again where its folder was removed or renamed; False where it is still in its place.

        The system keeps the bytes of an open file. Nothing may be appended afterwards. Raises StorageError.
        """
        try:
            with contextlib.suppress(FileNotFoundError, NotADirectoryError):
                if os.path.samestat(os.stat(self.path), os.fstat(self._file.fileno())):
                    return False
            with self._lock:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self._file.seek(0)
                with self.path.open("xb") as copy:
                    shutil.copyfileobj(self._file, copy, _PIECE)
                    copy.flush()
                    sync_file(copy.fileno())
            sync_folder(self.path.parent)
        except (OSError, ValueError) as error:
            raise self._trouble(error) from error
        return True

    def close(self) -> None:
        """Sync and close; safe to call twice."""
        if self._closing.is_set():
            return
        self._closing.set()
        self._unsynced.set()
        self._syncer.join()
        try:
            self.sync()
        finally:
            self._file.close()


class JournalReader:
    """Reads the header at once and the records lazily."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.header_damaged = False
        """The header could not be read, but valid records follow it."""
        try:
            with open_file(path) as file:
                self.header, self._start = self._read_header(file)
        except OSError as error:
            raise JournalError(f"Cannot read {path}: {error.strerror}. Name a .journal file.") from error

    def _read_header(self, file: BinaryIO) -> tuple[dict[str, object], int]:
        if file.read(len(MAGIC)) != MAGIC:
            return self._without_header(file, "is not an amptally journal. Name the .journal file beside the run.")
        length = _U32.unpack(file.read(4).ljust(4, b"\0"))[0]
        raw = file.read(min(length, MAX_HEADER))
        crc = file.read(4)
        bad = "has a damaged header and no valid record after it. Do not delete the file: its bytes are unchanged."
        if len(raw) != length or crc != _U32.pack(zlib.crc32(raw)):
            return self._without_header(file, bad)
        try:
            header = read_json(raw)
        except HostileJsonError:
            return self._without_header(file, bad)
        return (header, file.tell()) if isinstance(header, dict) else self._without_header(file, bad)

    def _without_header(self, file: BinaryIO, problem: str) -> tuple[dict[str, object], int]:
        """An empty header where records follow; raises JournalError where none do."""
        file.seek(0)
        head = io.BytesIO(file.read(MAX_HEADER + 4 * MAX_PAYLOAD))
        if not any(isinstance(found, Record) for found in _records(head, 0)):
            raise JournalError(f"{self.path} {problem}")
        self.header_damaged = True
        return {}, 0

    def __iter__(self) -> Iterator[Record | Damage]:
        with open_file(self.path) as file:
            file.seek(self._start)
            yield from _records(file, self._start)


def last_note(path: Path) -> dict[str, object] | None:
    """The note at the very end of a journal; None where it ends otherwise. Raises OSError."""
    with open_file(path) as file:
        start = max(file.seek(0, os.SEEK_END) - _TAIL, 0)
        file.seek(start)
        latest = deque(_records(file, start), maxlen=1)
    last = latest[0] if latest else None
    if not isinstance(last, Record) or last.kind != "note":
        return None
    try:
        note = read_json(last.payload)
    except HostileJsonError:
        return None
    return note if isinstance(note, dict) else None


_PIECE = 1 << 20
_TAIL = 2 * MAX_PAYLOAD
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
    """The record at `at`; False where there is none; None where more bytes are needed to decide."""
    head_end = at + len(_RECORD_MAGIC) + _RECORD.size
    if len(buffer) < head_end:
        return None
    if not buffer.startswith(_RECORD_MAGIC, at):
        return False
    code, host_us, length = _RECORD.unpack_from(buffer, at + len(_RECORD_MAGIC))
    if code not in _KIND_NAMES or length > MAX_PAYLOAD or host_us >= LATEST_HOST_US:
        return False
    end = head_end + length
    if len(buffer) < end + _U32.size:
        return None
    body = buffer[at + len(_RECORD_MAGIC) : end]
    if _U32.unpack_from(buffer, end)[0] != zlib.crc32(body):
        return False
    return Record(_KIND_NAMES[code], host_us, body[_RECORD.size :])
