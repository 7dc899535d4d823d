"""The integral of i² over any stretch of a piecewise linear current, and the window of a given length that holds most.

Piece k of m runs from axis_s[k] to axis_s[k + 1] and from start_a[k] to end_a[k]; pieces may jump at their ends and may
have no length. With d the length and a, b the end values, the integral over a whole piece is d/3 · (a² + a·b + b²).

The window [s, s + T] holds G(s) = F(s + T) − F(s), with dG/ds = i²(s + T) − i²(s). Between two neighbouring points of
{axis} ∪ {axis − T} G is a cubic, so its maximum is at such a point or where |i(s)| = |i(s + T)|: two linear equations.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.window_search import (
    NEGLIGIBLE,
    Array,
    Best,
    Blocks,
    Index,
    Mask,
    densest,
    first_level,
    grown,
    passing,
    rough,
)

BLOCK_PIECES = (65_536, 4096, 256, 16)
"""Sizes of the blocks of the search, each a multiple of the next."""
_STRETCH_BLOCKS = 4096


def _flat_ranges(begin: Index, end: Index) -> tuple[Index, Index]:
    """All k with begin[j] ≤ k < end[j], and the j of each."""
    counts = np.maximum(end - begin, 0)
    owner = np.repeat(np.arange(len(begin)), counts)
    offset = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    return owner, begin[owner] + offset


def piece_ticks(axis_s: Array, start_a: Array, end_a: Array, size: int, tick_a2s: float) -> tuple[Index, Array, Array]:
    """Integral of i² up to each end of a piece in whole ticks; greatest and least i² of each `size` pieces.

    In stretches that fit the cache.
    """
    count = len(start_a)
    ticks = np.zeros(count + 1, np.int64)
    greatest, least = np.empty(-(-count // size)), np.empty(-(-count // size))
    for begin in range(0, count, size * _STRETCH_BLOCKS):
        part = slice(begin, min(begin + size * _STRETCH_BLOCKS, count))
        start, end = start_a[part], end_a[part]
        start2, end2, across = start * start, end * end, start * end
        whole = np.diff(axis_s[part.start : part.stop + 1])
        whole *= start2 + across + end2
        whole /= 3 * tick_a2s
        behind = ticks[part.start + 1 : part.stop + 1]
        behind[:] = np.rint(whole, out=whole)
        behind[0] += ticks[part.start]
        np.cumsum(behind, out=behind)
        edges = np.arange(0, part.stop - part.start, size)
        block = slice(begin // size, begin // size + len(edges))
        greatest[block] = np.maximum.reduceat(np.maximum(start2, end2), edges)
        lower = np.minimum(start2, end2, out=start2)
        lower[across < 0] = 0.0
        least[block] = np.minimum.reduceat(lower, edges)
    return ticks, greatest, least


@dataclass(frozen=True, slots=True, eq=False)
class SquareIntegral:
    """Pieces with their prefix integral; made by `prepare`."""

    axis_s: Array
    """Ends of the pieces, shape (m + 1,), never falling; the first is 0."""
    start_a: Array
    end_a: Array
    ticks: Index
    """Integral of i² up to axis_s[k] in units of `tick_a2s`. Whole numbers, so that the difference of two late values
    is exact: a float prefix sum over a day would lose the short windows."""
    tick_a2s: float
    blocks: tuple[Blocks, ...]
    """From large to small."""
    greatest_a2: float
    corners_s: Array
    """Axis positions of jumps and of pieces without length."""

    @classmethod
    def prepare(cls, axis_s: Array, start_a: Array, end_a: Array) -> SquareIntegral:
        """Arrays in s and A, shapes (m + 1,), (m,), (m,), m ≥ 1. Raises ValueError on values that are not finite."""
        inner = BLOCK_PIECES[-1]
        # What no integral can exceed gives the tick. A power of two scales without rounding; each piece is then off by
        # half a tick, less than m / 2**61 of that in all.
        most = float(np.max([[np.max(part), -np.min(part)] for part in (start_a, end_a)])) ** 2 * float(axis_s[-1])
        if not math.isfinite(most):
            raise ValueError("current and time must be finite numbers")
        tick = math.ldexp(1.0, max(math.frexp(most)[1], -900) - 62)
        ticks, greatest, least = piece_ticks(axis_s, start_a, end_a, inner, tick)
        ends = np.append(np.arange(0, len(start_a), inner), len(start_a))
        blocks = grown(axis_s[ends], ticks[ends], greatest, least, inner, BLOCK_PIECES)
        jumps = np.flatnonzero(end_a[:-1] != start_a[1:]) + 1
        corners = axis_s[np.concatenate((jumps, np.flatnonzero(axis_s[1:] == axis_s[:-1])))]
        return cls(axis_s, start_a, end_a, ticks, tick, blocks, float(greatest.max()), corners)

    @property
    def length_s(self) -> float:
        """Length of the axis in s."""
        return float(self.axis_s[-1])

    def span(self, from_s: float, to_s: float) -> tuple[int, int]:
        """First and end (exclusive) of the pieces between two axis positions, with a few more on both sides."""
        first, stop = np.searchsorted(self.axis_s, (from_s, to_s)).tolist()
        return max(first - 4, 0), min(stop + 4, len(self.start_a))

    def load(self, first: int, stop: int) -> tuple[Array, Array, Array]:
        """Pieces `first` to `stop` (exclusive): their ends on the axis, their first and their last currents."""
        return self.axis_s[first : stop + 1], self.start_a[first:stop], self.end_a[first:stop]

    def locate(self, x_s: Array) -> Index:
        """The piece that holds, or begins at, each axis position."""
        place = np.searchsorted(self.axis_s, x_s, side="right") - 1
        return np.minimum(place, len(self.start_a) - 1)

    def _inside(self, x_s: Array, piece: Index) -> tuple[Array, Array, Array]:
        """Offset into the piece, current there, and the current's slope; the offset is kept within the piece."""
        begin = self.axis_s[piece]
        length = self.axis_s[piece + 1] - begin
        offset = np.clip(x_s - begin, 0.0, length)
        start = self.start_a[piece]
        slope = np.divide(self.end_a[piece] - start, length, out=np.zeros_like(length), where=length > 0)
        return offset, start + slope * offset, slope

    def _part(self, x_s: Array, piece: Index) -> Array:
        """Integral from the beginning of the piece to x."""
        offset, here, _ = self._inside(x_s, piece)
        start = self.start_a[piece]
        return offset / 3 * (start * start + start * here + here * here)

    def between(self, from_s: Array, to_s: Array) -> Array:
        """Integral of i² from one axis position to another, in A²s; arrays of one shape."""
        first, last = self.locate(from_s), self.locate(to_s)
        whole = (self.ticks[last] - self.ticks[first]) * self.tick_a2s
        total: Array = whole + (self._part(to_s, last) - self._part(from_s, first))
        return total

    def pieces_around(self, level_a: float) -> Index:
        """Pieces of the smallest blocks in which |i| is neither always below nor always above `level_a` ≥ 0."""
        blocks = self.blocks[-1]
        # Rounding keeps the order of squares, so that both limits count in.
        mixed = np.flatnonzero((blocks.least_a2 <= level_a**2) & (blocks.greatest_a2 >= level_a**2))
        pieces = (mixed[:, None] * blocks.size + np.arange(blocks.size)).ravel()
        return pieces[pieces < len(self.start_a)]

    def level_points(self, level_a: float) -> Array:
        """Sorted axis positions where |i| passes `level_a` ≥ 0, jumps, and both ends."""
        found = [np.array([0.0, self.length_s])]
        touched = self.pieces_around(level_a)
        length = self.axis_s[touched + 1] - self.axis_s[touched]
        for level in (level_a, -level_a):
            start, end = self.start_a[touched], self.end_a[touched]
            passing = ((start < level) != (end < level)) & (length > 0)
            share = (level - start[passing]) / (end - start)[passing]
            found.append(self.axis_s[touched[passing]] + share * length[passing])
        return np.unique(np.concatenate([*found, self.corners_s]))

    def _bounds(self, blocks: Blocks, first: Index, window_s: float, best: Best) -> Array:
        """For windows that start in the block beginning at piece `first`: no one holds more than this.

        The windows at both ends of each block are offered to `best` on the way. Three bounds, the least counts:
        - F never falls, so G(s) ≤ F(hi + T) − F(lo);
        - G rises by at most P = max i²(end) − min i²(start) per second and falls by at most N likewise, so it stays
          below the two lines from its end values, which meet at (G_lo·N + G_hi·P + h·P·N) / (P + N);
        - no window holds more than T times the greatest i² it can touch.
        """
        last = np.minimum(first + blocks.size, len(self.start_a))
        lo = self.axis_s[first]
        hi = np.minimum(self.axis_s[last], self.length_s - window_s)
        hi_piece = np.minimum(last, len(self.start_a) - 1)
        cut = np.flatnonzero(hi < self.axis_s[hi_piece])
        hi_piece[cut] = self.locate(hi[cut])
        lo_end, hi_end = self.locate(lo + window_s), self.locate(hi + window_s)
        part_lo_end, part_hi_end = self._part(lo + window_s, lo_end), self._part(hi + window_s, hi_end)
        at_lo = (self.ticks[lo_end] - self.ticks[first]) * self.tick_a2s + part_lo_end
        at_hi = (self.ticks[hi_end] - self.ticks[hi_piece]) * self.tick_a2s + part_hi_end - self._part(hi, hi_piece)
        both = (self.ticks[hi_end] - self.ticks[first]) * self.tick_a2s + part_hi_end
        best.offer(at_lo, lo)
        best.offer(at_hi, hi)
        home, near, far = first // blocks.size, lo_end // blocks.size, hi_end // blocks.size
        middle = np.minimum(near + 1, far)
        few = far - near <= 2
        end_most = np.maximum(np.maximum(blocks.greatest_a2[near], blocks.greatest_a2[middle]), blocks.greatest_a2[far])
        end_least = np.minimum(np.minimum(blocks.least_a2[near], blocks.least_a2[middle]), blocks.least_a2[far])
        end_most = np.where(few, end_most, self.greatest_a2)
        end_least = np.where(few, end_least, 0.0)
        rise = np.maximum(end_most - blocks.least_a2[home], 0.0)
        fall = np.maximum(blocks.greatest_a2[home] - end_least, 0.0)
        slopes = rise + fall
        meet = np.divide(
            at_lo * fall + at_hi * rise + (hi - lo) * rise * fall, slopes, out=at_lo.copy(), where=slopes > 0
        )
        touched = np.where(near - home <= 1, np.maximum(blocks.greatest_a2[home], end_most), self.greatest_a2)
        upper = np.minimum(np.minimum(meet, both), window_s * touched)
        bound: Array = np.maximum(upper, np.maximum(at_lo, at_hi))
        return bound

    def _exact(self, first: Index, size: int, window_s: float, best: Best) -> None:
        """Offer the greatest window that starts in the blocks at `first`, cell by cell."""
        lo = self.axis_s[first]
        last = np.minimum(first + size, len(self.start_a))
        hi = np.minimum(self.axis_s[last], self.length_s - window_s)
        owner_start, vertex = _flat_ranges(first, last + 1)
        owner_end, end_vertex = _flat_ranges(
            np.searchsorted(self.axis_s, lo + window_s, side="right"),
            np.searchsorted(self.axis_s, hi + window_s, side="left"),
        )
        owner = np.concatenate([owner_start, owner_end, np.arange(len(first))])
        point = np.concatenate([self.axis_s[vertex], self.axis_s[end_vertex] - window_s, hi])
        point = np.clip(point, lo[owner], hi[owner])
        order = np.lexsort((point, owner))
        owner, point = owner[order], point[order]
        real = (owner[1:] == owner[:-1]) & (point[1:] > point[:-1])
        s, width = point[:-1][real], np.diff(point)[real]
        middle = s + width / 2
        piece, end_piece = self.locate(middle), self.locate(middle + window_s)
        offset, p1, m1 = self._inside(s, piece)
        end_offset, p2, m2 = self._inside(s + window_s, end_piece)
        a1, a2 = self.start_a[piece], self.start_a[end_piece]
        base = (self.ticks[end_piece] - self.ticks[piece]) * self.tick_a2s + (
            end_offset / 3 * (a2 * a2 + a2 * p2 + p2 * p2) - offset / 3 * (a1 * a1 + a1 * p1 + p1 * p1)
        )
        best.offer(base, s)
        for top, bottom in ((p2 - p1, m1 - m2), (-(p1 + p2), m1 + m2)):
            x = np.divide(top, bottom, out=np.zeros_like(top), where=bottom != 0)
            inner = np.flatnonzero((x > 0) & (x < width))
            x = x[inner]
            cubic = (m2 * p2 - m1 * p1)[inner] + x / 3 * (m2 * m2 - m1 * m1)[inner]
            gain = x * ((p2 * p2 - p1 * p1)[inner] + x * cubic)
            best.offer(base[inner] + gain, s[inner] + x)

    def _descend(self, first: Index, level: int, count: int, window_s: float, best: Best) -> None:
        """Search the blocks of this level that begin at `first`, through ever smaller ones where the bound allows."""
        size = self.blocks[level].size
        upper = self._bounds(self.blocks[level], first, window_s, best)
        for chosen in best.promising(first, upper):
            if level + 1 == len(self.blocks):
                self._exact(chosen, size, window_s, best)
                continue
            inner = (chosen[:, None] + np.arange(0, size, self.blocks[level + 1].size)).ravel()
            self._descend(inner[inner < count], level + 1, count, window_s, best)

    def search(
        self, window_s: float, floor_a2s: float = 0.0, forbidden: Callable[[Array], Mask] | None = None
    ) -> tuple[float, float] | None:
        """(integral in A²s, start on the axis in s) of the window of this length that holds most, if above the floor.

        0 < window_s ≤ length_s. With `forbidden`, which tells start positions that do not count, any window above the
        floor will do. Exact to rounding: a block is passed over only when no window in it can win by `NEGLIGIBLE`.
        """
        best = Best(floor_a2s, forbidden)
        if window_s >= self.length_s:
            best.offer(np.array([self.ticks[-1] * self.tick_a2s]), np.zeros(1))
        else:
            count = int(np.searchsorted(self.axis_s, self.length_s - window_s, side="right"))
            count = min(count, len(self.start_a))
            level = first_level(self.blocks, window_s / self.length_s * len(self.start_a))
            first = np.arange(0, count, self.blocks[level].size)
            bounds = rough(self.blocks[level], np.arange(len(first)), window_s, self.tick_a2s, self.greatest_a2)
            for chosen in best.promising(first, bounds):
                self._descend(chosen, level, count, window_s, best)
        return None if best.start_s is None else (best.integral_a2s, best.start_s)

    def best_from(self, window_s: float, mean_a2: float) -> tuple[float, float, float] | None:
        """(integral, start, length) of the longer window whose mean square is greatest; None if it beats nothing.

        `mean_a2` is the mean square of the best window of the length itself. Of all windows no shorter than L the best
        has length L, or both its ends lie where i² equals its own mean square λ (else a small change of that end would
        raise the mean), at a jump, or at an end of the axis. λ rises to the best of those pairs until none is better
        (Dinkelbach's iteration).
        """
        best = None
        while True:
            points = self.level_points(math.sqrt(mean_a2))
            begin, end = densest(points, self.between(np.zeros_like(points), points), mean_a2, window_s)
            length_s = float(points[end] - points[begin])
            integral = float(self.between(points[begin : begin + 1], points[end : end + 1])[0])
            if integral <= mean_a2 * length_s * (1 + NEGLIGIBLE):
                return best
            best = integral, float(points[begin]), length_s
            mean_a2 = integral / length_s

    def seconds_above(self, levels_a: Sequence[float]) -> list[tuple[float, float]]:
        """For each level ≥ 0 the time with |i| above it, and Σ (length of pieces that pass it)²; in s and s²."""
        found = []
        blocks = self.blocks[-1]
        for level in levels_a:
            piece = self.pieces_around(level)
            length = self.axis_s[piece + 1] - self.axis_s[piece]
            passing_s, passing_s2 = passing(self.start_a[piece], self.end_a[piece], length, level)
            whole_s = float(np.diff(blocks.edge_s)[blocks.least_a2 > level**2].sum())
            found.append((whole_s + passing_s, passing_s2))
        return found
