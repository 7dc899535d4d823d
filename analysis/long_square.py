"""The integral of i² of a day: whole blocks are kept in memory, single samples are loaded where the search needs them.

Answers what `SquareIntegral` answers, and by it: a window's two ends are looked at in full, what lies between them is
one piece that holds as much. docs/methods.md, Exposure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.square_integral import SquareIntegral, piece_ticks
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

SIZES = (65_536, 4096, 256, 16)
"""Sizes of the blocks in pieces, each a multiple of the next."""
TOGETHER = 64
"""Blocks that are no further apart than this are looked at in one go."""
WHOLE_BLOCKS = 16_384
"""Of a window that spans more blocks only both ends are loaded."""
STRETCH_BLOCKS = 65_536
"""Blocks looked at in one go at most."""
SURE = 1 - 1e-9

Pieces = tuple[Array, Array, Array]
"""Ends of consecutive pieces on the axis, shape (m + 1,), and their first and last currents, shape (m,)."""


@dataclass(frozen=True, slots=True, eq=False)
class LongSquare:
    """Blocks of pieces, and the way to the pieces; made by `prepare`."""

    blocks: tuple[Blocks, ...]
    """From large to small."""
    tick_a2s: float
    greatest_a2: float
    pieces: int
    load: Callable[[int, int], Pieces]
    """Pieces `first` to `stop` (exclusive)."""
    known: dict[float, tuple[float, float]]
    """Integral and start of the windows of some lengths, found while all pieces passed by."""

    @classmethod
    def prepare(
        cls,
        stretches: Iterable[Pieces],
        load: Callable[[int, int], Pieces],
        greatest_a: float,
        length_s: float,
        windows_s: Iterable[float] = (),
    ) -> LongSquare:
        """From all pieces in stretches of whole small blocks (the last may be ragged), the first at 0 of the axis.

        `greatest_a` is the greatest |i|, `length_s` the length of the axis. Short ones of `windows_s`, beside which a
        block is not small, are searched for at once.
        """
        tick = math.ldexp(1.0, max(math.frexp(greatest_a**2 * length_s)[1], -900) - 62)
        inner, count, held = SIZES[-1], 0, 0
        edges, ticks = [np.zeros(1)], [np.zeros(1, np.int64)]
        greatest, least = [np.empty(0)], [np.empty(0)]
        known = dict.fromkeys(windows_s, (-1.0, 0.0))
        tail: Pieces | None = None
        for axis_s, start_a, end_a in stretches:
            tail = _search_short(known, tail, (axis_s, start_a, end_a))
            so_far, most, few = piece_ticks(axis_s, start_a, end_a, inner, tick)
            ends = np.append(np.arange(inner, len(start_a), inner), len(start_a))
            edges.append(axis_s[ends])
            ticks.append(held + so_far[ends])
            greatest.append(most)
            least.append(few)
            held += int(so_far[-1])
            count += len(start_a)
        whole = np.concatenate(edges), np.concatenate(ticks), np.concatenate(greatest), np.concatenate(least)
        return cls(grown(*whole, inner, SIZES), tick, float(whole[2].max()), count, load, known)

    @property
    def length_s(self) -> float:
        """Length of the axis in s."""
        return float(self.blocks[-1].edge_s[-1])

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

    def search(
        self, window_s: float, floor_a2s: float = 0.0, forbidden: Callable[[Array], Mask] | None = None
    ) -> tuple[float, float] | None:
        """As `SquareIntegral.search`: (integral, start) of the window of this length that holds most."""
        found = self.known.get(window_s)
        if found is not None and forbidden is None:
            return found if found[0] > floor_a2s else None
        best = Best(floor_a2s, forbidden)
        if window_s >= self.length_s:
            best.offer(np.array([self.blocks[-1].edge_ticks[-1] * self.tick_a2s]), np.zeros(1))
        else:
            level = first_level(self.blocks, window_s / self.length_s * self.pieces)
            count = int(np.searchsorted(self.blocks[level].edge_s[:-1], self.length_s - window_s, side="right"))
            home = np.arange(count)
            if forbidden is None:
                # A window from the edge of a block holds at least the whole blocks in it: less is not looked for.
                blocks = self.blocks[level]
                fits = home[blocks.edge_s[home] + window_s <= self.length_s]
                end = np.searchsorted(blocks.edge_s, blocks.edge_s[fits] + window_s, side="right") - 1
                least = float((blocks.edge_ticks[end] - blocks.edge_ticks[fits]).max(initial=0)) * self.tick_a2s
                best.integral_a2s = max(best.integral_a2s, least * SURE)
            self._descend(home, level, window_s, best)
        return None if best.start_s is None else (best.integral_a2s, best.start_s)

    def _descend(self, home: Index, level: int, window_s: float, best: Best) -> None:
        """Search the blocks `home` of one level, through ever smaller ones where the bound allows."""
        blocks = self.blocks[level]
        bounds = rough(blocks, home, window_s, self.tick_a2s, self.greatest_a2)
        for chosen in best.promising(home, bounds):
            if level + 1 == len(self.blocks):
                for first, stop in _groups(chosen):
                    if not best.done:
                        self._look(first, stop, window_s, best)
                continue
            inner = self.blocks[level + 1]
            each = blocks.size // inner.size
            smaller = (chosen[:, None] * each + np.arange(each)).ravel()
            inside = smaller[smaller < len(inner.greatest_a2)]
            self._descend(inside[inner.edge_s[inside] <= self.length_s - window_s], level + 1, window_s, best)

    def _look(self, first: int, stop: int, window_s: float, best: Best) -> None:
        """Offer the greatest window that starts in small blocks `first` to `stop` (exclusive)."""
        edge_s = self.blocks[-1].edge_s
        last = len(edge_s) - 1
        far = int(np.searchsorted(edge_s, edge_s[first] + window_s, "right")) - 1
        behind = min(int(np.searchsorted(edge_s, edge_s[stop] + window_s, "left")), last)
        found = self._near(first, stop, min(far, last - 1), max(behind, min(far, last - 1) + 1))
        if found.length_s < window_s:
            return
        begin_s = float(edge_s[first])
        barred = best.forbidden
        shifted = None if barred is None else (lambda starts: barred(starts + begin_s))
        better = found.search(window_s, best.integral_a2s, shifted)
        if better is not None:
            best.offer(np.array([better[0]]), np.array([better[1] + begin_s]))

    def _near(self, first: int, stop: int, far: int, behind: int) -> SquareIntegral:
        """Small blocks `first` to `stop` and `far` to `behind` in full, what lies between as one piece.

        Positions count from the edge of `first`. One block more than asked for follows the first ones, so that no
        window of interest starts in the piece.
        """
        blocks, size = self.blocks[-1], SIZES[-1]
        begin_s, until = blocks.edge_s[first], min(stop + 1, len(blocks.greatest_a2))
        if far - until <= WHOLE_BLOCKS:
            axis_s, start_a, end_a = self.load(first * size, min(behind * size, self.pieces))
            return SquareIntegral.prepare(axis_s - begin_s, start_a, end_a)
        one = self.load(first * size, until * size)
        other = self.load(far * size, min(behind * size, self.pieces))
        length_s = float(blocks.edge_s[far] - blocks.edge_s[until])
        held_a2s = float(blocks.edge_ticks[far] - blocks.edge_ticks[until]) * self.tick_a2s
        level = np.array([math.sqrt(held_a2s / length_s) if length_s > 0 else 0.0])
        start_a, end_a = (np.concatenate((one[which], level, other[which])) for which in (1, 2))
        return SquareIntegral.prepare(np.concatenate((one[0], other[0])) - begin_s, start_a, end_a)

    def best_from(self, window_s: float, mean_a2: float) -> tuple[float, float, float] | None:
        """As `SquareIntegral.best_from`: first between the edges of small blocks, then with both ends in full.

        The ends found between edges are right to one block; a window elsewhere that is better by less than what a
        block holds may be missed.
        """
        blocks = self.blocks[-1]
        points, held = blocks.edge_s, np.asarray(blocks.edge_ticks * self.tick_a2s)
        begin, end, sought = 0, len(points) - 1, mean_a2
        while True:
            begin, end = densest(points, held, sought, window_s)
            found = float((held[end] - held[begin]) / (points[end] - points[begin]))
            if found <= sought * (1 + NEGLIGIBLE):
                break
            sought = found
        last = len(points) - 1
        first, behind = max(begin - 2, 0), min(end + 2, last)
        near = self._near(first, min(begin + 2, last), max(end - 2, first), behind)
        better = near.best_from(window_s, mean_a2)
        return None if better is None else (better[0], better[1] + float(points[first]), better[2])

    def seconds_above(self, levels_a: Sequence[float]) -> list[tuple[float, float]]:
        """As `SquareIntegral.seconds_above`: blocks in which |i| passes a level are loaded."""
        blocks, size = self.blocks[-1], SIZES[-1]
        lengths = np.diff(blocks.edge_s)
        found = np.array([[float(lengths[blocks.least_a2 > level**2].sum()), 0.0] for level in levels_a])
        squares = np.array(levels_a) ** 2
        mixed = (blocks.least_a2 <= squares.max()) & (blocks.greatest_a2 >= squares.min())
        for first, stop in _groups(np.flatnonzero(mixed)):
            axis_s, start_a, end_a = self.load(first * size, min(stop * size, self.pieces))
            length = np.diff(axis_s)
            counts = np.repeat(mixed[first:stop], size)[: len(length)]
            for place, level in enumerate(levels_a):
                inside = counts & np.repeat(blocks.least_a2[first:stop] <= level**2, size)[: len(length)]
                found[place] += passing(start_a[inside], end_a[inside], length[inside], level)
        return [(float(above_s), float(passed_s2)) for above_s, passed_s2 in found]


def _search_short(known: dict[float, tuple[float, float]], tail: Pieces | None, pieces: Pieces) -> Pieces:
    """Improve the windows known so far by those that end in these pieces, which follow `tail`; gives the next tail."""
    if tail is not None:
        start_a, end_a = (np.concatenate((tail[which], pieces[which])) for which in (1, 2))
        pieces = np.concatenate((tail[0][:-1], pieces[0])), start_a, end_a
    axis_s, start_a, end_a = pieces
    if not known:
        return axis_s[-1:], start_a[:0], end_a[:0]
    square = SquareIntegral.prepare(axis_s - axis_s[0], start_a, end_a)
    for window_s, (integral, _) in known.items():
        if window_s <= square.length_s:
            found = square.search(window_s, integral)
            if found is not None:
                known[window_s] = found[0], found[1] + float(axis_s[0])
    keep = max(int(np.searchsorted(axis_s, axis_s[-1] - max(known), "right")) - 1, 0)
    return axis_s[keep:], start_a[keep:], end_a[keep:]


def _groups(chosen: Index) -> Iterator[tuple[int, int]]:
    """First and end (exclusive) of stretches of increasing blocks, with few others among them."""
    if not len(chosen):
        return
    breaks = np.flatnonzero(np.diff(chosen) > TOGETHER) + 1
    for part in np.split(chosen, breaks):
        first, stop = int(part[0]), int(part[-1]) + 1
        for begin in range(first, stop, STRETCH_BLOCKS):
            yield begin, min(begin + STRETCH_BLOCKS, stop)
