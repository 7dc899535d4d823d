"""The window of a given length or longer with the largest mean of i², searched through ever smaller blocks.

Of all windows no shorter than L the best has length L, or both its ends lie where i² equals its own mean square λ (else
a small change of that end would raise the mean), at a jump, or at an end of the axis. For a given λ the best pair of
ends is that between which the excess F(x) − λx grows most; λ rises to the mean of that pair until none is better
(Dinkelbach's iteration). A block is passed over when no end in it can make a pair that is better.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from amptally.analysis.exposure.window_exact import GatheredBlocks, Rows
from amptally.analysis.exposure.window_search import FIRST_BLOCKS, NEGLIGIBLE, Array, Blocks, Index, within


def densest(
    begin_s: Array, begin_excess: Array, end_s: Array, end_excess: Array, window_s: float
) -> tuple[float, float, float] | None:
    """(gain, begin, end) of the two points at least a window apart between which the excess grows most; None for none.

    Both sets of points increase.
    """
    partner = np.searchsorted(begin_s, end_s - window_s, side="right") - 1
    ends = np.flatnonzero(partner >= 0)
    if not len(ends):
        return None
    gain = end_excess[ends] - np.minimum.accumulate(begin_excess)[partner[ends]]
    place = int(np.argmax(gain))
    end = int(ends[place])
    begin = int(np.argmin(begin_excess[: partner[end] + 1]))
    return float(gain[place]), float(begin_s[begin]), float(end_s[end])


def best_ends(
    blocks: tuple[Blocks, ...], tick_a2s: float, gather: Callable[[Index], Rows], window_s: float, mean_a2: float
) -> tuple[float, float] | None:
    """Ends at least `window_s` apart between which ∫ i² exceeds `mean_a2` × length by most; None if by nothing."""
    level = next((k for k, each in enumerate(blocks) if len(each) >= FIRST_BLOCKS), len(blocks) - 1)
    begins = ends = np.arange(len(blocks[level]))
    tiny = NEGLIGIBLE * mean_a2 * window_s
    while True:
        each = blocks[level]
        begins, ends = _worth(each, begins, ends, tick_a2s, window_s, mean_a2, tiny)
        if not len(begins) or not len(ends):
            return None
        if level + 1 == len(blocks):
            break
        begins, ends = (within(each, blocks[level + 1], chosen)[0] for chosen in (begins, ends))
        level += 1
    points = [_points(GatheredBlocks.of(each, chosen, gather), tick_a2s, mean_a2) for chosen in (begins, ends)]
    found = densest(*points[0], *points[1], window_s)
    return None if found is None or found[0] <= tiny else found[1:]


def _worth(
    blocks: Blocks, begins: Index, ends: Index, tick_a2s: float, window_s: float, mean_a2: float, tiny: float
) -> tuple[Index, Index]:
    """The blocks in which the better pairs can begin, and end."""
    begin_left, begin_excess = blocks.edge_s[begins], _excess(blocks, begins, tick_a2s, mean_a2)
    end_right, end_excess = blocks.edge_s[ends + 1], _excess(blocks, ends, tick_a2s, mean_a2)
    known = densest(begin_left, begin_excess[0], end_right, end_excess[1], window_s)
    cut = tiny if known is None else max(known[0] - tiny, tiny)
    lowest, highest = _range(blocks, begins, begin_excess, mean_a2)[0], _range(blocks, ends, end_excess, mean_a2)[1]
    partner = np.searchsorted(begin_left, end_right - window_s, "right") - 1
    gain = highest - np.where(partner >= 0, np.minimum.accumulate(lowest)[partner], np.inf)
    back = np.searchsorted(end_right, begin_left + window_s)
    reach = np.append(np.maximum.accumulate(highest[::-1])[::-1], -np.inf)[back]
    return begins[reach - lowest >= cut], ends[gain >= cut]


def _excess(blocks: Blocks, chosen: Index, tick_a2s: float, mean_a2: float) -> tuple[Array, Array]:
    """The excess at the left and at the right edges of blocks."""
    left, right = (blocks.edge_ticks[edge] * tick_a2s - mean_a2 * blocks.edge_s[edge] for edge in (chosen, chosen + 1))
    return left, right


def _range(blocks: Blocks, chosen: Index, excess: tuple[Array, Array], mean_a2: float) -> tuple[Array, Array]:
    """What the excess in a block cannot fall below or rise above: it rises by at most P and falls by at most N."""
    length = blocks.edge_s[chosen + 1] - blocks.edge_s[chosen]
    rise = np.maximum(blocks.max_a2[chosen] - mean_a2, 0.0)
    fall = np.maximum(mean_a2 - blocks.min_a2[chosen], 0.0)
    left, right = excess
    slopes, corner = rise + fall, length * rise * fall
    lowest, highest = np.minimum(left, right), np.maximum(left, right)
    np.divide(left * rise + right * fall - corner, slopes, out=lowest, where=slopes > 0)
    np.divide(left * fall + right * rise + corner, slopes, out=highest, where=slopes > 0)
    return np.minimum(lowest, np.minimum(left, right)), np.maximum(highest, np.maximum(left, right))


def _points(near: GatheredBlocks, tick_a2s: float, mean_a2: float) -> tuple[Array, Array]:
    """Increasing positions in some blocks at which the best pair can have an end, and the excess there."""
    length = np.diff(near.axis_s)
    level_a = np.sqrt(mean_a2)
    found = [near.axis_s.ravel()]
    for level in (level_a, -level_a):
        crossed = ((near.start_a < level) != (near.end_a < level)) & (length > 0)
        start, end = near.start_a[crossed], near.end_a[crossed]
        found.append(near.axis_s[:, :-1][crossed] + (level - start) / (end - start) * length[crossed])
    points = np.unique(np.concatenate(found))
    inside = near.at(points)
    held = near.ticks[inside.row] * tick_a2s + inside.line(points)[0]
    return points, held - mean_a2 * points
