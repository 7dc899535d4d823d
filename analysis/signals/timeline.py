"""When samples were taken, found in one pass, block by block: ends, usual interval, gaps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from amptally.analysis.signals.gaps import NEIGHBOURS, GapRule
from amptally.analysis.signals.sampling import Spacing, of_counts
from amptally.analysis.signals.series import Flags, Floats, Places

_LONG_STEP = 1 << 20
"""Ticks; longer steps are few, and are stored singly."""
_SHORT_STEP = 1 << 16
"""Steps up to here are counted by place, longer ones by sorting them: few are expected."""
_MARGIN = 2 * NEIGHBOURS
_BLOCK = 1 << 15
"""Times handled together: what is computed from them stays in the cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """The sample times of a run, without the times."""

    start_s: float
    end_s: float
    interval_s: float | None
    """Median over all intervals; None for a single sample."""
    gaps: Places
    """Rows before the gaps, increasing."""
    before_s: Floats
    """Times of those rows."""
    after_s: Floats
    """Times of the rows behind them."""
    spacing: Spacing
    """How far apart samples lie that have no gap between them."""

    def part(self, first: int, stop: int, start_s: float, end_s: float) -> Timeline:
        """That of rows `first` to `stop` (exclusive), whose ends are known; the usual interval and the spacing stay."""
        inside = (self.gaps >= first) & (self.gaps < stop - 1)
        interval_s = self.interval_s if stop - first > 1 else None
        gaps = self.gaps[inside] - first
        return Timeline(start_s, end_s, interval_s, gaps, self.before_s[inside], self.after_s[inside], self.spacing)

    def flags(self, first: int, stop: int) -> Flags:
        """Gap flags of the intervals between rows `first` and `stop` (exclusive), shape (stop − first − 1,)."""
        found = np.zeros(max(stop - first - 1, 0), bool)
        inside = self.gaps[(self.gaps >= first) & (self.gaps < stop - 1)]
        found[inside - first] = True
        return found

    @classmethod
    def of(cls, stretches: Iterable[Floats], rule: GapRule, tick_s: float) -> Timeline:
        """From the increasing times of consecutive stretches, none empty, which lie on whole ticks.

        Raises ValueError where a stretch begins before the one before it ends.
        """
        ends: list[float] = []
        steps = _Steps(tick_s)

        def watched() -> Iterator[Floats]:
            for times_s in stretches:
                if ends and times_s[0] <= ends[1]:
                    raise ValueError("time does not increase")
                ends[:] = [ends[0] if ends else float(times_s[0]), float(times_s[-1])]
                for begin in range(0, len(times_s), _BLOCK):
                    yield times_s[begin : begin + _BLOCK]

        found = list(_gaps(watched(), rule, steps))
        gaps, before_s, after_s = (np.concatenate(part) for part in zip(*found, strict=True))
        spaced = steps.spacing(after_s - before_s)
        return cls(ends[0], ends[1], steps.median_s(), gaps, before_s, after_s, spaced)


class _Steps:
    """Median of steps of whole ticks that come in parts."""

    def __init__(self, tick_s: float) -> None:
        self.tick_s = tick_s
        self.counts = np.zeros(_LONG_STEP + 1, np.int64)
        self.longest_counted = 0
        self.longer: list[Floats] = []

    def add(self, steps_s: Floats) -> None:
        """Count them."""
        if not len(steps_s):
            return
        shortest, longest = round(steps_s.min() / self.tick_s), round(steps_s.max() / self.tick_s)
        self.longest_counted = max(self.longest_counted, min(longest, _LONG_STEP))
        if shortest == longest <= _LONG_STEP:
            self.counts[longest] += len(steps_s)
            return
        short = np.rint(steps_s / self.tick_s)
        if longest > _LONG_STEP:
            self.longer.append(steps_s[short > _LONG_STEP])
            short = short[short <= _LONG_STEP]
        if longest > _SHORT_STEP:
            ticks, found = np.unique(short[short > _SHORT_STEP].astype(np.int64), return_counts=True)
            self.counts[ticks] += found
            short = short[short <= _SHORT_STEP]
        found = np.bincount(short.astype(np.int64))
        self.counts[: len(found)] += found

    def median_s(self) -> float | None:
        """Median of all; None without any."""
        so_far = np.cumsum(self.counts[: self.longest_counted + 1])
        rest = np.sort(np.concatenate([np.empty(0), *self.longer]))
        total, short = int(so_far[-1]) + len(rest), int(so_far[-1])
        if not total:
            return None
        middle = (
            self.tick_s * float(np.searchsorted(so_far, rank, "right")) if rank < short else float(rest[rank - short])
            for rank in ((total - 1) // 2, total // 2)
        )
        return sum(middle) / 2

    def spacing(self, gaps_s: Floats) -> Spacing:
        """How the steps that are no gaps are spread."""
        counts, longer = (
            self.counts[: self.longest_counted + 1].copy(),
            np.sort(np.concatenate([np.empty(0), *self.longer])),
        )
        for gap_s in gaps_s.tolist():
            place = round(gap_s / self.tick_s)
            if place <= _LONG_STEP:
                counts[place] -= 1
            else:
                longer = np.delete(longer, np.argmin(np.abs(longer - gap_s)))
        ticks = np.flatnonzero(counts)
        lengths_s = np.concatenate((ticks * self.tick_s, longer))
        return of_counts(lengths_s, np.concatenate((counts[ticks], np.ones(len(longer), np.int64))), len(gaps_s))


def _gaps(stretches: Iterable[Floats], rule: GapRule, steps: _Steps) -> Iterator[tuple[Places, Floats, Floats]]:
    """Rows before gaps with the times on both sides; all steps are counted on the way.

    The rule uses ten intervals on both sides (`gaps`), so blocks are judged with a margin.
    """
    held_s = np.empty(0)
    first = judged = 0  # row of the first time held, and of the first interval not yet judged
    for times_s in stretches:
        before = len(held_s)
        held_s = np.concatenate((held_s, times_s)) if before else times_s
        steps.add(np.diff(held_s[max(before - 1, 0) :]))
        sure = first + len(held_s) - 1 - _MARGIN  # intervals from here on lack neighbours behind them
        if sure > judged:
            yield _among(held_s, first, judged, sure, rule)
            judged = sure
            new_first = max(judged - _MARGIN, first)
            held_s, first = held_s[new_first - first :], new_first
    yield _among(held_s, first, judged, first + len(held_s) - 1, rule)


def _among(held_s: Floats, first: int, begin: int, stop: int, rule: GapRule) -> tuple[Places, Floats, Floats]:
    """Gaps among the intervals after rows `begin` to `stop`, `held_s` being the times from row `first` on."""
    place = np.flatnonzero(rule.find(held_s)[begin - first : max(stop - first, 0)]) + begin - first
    return place + first, held_s[place], held_s[place + 1]
