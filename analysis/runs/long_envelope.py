"""One channel of a long run, ready to plot: extremes of its blocks are in memory, a narrow view reads samples."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from amptally.analysis.runs.run import Run
from amptally.analysis.signals.decimation import BLOCK, FINE, Envelope, Thinned
from amptally.analysis.signals.series import Floats, Series, cut


@dataclass(frozen=True, slots=True, eq=False)
class LongEnvelope:
    """Offers what `Envelope` offers.

    A wide view shows the minimum and the maximum of every block of 64 samples, at their own times: no peak is hidden,
    but a column may also show an extreme of a block that only begins or ends in it.
    """

    run: Run
    si_name: str
    extremes: Series
    """Extremes of all blocks and the samples beside gaps, each at its time."""

    @classmethod
    def of(cls, run: Run, si_name: str) -> LongEnvelope | None:
        """Read the channel once; None without a valid sample."""
        parts = list(_extremes(run, si_name))
        if not parts:
            return None
        # Each begins with the last sample of the one before.
        time_s, value = (
            np.concatenate([each[0], *(part[1:] for part in each[1:])])
            for each in ([part.time_s for part in parts], [part.value for part in parts])
        )
        return cls(run, si_name, Series(time_s, value, np.concatenate([part.gap_after for part in parts])))

    def _few(self, from_s: float, to_s: float) -> bool:
        """Whether a view holds few enough samples to show each of them."""
        return to_s - from_s <= FINE * (self.run.interval_s or 0.0)

    def _seen(self, from_s: float, to_s: float) -> Envelope | None:
        """What a view is drawn from: samples, or extremes and one more at each end."""
        if self._few(from_s, to_s):
            series = self.run.part(from_s, to_s).series(self.si_name)
            if series is not None:
                return Envelope.of(series)
        first, stop = (
            np.searchsorted(self.extremes.time_s, from_s),
            np.searchsorted(self.extremes.time_s, to_s, "right"),
        )
        near = cut(self.extremes, max(int(first) - 1, 0), int(stop) + 1)
        return Envelope.of(near) if len(near.time_s) else None

    def thin(self, from_s: float, to_s: float, columns: int) -> Thinned:
        """As `Envelope.thin`."""
        seen = self._seen(from_s, to_s)
        if seen is None:
            nothing = np.empty(0)
            return Thinned(nothing, nothing, np.empty(0, np.int64))
        return seen.thin(from_s, to_s, columns)

    def ranges(self, edges_s: Floats) -> tuple[Floats, Floats]:
        """As `Envelope.ranges`."""
        seen = self._seen(float(edges_s[0]), float(edges_s[-1]))
        if seen is None:
            minimum, maximum = np.full((2, len(edges_s) - 1), np.nan)
            return minimum, maximum
        return seen.ranges(edges_s)


def _extremes(run: Run, si_name: str) -> Iterator[Series]:
    """Of each stretch, which begins with the last sample of the one before, the extremes of its blocks, its ends and
    the samples beside gaps; gaps between them marked."""
    for number, part in enumerate(run.stretches(si_name)):
        first = min(number, 1)  # the sample before it stands in the blocks of the stretch before
        gaps = np.flatnonzero(part.gap_after)
        whole = (len(part.value) - first) // BLOCK
        table = part.value[first : first + whole * BLOCK].reshape(whole, BLOCK)
        begin = first + np.arange(whole) * BLOCK
        rest = np.arange(first + whole * BLOCK, len(part.value))
        ends = np.array([0, len(part.value) - 1])
        found = (begin + table.argmin(axis=1), begin + table.argmax(axis=1), rest, ends, gaps, gaps + 1)
        places = np.unique(np.concatenate(found))
        places = places[places < len(part.value)]
        crossed = np.diff(np.searchsorted(gaps, places)) > 0
        yield Series(part.time_s[places], part.value[places], crossed)
