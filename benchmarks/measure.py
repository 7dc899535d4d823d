"""One measurement is one child process: it imports, computes once, and says how long that took and how much it held.

`python -m benchmarks.measure TASK ARGUMENT…` is the child.
"""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class Taken:
    """Medians over the repeated runs of one task."""

    seconds: float
    """Wall time of the computation, imports left out."""
    processor_s: float
    """Processor time of all threads, which a busy machine lengthens less than wall time."""
    import_s: float
    peak_mb: float
    """Greatest resident memory of the child, imports included."""
    result: dict[str, Any]
    """What it computed, of the last run."""
    runs: int


class Clock:
    """Starts when made."""

    def __init__(self) -> None:
        self._begun, self._worked = time.perf_counter(), time.process_time()

    def took(self) -> dict[str, float]:
        """Wall and processor time since."""
        return {"seconds": time.perf_counter() - self._begun, "processor_s": time.process_time() - self._worked}


def measure(task: str, *arguments: object, repeats: int = 3) -> Taken:
    """Run `module:function` of this package so often in fresh processes. Raises RuntimeError where it fails."""
    return together({task: (task, arguments)}, repeats)[task]


def together(tasks: dict[str, tuple[str, Sequence[object]]], repeats: int = 3) -> dict[str, Taken]:
    """Measure several tasks alternately, round by round, so that other load on the machine affects all alike."""
    found: dict[str, list[dict[str, Any]]] = {name: [] for name in tasks}
    for _ in range(repeats):
        for name, (task, arguments) in tasks.items():
            found[name].append(_child(task, arguments))
    return {name: _median(runs) for name, runs in found.items()}


def _child(task: str, arguments: Sequence[object]) -> dict[str, Any]:
    command = [sys.executable, "-m", "benchmarks.measure", task, *map(str, arguments)]
    # As `amptally` sets it for itself; the others multiply no matrices.
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    if done.returncode:
        raise RuntimeError(f"{task} failed: {done.stderr.strip().splitlines()[-1] if done.stderr else done.returncode}")
    said: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return said


def _median(runs: list[dict[str, Any]]) -> Taken:
    def of(key: str) -> float:
        return statistics.median(run[key] for run in runs)

    return Taken(of("seconds"), of("processor_s"), of("import_s"), of("peak_mb"), runs[-1]["result"], len(runs))


def main() -> None:
    started = time.perf_counter()
    module, _, name = sys.argv[1].partition(":")
    task: Callable[..., dict[str, Any]] = getattr(import_module(f"benchmarks.{module}"), name)
    begun, worked = time.perf_counter(), time.process_time()
    result = task(*sys.argv[2:])
    # A task that prepares something first says itself how long the measured part took.
    seconds = result.pop("seconds", time.perf_counter() - begun)
    processor_s = result.pop("processor_s", time.process_time() - worked)
    said = {"seconds": seconds, "processor_s": processor_s, "import_s": begun - started, "peak_mb": _peak_mb()}
    print(json.dumps({**said, "result": result}))


def _peak_mb() -> float:
    """Greatest resident memory of this process."""
    try:
        # ru_maxrss would count what the parent held when it started us.
        lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
        return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))
    except (OSError, StopIteration):
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main()
