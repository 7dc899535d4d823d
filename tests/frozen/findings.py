"""What is found in a frozen run and machine file: enough numbers that a reader which changed its mind shows."""

from __future__ import annotations

import hashlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

from amptally.logger.machine.description import load
from amptally.logger.storage.runfile import open_run

LEFT_OUT = ("program", "stop_reason")
"""Not the run's own: which version recovered it, and that it was recovered."""


def findings(run_path: Path, machine_path: Path) -> dict[str, Any]:
    """Columns with their sums and digests, metadata, and what the machine file says."""
    run = open_run(run_path)
    table = run.read(run.columns)
    columns = {}
    for name in ("t_us", *run.columns):
        values = table[name].to_list()
        text = ",".join("" if value is None else str(value) for value in values)
        known = [value for value in values if value is not None]
        columns[name] = {
            "type": str(table[name].dtype),
            "values": len(known),
            "sum": sum(known),
            "least": min(known),
            "greatest": max(known),
            "sha256": hashlib.sha256(text.encode()).hexdigest(),
        }
    metadata = {key: value for key, value in asdict(run.metadata).items() if key not in LEFT_OUT}
    machine = load(machine_path)
    return {
        "rows": run.rows,
        "columns": columns,
        "metadata": {key: plain(value) for key, value in metadata.items()},
        "machine": {
            key: plain(value) for key, value in asdict(machine).items() if key != "text" and value not in (None, {})
        },
    }


def plain(value: Any) -> Any:
    """The same value as JSON gives it back."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value
