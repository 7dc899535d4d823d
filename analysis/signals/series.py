"""One channel's samples, and operations on them that do not depend on what they measure."""

from __future__ import annotations

import collections
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from amptally.analysis.signals.append_buffer import AppendBuffer

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Places = npt.NDArray[np.int64]
PairedSamples = tuple[Floats, Floats, Floats, Flags]
"""Times, two channels, and the gaps between the times."""

_NEAR = 21
"""Samples on each side that decide whether the interval between two blocks is a gap."""


@dataclass(frozen=True, slots=True)
class Series:
    """One channel's valid samples in SI units, corrected."""

    time_s: Floats
    """Run time, shape (n,), strictly increasing."""
    value: Floats
    """Shape (n,), finite."""
    gap_after: Flags
    """Shape (n − 1,): the interval that follows the sample is a gap."""
    known_interval_s: float | None = field(default=None, compare=False)
    """Median sample interval where it was found already."""

    @property
    def interval_s(self) -> float:
        """Median sample interval; infinite for fewer than two samples."""
        if self.known_interval_s is not None:
            return self.known_interval_s
        return float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else float("inf")

    @property
    def sampled_s(self) -> float:
        """Time covered by samples, gaps left out."""
        at = np.flatnonzero(self.gap_after)
        if len(at) == len(self.gap_after):
            return 0.0
        return float(self.time_s[-1] - self.time_s[0] - (self.time_s[at + 1] - self.time_s[at]).sum())


@dataclass(frozen=True, slots=True)
class Extremes:
    """Minimum, maximum, and the first and last sample of a channel."""

    minimum: float
    minimum_at_s: float
    maximum: float
    maximum_at_s: float
    first_s: float
    last_s: float
    samples: int
    """How many there are in all."""

    @classmethod
    def of(cls, series: Series) -> Extremes:
        """Of a channel with at least one sample; of equal samples the first."""
        time_s, value = series.time_s, series.value
        low, high = int(np.argmin(value)), int(np.argmax(value))
        moments = float(time_s[high]), float(time_s[0]), float(time_s[-1])
        return cls(float(value[low]), float(time_s[low]), float(value[high]), *moments, len(value))

    def joined(self, later: Extremes) -> Extremes:
        """With those of a later block that begins with the last sample of this one."""
        low = later if later.minimum < self.minimum else self
        high = later if later.maximum > self.maximum else self
        lowest, highest = (low.minimum, low.minimum_at_s), (high.maximum, high.maximum_at_s)
        return Extremes(*lowest, *highest, self.first_s, later.last_s, self.samples + later.samples - 1)

    @property
    def size(self) -> tuple[float, float]:
        """Maximum magnitude, and its run time."""
        return max((abs(self.maximum), self.maximum_at_s), (abs(self.minimum), self.minimum_at_s), key=lambda it: it[0])


@dataclass(frozen=True, slots=True)
class Resampled:
    """A channel interpolated at the sample times of another, within the stretch that it covers."""

    inside: slice
    """Which of those times."""
    value: Floats
    """There: interpolated linearly where the channel's own samples lie elsewhere."""
    gap_after: Flags
    """Gaps between those times, and where the channel has one."""


def resampled_at(time_s: Floats, gap_after: Flags, source: Series) -> Resampled:
    """`source` at other times, shape (n,), with the gaps between those, shape (n − 1,)."""
    if time_s is source.time_s or np.array_equal(time_s, source.time_s):
        both = gap_after if gap_after is source.gap_after else gap_after | source.gap_after
        return Resampled(slice(0, len(time_s)), source.value, both)
    start = int(np.searchsorted(time_s, source.time_s[0]))
    inside = slice(start, int(np.searchsorted(time_s, source.time_s[-1], "right")))
    time_s = time_s[inside]
    if len(time_s) < 2:
        return Resampled(slice(0), np.empty(0), np.empty(0, bool))
    gap_after = gap_after[start : inside.stop - 1]
    if source.gap_after.any():
        # From the channel's interval in which one begins to that in which it ends; its samples part intervals.
        begins = np.searchsorted(source.time_s, time_s[:-1], "right") - 1
        ends = np.searchsorted(source.time_s, time_s[1:], "left") - 1
        reach = np.concatenate(([0], np.cumsum(source.gap_after)))
        gap_after = gap_after | (reach[ends + 1] > reach[begins])
    return Resampled(inside, np.interp(time_s, source.time_s, source.value), gap_after)


def together(first: Series, second: Series, resampled: Resampled | None = None) -> PairedSamples:
    """Two channels at the sample times of the first, within the stretch both cover: time, first, second, gaps.

    The second is interpolated linearly where its samples lie elsewhere; an interval in which it has a gap is one here.
    `resampled` is what `resampled_at` gave for these times and the second, where that is known already.
    """
    at = resampled or resampled_at(first.time_s, first.gap_after, second)
    return first.time_s[at.inside], first.value[at.inside], at.value, at.gap_after


def pair_between(pair: PairedSamples, from_s: float, to_s: float) -> PairedSamples:
    """Its samples from one moment to the first at or after another."""
    time_s, first, second, gap_after = pair
    low, high = np.searchsorted(time_s, (from_s, to_s)).tolist()
    high = min(high + 1, len(time_s))
    return time_s[low:high], first[low:high], second[low:high], gap_after[low : max(high - 1, low)]


def pair_with_carry_over(before: PairedSamples, pair: PairedSamples) -> PairedSamples:
    """A block of pairs that begins with the last pair of the block before; where it did not, a gap lies between."""
    (time_s, *values, gap_after), last = pair, [part[-1:] for part in before[:3]]
    if len(time_s) and time_s[0] <= last[0][0]:
        return pair
    gaps = np.concatenate((np.ones(min(len(time_s), 1), bool), gap_after))
    first, second = (np.concatenate((end, part)) for end, part in zip(last[1:], values, strict=True))
    return np.concatenate((last[0], time_s)), first, second, gaps


def with_carry_over(before: Series, part: Series, gaps_of: Callable[[Floats], Flags]) -> Series:
    """A block with the last sample of the block before it as its first."""
    near_s = before.time_s[-_NEAR:]
    between = gaps_of(np.concatenate((near_s, part.time_s[:_NEAR])))[len(near_s) - 1 :][:1]
    time_s, value = (
        np.concatenate((one[-1:], other)) for one, other in ((before.time_s, part.time_s), (before.value, part.value))
    )
    return Series(time_s, value, np.concatenate((between, part.gap_after)), part.known_interval_s)


def carry_over(before: Series | None, part: Series) -> Series:
    """The last samples of a block; where it has few, also of the block before, whose last sample is its first."""
    near = cut(part, max(len(part.time_s) - _NEAR, 0), len(part.time_s))
    if before is None or len(near.time_s) == _NEAR:
        return near
    ends = ((before.time_s, near.time_s), (before.value, near.value), (before.gap_after, near.gap_after))
    time_s, value = (np.concatenate((one[:-1], other)) for one, other in ends[:2])
    return Series(time_s, value, np.concatenate(ends[2]))


def cut(series: Series, first: int, stop: int) -> Series:
    """Samples `first` to `stop` (exclusive)."""
    gaps = series.gap_after[first : max(stop - 1, first)]
    return Series(series.time_s[first:stop], series.value[first:stop], gaps, series.known_interval_s)


def smoothed(series: Series, size: int) -> Series:
    """Means over `size` consecutive samples each, never across a gap; the last ones before a gap may be fewer."""
    count = len(series.value)
    if size <= 1 or count < 2:
        return series
    gaps = np.flatnonzero(series.gap_after) + 1
    if not len(gaps):
        time_s, value = (_means(each, size) for each in (series.time_s, series.value))
        return Series(time_s, value, np.zeros(len(value) - 1, bool))
    begins = np.concatenate(([0], gaps))
    lengths = np.diff(np.append(begins, count))
    place = np.arange(count) - np.repeat(begins, lengths)
    starts = np.flatnonzero(place % size == 0)
    shares = np.diff(np.append(starts, count))
    time_s, value = (np.add.reduceat(each, starts) / shares for each in (series.time_s, series.value))
    return Series(time_s, value, np.isin(starts[1:], gaps))


def _means(values: Floats, size: int) -> Floats:
    """Means of `size` consecutive values each; the last mean may be of fewer."""
    whole = len(values) // size * size
    means = np.einsum("ij->i", values[:whole].reshape(-1, size)) / size
    return means if whole == len(values) else np.append(means, values[whole:].mean())


class SeriesBuffer:
    """Consecutive blocks of a channel joined end to end; `gaps_of` finds gaps from times, here those between blocks."""

    def __init__(self, gaps_of: Callable[[Floats], Flags], capacity: int) -> None:
        """`capacity`: how many samples are expected."""
        self._gaps_of = gaps_of
        self._time_s, self._value = AppendBuffer(np.float64, capacity), AppendBuffer(np.float64, capacity)
        self._gap_after = AppendBuffer(np.bool_, capacity)
        self._interval_s: float | None = None

    def add(self, part: Series) -> None:
        """Append the next block."""
        before_s = self._time_s.filled[-_NEAR:]
        if not len(before_s):
            self._interval_s = part.known_interval_s
        elif len(part.time_s):
            between = self._gaps_of(np.concatenate((before_s, part.time_s[:_NEAR])))[len(before_s) - 1 :]
            self._gap_after.add(between[:1])
        self._time_s.add(part.time_s)
        self._value.add(part.value)
        self._gap_after.add(part.gap_after)

    @property
    def series(self) -> Series | None:
        """All of them; None without any."""
        if not len(self._time_s):
            return None
        return Series(self._time_s.filled, self._value.filled, self._gap_after.filled, self._interval_s)


def run_to_end(steps: Iterable[object]) -> None:
    """Run a pass, or several zipped passes, for their side effects."""
    collections.deque(steps, maxlen=0)
