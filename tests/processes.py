"""Whether other processes still run."""

from __future__ import annotations

import time
from pathlib import Path


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
