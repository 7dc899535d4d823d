"""What a plot needs of a long channel: few samples, among them every peak. Nothing here changes a value.

A plot with fewer columns than samples must not hide a short peak, so the minimum and the maximum of each column are
drawn, at the times at which they were sampled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.analysis.signals.series import Flags, Floats, Series

Places = npt.NDArray[np.int64]

BLOCK = 64
"""Samples per block whose two extremes are found once; a wide view is drawn from these alone."""
FINE = 65_536
"""A view of fewer samples is drawn from all of them."""


@dataclass(frozen=True, slots=True)
class Thinned:
    """Samples to draw."""

    time_s: Floats
    """Shape (m,), never falling."""
    value: Floats
    """Shape (m,); NaN where a line must break because samples are missing."""
    alone: Places
    """Places of samples with a break on both sides, which no line would show."""


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """One channel made ready to be drawn at any zoom."""

    time_s: Floats
    """Shape (n,), strictly increasing."""
    value: Floats
    """Shape (n,), finite."""
    gaps: Places
    """Places of the samples before each gap, increasing."""
    extremes: Places
    """Places of the minimum and the maximum of each whole block, increasing; shape (2 × blocks,)."""

    @classmethod
    def of(cls, series: Series) -> Envelope:
        """Find the extremes of every block."""
        whole = len(series.value) // BLOCK
        table = series.value[: whole * BLOCK].reshape(whole, BLOCK)
        start = np.arange(whole) * BLOCK
        pairs = np.stack((start + table.argmin(axis=1), start + table.argmax(axis=1)), axis=1) if whole else start
        return cls(series.time_s, series.value, np.flatnonzero(series.gap_after), np.sort(pairs, axis=None))

    def thin(self, from_s: float, to_s: float, columns: int) -> Thinned:
        """At most about two samples for each of `columns` equal stretches of [from_s, to_s], and one beyond each end.

        The minimum and the maximum inside are among them, at their own times. Of up to `columns` gaps inside, the
        samples on both sides are included, and the line breaks there.
        """
        inside = int(np.searchsorted(self.time_s, from_s, "left")), int(np.searchsorted(self.time_s, to_s, "right"))
        first, last = max(inside[0] - 1, 0), min(inside[1] + 1, len(self.time_s))
        if last - first > 2 * columns + 2:
            inner = self._extremes(*inside, np.linspace(from_s, to_s, columns + 1)[1:-1])
            edges = self.gaps[np.searchsorted(self.gaps, first) : np.searchsorted(self.gaps, last - 1)]
            if len(edges) > columns:
                edges = edges[:0]
            places = _merged(np.array([first, last - 1]), inner, edges, edges + 1)
        else:
            places = np.arange(first, last)
        return self._broken(places)

    def ranges(self, edges_s: Floats) -> tuple[Floats, Floats]:
        """Minimum and maximum in [edge, next edge) for each stretch, shape (edges − 1,); NaN without a sample."""
        first, last = (int(place) for place in np.searchsorted(self.time_s, edges_s[[0, -1]]))
        minimum, maximum = np.full((2, len(edges_s) - 1), np.nan)
        if last > first:
            candidates = self._candidates(first, last, edges_s[1:-1])
            values, times = self.value[candidates], self.time_s[candidates]
            bounds = np.searchsorted(times, edges_s)
            filled = np.flatnonzero(np.diff(bounds))
            minimum[filled] = np.minimum.reduceat(values, bounds[:-1][filled])
            maximum[filled] = np.maximum.reduceat(values, bounds[:-1][filled])
        return minimum, maximum

    def _candidates(self, first: int, last: int, cuts_s: Floats) -> Places:
        """Places that hold the extremes of every stretch between the cuts: all, or those of whole blocks.

        A block that a cut runs through would lend its extreme to the wrong stretch, so such blocks, and the ragged
        ends, give all their samples. For a wide view that is few: one block a cut.
        """
        if last - first <= FINE:
            return np.arange(first, last)
        cuts = np.searchsorted(self.time_s, cuts_s)
        split = np.unique(np.concatenate(([first, last], cuts[(cuts > first) & (cuts < last)])) // BLOCK)
        raw = (split[:, None] * BLOCK + np.arange(BLOCK)).ravel()
        raw = raw[(raw >= first) & (raw < last)]
        low, high = np.searchsorted(self.extremes, [first, last])
        return _merged(raw, self.extremes[low:high])

    def _extremes(self, first: int, last: int, cuts_s: Floats) -> Places:
        """Places of the minimum and the maximum between the cuts."""
        places = self._candidates(first, last, cuts_s)
        values = self.value[places]
        starts = np.unique(np.concatenate(([0], np.searchsorted(self.time_s[places], cuts_s))))
        starts = starts[starts < len(places)]
        owner = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(places)))
        found = []
        for extreme in (np.minimum, np.maximum):
            hits = np.flatnonzero(values == extreme.reduceat(values, starts)[owner])
            found.append(hits[np.concatenate(([True], np.diff(owner[hits]) > 0))])
        return places[np.concatenate(found)]

    def _broken(self, places: Places) -> Thinned:
        """The samples at these places, with a NaN wherever a gap lies between two of them."""
        before = np.searchsorted(self.gaps, places)
        breaks = np.flatnonzero(np.diff(before)) + 1
        time_s, value = self.time_s[places], self.value[places]
        if not len(breaks):
            alone = np.arange(1) if len(places) == 1 else np.empty(0, np.int64)
            return Thinned(time_s, value, alone.astype(np.int64))
        middle = 0.5 * (time_s[breaks - 1] + time_s[breaks])
        time_s, value = np.insert(time_s, breaks, middle), np.insert(value, breaks, np.nan)
        missing = np.isnan(np.concatenate(([np.nan], value, [np.nan])))
        alone = np.flatnonzero(missing[:-2] & ~missing[1:-1] & missing[2:])
        return Thinned(time_s, value, alone.astype(np.int64))


def _merged(*sorted_places: Places) -> Places:
    """All places in order, each once. Sorting runs that are in order already is quicker than hashing them."""
    places = np.sort(np.concatenate(sorted_places), kind="stable")
    return places[np.concatenate(([True], np.diff(places) > 0))]


@dataclass(frozen=True, slots=True, eq=False)
class Density:
    """How long two quantities stayed together in each cell of a grid."""

    x_edges: Floats
    """Shape (columns + 1,)."""
    y_edges: Floats
    """Shape (rows + 1,)."""
    seconds: Floats
    """Shape (rows, columns)."""


def density(time_s: Floats, x: Floats, y: Floats, gap_after: Flags, columns: int, rows: int) -> Density:
    """Time spent in each cell, each sample counting for the interval after it, gaps not at all.

    All shapes (n,), `gap_after` (n − 1,), n ≥ 2. The grid spans both quantities; the seconds add up to sampled time.
    """
    weight = np.where(gap_after, 0.0, np.diff(time_s))
    x_edges, across = _cells(x[:-1], columns)
    y_edges, up = _cells(y[:-1], rows)
    seconds = np.bincount(up * columns + across, weight, rows * columns).astype(np.float64)
    return Density(x_edges, y_edges, seconds.reshape(rows, columns))


def _cells(values: Floats, count: int) -> tuple[Floats, Places]:
    """Equal cells from the minimum to the maximum, and the cell of each value."""
    low, high = float(values.min()), float(values.max())
    if high <= low:
        low, high = low - 0.5, high + 0.5
    place = ((values - low) * (count / (high - low))).astype(np.int64)
    return np.linspace(low, high, count + 1), np.minimum(place, count - 1)
