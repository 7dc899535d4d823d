"""The search for the window that holds most of an integral: blocks of pieces, and the best window so far.

A block is passed over only when no window that starts in it can hold more than the best one known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

FIRST_PIECES = 256
"""A search begins with blocks no larger than this, or no larger than the window over `FIRST_SHARE`."""
FIRST_SHARE = 6
NEGLIGIBLE = 1e-12
"""Relative gain in the integral that is not worth a further search."""
_FIRST_LOOK = 16


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Extremes of i² in consecutive blocks of `size` pieces, and the integral up to their ends."""

    size: int
    greatest_a2: Array
    least_a2: Array
    edge_s: Array
    """Ends of the blocks on the axis: one more than there are blocks."""
    edge_ticks: Index


@dataclass(slots=True)
class Best:
    """The best window so far; `start_s` is None while only the caller's floor is known."""

    integral_a2s: float
    forbidden: Callable[[Array], Mask] | None
    start_s: float | None = None

    def offer(self, integral_a2s: Array, start_s: Array) -> None:
        """Take the greatest of these windows if it beats what is known."""
        if self.forbidden is not None:
            integral_a2s = np.where(self.forbidden(start_s), -np.inf, integral_a2s)
        if not len(integral_a2s):
            return
        place = int(np.argmax(integral_a2s))
        if integral_a2s[place] > self.integral_a2s:
            self.integral_a2s, self.start_s = float(integral_a2s[place]), float(start_s[place])

    @property
    def done(self) -> bool:
        """With a condition on the window, the caller knows the maximum and asks for any window that reaches it."""
        return self.forbidden is not None and self.start_s is not None

    def promising(self, first: Index, upper_a2s: Array) -> Iterator[Index]:
        """Blocks whose bound beats the best, greatest bound first, in growing chunks; the best may grow meanwhile."""
        alive = np.flatnonzero(upper_a2s > self.integral_a2s * (1 + NEGLIGIBLE))
        if len(alive) > 8 * _FIRST_LOOK:
            # A look at a few of the greatest usually leaves little to sort.
            ahead = alive[np.argpartition(-upper_a2s[alive], _FIRST_LOOK)[:_FIRST_LOOK]]
            yield np.sort(first[ahead])
            alive = alive[upper_a2s[alive] > self.integral_a2s * (1 + NEGLIGIBLE)]
            alive = alive[~np.isin(alive, ahead)]
        order = alive[np.argsort(-upper_a2s[alive], kind="stable")]
        at, chunk = 0, 4
        while at < len(order) and not self.done:
            taken = order[at : at + chunk]
            taken = taken[upper_a2s[taken] > self.integral_a2s * (1 + NEGLIGIBLE)]
            if not len(taken):
                return
            yield np.sort(first[taken])
            at += chunk
            chunk = min(4 * chunk, 4096)


def first_level(blocks: tuple[Blocks, ...], window_pieces: float) -> int:
    """The largest blocks that are small beside the window, so that rough bounds tell blocks apart."""
    most = max(FIRST_PIECES, window_pieces / FIRST_SHARE)
    return next((k for k, each in enumerate(blocks) if each.size <= most), len(blocks) - 1)


def rough(blocks: Blocks, home: Index, window_s: float, tick_a2s: float, greatest_a2: float) -> Array:
    """For windows that start in the blocks `home`, from what is known of whole blocks alone: no window holds more.

    Neither more than all blocks it can touch, nor more than T times the greatest i² in them.
    """
    last = len(blocks.greatest_a2) - 1
    far = np.minimum(np.searchsorted(blocks.edge_s, blocks.edge_s[home + 1] + window_s, "right") - 1, last)
    held = (blocks.edge_ticks[far + 1] - blocks.edge_ticks[home]) * tick_a2s
    near = np.minimum(home + 1, last)
    touched = np.maximum(np.maximum(blocks.greatest_a2[home], blocks.greatest_a2[near]), blocks.greatest_a2[far])
    bound: Array = np.minimum(held, window_s * np.where(far - home <= 2, touched, greatest_a2))
    return bound * (1 + NEGLIGIBLE)


def grown(
    axis_s: Array, ticks: Index, greatest_a2: Array, least_a2: Array, inner: int, sizes: tuple[int, ...]
) -> tuple[Blocks, ...]:
    """Blocks of ever larger sizes, the largest first, from those of `inner` pieces and what is known at their ends."""
    blocks: list[Blocks] = []
    for size in sorted(sizes):
        edges = np.arange(0, len(greatest_a2), size // inner)
        greatest_a2, least_a2 = np.maximum.reduceat(greatest_a2, edges), np.minimum.reduceat(least_a2, edges)
        ends = np.append(edges, len(axis_s) - 1)
        axis_s, ticks, inner = axis_s[ends], ticks[ends], size
        blocks.append(Blocks(size, greatest_a2, least_a2, axis_s, ticks))
    return tuple(reversed(blocks))


def densest(points_s: Array, integral_a2s: Array, mean_a2: float, window_s: float) -> tuple[int, int]:
    """Places of two points at least a window apart between which the integral exceeds `mean_a2` × length by most.

    points_s: shape (n,), increasing; `integral_a2s` up to each of them.
    """
    excess = integral_a2s - mean_a2 * points_s
    partner = np.searchsorted(points_s, points_s - window_s, side="right") - 1
    ends = np.flatnonzero(partner >= 0)
    gain = excess[ends] - np.minimum.accumulate(excess)[partner[ends]]
    end = int(ends[np.argmax(gain)])
    return int(np.argmin(excess[: partner[end] + 1])), end


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
