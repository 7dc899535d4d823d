"""The length of a lap: the lag at which a run resembles itself, with room for laps that differ in pace.

The similarity of a window with what lies one lag later is followed block by block, and the lag may move a little from
block to block, as in dynamic time warping (Sakoe & Chiba 1978, from memory). docs/methods.md, Laps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.analysis.runs.run import Floats

Singles = npt.NDArray[np.float32]

BLOCK = 5
"""Frames that are moved together."""
MIN_LAG = 25
"""Frames in the shortest lap."""
MIN_SIDE = 15
"""Frames in the shortest repetition looked into: it may be one side of a loop."""
SHORTEST_LAG = 10
"""Lags are examined from here on: what repeats this quickly is no lap, but shows up at every multiple."""
HIGH_PASS = 75
"""Frames of the moving mean that is subtracted: slow drift is no likeness."""
MAX_SHARE = 0.67
"""Longest lag as part of the run: a lap must appear nearly twice."""
GRID = 0.02
"""Step of the lags examined, relative."""
DRIFT = 0.05
"""How far the lag of each window may lie from the one examined, relative."""
CLIP = 3.0
"""Features are clipped at this many σ, so that one stall does not dominate the run."""
MIN_LIKENESS = 0.4
AS_GOOD = 0.10
"""A shorter lag is preferred if its best windows are at most this much worse than a longer one's."""
MUCH_WORSE = 0.3
HALF = 0.08
"""Lags that lie within this part of half a lap or of one and a half are those of its halves."""
CANDIDATES = 3
"""Lags examined in detail; with few laps a stall can make a multiple score better than the lap."""


@dataclass(frozen=True, slots=True)
class Period:
    """A lag at which the run resembles itself; everything in frames."""

    lag: float
    likeness: float
    """Median over windows of the warped correlation with one lag later; about 1 for laps, near 0 for noise."""
    contrast: float
    """`likeness` less what lags reach that are neither this one nor multiples of it or of its half."""
    start: int
    """Frame at which a window begins that repeats well."""
    start_lag: int
    """The lag there."""


def smoothed(row: Floats, width: int) -> Floats:
    """Moving mean over `width` frames, over fewer at the ends."""
    total = np.concatenate(([0.0], np.cumsum(row)))
    place = np.arange(len(row))
    low, high = np.maximum(place - width // 2, 0), np.minimum(place + width // 2 + 1, len(row))
    return np.asarray((total[high] - total[low]) / (high - low))


def drift(row: Floats, width: int) -> Floats:
    """Moving mean over `width` frames; nearer to the ends than half of it, a line on from the last full means."""
    if len(row) < 2 * width:
        return smoothed(row, width)
    out, half = smoothed(row, width), width // 2
    for inner, reach in ((half, half), (len(row) - 1 - half, -half)):
        slope = (out[inner + reach] - out[inner]) / reach
        ends = slice(0, half) if reach > 0 else slice(len(row) - half, None)
        out[ends] = out[inner] + slope * (np.arange(len(row))[ends] - inner)
    return out


def features(values: Floats, width: int, taken_off: Callable[[Floats, int], Floats] = smoothed) -> Singles:
    """Channels with their slow part taken off, in units of σ, clipped; those that never change are left out.

    The slow part is the moving mean over `width` frames, or what `taken_off` makes of them.
    """
    rows = []
    for row in values:
        moved = row - taken_off(row, width)
        spread = float(moved.std())
        if spread > 1e-9 * max(1.0, float(np.abs(row).max())):
            rows.append(np.clip(moved / spread, -CLIP, CLIP))
    return np.array(rows, np.float32).reshape(len(rows), values.shape[1])


def similarity(table: Singles, lags: int) -> list[tuple[int, Floats]]:
    """Warped correlations: for window lengths of 1, 2, 4 … blocks an array of shape (windows, lags).

    Element (b, τ) compares the window that begins at block b with the run τ frames later. Two halves of a window are
    joined at lags that differ by one frame at most, so that a window of w blocks may drift by up to w frames.
    Windows that would reach beyond the end are NaN.
    """
    count = table.shape[1]
    blocks = count // BLOCK
    padded = np.zeros((len(table), blocks * BLOCK + lags), np.float32)
    padded[:, :count] = table[:, : padded.shape[1]]
    products = padded[:, : blocks * BLOCK].T @ padded
    row, column = products.strides
    shifted = np.lib.stride_tricks.as_strided(products, (blocks * BLOCK, lags), (row + column, column))
    total = np.add.reduceat(shifted, np.arange(0, blocks * BLOCK, BLOCK), axis=0)
    energy = np.concatenate(([0.0], np.cumsum((padded.astype(np.float64) ** 2).sum(axis=0)), np.zeros(BLOCK)))
    energy[-BLOCK:] = energy[-BLOCK - 1]
    place = np.arange(blocks)[:, None] * BLOCK + np.arange(lags)
    later = energy[place + BLOCK] - energy[place]
    inside = place + BLOCK <= count
    score = np.where(inside, total, -np.inf)
    scale = np.sqrt(later[:, :1] * later)
    levels = []
    width = 1
    while True:
        ratio = np.divide(score, scale, out=np.zeros_like(scale), where=scale > 0)
        levels.append((width, np.where(np.isfinite(score), ratio, np.nan)))
        if 2 * width > blocks or 2 * width * BLOCK > lags:
            return levels
        best = score[width:].copy()
        np.maximum(best[:, 1:], score[width:, :-1], out=best[:, 1:])
        np.maximum(best[:, :-1], score[width:, 1:], out=best[:, :-1])
        score, scale = score[:-width] + best, scale[:-width] + scale[width:]
        width *= 2


def _windows(levels: list[tuple[int, Floats]], lag: float) -> tuple[int, int, Floats, npt.NDArray[np.int64]]:
    """Window length in blocks, first lag, best correlation of each window near `lag`, and the lag that gives it."""
    width, table = levels[min(max(int(np.log2(lag / BLOCK)), 0), len(levels) - 1)]
    first, last = int(lag * (1 - DRIFT)), min(int(lag * (1 + DRIFT)) + 1, table.shape[1])
    near = table[:, first:last]
    near = near[np.isfinite(near).all(axis=1)]
    return width, first, near.max(axis=1, initial=-1.0), first + near.argmax(axis=1)


def find_periods(values: Floats) -> list[Period]:
    """Lags at which the run resembles itself, likeliest lap first; at most CANDIDATES, none where it never does.

    First comes the shortest lag that is about as good as any. values: shape (channels, frames).
    """
    table = features(values, HIGH_PASS)
    lags = int(MAX_SHARE * values.shape[1])
    if lags < 2 * MIN_LAG or not len(table):
        return []
    levels = similarity(table, lags)
    grid = SHORTEST_LAG * np.exp(GRID * np.arange(int(np.log(lags / SHORTEST_LAG) / GRID)))
    likeness, best = np.full(len(grid), np.nan), np.full(len(grid), np.nan)
    for place, lag in enumerate(grid.tolist()):
        width, _, found, _ = _windows(levels, lag)
        if len(found) >= max(1.0, 0.25 * width):
            likeness[place], best[place] = np.quantile(found, (0.5, 0.75))
    return [_period(levels, grid, likeness, place) for place in _choose(grid, likeness, best)]


def _period(levels: list[tuple[int, Floats]], grid: Floats, likeness: Floats, place: int) -> Period:
    ratio = grid / grid[place]
    away = np.isfinite(likeness) & (((ratio > 0.3) & (ratio < 0.82)) | ((ratio > 1.22) & (ratio < 1.75)))
    # Two halves may be alike: half a lap and one and a half are no sign against it.
    away &= (np.abs(ratio - 0.5) > HALF * 0.5) & (np.abs(ratio - 1.5) > HALF * 1.5)
    other = float(np.quantile(likeness[away], 0.9)) if away.any() else 0.0
    _, _, found, at = _windows(levels, float(grid[place]))
    good = np.flatnonzero(found >= np.quantile(found, 0.75))
    start = int(good[len(good) // 2])
    reached = float(likeness[place])
    return Period(float(np.median(at[good])), reached, reached - other, start * BLOCK, int(at[start]))


def _choose(grid: Floats, likeness: Floats, best: Floats) -> list[int]:
    """Peaks of the likeness, the likeliest lap first."""
    peaks = [
        place
        for place in range(len(grid))
        if grid[place] >= MIN_SIDE
        and likeness[place] > MIN_LIKENESS
        and likeness[place] >= np.nanmax(likeness[max(0, place - 4) : place + 5])
    ]
    if not peaks:
        return []
    goal, level = max(best[peaks]), max(likeness[peaks])
    # Of the multiples of a lap the first: a longer lag is no better, only present in fewer windows.
    good = [place for place in peaks if best[place] >= goal - AS_GOOD and likeness[place] >= level - MUCH_WORSE]
    # Of those long enough for a lap too: a load that stands still between two changes is like itself at any short lag.
    laps = [place for place in good if grid[place] >= MIN_LAG]
    by_likeness = sorted(peaks, key=lambda place: -float(likeness[place]))
    return list(dict.fromkeys([*good[:1], *laps[:1], *by_likeness]))[:CANDIDATES]
