"""The only state of the dashboard: the runs of the folder, open runs, computed reports.

Everything is bounded, and keyed by run id and the time and size of its file and edits: a changed file is read again.
Safe to use from several threads; reports are computed one at a time.
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
from amptally.analysis.report.answers import by_margin
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.runs.catalogue import Entry, find_run, list_runs, open_listed
from amptally.analysis.runs.long_envelope import LongEnvelope
from amptally.analysis.runs.run import CACHED_ROWS, Run
from amptally.analysis.signals.decimation import Envelope

MAX_OPEN = 3
MAX_REPORTS = 8
MAX_LINES = 2000
MAX_SAMPLES = 12_000_000
"""In all open runs, and again in all reports over parts; a single run may be larger."""
MAX_BACKGROUND_SAMPLES = 5_000_000
"""Runs with more samples are computed when they are opened, not for the list."""

_log = logging.getLogger(__name__)

Item = TypeVar("Item")
Part = tuple[float, float] | None


class Recent(Generic[Item]):
    """A cache of the most recently used items, bounded by their number and their total weight."""

    def __init__(self, max_items: int, max_weight: int = 0) -> None:
        self._max_items = max_items
        self._max_weight = max_weight
        self._items: OrderedDict[object, tuple[Item, int]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: object) -> Item | None:
        """The item cached under a key."""
        with self._lock:
            if key in self._items:
                self._items.move_to_end(key)
            found = self._items.get(key)
        return None if found is None else found[0]

    def put(self, key: object, value: Item, weight: int = 0) -> None:
        """Cache an item; the least recently used ones are dropped above the maximum number or weight."""
        with self._lock:
            self._items[key] = value, weight
            self._items.move_to_end(key)
            while len(self._items) > self._max_items or (len(self._items) > 1 and self._weight() > self._max_weight):
                self._items.popitem(last=False)

    def _weight(self) -> int:
        return sum(weight for _, weight in self._items.values())


@dataclass
class OpenRun:
    """A whole run with the envelopes of its channels, made when first drawn."""

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
    """The figures of one computed run in the list."""

    fuse: str | None
    """The tightest one: main, left or right."""
    verdict: str | None
    margin: Estimate | None
    net_wh: Estimate
    worst_sag_v: Estimate


def line_of(report: Report) -> Line:
    """The tightest fuse, the net energy and the sag of a report."""
    ranked = by_margin(report)
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
        self._entries: dict[Path, Entry] = {}
        self._entries_lock = threading.Lock()
        self._open_lock = threading.Lock()
        self._compute_lock = threading.Lock()
        self._runs: Recent[OpenRun] = Recent(MAX_OPEN, MAX_SAMPLES)
        self._reports: Recent[Report] = Recent(MAX_REPORTS, MAX_SAMPLES)
        self._lines: Recent[Line | str] = Recent(MAX_LINES)

    def entries(self) -> list[Entry]:
        """Every run file of the folder, newest first."""
        with self._entries_lock:
            found = list_runs(self.folder, self._entries)
            self._entries = {entry.path: entry for entry in found}
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
        """A run's figures for the list, why there are none, or None while they are not computed."""
        return None if entry.about is None else self._lines.get((entry.about.run_id, entry.stamp))

    def waiting(self, entries: list[Entry]) -> list[Entry]:
        """Runs that are still to be computed in the background."""
        return [
            entry
            for entry in entries
            if entry.about is not None and entry.about.samples <= MAX_BACKGROUND_SAMPLES and self.line(entry) is None
        ]

    def compute_next(self, entries: list[Entry]) -> bool:
        """Compute the figures of the first waiting run; False where none waits or another one is being computed.

        The run is opened for this alone, so that a long list does not push open runs out of the cache.
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
        cache: Recent[Item],
        key: object,
        lock: threading.Lock,
        make: Callable[[], Item],
        weigh: Callable[[Item], int],
    ) -> Item:
        """From the cache, else made once, even if several threads request it at the same time."""
        found = cache.get(key)
        if found is None:
            with lock:
                found = cache.get(key)
                if found is None:
                    found = make()
                    cache.put(key, found, weigh(found))
        return found


def _samples_open(opened: OpenRun) -> int:
    """Samples in memory: of a long run two for each block of 64."""
    return opened.run.rows // 32 if opened.run.long else opened.run.rows


def _samples_reported(report: Report) -> int:
    """Samples in memory; none for a report over the whole run, which shares the open run."""
    return 0 if report.run.rows == report.run.file.rows else min(report.run.rows, CACHED_ROWS)
