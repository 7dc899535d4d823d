"""What a folder of runs holds, without reading samples."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from amptally.analysis.errors import RunContentError
from amptally.analysis.runs.corrections import usable_drift_ppm
from amptally.logger.channels import TIME_COLUMN
from amptally.logger.errors import LoggerError
from amptally.logger.machine.description import parse
from amptally.logger.storage.edits import edits_path, merged, read_edits
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import open_run, run_files
from amptally.logger.storage.trial import try_table

OPENING_ERRORS: tuple[type[Exception], ...] = (LoggerError, RunContentError, OSError)
"""What opening a run may raise; each message is one plain line."""


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What a list of runs needs from one run file, without reading samples."""

    run_id: str
    machine: str | None
    """Name in the machine file."""
    started_utc: str | None
    duration_s: float
    samples: int
    channels: int
    notes: tuple[str, ...]
    tags: tuple[str, ...]


def summarise(path: Path) -> RunSummary:
    """Read what describes a run. Raises one of OPENING_ERRORS."""
    file = open_run(path)
    if file.rows == 0:
        raise RunContentError(f"{path} holds no samples: nothing was recorded. Record the drive again.")
    metadata = merged(file.metadata, read_edits(path))
    machine = parse(metadata.machine, "run metadata") if metadata.machine is not None else None
    ends = [int(file.read([], row, 1)[TIME_COLUMN][0]) for row in (0, file.rows - 1)]
    drift = usable_drift_ppm(metadata.clock)
    duration_s = (ends[1] - ends[0]) * 1e-6 / (1.0 + (drift or 0.0) * 1e-6)
    return RunSummary(
        metadata.run_id,
        machine.name if machine else None,
        metadata.start_utc,
        duration_s,
        file.rows,
        len(file.columns),
        metadata.notes,
        metadata.tags,
    )


def run_stamp(path: Path) -> tuple[int, ...]:
    """Changes whenever a run file or its edits change. Raises OSError."""
    found = path.stat()
    edits = edits_path(path)
    added = edits.stat().st_mtime_ns if edits.exists() else 0
    return found.st_mtime_ns, found.st_size, added


def run_paths(folder: Path) -> list[Path]:
    """The run files of a folder by name; none where there is no such folder."""
    return list(run_files(folder))


def read_table(path: Path) -> pl.DataFrame:
    """A Parquet table of any kind, read first in a process that may die of it. Raises one of OPENING_ERRORS."""
    try_table(path)
    try:
        return pl.read_parquet(path, glob=False)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise RunContentError(f"{path} cannot be read: {type(error).__name__}. Name another file.") from error


def sibling_runs(path: Path) -> list[tuple[Path, Metadata, str | None]]:
    """The other runs of a folder, oldest first, with the id of their battery; unreadable and empty ones left out."""
    found = []
    for other in run_files(path.parent):
        if os.path.realpath(other) == os.path.realpath(path):
            continue
        try:
            file = open_run(other)
            metadata = file.metadata
            machine = parse(metadata.machine, "run metadata") if metadata.machine else None
        except LoggerError:
            continue
        if file.rows:
            found.append((other, metadata, machine.battery.id if machine and machine.battery else None))
    return sorted(found, key=lambda item: item[1].start_utc or "")
