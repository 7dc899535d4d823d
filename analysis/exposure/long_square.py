"""The integral of i² of a day: blocks are in memory, single samples are loaded where the search needs them.

Offers what `SquareIntegral` offers. docs/methods.md, Exposure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from amptally.analysis.exposure.square_integral import Pieces, SmallBlocks, SquareIntegral, Squares
from amptally.analysis.exposure.window_exact import Rows
from amptally.analysis.exposure.window_search import Array, Index
from amptally.analysis.signals.append_buffer import AppendBuffer

SIZES = (65_536, 4096, 256, 16)
"""Sizes of the blocks in pieces, powers of two from large to small."""
TOGETHER = 64
"""Blocks no further apart than this are loaded together."""


class LongBlocks:
    """The blocks of a long run, built while its pieces are read."""

    def __init__(self, pieces: int, windows_s: Iterable[float] = ()) -> None:
        """`pieces`: how many are expected.

        windows_s: short lengths that will be requested; they span few blocks, so they are best searched now.
        """
        self._known = dict.fromkeys(windows_s, (-1.0, 0.0))
        self._edge_s, *self._blocks = (AppendBuffer(np.float64, pieces // SIZES[-1] + 2) for _ in range(4))
        self._rest: Pieces | None = None
        self._tail: Pieces | None = None
        self._count = 0

    def add(self, pieces: Pieces) -> None:
        """The next pieces, the first of all at 0 of the axis."""
        self._count += len(pieces[1])
        size = SIZES[-1]
        if self._rest is not None:
            lacking = size - len(self._rest[1])
            joined = _joined(self._rest, _slice(pieces, 0, lacking))
            pieces = _slice(pieces, lacking, len(pieces[1]))
            self._rest = None
            if len(joined[1]) < size:
                self._rest = joined
            else:
                self._take(joined)
        whole = len(pieces[1]) // size * size
        if whole:
            self._take(_slice(pieces, 0, whole))
        if whole < len(pieces[1]):
            self._rest = _slice(pieces, whole, len(pieces[1]))

    def square(self, load: Callable[[int, int], Pieces] | None = None) -> LongSquare:
        """The whole, when no more follows; `load` gives pieces `first` to `stop` (exclusive), or is set later."""
        if self._rest is not None:
            self._take(self._rest)
        blocks, tick = SmallBlocks(self._edge_s.filled, *(each.filled for each in self._blocks)).levels(SIZES)
        return LongSquare(blocks, tick, float(blocks[0].max_a2.max()), self._count, load or _unread, self._known)

    def _take(self, pieces: Pieces) -> None:
        """Whole small blocks; the last of all may be ragged."""
        small = SmallBlocks.of(pieces, SIZES[-1])
        self._edge_s.add(small.edge_s[min(len(self._edge_s), 1) :])
        for held, part in zip(self._blocks, (small.held_a2s, small.highest_a, small.lowest_a), strict=True):
            held.add(part)
        known, tail = self._known, self._tail
        if known:
            longest_s = max(known)
            _improve(known, pieces, small)
            if tail is not None:
                _improve(known, _joined(tail, _cut(pieces, 0, longest_s)))
                tail = _joined(tail, pieces) if pieces[0][-1] - pieces[0][0] < longest_s else None
            self._tail = _cut(tail or pieces, -1, longest_s)


@dataclass(frozen=True, slots=True, eq=False)
class LongSquare(Squares):
    """Blocks of pieces, and the way to the pieces; made by `LongBlocks`."""

    load: Callable[[int, int], Pieces]
    """Pieces `first` to `stop` (exclusive)."""
    known: dict[float, tuple[float, float]]
    """Integral and start of the windows of some lengths, found while the pieces were read."""

    def filled(self, gaps: Index, gap_s: Array, current_a: Array) -> LongSquare:
        """As `SquareIntegral.filled`; no window is known beforehand."""
        blocks, tick = self.filled_levels(gaps, gap_s, current_a)
        unfilled = self.load

        def load(first: int, stop: int) -> Pieces:
            axis_s, start_a, end_a = unfilled(first, stop)
            chosen = (gaps >= first) & (gaps < stop)
            if chosen.any():
                start_a, end_a = start_a.copy(), end_a.copy()
                start_a[gaps[chosen] - first] = end_a[gaps[chosen] - first] = current_a[chosen]
            return axis_s, start_a, end_a

        return LongSquare(blocks, tick, float(blocks[0].max_a2.max()), self.pieces, load, {})

    def span(self, from_s: float, to_s: float) -> tuple[int, int]:
        """As `SquareIntegral.span`."""
        first, stop = (self._place(x_s) for x_s in (from_s, to_s))
        return max(first - 4, 0), min(stop + 4, self.pieces)

    def _place(self, x_s: float) -> int:
        """How many ends of pieces lie before an axis position."""
        block = max(int(np.searchsorted(self.blocks[-1].edge_s, x_s)) - 1, 0)
        first = block * SIZES[-1]
        axis_s, _, _ = self.load(first, min(first + SIZES[-1], self.pieces))
        return first + int(np.searchsorted(axis_s, x_s))

    def gather(self, numbers: Index) -> Rows:
        """As `Squares.gather`."""
        size = self.blocks[-1].size
        axis_s, start_a, end_a = (np.empty((len(numbers), size + extra)) for extra in (1, 0, 0))
        for begin, stop in _groups(numbers):
            rows = numbers[begin:stop]
            first = int(rows[0]) * size
            pieces = self.load(first, min((int(rows[-1]) + 1) * size, self.pieces))
            edge = ((rows - rows[0]) * size)[:, None] + np.arange(size + 1)
            axis_s[begin:stop] = pieces[0][np.minimum(edge, len(pieces[1]))]
            piece = np.minimum(edge[:, :-1], len(pieces[1]) - 1)
            start_a[begin:stop], end_a[begin:stop] = pieces[1][piece], pieces[2][piece]
        return axis_s, start_a, end_a

    def search_all(self, windows_s: Array, floors_a2s: Array) -> tuple[Array, Array]:
        """As `Squares.search_all`."""
        found_a2s, start_s = floors_a2s.copy(), np.full(len(windows_s), np.nan)
        looked_up = np.array([window_s in self.known for window_s in windows_s.tolist()], bool)
        for place in np.flatnonzero(looked_up):
            integral, start = self.known[float(windows_s[place])]
            if integral > floors_a2s[place]:
                found_a2s[place], start_s[place] = integral, start
        rest = ~looked_up
        # By name: `super()` without arguments does not know the class that slots make of this one.
        found_a2s[rest], start_s[rest] = Squares.search_all(self, windows_s[rest], floors_a2s[rest])
        return found_a2s, start_s


def _unread(first: int, stop: int) -> Pieces:
    raise RuntimeError(f"pieces {first} to {stop} were requested before a loader was set")


def _improve(known: dict[float, tuple[float, float]], pieces: Pieces, small: SmallBlocks | None = None) -> None:
    """Take the windows that lie in these pieces where they hold more than those known so far."""
    axis_s, start_a, end_a = pieces
    if small is None:
        most_a = max(float(np.abs(each).max()) for each in (start_a, end_a))
    else:
        most_a = max(float(small.highest_a.max()), -float(small.lowest_a.min()))
    length_s = float(axis_s[-1] - axis_s[0])
    # No window holds more than its length times the maximum of i²: most stretches offer none.
    lengths = [
        each_s for each_s, (held_a2s, _) in known.items() if each_s <= length_s and each_s * most_a**2 > held_a2s
    ]
    if not lengths:
        return
    square = SquareIntegral.known(small or SmallBlocks.of(pieces, SIZES[-1]), *pieces, SIZES)
    found = square.search_all(np.array(lengths), np.array([known[window_s][0] for window_s in lengths]))
    for window_s, integral, start in zip(lengths, *(each.tolist() for each in found), strict=True):
        if not math.isnan(start):
            known[window_s] = integral, start


def _joined(first: Pieces, second: Pieces) -> Pieces:
    """Pieces and those that follow them."""
    start_a, end_a = (np.concatenate((first[which], second[which])) for which in (1, 2))
    return np.concatenate((first[0][:-1], second[0])), start_a, end_a


def _slice(pieces: Pieces, first: int, stop: int) -> Pieces:
    """Pieces `first` to `stop` (exclusive)."""
    axis_s, start_a, end_a = pieces
    return axis_s[first : stop + 1], start_a[first:stop], end_a[first:stop]


def _cut(pieces: Pieces, side: int, length_s: float) -> Pieces:
    """The first (side 0) or the last of pieces that last this long together, or a little longer."""
    axis_s, count = pieces[0], len(pieces[1])
    if side == 0:
        return _slice(pieces, 0, min(int(np.searchsorted(axis_s, axis_s[0] + length_s)) + 1, count))
    return _slice(pieces, max(int(np.searchsorted(axis_s, axis_s[-1] - length_s, "right")) - 1, 0), count)


def _groups(numbers: Index) -> Iterator[tuple[int, int]]:
    """Stretches of increasing block numbers, as places of the first and the end (exclusive), with few others among."""
    if not len(numbers):
        return
    breaks = (np.flatnonzero(np.diff(numbers) > TOGETHER) + 1).tolist()
    yield from zip([0, *breaks], [*breaks, len(numbers)], strict=True)
