"""Record drives of small battery-electric two-wheel machines, and show how close they came to the limits.

In a notebook: `import amptally as at`; docs/library.md is a worked example.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

# In a checkout the other folders are beside this one, and an interpreter started there imports this folder first.
if not os.path.isdir(os.path.join(os.path.dirname(__file__), "analysis")):
    __path__.append(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

__all__ = [
    "AnalysisError",
    "CurrentExposure",
    "Estimate",
    "LoggerError",
    "Reason",
    "Report",
    "Run",
    "WorstWindow",
    "battery",
    "current",
    "energy",
    "explain",
    "exposure",
    "findings",
    "fuse_margin",
    "laps",
    "list_runs",
    "open_run",
    "remaining",
    "report",
]

if TYPE_CHECKING:
    from amptally.library import (
        AnalysisError,
        CurrentExposure,
        Estimate,
        LoggerError,
        Reason,
        Report,
        Run,
        WorstWindow,
        battery,
        current,
        energy,
        explain,
        exposure,
        findings,
        fuse_margin,
        laps,
        list_runs,
        open_run,
        remaining,
        report,
    )
else:  # imported on first use, so that the command starts without numpy

    def __getattr__(name: str) -> object:
        if name not in __all__:
            raise AttributeError(f"module 'amptally' has no attribute '{name}'")
        from importlib import import_module

        found = globals()[name] = getattr(import_module("amptally.library"), name)
        return found

    def __dir__() -> list[str]:
        return sorted({*globals(), *__all__})


def main() -> int:
    """Run the command in sys.argv; the exit code is returned."""
    from amptally.commands import main as run

    return run()
