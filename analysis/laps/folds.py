"""How many of the repetitions that were found make one lap: a loop may have equal sides, or two equal halves.

docs/methods.md, Laps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from amptally.analysis.laps.frames import COUNTS, Places
from amptally.analysis.runs.run import Floats

MAX_COMPARED = 48
MAX_FOLDS = 8
FOLDED = 0.6
"""Where every k-th repetition lies nearer than this, relative to the others, a lap is k of them."""
FOLDED_RATIO = 3.0
"""And where the variance between the k groups is this many times that within."""
ENOUGH = 8
"""Of fewer repetitions every second may be nearer than the next by chance, as where fast and slow laps alternate."""
AS_NEAR = 1.25
"""A multiple of the true number is as near as it: the first that is as near within this factor counts."""
DOUBTED, DOUBTED_TIMES = 2.7, 1.25
"""Every k-th is perhaps nearer: variance between the k groups against that within, by standard deviations of what other
orders of the same repetitions give, and as a ratio."""
MEMBERS = 4
"""Repetitions in each group, so that a few chance likenesses among them do not look like a rule."""
ORDERS = 100
STEERED = 0.5
"""Where left and right turns cancel to less than this part, how often a lap turns round cannot be told."""
ROUNDS = (1, 2, 3)


@dataclass(frozen=True, slots=True)
class Folds:
    """How many repetitions make a lap."""

    times: int
    doubt: int | None = None
    """Perhaps it is this many times as long."""


def mean_squares(laps: Floats) -> Floats:
    """Mean square difference between any two of the laps, of shape (laps, channels, bins); shape (laps, laps)."""
    rows = laps.reshape(len(laps), -1)
    square = (rows**2).sum(axis=1)
    return np.asarray((square[:, None] + square - 2 * rows @ rows.T) / rows.shape[1])


def folds_of(laps: Floats) -> Folds:
    """From the features of each repetition, shape (repetitions, channels, bins).

    A lag of a part of a lap fits nearly as well as a whole one where the parts are alike; then every second or third
    repetition is nearer than the next one.
    """
    if len(laps) < 4:
        return Folds(1)
    # What all of a repetition has in common is its pace: at random every second one may be driven faster.
    shape = laps[:MAX_COMPARED]
    shape = shape - shape.mean(axis=2, keepdims=True)
    shape = shape / np.maximum(shape.std(axis=2, keepdims=True), 1e-9)
    distance = mean_squares(shape)
    first, second = np.triu_indices(len(distance), 1)
    nearer = {1: 1.0}
    for times in range(2, MAX_FOLDS + 1):
        if len(distance) >= 2 * times:
            same = (second - first) % times == 0
            near, other = distance[first, second][same], distance[first, second][~same]
            # Medians, since one odd lap stands in many pairs; and most of the near ones nearer than nearly all others.
            apart = _ratio(distance, np.arange(len(distance)) % times, times) > FOLDED_RATIO
            if apart and (near < np.quantile(other, 0.25)).mean() > 0.7:
                nearer[times] = float(np.median(near)) / max(float(np.median(other)), 1e-12)
    best = min(nearer.values())
    if best < FOLDED:
        times = next(times for times, share in nearer.items() if share <= AS_NEAR * best)
        return Folds(times) if len(distance) >= ENOUGH else Folds(1, times)
    return Folds(1, _doubt(distance))


def _doubt(distance: Floats) -> int | None:
    """The number of groups, in turn, that explains the differences better than chance; None where none does."""
    count = len(distance)
    rng = np.random.default_rng(count)
    doubts = {}
    for times in range(2, MAX_FOLDS + 1):
        if count < MEMBERS * times:
            break
        group = np.arange(count) % times
        ratio = _ratio(distance, group, times)
        chance = np.array([_ratio(distance, rng.permutation(group), times) for _ in range(ORDERS)])
        above = (ratio - float(chance.mean())) / max(float(chance.std()), 1e-9)
        if ratio > DOUBTED_TIMES and above > DOUBTED:
            doubts[times] = above
    return max(doubts, key=lambda times: doubts[times]) if doubts else None


def _ratio(distance: Floats, group: Places, groups: int) -> float:
    """F, the variance between groups against that within, from the mean squares of differences."""
    member = (group[:, None] == np.arange(groups)).astype(np.float64)
    within = float(((member.T @ distance * member.T).sum(axis=1) / (2 * member.sum(axis=0))).sum())
    total = float(distance.sum()) / (2 * len(distance))
    return (total - within) / (groups - 1) / max(within / (len(distance) - groups), 1e-12)


def open_by(names: tuple[str, ...], phase: Floats, values: Floats, bins: int) -> float | None:
    """How far from its beginning a lap ends, as part of its length, by the difference of both wheels along it.

    `phase` in laps, shape (frames,), on a ring of `bins`; `values` are wheel counts a frame and other channels, shape
    (channels, frames). A lap turns once round, twice or three times; whichever closes it best is taken, so that neither
    track nor wheels need be known. None where the wheels do not tell, as on a figure of eight.
    """
    if not all(name in names for name in COUNTS):
        return None
    place = np.floor((phase % 1.0) * bins + 1e-6).astype(np.int64) % bins
    left, right = (np.bincount(place, weights=values[names.index(name)], minlength=bins) for name in COUNTS)
    mean = 0.5 * (left + right)
    if mean.min() <= 0:
        return None
    turning = (right - left) / mean
    # A difference all along, of wheels that are not alike, is no turning.
    turning = turning - np.median(turning)
    total = float(turning.sum())
    if abs(total) <= STEERED * float(np.abs(turning).sum()):  # both 0 where it goes straight
        return None
    heading = 2 * np.pi * np.cumsum(turning) / total
    return min(float(np.abs(np.exp(1j * times * heading).mean())) for times in ROUNDS)
