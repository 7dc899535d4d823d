"""Single pieces of a piecewise linear current, gathered by small blocks, and windows that start in them, exactly.

The window [s, s + T] holds G(s) = F(s + T) − F(s), with dG/ds = i²(s + T) − i²(s). Between two neighbouring points of
{axis} ∪ {axis − T} G is a cubic, so its maximum is at such a point or where |i(s)| = |i(s + T)|: two linear equations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from amptally.analysis.exposure.window_search import Array, Blocks, Index

MAX_BLOCKS = 1 << 14
"""Blocks gathered together at most at the ends of windows."""
Rows = tuple[Array, Array, Array]
"""Small blocks of pieces: ends on the axis, shape (n, size + 1), first and last currents, shape (n, size). What the
last block lacks are pieces without length."""


@dataclass(frozen=True, slots=True, eq=False)
class GatheredBlocks:
    """Some small blocks with all their pieces; made by `of`."""

    number: Index
    """Which blocks, increasing."""
    ticks: Index
    """Integral of i² up to each."""
    axis_s: Array
    """Ends of the pieces, shape (n, size + 1)."""
    start_a: Array
    """Shape (n, size)."""
    end_a: Array
    so_far_a2s: Array
    """Integral from the beginning of the block to each piece, shape (n, size)."""

    @classmethod
    def of(cls, blocks: Blocks, wanted: Index, gather: Callable[[Index], Rows]) -> GatheredBlocks:
        """The blocks `wanted`, in any order."""
        number = np.unique(wanted)
        axis_s, start_a, end_a = gather(number)
        whole = np.diff(axis_s) * (start_a * (start_a + end_a) + end_a * end_a) / 3
        so_far = np.zeros_like(whole)
        np.cumsum(whole[:, :-1], axis=1, out=so_far[:, 1:])
        return cls(number, blocks.edge_ticks[number], axis_s, start_a, end_a, so_far)

    def rows(self, blocks: Index) -> Index:
        """Where in here the blocks are."""
        return np.searchsorted(self.number, blocks)

    def at(self, x_s: Array) -> Point:
        """Positions inside the blocks that are here."""
        size = self.start_a.shape[1]
        place = np.maximum(np.searchsorted(self.axis_s.ravel(), x_s, "right") - 1, 0)
        row, column = place // (size + 1), np.minimum(place % (size + 1), size - 1)
        piece, edge = row * size + column, row * (size + 1) + column
        return Point(self, row, piece, edge)


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """Pieces that hold some positions."""

    near: GatheredBlocks
    row: Index
    piece: Index
    """In the flat arrays of currents."""
    edge: Index
    """The piece's beginning in the flat array of ends."""

    def line(self, x_s: Array) -> tuple[Array, Array, Array]:
        """Integral from the block's beginning to positions in the pieces, current there, slope."""
        edges_s = self.near.axis_s.ravel()
        begin_s = edges_s[self.edge]
        length_s = edges_s[self.edge + 1] - begin_s
        into_s = np.clip(x_s - begin_s, 0.0, length_s)
        start_a = self.near.start_a.ravel()[self.piece]
        rise = self.near.end_a.ravel()[self.piece] - start_a
        slope = np.divide(rise, length_s, out=np.zeros_like(rise), where=length_s > 0)
        here_a = start_a + slope * into_s
        so_far = self.near.so_far_a2s.ravel()[self.piece]
        return so_far + into_s / 3 * (start_a * (start_a + here_a) + here_a * here_a), here_a, slope


def solve(
    blocks: Blocks, tick_a2s: float, gather: Callable[[Index], Rows], home: Index, window_s: Array
) -> tuple[Index, Array, Array]:
    """Windows that start in the small blocks `home`, the best of each block among them, and what they hold.

    `window_s`: the length for each. Gives the place in `home`, the integral and the start of each window.
    """
    lo = blocks.edge_s[home]
    hi = np.minimum(blocks.edge_s[home + 1], blocks.edge_s[-1] - window_s)
    first, last = blocks.holding(lo + window_s), blocks.ending(hi + window_s)
    last = np.maximum(first, last)
    reach = int((last - first).max()) + 1
    if reach * len(home) > MAX_BLOCKS and len(home) > 1:
        half = len(home) // 2
        parts = [solve(blocks, tick_a2s, gather, home[part], window_s[part]) for part in (np.s_[:half], np.s_[half:])]
        parts[1] = parts[1][0] + half, *parts[1][1:]
        pair, held_a2s, start_s = (np.concatenate(each) for each in zip(*parts, strict=True))
        return pair, held_a2s, start_s
    ends = np.minimum(first[:, None] + np.arange(reach), last[:, None])
    near = GatheredBlocks.of(blocks, np.concatenate((home, ends.ravel())), gather)
    behind = near.axis_s[near.rows(ends)].reshape(len(home), -1) - window_s[:, None]
    points = np.concatenate((near.axis_s[near.rows(home)], behind, hi[:, None]), axis=1)
    points = np.sort(np.clip(points, lo[:, None], hi[:, None], out=points), axis=1)
    width = np.diff(points, append=points[:, -1:])
    width_kept = width > 0
    width_kept[:, -1] = True
    pair, column = np.nonzero(width_kept)
    s, width, window_s = points[pair, column], width[pair, column], window_s[pair]
    middle = s + width / 2
    begin, end = near.at(middle), near.at(middle + window_s)
    before, p1, m1 = begin.line(s)
    upto, p2, m2 = end.line(s + window_s)
    base = (near.ticks[end.row] - near.ticks[begin.row]) * tick_a2s + (upto - before)
    pairs, held, starts = [pair], [base], [s]
    for top, bottom in ((p2 - p1, m1 - m2), (-(p1 + p2), m1 + m2)):
        x = np.divide(top, bottom, out=np.zeros_like(top), where=bottom != 0)
        inner = np.flatnonzero((x > 0) & (x < width))
        x = x[inner]
        cubic = (m2 * p2 - m1 * p1)[inner] + x / 3 * (m2 * m2 - m1 * m1)[inner]
        pairs.append(pair[inner])
        held.append(base[inner] + x * ((p2 * p2 - p1 * p1)[inner] + x * cubic))
        starts.append(s[inner] + x)
    return np.concatenate(pairs), np.concatenate(held), np.concatenate(starts)
