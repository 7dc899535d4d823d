"""The only reader of run files: opens a run and gives its channels whole, block by block, or as means."""

from __future__ import annotations

import difflib
import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from threading import get_ident
from typing import TypeVar

import numpy as np
import polars as pl

from amptally.analysis.errors import ArgumentError, RunContentError
from amptally.analysis.results.leads import CURRENTS
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.runs.columns import ChannelBuffer, ColumnReader, PassReader
from amptally.analysis.runs.corrections import usable_drift_ppm
from amptally.analysis.runs.sample_times import SampleTimes
from amptally.analysis.runs.samples import BATTERY_CURRENT, SIDE_CURRENTS, STRETCH_ROWS, Samples
from amptally.analysis.signals.gaps import NEIGHBOURS, find_gaps
from amptally.analysis.signals.series import (
    Extremes,
    Flags,
    Floats,
    PairedSamples,
    Places,
    Resampled,
    Series,
    SeriesBuffer,
    carry_over,
    cut,
    pair_between,
    pair_with_carry_over,
    resampled_at,
    run_to_end,
    smoothed,
    together,
    with_carry_over,
)
from amptally.analysis.signals.time_index import first_row, first_row_from_start
from amptally.logger.channels import BY_NAME, BY_SI_NAME, TIME_COLUMN
from amptally.logger.errors import RunFileError
from amptally.logger.machine.description import ArrangementMismatch, Machine, arrangement_mismatch, load, parse
from amptally.logger.storage.edits import merged, read_edits
from amptally.logger.storage.metadata import Gap
from amptally.logger.storage.runfile import RunFile, open_run

__all__ = ["STRETCH_ROWS", "Flags", "Floats", "Run", "SensorError", "Series", "together"]

T = TypeVar("T")

CACHED_ROWS = 5_000_000
"""Above this size no channel is cached, except a current with missing samples during its exposure search."""
MARGIN_ROWS = 4096
"""Read beyond both ends of a block where two channels are matched that differ in delay or lack samples."""
FAR_ROWS = 1 << 18
"""Where a channel is late or rare, as far as this: four minutes at 1 kHz. Beyond it a silence is a gap."""
READ_AGAIN = (*CURRENTS, "battery_voltage_v")
"""Channels that several sections of a report read a second time."""
FIRST_LOOK_ROWS = 4096
"""A channel that was measured mostly shows a value in these."""
SMOOTH_S = 0.02
"""Means over this long, or single samples where they are rarer, show everything but peaks and switching."""
MAX_SMOOTH_MEANS = 2_000_000
"""Maximum number of means per channel."""


@dataclass
class Run(Samples):
    """One run as analysis sees it. Build it with `open`."""

    _series: dict[str, Series | None] = field(default_factory=dict)
    _smooth: dict[str, Series | None] = field(default_factory=dict)
    _extremes: dict[str, Extremes | None] = field(default_factory=dict)
    _resampled: tuple[Floats, Flags, Series, Resampled] | None = None
    """The last arguments of `resampled_at`, and its result."""
    _from_start: Run | None = None
    cache: dict[tuple[str, str], object] = field(default_factory=dict)
    """Results that other rooms computed from this run and need again, by kind and channel."""

    @classmethod
    def open(
        cls, path: Path, *, machine: Path | None = None, from_s: float | None = None, to_s: float | None = None
    ) -> Run:
        """Open a run file, or the part of it between two run times.

        Raises RunFileError, MachineFileError (amptally.logger.errors) or RunContentError, each one line.
        """
        file = open_run(path)
        if file.rows == 0:
            raise RunContentError(f"{path} holds no samples: nothing was recorded. Record the drive again.")
        edits = read_edits(path)
        metadata = merged(file.metadata, edits)
        if machine is not None:
            described: Machine | None = load(machine)
        elif metadata.machine is not None:
            described = parse(metadata.machine, "run metadata")
        else:
            described = None
        sensed = _has_sample(file, BY_SI_NAME[CURRENTS[0]].name)
        drift = usable_drift_ppm(metadata.clock)
        times = SampleTimes(str(path), file.rows, partial(_stored_us, file), 1.0 + (drift or 0.0) * 1e-6)
        first = 0 if from_s is None else _row_at(times, from_s)
        last = file.rows if to_s is None else _row_at(times, math.nextafter(to_s, math.inf))
        if last > first:
            # An end that lies in a gap belongs to the gap: without the sample beyond it nobody would see that one is
            # there, and the current in it would count as none.
            first -= from_s is not None and first > 0 and _gap_before(times, first, from_s, metadata.max_gap_s)
            last += to_s is not None and last < file.rows and _gap_after(times, last, to_s, metadata.max_gap_s)
        if last <= first:
            end_s = float(times.of(file.rows - 1, 1)[0])
            raise RunContentError(
                f"{path} has no samples between {from_s or 0:g} s and {end_s if to_s is None else to_s:g} s: "
                f"it ends at {end_s:g} s. Choose another range."
            )
        described_by = path, file, metadata, edits, described, machine is not None, sensed
        run = cls(*described_by, first, last - first, drift, times)
        _ = run.timeline  # damaged times show here, not later
        if machine is not None and (mismatch := run.arrangement_mismatch()) is not None:
            raise RunContentError(f"{machine} does not fit this run: {mismatch}")
        return run

    def _of_rows(self, start_row: int, rows: int) -> Run:
        """Other rows of the same file."""
        described = self.path, self.file, self.metadata, self.edits, self.machine, self.machine_replaced
        return Run(*described, self.battery_measured, start_row, rows, self.drift_applied_ppm, self._times)

    def from_start(self) -> Run:
        """The same run from its first sample to the end of this part: what came before the part belongs to it too."""
        if self.start_row == 0:
            return self
        if self._from_start is None:
            self._from_start = self._of_rows(0, self.start_row + self.rows)
        return self._from_start

    def part(self, from_s: float, to_s: float) -> Run:
        """The samples between two run times, and one more at each end; the run itself where that is all of it."""
        first = max(first_row(self._times_s, self.rows, from_s) - 1, 0)
        stop = max(min(first_row(self._times_s, self.rows, to_s) + 1, self.rows), first + 1)
        if stop - first >= self.rows:
            return self
        part = self._of_rows(self.start_row + first, stop - first)
        start_s, end_s = (float(self._times_s(row, 1)[0]) for row in (first, stop - 1))
        part.timeline = self.timeline.part(first, stop, start_s, end_s)
        part.time_s = self._times_s(first, stop - first)
        for name in tuple(self._series):  # nothing is read twice
            if (whole := self._whole(name)) is not None:
                part._series[name] = cut(whole, first, stop)
        return part

    @property
    def long(self) -> bool:
        """Too long to hold channels whole."""
        return self.rows > CACHED_ROWS

    def interval_of(self, si_name: str) -> float:
        """Mean interval between the valid samples of a channel; infinite for fewer than two."""
        found = self.extremes(si_name)
        return math.inf if found is None or found.samples < 2 else (found.last_s - found.first_s) / (found.samples - 1)

    def has(self, si_name: str) -> bool:
        """The run holds at least one valid sample of this channel."""
        return self.extremes(si_name) is not None

    def series(self, si_name: str) -> Series | None:
        """Valid samples of one channel, corrected as (raw − offset) / (1 + gain), late by delay_s; None without any.

        Of a long run it takes 16 bytes a sample: `stretches`, `smooth` and `part` need less.
        """
        if si_name not in self._series:
            self._series[si_name] = self.samples(si_name, 0, self.rows)
        return self._series[si_name]

    def samples(self, si_name: str, start: int, rows: int) -> Series | None:
        """Valid samples among some rows of this part, corrected; None without any."""
        whole = self._whole(si_name)
        return super().samples(si_name, start, rows) if whole is None else cut(whole, start, start + rows)

    def _whole(self, si_name: str) -> Series | None:
        """A channel that is in memory with a sample in every row; else None."""
        held = self._series.get(si_name)
        return held if held is not None and len(held.value) == self.rows else None

    def stretches(self, si_name: str) -> Iterator[Series]:
        """The blocks that hold samples, each beginning with the last sample of the one before."""
        return (part for part in self.blocks(si_name) if part is not None)

    def blocks(self, si_name: str) -> Iterator[Series | None]:
        """A channel block by block, each beginning with the last sample before it; None for one without samples."""
        if self.at_once:
            yield self.series(si_name)
            return
        before: Series | None = None
        for begin, stop in self.ranges():
            part, rows = self._around(si_name, begin, stop), self._rows_around(begin, stop)
            if part is not None and len(part.value) == len(rows):
                part = cut(part, max(begin - 1, 0) - rows.start, stop - rows.start)
            else:  # values are missing: gaps lie between the others
                part = self.samples(si_name, begin, stop - begin)
                if part is not None and before is not None:
                    part = with_carry_over(before, part, self._gap_rule.find)
            yield part
            before = before if part is None else carry_over(before, part)

    def _rows_around(self, begin: int, stop: int, margin: int = 0) -> range:
        """Rows of a block and MARGIN_ROWS or more beyond both its ends."""
        margin = max(margin, MARGIN_ROWS)
        return range(max(begin - margin, 0), min(stop + margin, self.rows))

    def _around(self, si_name: str, begin: int, stop: int) -> Series | None:
        """Samples there: the same array for all passes over a block, so they are converted once."""
        if self.at_once:
            return self.series(si_name)
        rows = self._rows_around(begin, stop)
        found, walk = self.samples(si_name, rows.start, len(rows)), self._pass_reader
        if walk is not None and si_name in walk.buffers and found is not None and len(found.value) == len(rows):
            walk.buffers[si_name].add(rows.start, found.value)
        return found

    def _reaching(self, si_name: str, begin: int, stop: int, from_s: float, to_s: float) -> Series | None:
        """Samples of a block that reach beyond two moments, however late or rare they are, up to FAR_ROWS further."""
        found, rows, margin = self._around(si_name, begin, stop), self._rows_around(begin, stop), MARGIN_ROWS
        while len(rows) < self.rows and margin < FAR_ROWS:
            if found is not None and found.time_s[0] <= from_s and found.time_s[-1] >= to_s:
                break
            margin = min(8 * margin, FAR_ROWS)
            rows = self._rows_around(begin, stop, margin)
            found = self.samples(si_name, rows.start, len(rows))
        return found

    def values(self, si_name: str) -> Iterator[Floats]:
        """The valid samples alone, block by block, each once."""
        for place, part in enumerate(self.stretches(si_name)):
            yield part.value[min(place, 1) :]

    def paired(self, first: str, second: str) -> Iterator[PairedSamples]:
        """Two channels `together`, block by block, each beginning with the last sample of the one before."""
        return (pair for pair in self.paired_blocks(first, second) if pair is not None)

    def paired_blocks(self, first: str, second: str) -> Iterator[PairedSamples | None]:
        """The same for every block; None where the two have no interval in it."""
        last: PairedSamples | None = None
        for begin, stop in self.ranges():
            # An interval belongs to the block in which it begins.
            from_s, to_s = (float(self._times_s(min(row, self.rows - 1), 1)[0]) for row in (begin, stop))
            reach_s = math.inf if begin == 0 else from_s, -math.inf if stop == self.rows else to_s
            one, other = (self._reaching(name, begin, stop, *reach_s) for name in (first, second))
            if one is None or other is None:
                yield None
                continue
            between_s = -math.inf if begin == 0 else from_s, math.inf if stop == self.rows else to_s
            pair = pair_between(together(one, other, self._resampled_at(one.time_s, one.gap_after, other)), *between_s)
            pair = pair if last is None else pair_with_carry_over(last, pair)
            if len(pair[0]) > 1 or self.at_once:
                last = pair
                yield pair
            else:
                yield None

    def _resampled_at(self, time_s: Floats, gap_after: Flags, source: Series) -> Resampled:
        """`resampled_at`, cached for consecutive calls with the same times."""
        held = self._resampled
        if held is None or held[0] is not time_s or held[1] is not gap_after or held[2] is not source:
            self._resampled = held = time_s, gap_after, source, resampled_at(time_s, gap_after, source)
        return held[3]

    def smooth(self, si_name: str) -> Series | None:
        """Means over SMOOTH_S, or the samples where they are rarer; None without any."""
        if si_name not in self._smooth:
            run_to_end(self.extremes_pass(si_name))
        return self._smooth[si_name]

    def extremes(self, si_name: str) -> Extremes | None:
        """Minimum and maximum of a channel, and when they were sampled; None without a sample."""
        if si_name not in self._extremes:
            run_to_end(self.extremes_pass(si_name))
        return self._extremes[si_name]

    def extremes_pass(self, si_name: str) -> Iterator[None]:
        """Find extremes and means of a channel, one block per step; see `run_passes`."""
        size = max(int(SMOOTH_S / (self.interval_s or SMOOTH_S) + 1e-6), math.ceil(self.rows / MAX_SMOOTH_MEANS))
        found: Extremes | None = None
        # Each block may begin a new mean, and so does the part after a gap.
        means = SeriesBuffer(self._gap_rule.find, self.rows // size + 2 * (self.rows // STRETCH_ROWS + 1))
        for part in self.blocks(si_name):
            if part is not None:
                means.add(smoothed(cut(part, 0 if found is None else 1, len(part.value)), size))
                found = Extremes.of(part) if found is None else found.joined(Extremes.of(part))
            yield
        self._extremes[si_name], self._smooth[si_name] = found, means.series

    def run_passes(self, passes: Iterable[Iterator[None]]) -> None:
        """Advance several passes over channels side by side, so that the run is read once for all of them.

        What laps, exposure and resistance read again is cached meanwhile, unless the run is long.
        """
        read = partial(self.file.read, with_time=False)
        reader = None if self.at_once else ColumnReader(read, self.file.columns, self.file.rows)
        again = () if self.at_once or self.long else (name for name in READ_AGAIN if name in self.channels)
        buffers = {name: ChannelBuffer(np.empty(self.rows)) for name in again}
        load = lru_cache(maxsize=len(self.channels))(self._load)
        self._pass_readers[get_ident()] = PassReader(load, reader, buffers)
        try:
            run_to_end(itertools.zip_longest(*passes))
        finally:
            del self._pass_readers[get_ident()]
        for name in (name for name in buffers if buffers[name].complete):
            time_s = self._times.late(self.time_s, self.declared(name).delay_s or 0.0)
            self._series[name] = Series(time_s, buffers[name].value, self._flags(0, self.rows), self.interval_s)

    def cached(self, kind: type[T], key: tuple[str, str], fill: Iterator[None]) -> T:
        """What the pass `fill` leaves in `cache` under a key; the pass runs now unless it has run before.

        Raises TypeError where the cache holds something of another kind.
        """
        if key not in self.cache:
            run_to_end(fill)
        found = self.cache[key]
        if not isinstance(found, kind):
            raise TypeError(f"{key} holds a {type(found).__name__}, not a {kind.__name__}")
        return found

    def gaps(self) -> list[Gap]:
        """Gaps between the samples of the run, with the reason where the recorder knew one."""
        known = sorted((gap for gap in self.metadata.gaps if math.isfinite(gap.start_s)), key=lambda gap: gap.start_s)
        starts_s = np.array([gap.start_s for gap in known]) * self._scale()
        found = []
        for start, end in zip(self.timeline.before_s.tolist(), self.timeline.after_s.tolist(), strict=True):
            at = int(np.searchsorted(starts_s, start - 1e-3))
            recorded = known[at] if at < len(known) and starts_s[at] < end else None
            unknown = recorded is not None and recorded.end_s is None
            found.append(Gap(start, None if unknown else end, recorded.kind if recorded is not None else "source"))
        return found

    @property
    def gap_unknown(self) -> bool:
        """The length of at least one gap is not known."""
        return any(gap.end_s is None for gap in self.gaps())

    def arrangement_mismatch(self) -> ArrangementMismatch | None:
        """Why the machine description cannot be this machine's, judged by battery voltage; None where it can."""
        volts = self.smooth("battery_voltage_v")
        if self.machine is None or volts is None:
            return None
        return arrangement_mismatch(self.machine, float(np.median(volts.value)))

    def label(self, si_name: str) -> str:
        """What people call a channel."""
        return BY_SI_NAME[si_name].label

    @property
    def columns(self) -> tuple[str, ...]:
        """SI names of the channels that the file has."""
        return tuple(BY_NAME[name].si_name for name in self.file.columns)

    @property
    def channels(self) -> tuple[str, ...]:
        """The same, and the battery's current where it is the sum of left and right."""
        held = tuple(name for name in self.columns if not self._added_up(name))
        return (BATTERY_CURRENT, *held) if self.battery_current_from == "left_plus_right" else self.columns

    def to_polars(
        self, columns: str | Iterable[str] | None = None, from_s: float | None = None, to_s: float | None = None
    ) -> pl.DataFrame:
        """Channels as a table: `run.to_polars(["left_current_a"], from_s=150, to_s=170)`.

        A row per sample with from_s ≤ t_s ≤ to_s: run time `t_s` [s], then each channel by its SI name in its SI unit,
        corrected as the machine file says, as Float64; null where it was not measured. Without `columns` all channels
        that the run holds. Channels of a row were sampled together: a declared `delay_s` does not shift them (`series`
        does). Every channel takes 8 bytes a row: of a long run ask for a part.

        Raises ArgumentError for a name that is no channel, and for a time range without samples.
        """
        names = [columns] if isinstance(columns, str) else self.columns if columns is None else columns
        asked = [name for name in dict.fromkeys(names) if name != "t_s"]
        for name in asked:
            if name not in BY_SI_NAME:
                near = difflib.get_close_matches(name, BY_SI_NAME, 3, 0.5)
                raise ArgumentError(
                    f"{self.path}: '{name}' is no channel. "
                    + (f"Near it: {', '.join(near)}. " if near else "")
                    + f"This run holds {', '.join(self.columns)}."
                )
        first = 0 if from_s is None else first_row(self._times_s, self.rows, from_s)
        stop = self.rows if to_s is None else first_row(self._times_s, self.rows, math.nextafter(to_s, math.inf))
        if stop <= first:
            raise ArgumentError(
                f"{self.path} has no samples between from_s={from_s} and to_s={to_s}: it goes from {self.start_s:g} to "
                f"{self.end_s:g} s. Choose another range."
            )
        table = {"t_s": pl.Series(self._times_s(first, stop - first))}
        return pl.DataFrame(table | {name: self._table_column(name, first, stop - first) for name in asked})

    def _table_column(self, si_name: str, start: int, rows: int) -> pl.Series:
        """A channel in some rows of this part, null where it has no sample."""
        if self._added_up(si_name):
            left, right = (self._table_column(name, start, rows) for name in SIDE_CURRENTS)
            return left + right + (self.standby_a or 0.0)
        samples, column = self.samples(si_name, start, rows), BY_SI_NAME[si_name].name
        if samples is None:
            return pl.Series([None], dtype=pl.Float64).new_from_index(0, rows)
        if len(samples.value) == rows:
            return pl.Series(samples.value)
        stored = self.file.read([column], self.start_row + start, rows, with_time=False)[column]
        value = np.full(rows, np.nan)
        value[stored.is_not_null().to_numpy()] = samples.value
        return pl.Series(value, nan_to_null=True)

    def __repr__(self) -> str:
        """One line: a run at the end of a notebook cell does not print its arrays."""
        return f"Run('{self.path}', {self.start_s:g} to {self.end_s:g} s, {self.rows} samples)"


def _has_sample(file: RunFile, column: str) -> bool:
    """Whether a column holds a value; one that cannot be read is taken to, and fails where it is needed."""
    if column not in file.columns:
        return False
    start, rows = 0, FIRST_LOOK_ROWS
    while start < file.rows:
        try:
            found = file.read([column], start, rows, with_time=False)[column]
        except RunFileError:
            return True
        if found.null_count() < len(found):
            return True
        start, rows = start + rows, min(2 * rows, STRETCH_ROWS)
    return False


def _gap_before(times: SampleTimes, row: int, from_s: float, max_gap_s: float | None) -> bool:
    """Whether what is missing between the beginning of a part and its first row is a gap."""
    time_s = times.of(row, min(NEIGHBOURS + 1, times.rows - row))
    return bool(from_s < time_s[0] and find_gaps(np.append(from_s, time_s), _limit(max_gap_s))[0])


def _gap_after(times: SampleTimes, stop: int, to_s: float, max_gap_s: float | None) -> bool:
    """The same between its last row, the one before `stop`, and its end."""
    begin = max(stop - NEIGHBOURS - 1, 0)
    time_s = times.of(begin, stop - begin)
    return bool(to_s > time_s[-1] and find_gaps(np.append(time_s, to_s), _limit(max_gap_s))[-1])


def _limit(max_gap_s: float | None) -> float | None:
    return None if max_gap_s is None or math.isnan(max_gap_s) else max_gap_s


def _row_at(times: SampleTimes, wanted_s: float) -> int:
    """First row of a file at this run time or later; before a damaged part, too."""
    try:
        return first_row(times.of, times.rows, wanted_s)
    except RunFileError:
        return first_row_from_start(times.of, times.rows, wanted_s)


def _stored_us(file: RunFile, start: int, rows: int) -> Places | None:
    """Stored times of `rows` rows from `start` on; None where one is missing."""
    column = file.read([], start, rows)[TIME_COLUMN]
    return None if column.null_count() else column.to_numpy()
