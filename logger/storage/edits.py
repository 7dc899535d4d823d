"""Notes, tags and lap marks added after a run: `<run>.edits.json` beside the run file, which itself never changes."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from amptally.logger.errors import RunFileError, StorageError
from amptally.logger.ordinary_files import read_file
from amptally.logger.storage.durable import write_text_atomically
from amptally.logger.storage.metadata import Metadata

SCHEMA = 1
_MAX_BYTES = 1 << 22


@dataclass(frozen=True, slots=True)
class Edits:
    """Notes, tags and lap marks added to a run."""

    notes: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    lap_marks_s: tuple[float, ...] | None = None
    """Run times of lap boundaries; None leaves the recorded marks as they are."""
    schema: int = SCHEMA


def edits_path(run: Path) -> Path:
    """Path of the edits of a run file."""
    return run.with_name(run.name.removesuffix(".parquet") + ".edits.json")


def read_edits(run: Path) -> Edits:
    """The edits beside a run; none where there is no file. Raises RunFileError for one that cannot be used."""
    path = edits_path(run)
    try:
        raw = json.loads(read_file(path, _MAX_BYTES))
        if not isinstance(raw, dict) or not isinstance(raw.get("schema"), int) or raw["schema"] > SCHEMA:
            raise ValueError("unknown schema")
        texts = {name: tuple(raw.get(name, ())) for name in ("notes", "tags")}
        if not all(isinstance(item, str) for items in texts.values() for item in items):
            raise ValueError("text expected")
        marks = raw.get("lap_marks_s")
        if marks is not None:
            marks = tuple(sorted(float(mark) for mark in marks))
            if not all(math.isfinite(mark) for mark in marks):
                raise ValueError("finite times expected")
    except FileNotFoundError:
        return Edits()
    except (OSError, ValueError, TypeError, RecursionError) as error:
        why = getattr(error, "strerror", None) or error
        raise RunFileError(
            f"{path} cannot be used ({why}). Repair it, or move it away to read the run without it."
        ) from error
    return Edits(texts["notes"], texts["tags"], marks)


def write_edits(run: Path, edits: Edits) -> None:
    """Replace the edits of a run atomically. Raises StorageError."""
    path = edits_path(run)
    try:
        write_text_atomically(path, json.dumps(asdict(edits), ensure_ascii=False, allow_nan=False, indent=1))
    except OSError as error:
        raise StorageError(f"Cannot write {path}: {error.strerror}.") from error


def merged(metadata: Metadata, edits: Edits) -> Metadata:
    """The recorded metadata together with the edits."""
    return replace(metadata, notes=(*metadata.notes, *edits.notes), tags=(*metadata.tags, *edits.tags))
