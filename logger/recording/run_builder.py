"""Journal records → sealed segments → run file, for both recording and recovery.

Memory and metadata stay bounded, whatever the board sends.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import asdict, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from amptally.logger.channels import BY_WIRE_ID
from amptally.logger.clock import ClockFit, RunClock
from amptally.logger.recording.alarms import Alarm, Observer, Observers, alarm_of
from amptally.logger.recording.journal_decoder import Arrival, Entry, JournalDecoder
from amptally.logger.recording.operator_marks import OperatorMarks
from amptally.logger.storage.extremes import BoardExtremes
from amptally.logger.storage.journal import Damage, Record
from amptally.logger.storage.json_text import HostileJsonError, read_json
from amptally.logger.storage.metadata import Gap, Metadata
from amptally.logger.storage.segments import Segments
from amptally.logger.wire.blocks import LONGEST_US, Block, Booted
from amptally.logger.wire.frames import Describe, Event, EventCode, Extremes, Fault

MAX_EVENTS = 10_000
MAX_NOTES = 1_000
GAP_FACTOR = 10
"""An interval longer than this many sample intervals is a gap."""


def program_version() -> str:
    """Version of the installed program."""
    try:
        return version("amptally")
    except PackageNotFoundError:
        return "unknown"


class RunBuilder:
    """Decodes the records of a journal in order, and writes the run file at the end."""

    def __init__(
        self,
        folder: Path,
        run_id: str,
        *,
        limit_us: int | None = None,
        observers: tuple[Observer, ...] = (),
        decoder: JournalDecoder | None = None,
    ) -> None:
        self._limit_us = limit_us
        self._observers = Observers(observers)
        self._decoder = decoder or JournalDecoder()
        self._clock = RunClock()
        self._segments = Segments(folder, run_id)
        self._previous_us: int | None = None
        self._steps: deque[int] = deque(maxlen=GAP_FACTOR)
        """The latest sample intervals, for a board that announces none."""
        self._why_gap = "source"
        self._extremes = BoardExtremes()
        self.faults: Counter[str] = Counter()
        self.gaps: list[Gap] = []
        self.events: list[dict[str, int]] = []
        self.board: Describe | None = None
        self.samples = 0
        self.latest: dict[str, int] = {}
        self._marks = OperatorMarks()
        self.notes: list[str] = []
        """The operator's notes while recording."""
        self.alarms: dict[int, Alarm] = {}
        """Alarms by number, each in its latest state."""

    @property
    def bytes(self) -> int:
        """Bytes from the board so far."""
        return self._decoder.received

    @property
    def understood(self) -> bool:
        """A valid frame or text header has arrived."""
        return self._decoder.understood

    @property
    def from_newer_board(self) -> bool:
        """Valid frames of a newer version of the wire format have arrived."""
        return self._decoder.newer_board

    @property
    def run_s(self) -> float:
        """Run time of the newest sample [s]."""
        return max(self._clock.last_run_us, 0) / 1e6

    def run_us_at(self, host_us: int) -> int:
        """Run time at a moment of the host's clock, from the newest sample on [µs]."""
        return self._clock.run_us_at(host_us)

    @property
    def marks(self) -> int:
        """How often the operator pressed the key for a lap."""
        return self._marks.count

    @property
    def clock(self) -> ClockFit:
        """The fit of the board clock to the host's, so far."""
        return self._clock.fit()

    def accept(self, records: Iterable[Record | Damage]) -> None:
        """Take the next records of the journal. Raises StorageError where a segment cannot be written."""
        for entry in self._decoder.decode(records):
            self._take(entry)

    def _take_note(self, note: dict[str, Any]) -> None:
        if note.get("what") == "unplugged":
            self._why_gap = "unplugged"
        elif note.get("what") == "mark":
            self._marks.press(note.get("run_us"))
        elif note.get("what") == "note" and isinstance(note.get("text"), str) and len(self.notes) < MAX_NOTES:
            self.notes.append(note["text"])
        elif note.get("what") == "alarm":
            alarm = alarm_of(note)
            if alarm is not None:
                self.alarms[alarm["number"]] = alarm

    def observe(self) -> list[Alarm]:
        """Pass new samples to the observers; return changed alarms, which take effect once they come back as notes."""
        return self._observers.alarms()

    @property
    def trouble(self) -> list[str]:
        """Errors of the observers that failed and were dropped."""
        return self._observers.trouble

    def _take(self, entry: Entry) -> None:
        match entry:
            case Arrival():
                self._arrival(entry)
            case Fault():
                self.faults[entry.kind] += entry.amount
                if entry.kind == "sequence" and self._why_gap == "source":
                    self._why_gap = "link"
            case Describe():
                self.board = entry
            case Booted():
                self._extremes.start_boot(entry.boot)
            case Extremes():
                self._extremes.take(entry)
            case Event():
                self._event(entry)
            case Record():
                self._take_note(_note(entry))
            case Damage():
                self.faults["journal"] += entry.length

    def _event(self, event: Event) -> None:
        if len(self.events) < MAX_EVENTS:
            self.events.append({"board_us": event.time_us, "code": event.code, "value": event.value})
        if event.code == EventCode.MISSED_SAMPLES:
            self.faults["missed"] += event.value

    def _block(self, block: Block, host_us: int) -> None:
        run_us, bridged = self._clock.place(block.boot, block.time_us, host_us)
        self._extremes.note_samples(block.boot, int(block.time_us[0]), int(block.time_us[-1]))
        if bridged is not None:
            self.faults["reset"] += 1
            self._why_gap = "reset"
        if not len(run_us):
            self.faults["range"] += len(block.time_us)
            return
        previous = self._previous_us
        later = np.ones(len(run_us), bool) if previous is None else run_us > previous
        if not later.all():
            self.faults["order"] += int((~later).sum())
        if self._limit_us is not None:
            later &= run_us <= self._limit_us
        if not later.all():
            run_us = run_us[later]
            block = replace(block, time_us=block.time_us[later], values=block.values[later])
        if len(run_us):
            self._keep(run_us, block, bridged)

    def _arrival(self, arrival: Arrival) -> None:
        """Take a block that arrived in several records: same result as taking each part with its own arrival time."""
        if not self._take_together(arrival):
            for part in arrival.parts():
                if isinstance(part, tuple):
                    self._block(*part)
                else:
                    self._take(part)

    def _take_together(self, arrival: Arrival) -> bool:
        """Take all parts at once; False, and no change, where one of them is a special case."""
        if self._why_gap != "source":
            return False
        stretch, host_us = arrival.stretch, arrival.host_us
        block = stretch.block
        until_us = LONGEST_US if self._limit_us is None else self._limit_us
        run_us = self._clock.place_parts(block.boot, block.time_us, stretch.ends, host_us, until_us)
        if run_us is None:
            return False
        first_us, last_us = int(block.time_us[0]), block.time_us[stretch.ends - 1].tolist()
        for parts, message in stretch.messages:
            self._extremes.note_samples(block.boot, first_us, last_us[parts - 1])
            self._take(message)
        self._extremes.note_samples(block.boot, first_us, last_us[-1])
        self._keep(run_us, block, None)
        return True

    def _keep(self, run_us: npt.NDArray[np.int64], block: Block, bridged: bool | None) -> None:
        block = self._marks.added(run_us, block)
        self._note_gaps(run_us, block, bridged)
        self._previous_us = int(run_us[-1])
        self._why_gap = "source"
        self.samples += len(run_us)
        self._publish(run_us, block)
        self._segments.add(run_us, block)

    def _note_gaps(self, run_us: npt.NDArray[np.int64], block: Block, bridged: bool | None) -> None:
        """Record why samples are missing. The analysis decides from the times alone which intervals are gaps."""
        edges = run_us if self._previous_us is None else np.concatenate(([self._previous_us], run_us))
        steps = edges[1:] - edges[:-1]
        if not len(steps):
            return
        interval = block.layout.interval_us or int(np.median(self._steps or steps))
        self._steps.extend(steps[-GAP_FACTOR:].tolist())
        for place in np.flatnonzero(steps > GAP_FACTOR * max(interval, 1)):
            if len(self.gaps) < MAX_EVENTS:
                end_s = None if bridged is False and place == 0 else float(edges[place + 1] / 1e6)
                self.gaps.append(Gap(float(edges[place] / 1e6), end_s, self._why_gap))
        if bridged is False and steps[0] <= GAP_FACTOR * max(interval, 1) and len(self.gaps) < MAX_EVENTS:
            self.gaps.append(Gap(float(edges[0] / 1e6), None, "reset"))

    def _publish(self, run_us: npt.NDArray[np.int64], block: Block) -> None:
        columns = {name: block.values[:, place] for place, name in enumerate(block.layout.columns)}
        self.latest.update({name: int(values[-1]) for name, values in columns.items()})
        self._observers.add(run_us, columns)

    def finish(self, path: Path, header: Metadata, stop_reason: str) -> Metadata | None:
        """Write the run file and return its metadata; None, and no file, if no sample arrived.

        `header` holds the operator's entries. Raises StorageError or SegmentError; the segments are then not removed.
        """
        for entry in self._decoder.finish():
            self._take(entry)
        if not self.samples:
            return None
        self.alarms.update((alarm["number"], alarm) for alarm in self.observe())
        if self.trouble:
            self.faults["observer"] = len(self.trouble)
        fit, jitter_us = self.clock, self._decoder.arrival_jitter_us
        metadata = replace(
            header,
            program=program_version(),
            notes=(*header.notes, *self.notes),
            board=None if self.board is None else _board_json(self.board),
            clock={
                "rate": fit.rate,
                "rate_u": fit.rate_u,
                "residual_us": fit.residual_us,
                "drift_ppm": fit.drift_ppm,
                **({} if jitter_us is None else {"arrival_jitter_us": jitter_us}),
            },
            faults=dict(sorted(self.faults.items())),
            gaps=tuple(self.gaps),
            board_events=tuple(self.events),
            alarms=tuple(_without_number(alarm) for _, alarm in sorted(self.alarms.items())),
            extremes=self._extremes.as_json(),
            stop_reason=stop_reason,
        )
        self._segments.write(path, metadata)
        self.discard_segments()
        return metadata

    def discard_segments(self) -> None:
        """Remove the sealed segments. Their samples are in the run file, or can be decoded from the journal again."""
        self._segments.discard()


def _without_number(alarm: Alarm) -> Alarm:
    return {key: value for key, value in alarm.items() if key != "number"}


def _note(record: Record) -> dict[str, Any]:
    try:
        note = read_json(record.payload)
    except HostileJsonError:
        return {}
    return note if isinstance(note, dict) else {}


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
