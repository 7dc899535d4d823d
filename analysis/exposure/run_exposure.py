"""A current of a run prepared for exposure: held whole, or for a long run read piece by piece."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.exposure.long_square import SIZES, LongBlocks, LongSquare
from amptally.analysis.exposure.square_integral import Pieces
from amptally.analysis.integrals.energy import UNCOVERED_SHARE
from amptally.analysis.integrals.sums import curve_sums
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats, Series

CHUNK_ROWS = SIZES[0]
SHORT_BLOCKS = 16
"""Windows of at most this many small blocks are short."""
CHUNKS = 24
"""Chunks cached."""


def prepare_exposure(run: Run, lead: str, windows_s: Iterable[float] = ()) -> Exposure | None:
    """Exposure of `battery`, `left` or `right`; from the board's own interval RMS where that covers as much time.

    `windows_s` are lengths that will be requested; in a long run the short ones are best searched while it is read.
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
    if not run.at_once and found is not None and found.samples == run.rows:
        return _long(run, chosen, windows_s)
    series = run.series(chosen)
    if series is None:
        return None
    build = Exposure.from_interval_rms if rms else Exposure.prepare
    usual_s = run.interval_s
    known = None if found is None or found.samples < run.rows or usual_s is None else (usual_s, run.timeline.spacing)
    return build(series.time_s, series.value, series.gap_after, known)


def exposure_channel(run: Run, lead: str) -> str | None:
    """The stored channel from which a lead's exposure is computed: the board's interval RMS where there is one."""
    names = f"{lead}_current_rms_a", f"{lead}_current_a"
    return next((name for name in names if name in run.channels), None)


def exposure_pass(run: Run, si_name: str, windows_s: Iterable[float]) -> Iterator[None]:
    """Prepare what `prepare_exposure` needs of a run that is read block by block, one block per step.

    Only a channel with a sample in every row is cached. See `Run.run_passes`.
    """
    reader = _Reader(run, si_name)
    most_s = min(SHORT_BLOCKS * SIZES[-1] * (run.interval_s or 0.0), reader.length_s)
    blocks = LongBlocks(run.rows, (each_s for each_s in windows_s if each_s <= most_s))
    row = 0
    for part, (begin, stop) in zip(run.blocks(si_name), run.ranges(), strict=True):
        if part is None or len(part.value) < stop - max(begin - 1, 0):
            return
        if len(part.value) > 1:
            blocks.add(reader.pieces_of(part, row))
        row += len(part.value) - 1
        yield
    if row == run.rows - 1:
        run.cache["exposure", si_name] = blocks.square()


def _long(run: Run, si_name: str, windows_s: Iterable[float]) -> Exposure:
    """Of a channel with a sample in every row of the run."""
    cached = run.cached(LongSquare, ("exposure", si_name), exposure_pass(run, si_name, windows_s))
    # What the run caches must not refer to the run, or it would outlive its last user.
    square = replace(cached, load=_Reader(run, si_name).pieces)
    timeline = run.timeline
    gap_axis_s, gap_s = timeline.before_s - timeline.start_s, timeline.after_s - timeline.before_s
    late_s = run.declared(si_name).delay_s or 0.0
    start_s, interval_s = timeline.start_s - late_s, timeline.interval_s or 0.0
    kind = _is_rms(si_name)
    return Exposure(start_s, square, gap_axis_s, gap_s, timeline.gaps, interval_s, kind, timeline.spacing)


@dataclass(slots=True)
class _Reader:
    """Pieces of a channel by their number: piece k lies between rows k and k + 1."""

    run: Run
    si_name: str
    _chunks: OrderedDict[int, tuple[Floats, Floats]] = field(default_factory=OrderedDict)
    """Times from the first sample on and values of chunks of rows, by the first."""

    @property
    def length_s(self) -> float:
        """From the first sample to the last."""
        return self.run.timeline.end_s - self.run.timeline.start_s

    def pieces(self, first: int, stop: int) -> Pieces:
        """Pieces `first` to `stop` (exclusive)."""
        begins = range(first // CHUNK_ROWS * CHUNK_ROWS, stop + 1, CHUNK_ROWS)
        parts = [[part[max(first - begin, 0) : stop + 1 - begin] for part in self._chunk(begin)] for begin in begins]
        axis_s, value = parts[0] if len(parts) == 1 else (np.concatenate(each) for each in zip(*parts, strict=True))
        return self._as_pieces(axis_s, value, first)

    def pieces_of(self, series: Series, first: int) -> Pieces:
        """Those between consecutive rows from `first` on."""
        return self._as_pieces(self._axis_s(series.time_s), series.value, first)

    def _chunk(self, first: int) -> tuple[Floats, Floats]:
        found = self._chunks.pop(first, None)
        if found is None:
            series = self.run.samples(self.si_name, first, min(CHUNK_ROWS, self.run.rows - first))
            if series is None:
                raise ArithmeticError("a channel without nulls has samples everywhere")
            found = self._axis_s(series.time_s), series.value
        self._chunks[first] = found
        while len(self._chunks) > CHUNKS:
            self._chunks.popitem(last=False)
        return found

    def _axis_s(self, time_s: Floats) -> Floats:
        """Times from the first sample on."""
        begin_s = self.run.timeline.start_s - (self.run.declared(self.si_name).delay_s or 0.0)
        return time_s - begin_s if begin_s else time_s

    def _as_pieces(self, axis_s: Floats, value: Floats, first: int) -> Pieces:
        start_a, end_a = (value[1:], value[1:]) if _is_rms(self.si_name) else (value[:-1], value[1:])
        gaps = self.run.timeline.gaps
        inside = gaps[(gaps >= first) & (gaps < first + len(start_a))] - first
        if len(inside):
            start_a, end_a = start_a.copy(), end_a.copy()
            start_a[inside] = end_a[inside] = 0.0
        return axis_s, start_a, end_a


def _is_rms(si_name: str) -> bool:
    """The channel is the board's own RMS of each interval, not single samples."""
    return si_name.endswith("_rms_a")
