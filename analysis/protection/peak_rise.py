"""When a current made a thermal network warmest, and how warm: found in blocks, samples read only where it matters.

Over blocks of samples each term is bounded from above: a block that holds E = ∫ i² and no square above Q adds at most
Q (1 − e^(−E/(Qτ))) by its end and at any moment in it. Blocks in which the bound stays below what was found are passed
over. In the others every term is followed along the lines between samples; it starts there from block means, `WARM_UP`
blocks earlier, which leaves a term at most x/2 · e^(−x·WARM_UP) ≤ 0.3 % off (x block length over time constant), and
the long terms, which block means follow to half a block's length over τ, less.

Only blocks of one chunk are held at a time, with the state of each term carried over: memory is bounded, and an hour at
1 kHz takes milliseconds. docs/methods.md, Fuse margin.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from amptally.analysis.exposure.exposure import Exposure, Window
from amptally.analysis.exposure.square_integral import Pieces
from amptally.analysis.exposure.window_search import Blocks
from amptally.analysis.protection.line_heat import added_heat, sums_with_decay
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.signals.series import Floats

WARM_UP = 64
"""Blocks, of each size, over which the terms are followed before a stretch counts."""
FIRST_BLOCKS = 64
"""The search begins with blocks of which there are at least this many."""
LARGEST_BLOCK = 256
"""Pieces of the largest blocks of the search."""
CHUNK_BLOCKS = 1 << 14
INSTANT = 8.0
"""A term with this many time constants in a block has forgotten all but this block and the one before."""
TOLERANCE = 1e-4
"""Relative; no rise is higher than the one found by more than this, beyond the error of block means."""
SUBDIVIDED = 16
"""Lines between samples are looked into in parts, this many for the shortest time constant and for any line at most."""
TOGETHER = 1 << 12
"""Lines that are looked into at once."""
NEAR_BLOCKS = 64
"""Blocks before the peak in which `tightest_window` is resolved to a line between samples, earlier to a block."""
HELD_SHARE = 0.9
"""`tightest` holds this share of the rise."""


@dataclass(frozen=True, slots=True)
class PeakRise:
    """The highest rise of a network, in A² so that it holds for every rating: θ = rise_a2 / rating²."""

    rise_a2: float
    axis_s: float
    """When, from the first sample on."""

    @property
    def steady_a(self) -> float:
        """√rise: the current that, flowing for ever, would warm a network of G(∞) = 1 as much."""
        return math.sqrt(self.rise_a2)


def peak_rise(exposure: Exposure, network: Network, before_a: float = 0.0) -> PeakRise:
    """The highest rise; in gaps nothing flows, so that it is never more than what was measured says.

    A steady `before_a` has flowed for ever before the first sample.
    """
    return _Search(exposure, network, before_a).run()


def tightest_window(exposure: Exposure, network: Network, peak: PeakRise) -> Window:
    """The shortest window ending at the peak that holds nine tenths of the rise there."""
    edge_s, held_a2s = _blocks_before(exposure, peak.axis_s)
    length_s = np.diff(edge_s)
    mean_a2 = np.divide(held_a2s, length_s, out=np.zeros(len(length_s)), where=length_s > 0)
    # A block's mean stands for it.
    share_a2 = mean_a2 * -np.diff(network_steps(network, peak.axis_s - edge_s))
    from_end_a2 = np.cumsum(share_a2[::-1])
    place = int(np.searchsorted(from_end_a2, HELD_SHARE * from_end_a2[-1]))
    block = len(share_a2) - 1 - place
    lacking_a2 = HELD_SHARE * from_end_a2[-1] - (from_end_a2[place - 1] if place else 0.0)
    start_s = float(edge_s[block + 1] - lacking_a2 / share_a2[block] * length_s[block])
    return exposure.window(exposure.start_s + start_s, peak.axis_s - start_s)


def _blocks_before(exposure: Exposure, axis_s: float) -> tuple[Floats, Floats]:
    """Edges of blocks up to a moment after the first sample, and ∫ i² over each: at the end single lines."""
    square = exposure.square
    outer = next((each for each in reversed(square.blocks) if each.size >= LARGEST_BLOCK), square.blocks[-1])
    holding = int(np.searchsorted(outer.edge_s, axis_s)) - 1
    far = max(holding - NEAR_BLOCKS, 0)
    line_s, start_a, end_a = square.load(far * outer.size, min((holding + 1) * outer.size, square.pieces))
    lines = int(np.searchsorted(line_s, axis_s))
    edge_s = np.append(line_s[:lines], axis_s)
    share = np.diff(edge_s)[-1] / (line_s[lines] - line_s[lines - 1])
    finish_a = end_a[:lines].copy()
    finish_a[-1] = start_a[lines - 1] + share * (end_a[lines - 1] - start_a[lines - 1])
    begin_a = start_a[:lines]
    near_a2s = np.diff(edge_s) / 3 * (begin_a * begin_a + begin_a * finish_a + finish_a * finish_a)
    far_a2s = np.diff(outer.edge_ticks[: far + 1]) * square.tick_a2s
    return np.concatenate((outer.edge_s[:far], edge_s)), np.concatenate((far_a2s, near_a2s))


def network_steps(network: Network, time_s: Floats) -> Floats:
    """G at several times, shape (n,)."""
    total = np.zeros(len(time_s))
    for share, constant_s in zip(network.shares, network.constants_s, strict=True):
        total -= share * np.expm1(-time_s / constant_s)
    return total


class _Search:
    """The highest rise so far, chunk by chunk."""

    def __init__(self, exposure: Exposure, network: Network, before_a: float) -> None:
        self.square = exposure.square
        self.before_a2 = before_a**2
        self.terms = list(zip(network.shares, network.constants_s, strict=True))
        levels = [each for each in self.square.blocks if each.size <= LARGEST_BLOCK]
        many = (place for place, each in enumerate(levels) if len(each) >= FIRST_BLOCKS)
        self.levels = levels[next(many, len(levels) - 1) :]
        self.best_a2, self.at_s = sum(network.shares) * self.before_a2, 0.0

    def run(self) -> PeakRise:
        """Bounds of each chunk of blocks, then the stretches in which the highest rise may lie."""
        blocks = self.levels[0]
        for chunk in self._chunks(blocks):
            # The most promising block first; most others then fall below what it holds.
            self._follow(chunk, int(np.argmax(chunk.likely_a2)), 1)
            for first, count in _ranges(np.flatnonzero(chunk.bound_a2 > self.best_a2 * (1 + TOLERANCE))):
                if chunk.bound_a2[first : first + count].max() > self.best_a2 * (1 + TOLERANCE):
                    self._follow(chunk, first, count)
        return PeakRise(self.best_a2, self.at_s)

    def _chunks(self, blocks: Blocks) -> Iterator[_Chunk]:
        """Chunks of blocks, each with the states of the terms at its edges and at those before it that it may need."""
        upper, middle = (dict.fromkeys(range(len(self.terms)), self.before_a2) for _ in range(2))
        before = np.full((len(self.terms), 1), self.before_a2)
        for first in range(0, len(blocks), CHUNK_BLOCKS):
            stop = min(first + CHUNK_BLOCKS, len(blocks))
            edge_s = blocks.edge_s[first : stop + 1]
            length_s, most_a2 = np.diff(edge_s), blocks.max_a2[first:stop]
            held_a2s = np.diff(blocks.edge_ticks[first : stop + 1]) * self.square.tick_a2s
            mean_a2 = np.divide(held_a2s, length_s, out=np.zeros(len(length_s)), where=length_s > 0)
            packed_s = np.divide(held_a2s, most_a2, out=np.zeros(len(length_s)), where=most_a2 > 0)
            bound_a2, likely_a2 = np.zeros(len(length_s)), np.zeros(len(length_s))
            states = np.empty((len(self.terms), len(edge_s)))
            earlier = np.concatenate((blocks.max_a2[max(first - 1, 0) : first], most_a2))[: len(most_a2)]
            for term, (share, constant_s) in enumerate(self.terms):
                if float(length_s.min()) > INSTANT * constant_s:
                    states[term] = np.append(before[term, -1], mean_a2)
                    bound_a2 += share * (np.maximum(most_a2, earlier) + math.exp(-INSTANT) * self.square.max_a2)
                    bound_a2[0] += share * self.before_a2
                    likely_a2 += share * most_a2
                    upper[term] = float(most_a2[-1] + math.exp(-INSTANT) * self.square.max_a2)
                else:
                    by_end = most_a2 * -np.expm1(-packed_s / constant_s)
                    high = sums_with_decay(edge_s, by_end, constant_s, upper[term])
                    states[term] = sums_with_decay(
                        edge_s, mean_a2 * -np.expm1(-length_s / constant_s), constant_s, middle[term]
                    )
                    bound_a2 += share * np.minimum(high[:-1] + by_end, np.maximum(high[:-1], most_a2))
                    likely_a2 += share * states[term, 1:]
                    upper[term] = float(high[-1])
                middle[term] = float(states[term, -1])
            joined = np.concatenate((before[:, :-1], states), axis=1)
            yield _Chunk(first, first - (before.shape[1] - 1), joined, bound_a2, likely_a2)
            before = states[:, -(WARM_UP + 1) :]

    def _follow(self, chunk: _Chunk, first: int, count: int) -> None:
        """Every term along the lines between samples, in some blocks of the chunk."""
        begin = max(chunk.first + first - WARM_UP, chunk.first_state)
        state = chunk.states[:, begin - chunk.first_state]
        piece = begin * self.levels[0].size
        wanted = (chunk.first + first) * self.levels[0].size
        stop = min((chunk.first + first + count) * self.levels[0].size, self.square.pieces)
        for blocks in self.levels[1:]:
            until = max((wanted - WARM_UP * blocks.size) // blocks.size, piece // blocks.size)
            state = self._by_means(blocks, piece // blocks.size, until, state)
            piece = until * blocks.size
        axis_s, start_a, end_a = self.square.load(piece, stop)
        length_s = np.diff(axis_s)
        values_a2 = np.empty((len(self.terms), len(axis_s)))
        for term, (_, constant_s) in enumerate(self.terms):
            added = added_heat(length_s, start_a, end_a, constant_s)
            values_a2[term] = sums_with_decay(axis_s, added, constant_s, float(state[term]))
        rise_a2 = np.array([share for share, _ in self.terms]) @ values_a2
        from_s = float(self.levels[-1].edge_s[wanted // self.levels[-1].size])
        skipped = int(np.searchsorted(axis_s, from_s))
        self._take(rise_a2[skipped:], axis_s[skipped:])
        self._between((axis_s, start_a, end_a), values_a2, rise_a2, skipped)

    def _take(self, rise_a2: Floats, axis_s: Floats) -> None:
        """The highest of these, where it is higher than what was found."""
        top = int(np.argmax(rise_a2))
        if rise_a2[top] > self.best_a2:
            self.best_a2, self.at_s = float(rise_a2[top]), float(axis_s[top])

    def _between(self, lines: Pieces, values_a2: Floats, rise_a2: Floats, skipped: int) -> None:
        """The rise inside those lines between samples on which it may be higher than at any sample."""
        axis_s, start_a, end_a = (lines[0][skipped:], lines[1][skipped:], lines[2][skipped:])
        length_s = np.diff(axis_s)
        parts = min(max(math.ceil(SUBDIVIDED * float(np.median(length_s)) / self.terms[0][1]), 1), SUBDIVIDED)
        if parts == 1:
            return
        square_a2 = np.maximum(start_a * start_a, end_a * end_a)
        most_a2 = rise_a2[skipped:-1] - sum(
            share * np.expm1(-length_s / constant_s) * square_a2 for share, constant_s in self.terms
        )
        places = np.flatnonzero(most_a2 > self.best_a2)
        for first in range(0, len(places), TOGETHER):
            chosen = places[first : first + TOGETHER, None]
            into = np.arange(1, parts) / parts
            from_a = start_a[chosen]
            to_a, gone_s = from_a + into * (end_a[chosen] - from_a), into * length_s[chosen]
            inside_a2 = np.zeros(to_a.shape)
            for term, (share, constant_s) in enumerate(self.terms):
                left_a2 = values_a2[term, skipped + chosen] * np.exp(-gone_s / constant_s)
                inside_a2 += share * (left_a2 + added_heat(gone_s, from_a, to_a, constant_s))
            self._take(inside_a2.ravel(), (axis_s[chosen] + gone_s).ravel())

    def _by_means(self, blocks: Blocks, first: int, stop: int, state: Floats) -> Floats:
        """The terms after some blocks, each with its mean square throughout."""
        if stop <= first:
            return state
        edge_s = blocks.edge_s[first : stop + 1]
        length_s = np.diff(edge_s)
        held_a2s = np.diff(blocks.edge_ticks[first : stop + 1]) * self.square.tick_a2s
        mean_a2 = np.divide(held_a2s, length_s, out=np.zeros(len(length_s)), where=length_s > 0)
        after = state.copy()
        for term, (_, constant_s) in enumerate(self.terms):
            added = mean_a2 * -np.expm1(-length_s / constant_s)
            after[term] = sums_with_decay(edge_s, added, constant_s, float(state[term]))[-1]
        return after


@dataclass(frozen=True, slots=True, eq=False)
class _Chunk:
    """Some consecutive blocks."""

    first: int
    """The first block."""
    first_state: int
    """The block at whose beginning the first states are."""
    states: Floats
    """Each term at the edges of blocks, from block means, shape (terms, edges)."""
    bound_a2: Floats
    """No rise in a block is higher, shape (blocks,)."""
    likely_a2: Floats


def _ranges(places: np.ndarray[tuple[int], np.dtype[np.int64]]) -> list[tuple[int, int]]:
    """First and number of increasing places, those close to one another taken together."""
    if not len(places):
        return []
    breaks = np.flatnonzero(np.diff(places) > WARM_UP) + 1
    begins, ends = places[np.append(0, breaks)], places[np.append(breaks - 1, len(places) - 1)]
    return [(int(begin), int(end - begin + 1)) for begin, end in zip(begins, ends, strict=True)]
