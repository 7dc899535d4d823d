"""Journal records → sealed segments → run file. Recording and recovery both go through here; there is no second way.

Memory holds at most one segment: ten minutes of run time or `MAX_ROWS` samples, whichever comes first.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from logger.blocks import Block, Item
from logger.channels import BY_WIRE_ID, CHANNELS, TIME_COLUMN
from logger.clock import ClockFit, RunClock
from logger.decoder import BoardDecoder
from logger.frames import INT64_NULL, Describe, Event, EventCode, Extremes, Fault
from logger.journal import Damage, Record
from logger.metadata import Gap, Metadata
from logger.runfile import write_run, write_segment

SEGMENT_US = 600_000_000
MAX_ROWS = 1_000_000
MAX_EVENTS = 10_000
GAP_FACTOR = 10
"""An interval longer than this many sample intervals is a gap."""

Observer = Callable[[npt.NDArray[np.int64], dict[str, npt.NDArray[np.int64]]], None]
"""Called with run time in µs and columns in storage units (`INT64_NULL` where not measured) as samples arrive."""


def program_version() -> str:
    """Version of the installed program."""
    try:
        return version("amptally")
    except PackageNotFoundError:
        return "unknown"


class RunBuilder:
    """Decodes what a journal holds, in order, and writes the run file at the end."""

    def __init__(
        self, folder: Path, run_id: str, *, limit_us: int | None = None, observers: tuple[Observer, ...] = ()
    ) -> None:
        self._folder = folder
        self._limit_us = limit_us
        self._run_id = run_id
        self._observers = observers
        self._decoder = BoardDecoder()
        self._clock = RunClock()
        self._blocks: list[tuple[npt.NDArray[np.int64], Block]] = []
        self._rows = 0
        self._segment_start_us = 0
        self._previous_us: int | None = None
        self._why_gap = "source"
        self._extremes: dict[int, dict[str, Any]] = {}
        self._boot = 0
        self.segments: list[Path] = []
        self.faults: Counter[str] = Counter()
        self.gaps: list[Gap] = []
        self.events: list[dict[str, int]] = []
        self.board: Describe | None = None
        self.samples = 0
        self.bytes = 0
        self.latest: dict[str, int] = {}

    @property
    def understood(self) -> bool:
        """Some frame or text line made sense."""
        return self._decoder.understood

    @property
    def from_newer_board(self) -> bool:
        """Good frames arrive, but of a later version of the wire format."""
        return self._decoder.newer_board

    @property
    def run_s(self) -> float:
        """Run time of the newest sample."""
        return max(self._clock.last_run_us, 0) / 1e6

    @property
    def clock(self) -> ClockFit:
        """The board clock against the host's, as far as known."""
        return self._clock.fit()

    def accept(self, record: Record | Damage) -> None:
        """Take the next record of the journal."""
        if isinstance(record, Damage):
            self.faults["journal"] += record.length
        elif record.kind == "bytes":
            self.bytes += len(record.payload)
            for item in self._decoder.feed(record.payload):
                self._take(item, record.host_us)
        elif _note(record).get("what") == "unplugged":
            self._why_gap = "unplugged"

    def _take(self, item: Item, host_us: int) -> None:
        match item:
            case Block():
                self._block(item, host_us)
            case Fault():
                self.faults[item.kind] += item.length if item.kind in ("sequence", "range") else 1
                if item.kind == "sequence" and self._why_gap == "source":
                    self._why_gap = "link"
            case Describe():
                self.board = item
            case Extremes():
                self._extremes[self._boot] = _extremes_json(item, self._boot)
            case Event():
                self._event(item)

    def _event(self, event: Event) -> None:
        if len(self.events) < MAX_EVENTS:
            self.events.append({"board_us": event.time_us, "code": event.code, "value": event.value})
        if event.code == EventCode.MISSED_SAMPLES:
            self.faults["missed"] += event.value

    def _block(self, block: Block, host_us: int) -> None:
        run_us, bridged = self._clock.place(block.boot, block.time_us, host_us)
        self._boot = block.boot
        if bridged is not None:
            self.faults["reset"] += 1
            self._why_gap = "reset"
        previous = self._previous_us
        later = np.ones(len(run_us), bool) if previous is None else run_us > previous
        if not later.all():
            self.faults["order"] += int((~later).sum())
        if self._limit_us is not None:
            later &= run_us <= self._limit_us
        if not later.all():
            run_us = run_us[later]
            block = replace(block, time_us=block.time_us[later], values=block.values[later])
        if not len(run_us):
            return
        self._note_gaps(run_us, block, bridged)
        self._previous_us = int(run_us[-1])
        self._why_gap = "source"
        if not self._rows:
            self._segment_start_us = int(run_us[0])
        self._blocks.append((run_us, block))
        self._rows += len(run_us)
        self.samples += len(run_us)
        self._publish(run_us, block)
        if self._rows >= MAX_ROWS or run_us[-1] - self._segment_start_us >= SEGMENT_US:
            self.seal()

    def _note_gaps(self, run_us: npt.NDArray[np.int64], block: Block, bridged: bool | None) -> None:
        """Record why samples are missing; whether an interval counts as a gap is decided by analysis from the times."""
        edges = run_us if self._previous_us is None else np.concatenate(([self._previous_us], run_us))
        steps = np.diff(edges)
        if not len(steps):
            return
        interval = block.layout.interval_us or int(np.median(steps))
        for place in np.flatnonzero(steps > GAP_FACTOR * max(interval, 1)):
            if len(self.gaps) < MAX_EVENTS:
                end_s = None if bridged is False and place == 0 else float(edges[place + 1] / 1e6)
                self.gaps.append(Gap(float(edges[place] / 1e6), end_s, self._why_gap))
        if bridged is False and steps[0] <= GAP_FACTOR * max(interval, 1):
            self.gaps.append(Gap(float(edges[0] / 1e6), None, "reset"))

    def _publish(self, run_us: npt.NDArray[np.int64], block: Block) -> None:
        columns = {name: block.values[:, place] for place, name in enumerate(block.layout.columns)}
        self.latest.update({name: int(values[-1]) for name, values in columns.items()})
        for observer in self._observers:
            observer(run_us, columns)

    def seal(self) -> None:
        """Write what is in memory as a segment."""
        if not self._rows:
            return
        path = self._folder / f".{self._run_id}.seg-{len(self.segments) + 1:04d}.parquet"
        write_segment(path, _frame(self._blocks))
        self.segments.append(path)
        self._blocks, self._rows = [], 0

    def finish(self, path: Path, header: Metadata, stop_reason: str) -> Metadata | None:
        """Write the run file; None and no file where no sample arrived.

        `header` carries what the operator said at the start. Raises StorageError; the segments stay then.
        """
        for item in self._decoder.finish():
            self._take(item, 0)
        if not self.samples:
            return None
        self.seal()
        fit = self.clock
        metadata = replace(
            header,
            program=program_version(),
            board=None if self.board is None else _board_json(self.board),
            clock={
                "rate": fit.rate,
                "rate_u": fit.rate_u,
                "residual_us": fit.residual_us,
                "drift_ppm": fit.drift_ppm,
            },
            faults=dict(sorted(self.faults.items())),
            gaps=tuple(self.gaps),
            board_events=tuple(self.events),
            extremes=tuple(self._extremes.values()),
            stop_reason=stop_reason,
        )
        write_run(path, self.segments, metadata)
        self.discard_segments()
        return metadata

    def discard_segments(self) -> None:
        """Remove the sealed segments; their samples are in the run file or can be decoded from the journal again."""
        for segment in self.segments:
            segment.unlink(missing_ok=True)
        self.segments = []


def _note(record: Record) -> dict[str, Any]:
    try:
        note = json.loads(record.payload)
    except ValueError:
        return {}
    return note if isinstance(note, dict) else {}


def _frame(blocks: list[tuple[npt.NDArray[np.int64], Block]]) -> pl.DataFrame:
    """One table from blocks of possibly different layouts, channel columns in table order."""
    present = {name for _, block in blocks for name in block.layout.columns}
    columns: dict[str, pl.Series] = {
        TIME_COLUMN: pl.Series(TIME_COLUMN, np.concatenate([run_us for run_us, _ in blocks]), pl.Int64)
    }
    for channel in CHANNELS:
        if channel.name not in present:
            continue
        parts = []
        for run_us, block in blocks:
            names = block.layout.columns
            if channel.name in names:
                parts.append(block.values[:, names.index(channel.name)])
            else:
                parts.append(np.full(len(run_us), INT64_NULL, np.int64))
        values = pl.Series(channel.name, np.concatenate(parts), pl.Int64)
        columns[channel.name] = values.replace(INT64_NULL, None).cast(pl.Int32)
    return pl.DataFrame(columns)


def _board_json(board: Describe) -> dict[str, Any]:
    """The describe frame with channel names in place of wire ids."""
    channels = []
    for wire in board.channels:
        entry = asdict(wire)
        known = BY_WIRE_ID.get(entry.pop("wire_id"))
        channels.append({"channel": known.name if known else None, **entry})
    described = asdict(board)
    described["channels"] = channels
    return described


def _extremes_json(extremes: Extremes, boot: int) -> dict[str, Any]:
    named = {
        BY_WIRE_ID[e.wire_id].name: {"least": e.least, "greatest": e.greatest, "rms": e.rms}
        for e in extremes.channels
        if e.wire_id in BY_WIRE_ID
    }
    return {"boot": boot, "board_us": extremes.time_us, "duration_ms": extremes.duration_ms, "channels": named}
