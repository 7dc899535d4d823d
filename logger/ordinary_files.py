"""Opening files that may be anything: only ordinary ones, and no more of them than was asked for.

A folder of runs may hold a named pipe, a socket, a link to a device, a link to itself. Opening one of these can wait
for ever, and opening a device can act on it (a serial port resets its board). Every reader of this program opens here.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO

MAX_FOOTER = 1 << 27
"""Longest footer read of a Parquet file [bytes]: that of the longest run has less than half of this."""
PARQUET_MAGIC = b"PAR1"
_FOOTER_END = 8
_KINDS = (
    (stat.S_ISDIR, "it is a folder, not a file"),
    (stat.S_ISFIFO, "it is a named pipe, not a file"),
    (stat.S_ISSOCK, "it is a socket, not a file"),
    (lambda mode: not stat.S_ISREG(mode), "it is a device, not a file"),
)
_FLAGS = os.O_RDONLY | sum(getattr(os, name, 0) for name in ("O_NONBLOCK", "O_NOCTTY", "O_CLOEXEC", "O_BINARY"))


def check_file(path: Path) -> os.stat_result:
    """Size and times of an ordinary file. Raises OSError; its `strerror` says what else it is."""
    return _ordinary(os.stat(path))


def _ordinary(found: os.stat_result) -> os.stat_result:
    for is_kind, what in _KINDS:
        if is_kind(found.st_mode):
            raise OSError(errno.EINVAL, what)
    return found


def open_file(path: Path) -> BinaryIO:
    """Open an ordinary file for reading, without ever waiting for it. Raises OSError as `check_file` does."""
    check_file(path)
    handle = os.open(path, _FLAGS)
    try:
        _ordinary(os.fstat(handle))  # it may have been replaced meanwhile
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_file(path: Path, limit: int) -> bytes:
    """All of an ordinary file. Raises OSError, also where it has more than `limit` bytes."""
    with open_file(path) as file:
        data = file.read(limit + 1)
    if len(data) > limit:
        raise OSError(errno.EFBIG, f"it is larger than {limit:,} bytes")
    return data


def footer_fits(file: BinaryIO) -> bool:
    """Whether the end of a Parquet file is there, and claims no longer a footer than the file can hold."""
    size = file.seek(0, os.SEEK_END)
    if size < len(PARQUET_MAGIC) + _FOOTER_END:
        return False
    file.seek(size - _FOOTER_END)
    end = file.read(_FOOTER_END)
    length = int.from_bytes(end[:4], "little")
    return end[4:] == PARQUET_MAGIC and length <= min(size - len(PARQUET_MAGIC) - _FOOTER_END, MAX_FOOTER)
