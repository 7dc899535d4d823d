"""Processes that tests start: none outlives its test, and none is waited for in vain; whether one still runs."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
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


def worker_outlives_its_parent(folder: Path, root: Path, imports: str, pool: str) -> bool:
    """Whether a worker of a pool goes on after the process that made it was killed.

    imports and pool: lines of a program, the second an expression for a pool of one worker.
    """
    script = folder / "parent.py"
    lines = (
        "import os, time",
        imports,
        'if __name__ == "__main__":',
        f"    pool = {pool}",
        "    print(pool.submit(os.getpid).result(), flush=True)",
        "    time.sleep(600)",
    )
    script.write_text("\n".join(lines), encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(root)}
    with running([sys.executable, str(script)], stdout=subprocess.PIPE, env=environment, cwd=root) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        assert alive(worker)
        parent.kill()
    return not gone(worker)


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
