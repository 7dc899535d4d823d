"""The search for the windows with the largest integral, for many lengths at once: blocks of pieces, bounds on them.

A block is skipped only when no window that starts in it can hold more than the best one known. All lengths go
through the levels of blocks together, as pairs of a length and a block, so that an array is long enough to be worth
its call.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

FIRST_BLOCKS = 64
"""A search begins with the largest blocks of which there are at least this many."""
NEGLIGIBLE = 1e-12
"""Relative gain in the integral that is not worth a further search."""
ROUGH_PAIRS = 1024
"""More pairs than this are filtered by the cheaper bound first."""
SPLIT_PAIRS = 2048
"""Of more pairs than this the best bound of each length is searched first."""
MAX_PAIRS = 1 << 16
"""Searched together at most."""
MAX_SOLVED = 512
"""Small blocks solved together at most."""
CACHED_PAIRS = 1 << 13
"""Bounds of this many pairs fit the cache."""
_SLACK_TICKS = 4
"""What rounding to whole ticks can do to a bound."""


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Extremes of i² in consecutive blocks of `size` pieces, and the integral up to their ends."""

    size: int
    max_a2: Array
    min_a2: Array
    edge_s: Array
    """Ends of the blocks on the axis: one more than there are blocks."""
    edge_ticks: Index
    """Integral of i² up to them, in whole ticks: a float would lose the short windows of a day."""

    def __len__(self) -> int:
        return len(self.max_a2)

    def holding(self, x_s: Array) -> Index:
        """The block that holds, or begins at, each axis position."""
        place = np.searchsorted(self.edge_s, x_s, "right") - 1
        return np.minimum(place, len(self) - 1)

    def ending(self, x_s: Array) -> Index:
        """The block that holds, or ends at, each axis position."""
        return np.clip(np.searchsorted(self.edge_s, x_s) - 1, 0, len(self) - 1)


def larger_blocks(
    edge_s: Array, ticks: Index, max_a2: Array, min_a2: Array, inner: int, sizes: tuple[int, ...]
) -> tuple[Blocks, ...]:
    """Blocks of ever larger sizes, the largest first, from those of `inner` pieces and what is known at their ends."""
    blocks: list[Blocks] = []
    for size in sorted(sizes):
        if size > inner:
            edges = np.arange(0, len(max_a2), size // inner)
            max_a2, min_a2 = np.maximum.reduceat(max_a2, edges), np.minimum.reduceat(min_a2, edges)
            ends = np.append(edges, len(edge_s) - 1)
            edge_s, ticks, inner = edge_s[ends], ticks[ends], size
        blocks.append(Blocks(size, max_a2, min_a2, edge_s, ticks))
    return tuple(reversed(blocks))


def within(outer: Blocks, inner: Blocks, chosen: Index) -> tuple[Index, Index]:
    """The inner blocks of chosen outer ones, and the place in `chosen` of each."""
    each = outer.size // inner.size
    place = np.repeat(np.arange(len(chosen)), each)
    found = (chosen[:, None] * each + np.arange(each)).ravel()
    inside = found < len(inner)
    return found[inside], place[inside]


def rough(blocks: Blocks, home: Index, window_s: Array, tick_a2s: float, max_a2: float) -> tuple[float, Array]:
    """For windows that start in the blocks `home`, from what is known of whole blocks alone: no window holds more.

    Neither more than all blocks it can touch, nor more than T times the maximum of i² in them.
    """
    last = len(blocks) - 1
    far = np.minimum(np.searchsorted(blocks.edge_s, blocks.edge_s[home + 1] + window_s, "right") - 1, last)
    held = (blocks.edge_ticks[far + 1] - blocks.edge_ticks[home] + _SLACK_TICKS) * tick_a2s
    near = np.minimum(home + 1, last)
    touched = np.maximum(np.maximum(blocks.max_a2[home], blocks.max_a2[near]), blocks.max_a2[far])
    bound: Array = np.minimum(held, window_s * np.where(far - home <= 2, touched, max_a2))
    return 0.0, bound * (1 + NEGLIGIBLE)


def _part(blocks: Blocks, place: Index, x_s: Array, tick_a2s: float) -> tuple[Array, Array]:
    """Integral from the beginning of a block to a position in it: at least, at most."""
    before, behind = x_s - blocks.edge_s[place], blocks.edge_s[place + 1] - x_s
    whole = (blocks.edge_ticks[place + 1] - blocks.edge_ticks[place]) * tick_a2s
    maximum, minimum = blocks.max_a2[place], blocks.min_a2[place]
    return (
        np.maximum(minimum * before, whole - maximum * behind),
        np.minimum(maximum * before, whole - minimum * behind),
    )


def close(blocks: Blocks, home: Index, window_s: Array, tick_a2s: float, max_a2: float) -> tuple[Array, Array]:
    """For windows that start in the blocks `home`: what the best of them holds at least, and what none exceeds.

    With G(s) = F(s + T) − F(s) for a start between lo and hi, the smallest of three bounds counts:
    - F never falls, so G(s) ≤ F(hi + T) − F(lo);
    - G rises by at most P = max i²(end) − min i²(start) per second and falls by at most N likewise, so it stays
      below the two lines from its end values, which meet at (G_lo·N + G_hi·P + h·P·N) / (P + N);
    - no window holds more than T times the maximum of i² that it can touch.
    F between the edges of blocks is known to what their extremes leave open.
    """
    length_s = blocks.edge_s[-1]
    lo = blocks.edge_s[home]
    hi = np.minimum(blocks.edge_s[home + 1], length_s - window_s)
    near, far = blocks.holding(lo + window_s), blocks.ending(hi + window_s)
    far = np.maximum(near, far)
    to_near = (blocks.edge_ticks[near] - blocks.edge_ticks[home]) * tick_a2s
    to_far = (blocks.edge_ticks[far] - blocks.edge_ticks[home]) * tick_a2s
    near_least, near_most = _part(blocks, near, lo + window_s, tick_a2s)
    far_least, far_most = _part(blocks, far, np.minimum(hi + window_s, length_s), tick_a2s)
    home_least, home_most = _part(blocks, home, hi, tick_a2s)
    at_lo, at_hi, both = to_near + near_most, to_far + far_most - home_least, to_far + far_most
    middle = np.minimum(near + 1, far)
    few = far - near <= 2
    own_most, own_least = blocks.max_a2[home], blocks.min_a2[home]
    end_most = np.maximum(np.maximum(blocks.max_a2[near], blocks.max_a2[middle]), blocks.max_a2[far])
    end_least = np.minimum(np.minimum(blocks.min_a2[near], blocks.min_a2[middle]), blocks.min_a2[far])
    end_most, end_least = np.where(few, end_most, max_a2), np.where(few, end_least, 0.0)
    rise, fall = np.maximum(end_most - own_least, 0.0), np.maximum(own_most - end_least, 0.0)
    slopes = rise + fall
    meet = np.divide(at_lo * fall + at_hi * rise + (hi - lo) * rise * fall, slopes, out=at_lo, where=slopes > 0)
    touched = np.where(near - home <= 1, np.maximum(own_most, end_most), max_a2)
    lower = np.maximum(to_near + near_least, to_far + far_least - home_most)
    upper = np.maximum(np.minimum(np.minimum(meet, both), window_s * touched), lower)
    slack = _SLACK_TICKS * tick_a2s
    # The end of a window is rounded to the resolution of the axis: late ones may be longer by that.
    longer = 2 * max_a2 * np.spacing(length_s)
    return lower * (1 - NEGLIGIBLE) - slack - longer, upper * (1 + NEGLIGIBLE) + slack


Bounds = Callable[[Blocks, Index, Array, float, float], tuple[Array | float, Array]]
"""`rough` or `close`."""
Solve = Callable[[Index, Array], tuple[Index, Array, Array]]
"""From small blocks and a window's length for each: windows that start in them, the best of each block among them, as
the place of the block, what the window holds and where it starts."""


class Search:
    """The best windows of some lengths, each shorter than the axis."""

    def __init__(
        self,
        blocks: tuple[Blocks, ...],
        tick_a2s: float,
        max_a2: float,
        windows_s: Array,
        floors_a2s: Array,
    ) -> None:
        """Only windows above their floor count."""
        self._blocks, self._tick_a2s, self._greatest_a2 = blocks, tick_a2s, max_a2
        self._windows_s = windows_s
        self.best_a2s = floors_a2s.copy()
        self.start_s: Array = np.full(len(windows_s), np.nan)
        """Where the best window begins; NaN where none is above its floor."""
        # What some window is known to hold.
        self._sure_a2s = np.full(len(windows_s), -np.inf)

    def run(self, solve: Solve) -> None:
        """Search all blocks."""
        level = next((k for k, each in enumerate(self._blocks) if len(each) >= FIRST_BLOCKS), len(self._blocks) - 1)
        blocks = self._blocks[level]
        counts = np.searchsorted(blocks.edge_s[:-1], blocks.edge_s[-1] - self._windows_s, "right")
        for begin, stop in _batches(counts):
            which = np.repeat(np.arange(begin, stop), counts[begin:stop])
            home = np.concatenate([np.arange(count) for count in counts[begin:stop]])
            alive, _ = self._candidates(rough, level, which, home, solve)
            self._search_pairs(level, which[alive], home[alive], solve)

    def _bounds(self, bounds: Bounds, blocks: Blocks, which: Index, home: Index) -> tuple[Array, Array]:
        """What the best window of each pair holds: at least, at most."""
        lower, upper = np.empty(len(which)), np.empty(len(which))
        for begin in range(0, len(which), CACHED_PAIRS):
            part = slice(begin, begin + CACHED_PAIRS)
            window_s = self._windows_s[which[part]]
            lower[part], upper[part] = bounds(blocks, home[part], window_s, self._tick_a2s, self._greatest_a2)
        return lower, upper

    def _may_win(self, which: Index, upper_a2s: Array) -> Index:
        """Pairs whose bound beats the best."""
        best = self.best_a2s[which]
        return np.flatnonzero((upper_a2s > best + NEGLIGIBLE * np.abs(best)) & (upper_a2s >= self._sure_a2s[which]))

    def _search_pairs(self, level: int, which: Index, home: Index, solve: Solve) -> None:
        """Search the blocks `home` of one level for windows of the lengths `which`, rising, one by one paired."""
        if not len(which):
            return
        if len(which) > ROUGH_PAIRS:
            alive = self._may_win(which, self._bounds(rough, self._blocks[level], which, home)[1])
            which, home = which[alive], home[alive]
        rest, upper = self._candidates(close, level, which, home, solve)
        step = MAX_SOLVED if level + 1 == len(self._blocks) else MAX_PAIRS
        if step < len(rest):
            # The largest bounds first; then one length after another from front to back, the best order to read a file.
            ahead = np.argpartition(self.best_a2s[which[rest]] - upper[rest], step)[:step]
            rest = np.concatenate((rest[np.sort(ahead)], np.delete(rest, ahead)))
        for begin in range(0, len(rest), step):
            part = rest[begin : begin + step]
            alive = part[self._may_win(which[part], upper[part])]
            self._descend(level, which[alive], home[alive], solve)

    def _candidates(self, bounds: Bounds, level: int, which: Index, home: Index, solve: Solve) -> tuple[Index, Array]:
        """Pairs that may beat the best, and the bounds of all; of many the top one of each length is searched first."""
        lower, upper = self._bounds(bounds, self._blocks[level], which, home)
        np.maximum.at(self._sure_a2s, which, lower)
        alive = self._may_win(which, upper)
        if len(alive) > SPLIT_PAIRS:
            first = alive[_top_of_each(which[alive], upper[alive])]
            self._descend(level, which[first], home[first], solve)
            alive = alive[self._may_win(which[alive], upper[alive])]
        return alive, upper

    def _descend(self, level: int, which: Index, home: Index, solve: Solve) -> None:
        """Search what is in the blocks."""
        if not len(which):
            return
        if level + 1 == len(self._blocks):
            pair, integral_a2s, start_s = solve(home, self._windows_s[which])
            self._take_better(which[pair], integral_a2s, start_s)
            return
        outer, inner = self._blocks[level], self._blocks[level + 1]
        smaller, place = within(outer, inner, home)
        which = which[place]
        fits = inner.edge_s[smaller] <= inner.edge_s[-1] - self._windows_s[which]
        self._search_pairs(level + 1, which[fits], smaller[fits], solve)

    def _take_better(self, which: Index, integral_a2s: Array, start_s: Array) -> None:
        """Take the best window of each length where it beats what is known; the first of equals."""
        top = np.full(len(self._windows_s), -np.inf)
        np.maximum.at(top, which, integral_a2s)
        better = top > self.best_a2s
        hits = np.flatnonzero(better[which] & (integral_a2s == top[which]))[::-1]
        self.start_s[which[hits]] = start_s[hits]
        self.best_a2s[better] = top[better]


def _batches(counts: Index) -> list[tuple[int, int]]:
    """Consecutive lengths of no more than MOST_PAIRS pairs in all, or one."""
    found, first, pairs = [], 0, 0
    for place, count in enumerate(counts.tolist()):
        if pairs and pairs + count > MAX_PAIRS:
            found.append((first, place))
            first, pairs = place, 0
        pairs += count
    return [*found, (first, len(counts))]


def _top_of_each(which: Index, upper_a2s: Array) -> Index:
    """The pair with the largest bound of each length; `which` is increasing."""
    if not len(which):
        return which
    starts = np.flatnonzero(np.concatenate(([True], which[1:] != which[:-1])))
    most = np.maximum.reduceat(upper_a2s, starts)
    hits = np.flatnonzero(upper_a2s == np.repeat(most, np.diff(np.append(starts, len(which)))))
    # A peak bounds the block before it, too: the last of equals is its own.
    last = np.append(which[hits[1:]] != which[hits[:-1]], True)
    return np.asarray(hits[last])
