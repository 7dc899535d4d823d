"""Processes that tests start: none outlives its test, and none is waited for in vain; whether one still runs."""

from __future__ import annotations

import contextlib
import subprocess
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any


@contextlib.contextmanager
def running(command: Sequence[str], **options: Any) -> Iterator[subprocess.Popen[Any]]:
    """A process that is killed at the end of the block where it still runs, as after an error in the block."""
    with subprocess.Popen(command, **options) as process:
        try:
            yield process
        finally:
            process.kill()


def alive(pid: int) -> bool:
    """Whether a process runs; one that ended and that nobody has asked for yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def gone(pid: int, patience_s: float = 60.0) -> bool:
    """Whether a process ends, waited for."""
    end_s = time.monotonic() + patience_s
    while alive(pid) and time.monotonic() < end_s:
        time.sleep(0.05)
    return not alive(pid)
