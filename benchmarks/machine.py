"""The machine that measured, without saying whose it is."""

from __future__ import annotations

import os
import platform
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

_TOOLS = ("numpy", "polars", "pandas", "pyarrow", "duckdb", "distributed")


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.machine()
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return f"{names[0]} ({platform.machine()})" if names else platform.machine()


def _memory_gb() -> float:
    return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30


def described() -> dict[str, str | int | float]:
    """Processor, cores, memory, system, versions."""
    found: dict[str, str | int | float] = {
        "processor": _processor(),
        "cores": len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1,
        "memory_gb": round(_memory_gb(), 1),
        "system": f"{platform.system()} {platform.release().split('-')[0]}",
        "python": platform.python_version(),
    }
    for name in _TOOLS:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def load() -> float:
    """Processes that wanted a core over the last minute: a busy machine measures badly."""
    return round(os.getloadavg()[0], 1)
