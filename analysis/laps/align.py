"""Aligns a drive with a template of its lap: which part of the lap each frame belongs to. docs/methods.md, Laps.

The template is a ring of bins. From frame to frame the position on the ring stays, or moves on by one bin or two; the
cheapest path over the whole run is found by dynamic programming (Viterbi 1967, from memory), then the template is
averaged again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.analysis.laps.frames import Places
from amptally.analysis.laps.period import Singles
from amptally.analysis.runs.run import Flags, Floats

STAY = 0.2
SKIP = 0.3
"""Cost of staying, and of moving two bins; a frame that fits its bin costs about 0.05, others up to MAX_COST."""
MAX_COST = 2.0
"""Cost of a frame that does not fit at all: the mean square between two unrelated features is 2."""
FITS = 1.0
"""Frames that cost more do not contribute to the template."""
ROUNDS = 3
LEARNED_FROM = 8000
"""Frames from which the template is averaged; the rest of a longer run is only aligned."""
SEGMENT = 4000
TOGETHER = 24
"""Segments of a long run are aligned side by side, this many at once."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where on the lap each frame lies."""

    phase: Floats
    """Laps, growing along each piece; shape (frames,). Only its fraction compares between pieces."""
    cost: Floats
    """How badly the frame fits its bin, 0 to MAX_COST."""
    template: Floats
    """Shape (channels, bins)."""


def align(
    table: Singles,
    starts: Places,
    free: Flags,
    bins: int,
    start: int,
    lag: int,
    *,
    rounds: int = ROUNDS,
    stiffness: float = 1.0,
) -> Alignment:
    """Align features of shape (channels, frames), cut into pieces at `starts`, with laps of about `bins` frames.

    The first template is the `lap` of length `lag` that begins at frame `start`. Frames flagged `free` cost nothing:
    the machine starts or stops there, which it does on no other lap. `stiffness` multiplies STAY and SKIP.
    """
    ring = _resampled(table[:, start : start + max(lag, 2)], bins)
    first, last = _excerpt(starts, start)
    some = slice(first, last)
    for _ in range(rounds - 1):
        phase, cost = _follow(table[:, some], free[some], _cuts(starts, first, last), ring, stiffness)
        keep = (cost < FITS) & ~free[some]
        if keep.mean() > 0.3:
            ring = average(table[:, some], phase, bins, keep)
    phase, cost = _follow(table, free, starts, ring, stiffness)
    return Alignment(phase, cost, ring)


def average(table: Singles, phase: Floats, bins: int, keep: Flags) -> Floats:
    """Mean of the frames flagged `keep` in each bin of the ring; empty bins are interpolated."""
    place = np.floor((phase[keep] % 1.0) * bins + 1e-6).astype(np.int64) % bins
    seen = np.bincount(place, minlength=bins)
    known = np.flatnonzero(seen)
    ring = np.empty((len(table), bins))
    for row, values in zip(ring, table, strict=True):
        total = np.bincount(place, weights=values[keep], minlength=bins)
        around = np.concatenate((known - bins, known, known + bins))
        row[:] = np.interp(np.arange(bins), around, np.tile(total[known] / seen[known], 3))
    return ring


def _resampled(lap: Singles, bins: int) -> Floats:
    at = np.linspace(0, lap.shape[1] - 1, bins)
    return np.array([np.interp(at, np.arange(lap.shape[1]), row) for row in lap])


def _excerpt(starts: Places, start: int) -> tuple[int, int]:
    """The frames around `start`, within its piece, from which the template is learned."""
    piece = int(np.searchsorted(starts, start, "right")) - 1
    begin, end = int(starts[piece]), int(starts[piece + 1])
    first = max(begin, min(start - LEARNED_FROM // 2, end - LEARNED_FROM))
    return (0, int(starts[-1])) if starts[-1] <= LEARNED_FROM else (first, min(first + LEARNED_FROM, end))


def _cuts(starts: Places, first: int, last: int) -> Places:
    inside = starts[(starts > first) & (starts < last)]
    return np.concatenate(([first], inside, [last])) - first


def _follow(table: Singles, free: Flags, starts: Places, ring: Floats, stiffness: float) -> tuple[Floats, Floats]:
    """Phase and cost of every frame."""
    bins = ring.shape[1]
    segments = [
        segment
        for begin, end in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True)
        for segment in _segments(begin, end, bins)
    ]
    walked = np.zeros(table.shape[1])
    for group in range(0, len(segments), TOGETHER):
        for (begin, end, join, fresh), path in zip(
            segments[group : group + TOGETHER],
            _pass_reader(table, free, ring, segments[group : group + TOGETHER], stiffness),
            strict=True,
        ):
            # Where two segments meet, both know the bin; only the first knows the number of laps so far.
            shift = 0.0 if fresh else bins * round((walked[join - 1] - path[join - 1 - begin]) / bins)
            walked[join:end] = path[join - begin :] + shift
    place = walked.astype(np.int64) % bins
    cost = np.minimum(((table - ring[:, place]) ** 2).mean(axis=0), MAX_COST)
    return walked / bins, cost.astype(np.float64)


def _segments(begin: int, end: int, bins: int) -> list[tuple[int, int, int, bool]]:
    """(begin, end, first frame taken from it, begins a piece): overlapping by two laps, joined half-way."""
    if end - begin <= 2 * SEGMENT:
        return [(begin, end, begin, True)]
    overlap = 2 * bins
    found = []
    at = begin
    while True:
        stop = min(at + SEGMENT + overlap, end)
        found.append((at, stop, at if at == begin else at + overlap // 2, at == begin))
        if stop == end:
            return found
        at += SEGMENT


def _pass_reader(
    table: Singles, free: Flags, ring: Floats, segments: list[tuple[int, int, int, bool]], stiffness: float
) -> list[Floats]:
    """Cheapest path of each segment in bins, counted on beyond the ring's end; the segments step side by side."""
    many, bins = len(segments), ring.shape[1]
    begins = np.array([begin for begin, _, _, _ in segments])
    lengths = np.array([end for _, end, _, _ in segments]) - begins
    ring32, rows = ring.astype(np.float32), np.ascontiguousarray(table.T)
    ring_square, row_square = (ring32**2).sum(axis=0), (rows**2).sum(axis=1)
    total = np.zeros((many, bins), np.float32)
    ahead, skipped = np.empty_like(total), np.empty_like(total)
    moves = np.zeros((int(lengths.max()), many, bins), np.uint8)
    final = np.zeros(many, np.int64)
    for step in range(len(moves)):
        # A segment that has ended runs on along the table; its final bin was noted at its end.
        at = np.minimum(begins + step, table.shape[1] - 1)
        if step:
            ahead[:, 1:], ahead[:, 0] = total[:, :-1], total[:, -1]
            skipped[:, 2:], skipped[:, :2] = total[:, :-2], total[:, -2:]
            skipped += stiffness * SKIP
            total += stiffness * STAY
            move = moves[step]
            np.less_equal(ahead, total, out=move.view(np.bool_))
            np.minimum(total, ahead, out=total)
            move[skipped < total] = 2
            np.minimum(total, skipped, out=total)
        cost = (row_square[at, None] + ring_square - 2.0 * (rows[at] @ ring32)) / len(table)
        np.clip(cost, 0.0, MAX_COST, out=cost)
        cost[free[at]] = 0.0
        total += cost
        if step % 64 == 0:
            total -= total.min(axis=1, keepdims=True)
        ended = lengths == step + 1
        if ended.any():
            final[ended] = total[ended].argmin(axis=1)
    return [
        _back(moves[:length, row], int(last)) for row, (length, last) in enumerate(zip(lengths, final, strict=True))
    ]


def _back(moves: npt.NDArray[np.uint8], last: int) -> Floats:
    """The path that ends in bin `last`, as bins gone since the ring's start; shape (frames,)."""
    bins = moves.shape[1]
    steps = np.zeros(len(moves), np.int64)
    at = last
    for place in range(len(moves) - 1, 0, -1):
        step = int(moves[place, at])
        steps[place] = step
        at = (at - step) % bins
    return np.asarray(at + np.cumsum(steps), np.float64)
