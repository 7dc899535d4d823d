"""Notes, tags and lap marks added after a run: `<run>.edits.json` beside the run file, which itself never changes."""

from __future__ import annotations

import json
import math
import re
import zlib
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from amptally.logger.errors import RunFileError, StorageError
from amptally.logger.ordinary_files import read_file
from amptally.logger.storage.durable import write_text_atomically
from amptally.logger.storage.json_text import read_json
from amptally.logger.storage.metadata import MAX_TEXTS, Metadata, fitting

SCHEMA = 1
MAX_MARKS = 100_000
_MAX_BYTES = 1 << 22
_ZEROS = "0" * 8
_PLACE = re.compile(rb'\A\{\s*"checksum": "crc32:([0-9a-f]{8})"')
_SIGNS = (b'"checksum"', b"crc32:")
_SIGN_BYTES = 40
"""A trace of a checksum can be in the first bytes only."""


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
        data = read_file(path, _MAX_BYTES)
        _check(data)
        raw = read_json(data)
        if not isinstance(raw, dict) or not isinstance(raw.get("schema"), int) or raw["schema"] > SCHEMA:
            raise ValueError("unknown schema")
        texts = {name: raw.get(name, []) for name in ("notes", "tags")}
        if not all(fitting(name, items) for name, items in texts.items()):
            raise ValueError(f"notes and tags are lists of at most {MAX_TEXTS:,} texts")
        marks = raw.get("lap_marks_s")
        if marks is not None:
            if not isinstance(marks, list) or len(marks) > MAX_MARKS:
                raise ValueError(f"lap_marks_s is a list of at most {MAX_MARKS:,} times")
            marks = tuple(sorted(float(mark) for mark in marks))
            if not all(math.isfinite(mark) for mark in marks):
                raise ValueError("finite times expected")
    except FileNotFoundError:
        return Edits()
    except (OSError, ValueError, TypeError) as error:
        why = getattr(error, "strerror", None) or error
        raise RunFileError(
            f"{path} cannot be used ({why}). Repair it, or move it away to read the run without it."
        ) from error
    return Edits(tuple(texts["notes"]), tuple(texts["tags"]), marks)


def _check(data: bytes) -> None:
    """Raise ValueError where the text is not the one that its checksum was made of; one without a checksum passes."""
    place = _PLACE.search(data)
    if place is None:
        if any(sign in data[:_SIGN_BYTES] for sign in _SIGNS):
            raise ValueError("its checksum is damaged; take that line out if you changed the file yourself")
        return
    zeros = data[: place.start(1)] + _ZEROS.encode() + data[place.end(1) :]
    if zlib.crc32(zeros) != int(place[1], 16):
        raise ValueError("it does not fit its checksum; take that line out if you changed the file yourself")


def write_edits(run: Path, edits: Edits) -> None:
    """Replace the edits of a run atomically. Raises StorageError."""
    path = edits_path(run)
    if len(edits.notes) > MAX_TEXTS or len(edits.tags) > MAX_TEXTS or len(edits.lap_marks_s or ()) > MAX_MARKS:
        raise StorageError(f"{path} would hold more than {MAX_TEXTS:,} notes or tags, or {MAX_MARKS:,} lap marks.")
    text = json.dumps({"checksum": f"crc32:{_ZEROS}", **asdict(edits)}, allow_nan=False, indent=1)
    head, tail = text.split(_ZEROS, 1)
    try:
        write_text_atomically(path, f"{head}{zlib.crc32(text.encode()):08x}{tail}")
    except OSError as error:
        raise StorageError(f"Cannot write {path}: {error.strerror}.") from error


def merged(metadata: Metadata, edits: Edits) -> Metadata:
    """The recorded metadata together with the edits."""
    return replace(metadata, notes=(*metadata.notes, *edits.notes), tags=(*metadata.tags, *edits.tags))
