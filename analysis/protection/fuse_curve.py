"""What a fuse's table allows for how long, and where a run comes closest to it. Method: docs/methods.md."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from amptally.analysis.exposure.exposure import Exposure, Window
from amptally.tables.fuse_families import fuse_table
from amptally.tables.fuse_opening_times import FuseTable

NEAR_MARGIN = 1.25
"""A margin below it is near: the load is above 0.8 of the limit. Our own line."""
TOLERANCE = 3e-4
"""No window has a ratio below (1 − this) × the one returned."""
SPLIT = 4
"""Parts into which a range of window lengths is divided when it may hold a lower ratio than the best so far."""
JUST_LONGER = 1 + 1e-6
"""A limit that falls after a published time falls for windows longer than it: the first such window examined."""

Side = Literal["earliest", "latest"]


@dataclass(frozen=True, slots=True)
class Limit:
    """Allowed RMS by window length: log-log between the points, one level for longer windows, none for shorter ones."""

    points: tuple[tuple[float, float], ...]
    """(window_s, allowed_a), from short to long; the current never rises."""
    beyond_a: float
    """For windows longer than the last point."""

    @classmethod
    def of(cls, table: FuseTable, derated_a: float, side: Side) -> Limit:
        """The earliest or the latest opening of a fuse whose rating, derated, is `derated_a`."""
        points = []
        for row in reversed(table.limits()):
            time = row.shortest_s if side == "earliest" else row.longest_s
            if time is not None:
                points.append((time, row.percent / 100 * derated_a))
        return cls(tuple(points), derated_a if side == "earliest" else points[-1][1])

    @property
    def shortest_s(self) -> float:
        """Windows shorter than this have no limit."""
        return self.points[0][0]

    @property
    def last_s(self) -> float:
        """The longest published time."""
        return self.points[-1][0]

    def allowed_a(self, window_s: float) -> float | None:
        """The limit for windows of this length."""
        if window_s < self.shortest_s:
            return None
        for (short_s, upper_a), (long_s, lower_a) in pairwise(self.points):
            if window_s <= long_s:
                share = math.log(window_s / short_s) / math.log(long_s / short_s)
                return upper_a * math.exp(share * math.log(lower_a / upper_a))
        return self.points[-1][1] if window_s == self.last_s else self.beyond_a


def fitted_limits(family: str, rating_a: float, derated_a: float) -> tuple[Limit, Limit] | None:
    """Earliest and latest opening of a fuse; None where its family has no table for the rating."""
    table = fuse_table(family, rating_a)
    return None if table is None else (Limit.of(table, derated_a, "earliest"), Limit.of(table, derated_a, "latest"))


@dataclass(frozen=True, slots=True)
class Tightest:
    """The window where allowed / exposure is smallest."""

    ratio: float
    allowed_a: float
    window: Window


def tightest(exposure: Exposure, limit: Limit) -> Tightest | None:
    """The smallest allowed(T) / RMS(T) over all windows with a limit that the data resolve.

    None when there is no such window, or no current in any. Returned ratio ≤ true minimum × (1 + TOLERANCE).

    With H(T) = T·RMS²(T) the square of the ratio is allowed²·T / H. H never falls with T, and allowed²·T is monotone
    between two points, so over [T1, T2] the squared ratio is at least min(allowed²·T at T1, at T2) / H(T2). Lengths
    whose worst windows are known divide the range; parts are divided further (in log T) until none can hold less than
    the best. Beyond the last point the
    limit is level, and `Exposure.worst_from` gives the worst window at once.
    """
    shortest_s = max(limit.shortest_s, exposure.shortest_window_s)
    longest_s = exposure.sampled_s
    search = _Search(exposure, limit)
    if exposure.refusal(shortest_s) is not None:
        return None
    if longest_s > limit.last_s:
        first_s = min(max(limit.last_s * JUST_LONGER, shortest_s), longest_s)
        search.offer(exposure.worst_from(first_s))
    if exposure.duration_s > longest_s:
        search.offer(exposure.worst(exposure.duration_s))
    end_s = min(longest_s, limit.last_s)
    if shortest_s <= end_s:
        inner = [time for time, _ in limit.points if shortest_s < time < end_s]
        search.between([shortest_s, *inner, end_s] if end_s > shortest_s else [shortest_s])
    return search.best


class _Search:
    """Branch and bound over window lengths."""

    def __init__(self, exposure: Exposure, limit: Limit) -> None:
        self.exposure = exposure
        self.limit = limit
        self.best: Tightest | None = None

    def offer(self, window: Window) -> None:
        """Keep the window if its ratio is the smallest so far."""
        allowed = self.limit.allowed_a(window.window_s)
        if allowed is None or window.rms_a <= 0:
            return
        ratio = allowed / window.rms_a
        if self.best is None or ratio < self.best.ratio:
            self.best = Tightest(ratio, allowed, window)

    def weight(self, window_s: float) -> float:
        """allowed²·T."""
        allowed = self.limit.allowed_a(window_s)
        return math.inf if allowed is None else allowed**2 * window_s

    def cut(self) -> float:
        """Squared ratios from here on are not worth a search."""
        return math.inf if self.best is None else (self.best.ratio * (1 - TOLERANCE)) ** 2

    def between(self, lengths_s: list[float]) -> None:
        """Search all lengths from the first to the last; the limit's points among them are in the list."""
        first_s, last_s = lengths_s[0], lengths_s[-1]
        lengths_s = sorted({*lengths_s, *(length_s for length_s in self.exposure.known if first_s < length_s < last_s)})
        windows = self.exposure.worst_of(lengths_s)
        for window in windows:
            self.offer(window)
        parts = [
            _Part(short_s, long.window_s, long.rms_a**2 * long.window_s)
            for short_s, long in zip(lengths_s, windows[1:], strict=False)
        ]
        while parts := [part for part in parts if self.bound(part) < self.cut()]:
            parts = self.finer(parts)

    def bound(self, part: _Part) -> float:
        """Smallest squared ratio that a length in this part may have."""
        if part.long_a2s <= 0:
            return math.inf
        return min(self.weight(part.short_s), self.weight(part.long_s)) / part.long_a2s

    def finer(self, parts: list[_Part]) -> list[_Part]:
        """Each part in SPLIT; those that cannot hold less than the best are left out."""
        ends = [np.geomspace(part.short_s, part.long_s, SPLIT + 1).tolist() for part in parts]
        steps = [step for each in ends for step in pairwise(each[:-1])]
        # What a window as long as the long end of a step must hold for the step to be worth a search.
        needed = [min(self.weight(short_s), self.weight(long_s)) / self.cut() for short_s, long_s in steps]
        floors_a = [math.sqrt(floor_a2s / long_s) for floor_a2s, (_, long_s) in zip(needed, steps, strict=True)]
        found = self.exposure.above_of([long_s for _, long_s in steps], floors_a)
        smaller = [_Part(each[-2], part.long_s, part.long_a2s) for each, part in zip(ends, parts, strict=True)]
        for (short_s, long_s), window in zip(steps, found, strict=True):
            if window is not None:
                self.offer(window)
                smaller.append(_Part(short_s, long_s, window.rms_a**2 * long_s))
        return smaller


@dataclass(frozen=True, slots=True)
class _Part:
    """Lengths of windows between two, and H at the long one."""

    short_s: float
    long_s: float
    long_a2s: float
