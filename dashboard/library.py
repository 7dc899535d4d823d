"""The only state of the dashboard: what the folder holds, runs that are open, reports that are computed.

Everything is bounded, and known by run id together with the time and size of its file and edits: a changed file is
read again. Safe to use from several threads; reports are computed one at a time.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar

from amptally.analysis.errors import AnalysisError
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.runs.catalogue import Entry, find_run, list_runs, open_listed
from amptally.analysis.runs.long_envelope import LongEnvelope
from amptally.analysis.runs.run import CACHED_ROWS, Run
from amptally.analysis.signals.decimation import Envelope

MOST_OPEN = 3
MOST_REPORTS = 8
MOST_LINES = 2000
MOST_SAMPLES = 12_000_000
"""Held open at the same time, and again in reports over parts; one run may be larger than that."""
LARGEST_UNASKED = 5_000_000
"""Runs with more samples are computed when somebody opens them, not for the list."""

_log = logging.getLogger(__name__)

Kept = TypeVar("Kept")
Part = tuple[float, float] | None


class Recent(Generic[Kept]):
    """The most recently used of what was made."""

    def __init__(self, most: int, most_weight: int = 0) -> None:
        self._most = most
        self._most_weight = most_weight
        self._kept: OrderedDict[object, tuple[Kept, int]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: object) -> Kept | None:
        """What is kept under a key."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            found = self._kept.get(key)
        return None if found is None else found[0]

    def put(self, key: object, value: Kept, weight: int = 0) -> None:
        """Keep it, and forget those that nobody used for longest while there are too many or they weigh too much."""
        with self._lock:
            self._kept[key] = value, weight
            self._kept.move_to_end(key)
            while len(self._kept) > self._most or (len(self._kept) > 1 and self._weight() > self._most_weight):
                self._kept.popitem(last=False)

    def _weight(self) -> int:
        return sum(weight for _, weight in self._kept.values())


@dataclass
class OpenRun:
    """One whole run with its channels ready to be drawn."""

    run: Run
    _envelopes: dict[str, Envelope | LongEnvelope | None] = field(default_factory=dict)

    def envelope(self, si_name: str) -> Envelope | LongEnvelope | None:
        """One channel; None where the run holds no valid sample of it."""
        if si_name not in self._envelopes:
            series = None if self.run.long else self.run.series(si_name)
            short = None if series is None else Envelope.of(series)
            self._envelopes[si_name] = LongEnvelope.of(self.run, si_name) if self.run.long else short
        return self._envelopes[si_name]


@dataclass(frozen=True, slots=True)
class Line:
    """What the list of runs says of one computed run."""

    fuse: str | None
    """The tightest one: main, left or right."""
    verdict: str | None
    margin: Estimate | None
    net_wh: Estimate
    worst_sag_v: Estimate


def line_of(report: Report) -> Line:
    """The tightest fuse, the net energy and the sag of a report."""
    ranked = sorted(
        report.fuses.items(), key=lambda item: float("inf") if item[1].margin.value is None else item[1].margin.value
    )
    place, fuse = ranked[0] if ranked else (None, None)
    return Line(
        place,
        fuse.verdict if fuse else None,
        fuse.margin if fuse else None,
        report.energy.net_wh,
        report.sag.worst_sag_v,
    )


class Library:
    """The runs of one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._shelf: dict[Path, Entry] = {}
        self._shelf_lock = threading.Lock()
        self._open_lock = threading.Lock()
        self._compute_lock = threading.Lock()
        self._runs: Recent[OpenRun] = Recent(MOST_OPEN, MOST_SAMPLES)
        self._reports: Recent[Report] = Recent(MOST_REPORTS, MOST_SAMPLES)
        self._lines: Recent[Line | str] = Recent(MOST_LINES)

    def entries(self) -> list[Entry]:
        """Every run file of the folder, newest first."""
        with self._shelf_lock:
            found = list_runs(self.folder, self._shelf)
            self._shelf = {entry.path: entry for entry in found}
        return found

    def entry(self, run_id: str) -> Entry:
        """The run with this id. Raises RunContentError where there is none."""
        return find_run(self.entries(), run_id)

    def open(self, run_id: str) -> OpenRun:
        """The whole run. Raises RunContentError."""
        entry = self.entry(run_id)
        key = (run_id, entry.stamp)
        return self._made(self._runs, key, self._open_lock, lambda: OpenRun(open_listed(entry)), _samples_open)

    def report(self, run_id: str, part: Part = None) -> Report:
        """Everything computed, over the whole run or a part of it. Raises RunContentError."""
        entry = self.entry(run_id)
        key = (run_id, entry.stamp, part)

        def compute() -> Report:
            run = self.open(run_id).run if part is None else open_listed(entry, *part)
            return build_report(run)

        report = self._made(self._reports, key, self._compute_lock, compute, _samples_reported)
        if part is None:
            self._lines.put((run_id, entry.stamp), line_of(report))
        return report

    def line(self, entry: Entry) -> Line | str | None:
        """What the list says of a run: its figures, why there are none, or None while they are not computed."""
        return None if entry.about is None else self._lines.get((entry.about.run_id, entry.stamp))

    def waiting(self, entries: list[Entry]) -> list[Entry]:
        """Runs that the list may compute unasked."""
        return [
            entry
            for entry in entries
            if entry.about is not None and entry.about.samples <= LARGEST_UNASKED and self.line(entry) is None
        ]

    def compute_next(self, entries: list[Entry]) -> bool:
        """Compute the figures of the first run that waits; False where nothing is to do or another one is computing.

        The run is opened for this alone: a long list does not push out what somebody looks at.
        """
        waiting = self.waiting(entries)
        if not waiting or not self._compute_lock.acquire(blocking=False):
            return False
        try:
            entry = waiting[0]
            assert entry.about is not None
            try:
                found: Line | str = line_of(build_report(open_listed(entry)))
            except AnalysisError as error:
                found = str(error)
            except Exception as error:  # a defect in one run must not keep the others from the list
                _log.exception("computing %s", entry.about.run_id)
                found = f"could not be computed: {type(error).__name__}"
            self._lines.put((entry.about.run_id, entry.stamp), found)
        finally:
            self._compute_lock.release()
        return True

    @staticmethod
    def _made(
        kept: Recent[Kept],
        key: object,
        lock: threading.Lock,
        make: Callable[[], Kept],
        weigh: Callable[[Kept], int],
    ) -> Kept:
        """From what is kept, else made once, however many ask at the same time."""
        found = kept.get(key)
        if found is None:
            with lock:
                found = kept.get(key)
                if found is None:
                    found = make()
                    kept.put(key, found, weigh(found))
        return found


def _samples_open(opened: OpenRun) -> int:
    """Of a long run one sample in a block of 64 is kept twice."""
    return opened.run.rows // 32 if opened.run.long else opened.run.rows


def _samples_reported(report: Report) -> int:
    """A report over the whole run holds the run that is open anyway."""
    return 0 if report.run.rows == report.run.file.rows else min(report.run.rows, CACHED_ROWS)
