"""One recorder per port: a lock file {pid, port, journal} in the user's state folder.

The operating system holds the lock as long as the process lives. After a kill or a power cut nothing blocks the next
recorder, even if another process has the old process number by then.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import itertools
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from amptally.logger.errors import PortError
from amptally.logger.ordinary_files import read_file
from amptally.logger.storage.json_text import read_json

_HELD_BY_OTHERS = {errno.EAGAIN, errno.EACCES, errno.EDEADLK}
_TRIES = 10
_MAX_BYTES = 1 << 16
_FAR = 1 << 30
"""Byte that Windows locks: locked bytes cannot be read there, and the text must stay readable."""
_count = itertools.count()


def lock_folder() -> Path:
    """Folder of the lock files: the user's own state folder, or the temporary folder where there is none."""
    base = os.environ.get("XDG_STATE_HOME") or os.environ.get("LOCALAPPDATA")
    candidates = [Path(base)] if base else []
    with contextlib.suppress(RuntimeError):
        candidates.append(Path.home() / ".local" / "state")
    candidates.append(Path(tempfile.gettempdir()) / f"state-{os.getuid() if hasattr(os, 'getuid') else 0}")
    for candidate in candidates:
        folder = candidate / "amptally"
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return folder
    raise PortError("No folder for lock files is writable. Set XDG_STATE_HOME to one that is.")


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


@dataclass(frozen=True, slots=True)
class Holder:
    """The recorder that holds a port."""

    pid: int
    port: str
    journal: Path


def _lock(handle: int) -> bool | None:
    """Lock an open file until it is closed or this process ends.

    False: another process has the lock. None: this file system has no locks.
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(handle, _FAR, os.SEEK_SET)
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return False if error.errno in _HELD_BY_OTHERS else None
    return True


def _named(path: Path) -> Holder | None:
    """The holder named in a lock file; None where its text is damaged or not written yet."""
    try:
        raw = read_json(read_file(path, _MAX_BYTES))
        return Holder(int(raw["pid"]), str(raw["port"]), Path(str(raw["journal"])))
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None


def _free(handle: int, path: Path) -> bool:
    """Take the lock of an open lock file unless another process holds it."""
    taken = _lock(handle)
    if taken is None and os.name == "posix":
        # A file system without locks, as some network ones: the process number has to do.
        holder = _named(path)
        return holder is None or holder.pid == os.getpid() or not _alive(holder.pid)
    return taken is not False


def holders() -> Iterator[Holder]:
    """Recorders that are running now."""
    for path in lock_folder().glob("*.lock"):
        with contextlib.suppress(OSError):
            handle = os.open(path, os.O_RDWR)
            try:
                free = _free(handle, path)
                holder = None if free else _named(path)
            finally:
                os.close(handle)
            if holder is not None:
                yield holder


def port_key(url: str) -> str:
    """Key of the port itself: another spelling or a link to it gives the same key. Simulated ports never collide."""
    if "://" in url:
        alone = url.startswith(("sim:", "replay:", "loop:"))
        return f"{url}#{os.getpid()}#{next(_count)}" if alone else url.lower()
    return os.path.realpath(url)


class PortLock:
    """Held from before the port is opened until the run file is written."""

    def __init__(self, url: str, journal: Path) -> None:
        key = port_key(url)
        self._path = lock_folder() / f"{hashlib.sha256(key.encode()).hexdigest()[:16]}.lock"
        self._handle: int | None = None
        text = json.dumps({"pid": os.getpid(), "port": url, "journal": str(journal.absolute())})
        for _ in range(_TRIES):
            try:
                if self._take(text.encode()):
                    return
            except OSError as error:
                raise PortError(f"Cannot write the lock file {self._path.name}: {error.strerror}.") from error
            time.sleep(0.02)  # a process that only reads the holder has released it by then
        holder = _named(self._path)
        by = "" if holder is None else f" by process {holder.pid} into {holder.journal.name}"
        raise PortError(f"{url} is already being recorded{by}. Stop that recording first.")

    def _take(self, text: bytes) -> bool:
        handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        taken = False
        try:
            # The file may have been removed between opening and locking it; the lock would then protect nothing.
            taken = _free(handle, self._path) and os.path.samestat(os.fstat(handle), os.stat(self._path))
            if taken:
                os.ftruncate(handle, 0)
                os.lseek(handle, 0, os.SEEK_SET)
                os.write(handle, text)
                self._handle = handle
        except FileNotFoundError:
            taken = False
        finally:
            if not taken:
                os.close(handle)
        return taken

    def release(self) -> None:
        """Release the port; safe to call twice."""
        if self._handle is None:
            return
        handle, self._handle = self._handle, None
        if os.name == "posix":
            self._path.unlink(missing_ok=True)
            os.close(handle)
        else:  # Windows cannot remove an open file
            os.close(handle)
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)
