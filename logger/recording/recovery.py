"""Journal of an interrupted recording → run file, through the same builder as a recording."""

from __future__ import annotations

import math
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from amptally.logger.clock import ClockFit
from amptally.logger.errors import JournalError, PortError, RunFileError, StorageError
from amptally.logger.recording.journal_decoder import JournalDecoder
from amptally.logger.recording.lock import PortLock, holders
from amptally.logger.recording.run_builder import RunBuilder
from amptally.logger.storage.durable import part_path
from amptally.logger.storage.journal import JournalReader
from amptally.logger.storage.metadata import RUN_ID, Metadata, fitting
from amptally.logger.storage.runfile import open_run
from amptally.logger.storage.segments import segment_paths
from amptally.logger.wire.text_header import said_in


def run_header(header: dict[str, Any], clock: ClockFit) -> Metadata:
    """Metadata from the journal's header. Missing or invalid entries are left out."""
    wanted = {name: header.get(name) for name in ("machine", "start_charge", "rested_h", "notes")}
    values = {name: value for name, value in wanted.items() if value is not None and fitting(name, value)}
    if "notes" in values:
        values["notes"] = tuple(values["notes"])
    return Metadata(run_id=str(header.get("run_id")), start_utc=_start_utc(header, clock), **values)


def _start_utc(header: dict[str, Any], clock: ClockFit) -> str | None:
    """UTC of run time zero; None where neither header nor clocks give it."""
    try:
        anchor = datetime.fromisoformat(header["utc"])
        started = anchor + timedelta(microseconds=_whole(clock.first_host_us) - _whole(header["host_us"]))
        return started.astimezone(UTC).isoformat(timespec="milliseconds")
    except (KeyError, ValueError, TypeError, OverflowError):
        return None


def _whole(value: object) -> int:
    if not isinstance(value, int):
        raise TypeError(f"{value!r} is not a whole number")
    return value


def _limit_us(header: dict[str, Any]) -> int | None:
    for_s = header.get("for_s")
    usable = isinstance(for_s, int | float) and math.isfinite(for_s) and 0 < for_s < 1e9
    return round(for_s * 1e6) if usable and for_s is not None else None


def decoder_for(header: dict[str, Any]) -> JournalDecoder:
    """The decoder of a journal, by its header: the one way for recording, recovery and whoever follows it."""
    return JournalDecoder(said=said_in(header))


def rebuild(reader: JournalReader, path: Path, header: dict[str, Any], stop_reason: str) -> Metadata | None:
    """Decode a journal into the run file `path`; None where it holds no sample. Raises StorageError."""
    builder = RunBuilder(path.parent, str(header["run_id"]), limit_us=_limit_us(header), decoder=decoder_for(header))
    try:
        builder.accept(reader)
        return builder.finish(path, run_header(header, builder.clock), stop_reason)
    finally:
        builder.discard_segments()


def recover(journal: Path, out: Path | None) -> tuple[Path, Metadata]:
    """Write the run file of an interrupted recording. The journal is not removed.

    Raises JournalError where there is nothing to recover, StorageError where the run file cannot be written.
    """
    reader = JournalReader(journal)
    for holder in holders():
        if os.path.realpath(holder.journal) == os.path.realpath(journal):
            raise JournalError(f"{journal} is still being recorded by process {holder.pid}. Stop that recording first.")
    try:
        # Two simultaneous recoveries would write the same temporary file.
        lock = PortLock(f"recover://{os.path.realpath(journal)}", journal)
    except PortError as error:
        raise JournalError(f"{journal} is already being recovered, or cannot be locked: {error}") from error
    try:
        return _recover(reader, journal, out)
    finally:
        lock.release()


def _recover(reader: JournalReader, journal: Path, out: Path | None) -> tuple[Path, Metadata]:
    # If the header is damaged, the file name is the run id.
    run_id = journal.stem if reader.header_damaged else str(reader.header.get("run_id"))
    if not RUN_ID.fullmatch(run_id):
        raise JournalError(
            f"The name of {journal} is not a usable run id. Rename the file, for example to run-1.journal."
        )
    path = out or journal.with_suffix(".parquet")
    if out is None and path.exists():
        found = _already(path, run_id)
        if found is not None:
            return path, found
    if path.exists():
        raise StorageError(f"{path} already exists and is not overwritten. Name another file with --out.")
    metadata = rebuild(reader, path, {**reader.header, "run_id": run_id}, "recovered")
    if metadata is None:
        raise JournalError(f"{journal}: the bytes from the board contain no sample. The journal is not removed.")
    for folder in (path.parent, journal.parent):
        for stale in (*segment_paths(folder, run_id), part_path(folder / f"{run_id}.parquet")):
            stale.unlink(missing_ok=True)
    return path, metadata


def _already(path: Path, run_id: str) -> Metadata | None:
    """Metadata of `path` if it is this same run, written earlier and whole."""
    try:
        run = open_run(path)
    except RunFileError:
        return None
    if run.metadata.run_id != run_id or (run.proof is not None and any(True for _ in run.proof.damaged())):
        return None
    return run.metadata
