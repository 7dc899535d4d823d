"""Making written data survive a power cut."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path

_DISK_TROUBLE = {errno.EIO, errno.ENOSPC, errno.EDQUOT if hasattr(errno, "EDQUOT") else errno.ENOSPC}


def sync_file(handle: int) -> None:
    """Make the data written to an open file survive a power cut. Raises OSError."""
    if sys.platform == "darwin":
        import fcntl

        # On macOS fsync stops at the drive's own cache; not every file system supports the stronger call.
        with contextlib.suppress(OSError):
            fcntl.fcntl(handle, fcntl.F_FULLFSYNC)
            return
    os.fsync(handle)


def sync_folder(folder: Path) -> None:
    """Make a new file name survive a power cut, where the system can. Raises OSError where the disk fails."""
    if os.name != "posix":
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        # Some file systems cannot sync folders, some folders can be written but not opened: the file itself is safe.
        if error.errno in _DISK_TROUBLE:
            raise


def part_path(path: Path) -> Path:
    """Temporary name under which a file is written before it is renamed to `path`."""
    return path.with_name(f".{path.name}.part")


def write_text_atomically(path: Path, text: str) -> None:
    """Replace `path` as a whole: a reader sees the old text or the new one. Raises OSError."""
    temporary = part_path(path)
    temporary.unlink(missing_ok=True)  # whatever it is: a pipe would be waited for, a link followed
    with temporary.open("x", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        sync_file(file.fileno())
    os.replace(temporary, path)
    sync_folder(path.parent)
