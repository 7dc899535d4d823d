"""Metadata of a run file, as JSON under the Parquet key `amptally`. docs/run-file.md describes each key."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from amptally.logger.errors import NewerSchemaError, RunFileError
from amptally.logger.storage.json_text import HostileJsonError, read_json

SCHEMA = 1
KEY = "amptally"
MAX_JSON = 1 << 24
MAX_TEXTS = 10_000
"""Most notes, and most tags, of a run."""
_GREATEST = 1 << 62
"""Numbers in the metadata must be smaller than this, so that later sums cannot overflow."""
RUN_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")


@dataclass(frozen=True, slots=True)
class Gap:
    """A period of run time without samples, for a reason that the recorder knows."""

    start_s: float
    end_s: float | None
    """None where neither clock shows how long it lasted."""
    kind: str
    """link, unplugged, reset or source."""


@dataclass(frozen=True, slots=True)
class Metadata:
    """Everything except the samples. Unknown keys of later minor versions are ignored."""

    run_id: str
    schema: int = SCHEMA
    program: str = ""
    start_utc: str | None = None
    """UTC of run time zero, ISO 8601; None where no clock gave it."""
    machine: str | None = None
    """Text of the machine description used."""
    board: dict[str, Any] | None = None
    """The last describe frame: id, firmware, interval, channels with scale, full scale and filter corner."""
    clock: dict[str, float | None] = field(default_factory=dict)
    """rate, rate_u, residual_us, drift_ppm of the board clock against the host's."""
    faults: dict[str, int] = field(default_factory=dict)
    """Counts by kind; `sequence` counts missing frames."""
    gaps: tuple[Gap, ...] = ()
    start_charge: float | None = None
    """Fraction of the full charge at the start, given by the operator."""
    rested_h: float | None = None
    """Hours of rest before the start, given by the operator."""
    board_events: tuple[dict[str, int], ...] = ()
    alarms: tuple[dict[str, Any], ...] = ()
    extremes: tuple[dict[str, Any], ...] = ()
    """Minimum, maximum and RMS currents of each boot, from the board's extremes frames."""
    max_gap_s: float | None = None
    stop_reason: str = ""
    notes: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()

    def to_json(self) -> str:
        """The JSON text for the file."""
        return json.dumps(asdict(self), ensure_ascii=False, allow_nan=False)


def _strings(value: object) -> bool:
    return isinstance(value, list) and len(value) <= MAX_TEXTS and all(isinstance(item, str) for item in value)


def _objects(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(item, dict) for item in value)


def _number_or_none(value: object) -> bool:
    # Written so that NaN, which compares false with everything, does not pass.
    return value is None or (isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _GREATEST)


def _count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) < _GREATEST


_SHAPES = {
    "program": lambda v: isinstance(v, str),
    "start_utc": lambda v: v is None or isinstance(v, str),
    "machine": lambda v: v is None or isinstance(v, str),
    "board": lambda v: v is None or isinstance(v, dict),
    "clock": lambda v: isinstance(v, dict) and all(_number_or_none(item) for item in v.values()),
    "faults": lambda v: isinstance(v, dict) and all(_count(item) for item in v.values()),
    "gaps": _objects,
    "start_charge": _number_or_none,
    "rested_h": _number_or_none,
    "board_events": _objects,
    "alarms": _objects,
    "extremes": _objects,
    "max_gap_s": _number_or_none,
    "stop_reason": lambda v: isinstance(v, str),
    "notes": _strings,
    "tags": _strings,
}


def fitting(name: str, value: object) -> bool:
    """Whether `value` is valid under the key `name`."""
    return _SHAPES[name](value)


def from_json(text: str, where: str) -> Metadata:
    """Read the text of `Metadata.to_json`, trusting none of it. Raises RunFileError, NewerSchemaError with `where`."""
    if len(text) > MAX_JSON:
        raise RunFileError(f"{where} has {len(text)} characters of metadata; at most {MAX_JSON} are read.")
    try:
        raw = read_json(text)
    except HostileJsonError as error:
        raise RunFileError(f"{where} has metadata that cannot be used ({error}). Record or import it again.") from error
    schema = raw.get("schema") if isinstance(raw, dict) else None
    if not isinstance(schema, int) or isinstance(schema, bool):
        raise RunFileError(f"{where} has no schema version in its metadata. Record or import it again.")
    if schema > SCHEMA:
        raise NewerSchemaError(f"{where} has schema {schema}; this program reads up to {SCHEMA}. Update amptally.")
    run_id = raw.get("run_id")
    if not isinstance(run_id, str) or not RUN_ID.fullmatch(run_id):
        raise RunFileError(f"{where} has no usable run id in its metadata.")
    known = {item.name for item in fields(Metadata)}
    values = {name: value for name, value in raw.items() if name in known}
    for name, fits in _SHAPES.items():
        if name in values and not fits(values[name]):
            raise RunFileError(f"{where} has metadata of the wrong type under '{name}'.")
    if "gaps" in values:
        values["gaps"] = tuple(_gap(item, where) for item in values["gaps"])
    for name in ("board_events", "alarms", "extremes", "notes", "tags"):
        if name in values:
            values[name] = tuple(values[name])
    return Metadata(**values)


def _gap(item: dict[str, Any], where: str) -> Gap:
    start, end, kind = item.get("start_s"), item.get("end_s"), item.get("kind")
    if start is None or not _number_or_none(start) or not _number_or_none(end) or not isinstance(kind, str):
        raise RunFileError(f"{where} has metadata of the wrong type under 'gaps'.")
    return Gap(float(start), None if end is None else float(end), kind)
