"""The integral of i² over any stretch of a piecewise linear current, and the window of a given length that holds most.

Piece k of m runs from axis_s[k] to axis_s[k + 1] and from start_a[k] to end_a[k]; pieces may jump at their ends and may
have no length. With d the length and a, b the end values, the integral over a whole piece is d/3 · (a² + a·b + b²).

Blocks of pieces are summarised in memory. Single pieces are used only where a search needs them.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from amptally.analysis.exposure.window_exact import GatheredBlocks, Rows, solve
from amptally.analysis.exposure.window_search import (
    FIRST_BLOCKS,
    Array,
    Blocks,
    Index,
    Search,
    larger_blocks,
    within,
)

BLOCK_PIECES = (65_536, 4096, 256, 16)
"""Sizes of the blocks of the search, powers of two from large to small."""
_STRETCH_PIECES = 1 << 14
_GATHERED_BLOCKS = 1 << 12
"""Blocks gathered together at most, where many may be needed."""

Pieces = tuple[Array, Array, Array]
"""Ends of consecutive pieces on the axis, shape (m + 1,), and their first and last currents, shape (m,)."""


@dataclass(frozen=True, slots=True, eq=False)
class SmallBlocks:
    """Summaries of consecutive small blocks of pieces; made by `of`."""

    edge_s: Array
    """Their ends: one more than there are blocks."""
    held_a2s: Array
    """Integral of i² over each."""
    highest_a: Array
    lowest_a: Array

    @classmethod
    def of(cls, pieces: Pieces, size: int) -> SmallBlocks:
        """Blocks of `size` pieces, a power of two; the last one may be ragged. In stretches that fit the cache."""
        axis_s, start_a, end_a = pieces
        count = len(start_a)
        blocks = -(-count // size)
        held, highest, lowest = np.empty(blocks), np.empty(blocks), np.empty(blocks)
        stretch = max(_STRETCH_PIECES // size, 1) * size
        # Two buffers for all stretches: fresh memory would cost as much as the arithmetic.
        buffers = np.empty((2, min(stretch, blocks * size)))
        for begin in range(0, count, stretch):
            stop = min(begin + stretch, count)
            axis, start, end = axis_s[begin : stop + 1], start_a[begin:stop], end_a[begin:stop]
            lacking = -(stop - begin) % size
            if lacking:
                axis, start, end = (np.pad(each, (0, lacking), "edge") for each in (axis, start, end))
            whole, other = buffers[:, : len(start)]
            np.add(start, end, out=whole)
            whole *= start
            whole += np.multiply(end, end, out=other)
            whole *= np.subtract(axis[1:], axis[:-1], out=other)
            place = slice(begin // size, -(-stop // size))
            np.add.reduceat(whole, np.arange(0, len(whole), size), out=held[place])
            highest[place] = _folded(np.maximum, np.maximum(start, end, out=whole), size)
            lowest[place] = _folded(np.minimum, np.minimum(start, end, out=whole), size)
        held /= 3
        return cls(axis_s[np.append(np.arange(0, count, size), count)], held, highest, lowest)

    def levels(self, sizes: tuple[int, ...]) -> tuple[tuple[Blocks, ...], float]:
        """Blocks from large to small, and the tick in A²s. Raises ValueError on values that are not finite."""
        minimum, square_low = self.highest_a * self.highest_a, self.lowest_a * self.lowest_a
        maximum = np.maximum(minimum, square_low)
        np.minimum(minimum, square_low, out=minimum)
        del square_low  # of a day each of these takes 43 MB
        minimum[(self.highest_a > 0) & (self.lowest_a < 0)] = 0.0
        # A bound on all integrals sets the tick. A power of two scales without rounding; each block is then off by
        # half a tick, less than its share of 2**61 of that in all.
        most = float(maximum.max()) * float(self.edge_s[-1] - self.edge_s[0])
        if not math.isfinite(most):
            raise ValueError("current and time must be finite numbers")
        tick = math.ldexp(1.0, max(math.frexp(most)[1], -900) - 62)
        ticks = np.zeros(len(self.held_a2s) + 1, np.int64)
        np.cumsum(np.rint(self.held_a2s / tick).astype(np.int64), out=ticks[1:])
        return larger_blocks(self.edge_s, ticks, maximum, minimum, sizes[-1], sizes), tick


def _folded(extreme: np.ufunc, values: Array, size: int) -> Array:
    """Extreme of each `size` values."""
    while size > 1:
        values = extreme(values[::2], values[1::2])
        size //= 2
    return values


@dataclass(frozen=True, slots=True, eq=False)
class Squares(ABC):
    """i² by blocks of pieces, and the searches in them. Subclasses provide the single pieces."""

    blocks: tuple[Blocks, ...]
    """From large to small."""
    tick_a2s: float
    """Integrals up to the edges of blocks are stored in units of this, as whole numbers, so that the difference of two
    late values is exact: a float prefix sum over a day would lose the short windows."""
    max_a2: float
    pieces: int

    @abstractmethod
    def gather(self, numbers: Index) -> Rows:
        """The pieces of some small blocks, whose numbers increase."""

    def filled_levels(self, gaps: Index, gap_s: Array, current_a: Array) -> tuple[tuple[Blocks, ...], float]:
        """Blocks and tick with a current in some pieces in which none flowed: their numbers, lengths and currents."""
        inner = self.blocks[-1]
        held_a2s, highest_a = np.diff(inner.edge_ticks) * self.tick_a2s, np.sqrt(inner.max_a2)
        np.add.at(held_a2s, gaps // inner.size, current_a**2 * gap_s)
        np.maximum.at(highest_a, gaps // inner.size, current_a)
        small = SmallBlocks(inner.edge_s, held_a2s, highest_a, np.sqrt(inner.min_a2))
        return small.levels(tuple(each.size for each in self.blocks))

    @property
    def length_s(self) -> float:
        """Length of the axis in s."""
        edge_s = self.blocks[-1].edge_s
        return float(edge_s[-1] - edge_s[0])

    def between(self, from_s: Array, to_s: Array) -> Array:
        """Integral of i² from one axis position to another, in A²s; arrays of one shape."""
        inner = self.blocks[-1]
        near = GatheredBlocks.of(inner, np.concatenate((inner.holding(from_s), inner.holding(to_s))), self.gather)
        first, last = near.at(from_s), near.at(to_s)
        whole = (near.ticks[last.row] - near.ticks[first.row]) * self.tick_a2s
        total: Array = whole + (last.line(to_s)[0] - first.line(from_s)[0])
        return total

    def search_all(self, windows_s: Array, floors_a2s: Array) -> tuple[Array, Array]:
        """(integrals in A²s, starts on the axis in s) of the windows of these lengths that hold most.

        0 < window_s ≤ length_s. NaN is the start where none is above its floor. Exact to rounding: a block is passed
        over only when no window in it can win by `NEGLIGIBLE`.
        """
        inner = self.blocks[-1]
        found_a2s, start_s = floors_a2s.copy(), np.full(len(windows_s), np.nan)
        whole = windows_s >= self.length_s
        total_a2s = inner.edge_ticks[-1] * self.tick_a2s
        begin_s = inner.edge_s[:1]
        counts = whole & (total_a2s > floors_a2s)
        found_a2s[counts], start_s[counts] = total_a2s, begin_s[0]
        rest = np.flatnonzero(~whole)
        if len(rest):
            search = Search(self.blocks, self.tick_a2s, self.max_a2, windows_s[rest], floors_a2s[rest])
            search.run(partial(solve, inner, self.tick_a2s, self.gather))
            found_a2s[rest], start_s[rest] = search.best_a2s, search.start_s
        return found_a2s, start_s

    def seconds_above(self, levels_a: Sequence[float]) -> list[tuple[float, float]]:
        """For each level ≥ 0 the time with |i| above it, and Σ (length of pieces that pass it)²; in s and s²."""
        squares = np.array(levels_a)[:, None] ** 2
        whole_s = np.zeros(len(levels_a))
        level = next((k for k, each in enumerate(self.blocks) if len(each) >= FIRST_BLOCKS), len(self.blocks) - 1)
        chosen = np.arange(len(self.blocks[level]))
        while True:
            blocks = self.blocks[level]
            above = blocks.min_a2[chosen] > squares
            # Rounding preserves the order of squares, so both limits are inclusive.
            mixed = (~above & (blocks.max_a2[chosen] >= squares)).any(axis=0)
            length_s = blocks.edge_s[chosen + 1] - blocks.edge_s[chosen]
            whole_s += (above & ~mixed) @ length_s
            chosen = chosen[mixed]
            if level + 1 == len(self.blocks):
                break
            chosen = within(blocks, self.blocks[level + 1], chosen)[0]
            level += 1
        found = np.stack((whole_s, np.zeros(len(levels_a))), axis=1)
        for begin in range(0, len(chosen), _GATHERED_BLOCKS):
            axis_s, start_a, end_a = self.gather(chosen[begin : begin + _GATHERED_BLOCKS])
            pieces = start_a.ravel(), end_a.ravel(), np.diff(axis_s).ravel()
            found += [passing(*pieces, level_a) for level_a in levels_a]
        return [(above_s, passed_s2) for above_s, passed_s2 in found.tolist()]


def passing(start_a: Array, end_a: Array, length_s: Array, level_a: float) -> tuple[float, float]:
    """Time with |i| > level of linear pieces, and Σ length² of those that pass the level; in s and s²."""
    share = np.zeros_like(length_s)
    for sign in (1.0, -1.0):
        start, end = sign * start_a, sign * end_a
        most, span = np.maximum(start, end), np.abs(end - start)
        flat = (most > level_a).astype(np.float64)
        share += np.clip(np.divide(most - level_a, span, out=flat, where=span > 0), 0.0, 1.0)
    passed = length_s[(share > 0) & (share < 1)]
    return float(share @ length_s), float(passed @ passed)


@dataclass(frozen=True, slots=True, eq=False)
class SquareIntegral(Squares):
    """Pieces that are in memory; made by `prepare`."""

    axis_s: Array
    """Ends of the pieces, shape (m + 1,), never falling."""
    start_a: Array
    end_a: Array

    @classmethod
    def prepare(cls, axis_s: Array, start_a: Array, end_a: Array) -> SquareIntegral:
        """Arrays in s and A, shapes (m + 1,), (m,), (m,), m ≥ 1. Raises ValueError on values that are not finite."""
        small = SmallBlocks.of((axis_s, start_a, end_a), BLOCK_PIECES[-1])
        return cls.known(small, axis_s, start_a, end_a, BLOCK_PIECES)

    @classmethod
    def known(
        cls, small: SmallBlocks, axis_s: Array, start_a: Array, end_a: Array, sizes: tuple[int, ...]
    ) -> SquareIntegral:
        """The same where the small blocks are known."""
        blocks, tick = small.levels(sizes)
        return cls(blocks, tick, float(blocks[0].max_a2.max()), len(start_a), axis_s, start_a, end_a)

    def span(self, from_s: float, to_s: float) -> tuple[int, int]:
        """First and end (exclusive) of the pieces between two axis positions, with a few more on both sides."""
        first, stop = np.searchsorted(self.axis_s, (from_s, to_s)).tolist()
        return max(first - 4, 0), min(stop + 4, self.pieces)

    def filled(self, gaps: Index, gap_s: Array, current_a: Array) -> SquareIntegral:
        """The same with a current ≥ 0 in some pieces in which none flowed: their numbers, lengths and currents."""
        blocks, tick = self.filled_levels(gaps, gap_s, current_a)
        start_a, end_a = self.start_a.copy(), self.end_a.copy()
        start_a[gaps] = end_a[gaps] = current_a
        return SquareIntegral(blocks, tick, float(blocks[0].max_a2.max()), self.pieces, self.axis_s, start_a, end_a)

    def load(self, first: int, stop: int) -> Pieces:
        """Pieces `first` to `stop` (exclusive): their ends on the axis, their first and their last currents."""
        return self.axis_s[first : stop + 1], self.start_a[first:stop], self.end_a[first:stop]

    def gather(self, numbers: Index) -> Rows:
        """As `Squares.gather`."""
        size = self.blocks[-1].size
        edge = numbers[:, None] * size + np.arange(size + 1)
        piece = edge[:, :-1]
        if len(numbers) and (numbers[-1] + 1) * size > self.pieces:
            edge, piece = np.minimum(edge, self.pieces), np.minimum(piece, self.pieces - 1)
        return self.axis_s[edge], self.start_a[piece], self.end_a[piece]
