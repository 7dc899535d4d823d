"""One recorder per port: a lock file {pid, port, journal} in the user's state folder."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.errors import PortError

STARTING_S = 60.0
"""A lock this young counts although its journal is not there yet: the port is still being opened."""


def lock_folder() -> Path:
    """Where lock files live: the user's own state folder, or the temporary one where there is none."""
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
    raise PortError("No folder for lock files can be written. Set XDG_STATE_HOME to one that can.")


def _alive(pid: int) -> bool:
    if os.name != "posix":
        return True  # no harmless way to ask: the missing journal tells instead
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a port."""

    pid: int
    port: str
    journal: Path


def _read(path: Path) -> Holder | None:
    """The holder a lock file names; None where it is damaged or its recorder is gone."""
    try:
        raw: Any = json.loads(path.read_text(encoding="utf-8"))
        holder = Holder(int(raw["pid"]), str(raw["port"]), Path(str(raw["journal"])))
        starting = time.time() - path.stat().st_mtime < STARTING_S
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return holder if _alive(holder.pid) and (starting or holder.journal.exists()) else None


def holders() -> Iterator[Holder]:
    """Recorders that are running now."""
    for path in lock_folder().glob("*.lock"):
        holder = _read(path)
        if holder is not None:
            yield holder


def port_key(url: str) -> str:
    """Names the port itself: another spelling or a link to it gives the same key. Simulated ports never collide."""
    if "://" in url:
        return f"{url}#{os.getpid()}" if url.startswith(("sim:", "replay:", "loop:")) else url.lower()
    return os.path.realpath(url)


class PortLock:
    """Held from before the port is opened until the run file is written."""

    def __init__(self, url: str, journal: Path) -> None:
        key = port_key(url)
        self._path = lock_folder() / f"{hashlib.sha256(key.encode()).hexdigest()[:16]}.lock"
        text = json.dumps({"pid": os.getpid(), "port": url, "journal": str(journal.absolute())})
        for _ in range(3):
            try:
                with self._path.open("x", encoding="utf-8") as file:
                    file.write(text)
                return
            except FileExistsError:
                holder = _read(self._path)
                if holder is not None and holder.pid != os.getpid():
                    raise PortError(
                        f"{url} is being recorded already by process {holder.pid} into {holder.journal.name}. "
                        "Stop that recording first."
                    ) from None
                self._path.unlink(missing_ok=True)
            except OSError as error:
                raise PortError(f"Cannot write the lock file {self._path.name}: {error.strerror}.") from error
        raise PortError(f"{url}: another recorder takes and leaves the port just now. Try again.")

    def release(self) -> None:
        """Let others have the port; harmless when repeated."""
        self._path.unlink(missing_ok=True)
