"""A current of a run made ready for exposure: held whole, or of a long run read piece by piece."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from analysis.energy import UNCOVERED_SHARE
from analysis.exposure import Exposure
from analysis.long_square import SIZES, LongSquare
from analysis.run import Run
from analysis.series import Floats
from analysis.square_integral import Pieces
from analysis.sums import curve_sums

CHUNK_ROWS = SIZES[0]
SHORT_BLOCKS = 16
"""Windows of no more than so many small blocks are short."""
CHUNKS = 24
"""Kept of what was read last."""


def prepare_exposure(run: Run, lead: str, windows_s: Iterable[float] = ()) -> Exposure | None:
    """Exposure of `battery`, `left` or `right`; from the board's own interval RMS where that covers as much time.

    `windows_s` are lengths that will be asked for; of a long run the short ones are best searched for while it is read.
    """
    name, rms_name = f"{lead}_current_a", f"{lead}_current_rms_a"
    rms = run.has(rms_name) and (
        not run.has(name)
        or curve_sums(run, rms_name).sampled_s >= (1 - UNCOVERED_SHARE) * curve_sums(run, name).sampled_s
    )
    chosen = rms_name if rms else name
    if not run.has(chosen) or curve_sums(run, chosen).sampled_s <= 0:
        return None
    found = run.extremes(chosen)
    if run.long and found is not None and found.samples == run.rows:
        return _long(_Reader(run, chosen, rms), windows_s)
    series = run.series(chosen)
    if series is None:
        return None
    build = Exposure.from_interval_rms if rms else Exposure.prepare
    usual_s = run.interval_s
    known = None if found is None or found.samples < run.rows or usual_s is None else (usual_s, run.timeline.spacing)
    return build(series.time_s, series.value, series.gap_after, known)


def _long(reader: _Reader, windows_s: Iterable[float]) -> Exposure:
    """Of a channel with a sample in every row of the run."""
    timeline = reader.run.timeline
    interval_s = timeline.interval_s or 0.0
    gap_s = timeline.after_s - timeline.before_s
    length_s = timeline.end_s - timeline.start_s - float(gap_s.sum())
    short_s = [each for each in windows_s if each <= min(SHORT_BLOCKS * SIZES[-1] * interval_s, length_s)]
    square = LongSquare.prepare(reader.all(), reader.pieces, short_s)
    gap_axis_s = timeline.before_s - timeline.start_s - np.concatenate(([0.0], np.cumsum(gap_s)[:-1]))[: len(gap_s)]
    late_s = reader.run.declared(reader.si_name).delay_s or 0.0
    start_s, spaced = timeline.start_s - late_s, timeline.spacing
    return Exposure(start_s, square, gap_axis_s, gap_s, interval_s, reader.interval_rms, spaced)


@dataclass(slots=True)
class _Reader:
    """Pieces of a channel by their number: piece k lies between rows k and k + 1."""

    run: Run
    si_name: str
    interval_rms: bool
    _kept: OrderedDict[int, tuple[Floats, Floats]] = field(default_factory=OrderedDict)
    """Axis positions and values of chunks of rows, by the first."""

    def all(self) -> Iterator[Pieces]:
        """All pieces in stretches of whole blocks."""
        step = 4 * CHUNK_ROWS
        for first in range(0, self.run.rows - 1, step):
            yield self._as_pieces(*self._rows(first, min(first + step, self.run.rows - 1) + 1))

    def pieces(self, first: int, stop: int) -> Pieces:
        """Pieces `first` to `stop` (exclusive)."""
        begins = range(first // CHUNK_ROWS * CHUNK_ROWS, stop + 1, CHUNK_ROWS)
        parts = [
            [part[max(first - begin, 0) : stop + 1 - begin] for part in self._chunk(begin)] for begin in begins
        ]
        axis_s, value = parts[0] if len(parts) == 1 else (np.concatenate(each) for each in zip(*parts, strict=True))
        return self._as_pieces(axis_s, value)

    def _chunk(self, first: int) -> tuple[Floats, Floats]:
        found = self._kept.pop(first, None)
        if found is None:
            found = self._rows(first, min(first + CHUNK_ROWS, self.run.rows))
        self._kept[first] = found
        while len(self._kept) > CHUNKS:
            self._kept.popitem(last=False)
        return found

    def _rows(self, first: int, stop: int) -> tuple[Floats, Floats]:
        """Positions on the axis of sampled time, and values."""
        series = self.run.samples(self.si_name, first, stop - first)
        if series is None:
            raise ArithmeticError("a channel without nulls has samples everywhere")
        timeline = self.run.timeline
        late_s = self.run.declared(self.si_name).delay_s or 0.0
        begin_s = timeline.start_s - late_s
        axis_s = series.time_s - begin_s if begin_s else series.time_s
        gap_s = timeline.after_s - timeline.before_s
        if len(gap_s):
            rows = np.arange(first, stop)
            before = np.searchsorted(timeline.gaps, rows, "left")
            axis_s = axis_s - np.concatenate(([0.0], np.cumsum(gap_s)))[before]
            # Rounding must neither give a gap a length nor make the axis fall.
            inside = timeline.gaps[(timeline.gaps >= first) & (timeline.gaps < stop - 1)] - first
            axis_s[inside + 1] = axis_s[inside]
            axis_s = np.maximum.accumulate(axis_s)
        return axis_s, series.value

    def _as_pieces(self, axis_s: Floats, value: Floats) -> Pieces:
        return (axis_s, value[1:], value[1:]) if self.interval_rms else (axis_s, value[:-1], value[1:])
