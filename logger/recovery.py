"""From a journal that a recording left behind to its run file, through the same builder."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from logger.builder import RunBuilder
from logger.errors import JournalError, StorageError
from logger.journal import JournalReader
from logger.lock import holders
from logger.metadata import RUN_ID, Metadata
from logger.runfile import open_run


def run_header(header: dict[str, Any], builder: RunBuilder) -> Metadata:
    """Metadata that the journal's header holds. Raises JournalError where it is not one of ours."""
    try:
        started = None
        first = builder.clock.first_host_us
        if first is not None:
            anchor = datetime.fromisoformat(str(header["utc"]))
            started = anchor + timedelta(microseconds=first - int(header["host_us"]))
        return Metadata(
            run_id=str(header["run_id"]),
            start_utc=None if started is None else started.astimezone(UTC).isoformat(timespec="milliseconds"),
            machine=header.get("machine"),
            start_charge=header.get("start_charge"),
            rested_h=header.get("rested_h"),
            notes=tuple(header.get("notes") or ()),
        )
    except (KeyError, ValueError, TypeError, OverflowError) as error:
        raise JournalError(f"The journal's header lacks or garbles {error}.") from error


def recover(journal: Path, out: Path | None) -> tuple[Path, Metadata]:
    """Write the run file that a recording left unwritten. The journal stays.

    Raises JournalError where there is nothing to recover, StorageError where the run file cannot be written.
    """
    reader = JournalReader(journal)
    for holder in holders():
        if holder.journal == journal.absolute():
            raise JournalError(f"{journal} is still being recorded by process {holder.pid}. Stop that recording first.")
    run_id = str(reader.header.get("run_id"))
    if not RUN_ID.fullmatch(run_id):
        raise JournalError(f"{journal} names no usable run id in its header.")
    path = out or journal.with_suffix(".parquet")
    if out is None and path.exists():
        existing = open_run(path)
        if existing.metadata.run_id == run_id:
            return path, existing.metadata
    if path.exists():
        raise StorageError(f"{path} exists already and is not overwritten. Name another file with --out.")
    for_s = reader.header.get("for_s")
    limit = round(for_s * 1e6) if isinstance(for_s, int | float) else None
    builder = RunBuilder(path.parent, run_id, limit_us=limit)
    try:
        for record in reader:
            builder.accept(record)
        metadata = builder.finish(path, run_header(reader.header, builder), "recovered")
    finally:
        builder.discard_segments()
    if metadata is None:
        raise JournalError(
            f"{journal} holds {builder.bytes} bytes from the board, but no sample could be read from them."
        )
    for stale in path.parent.glob(f".{run_id}.seg-*.parquet"):
        stale.unlink(missing_ok=True)
    return path, metadata
