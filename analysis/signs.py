"""Where a sampled curve lies above and below zero, and sums that keep the two sides apart."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.series import Flags, Floats, Places

ALL, OUT, BACK = 0, 1, 2
"""Places in sums over all samples, over those that are not negative, and over those that are not positive."""


@dataclass
class Signs:
    """Signs of n samples."""

    above: Flags
    """Which of them are greater than zero."""
    positive: int
    negative: int
    zeros: Places
    """Those that are exactly zero: they count on both sides."""
    changing: Places
    """First samples of the intervals at whose two ends the sign differs, zero being a sign of its own."""

    @classmethod
    def of(cls, value: Floats) -> Signs:
        """Look at each sample, shape (n,)."""
        above = value > 0
        positive = int(np.count_nonzero(above))
        changes = above[1:] != above[:-1]
        zeros, negative = np.empty(0, np.int64), len(value) - positive
        if negative:
            zero = value == 0
            zeros = np.flatnonzero(zero)
            negative -= len(zeros)
            if len(zeros):
                changes |= zero[1:] != zero[:-1]
        return cls(above, positive, negative, zeros, np.flatnonzero(changes))

    @cached_property
    def counts(self) -> Floats:
        """1 for each sample above zero, 0 for the others."""
        return self.above.astype(np.float64)


class Weights:
    """Weights of the samples of a curve, for sums over all, over those that are not negative and not positive."""

    def __init__(self, weight: Floats, signs: Signs) -> None:
        self.weight, self.signs = weight, signs
        self._above = weight * signs.counts if signs.positive and signs.negative else None

    def sums(self, value: Floats) -> tuple[float, float, float]:
        """Σ weight · value over the three. Short stretches: of up to 10,000 values BLAS starts no threads."""
        every = float(self.weight @ value)
        zeros = self.signs.zeros
        level = float(self.weight[zeros] @ value[zeros]) if len(zeros) else 0.0
        if self._above is None:
            return (every, every, level) if self.signs.positive else (every, level, every)
        above = float(self._above @ value)
        return every, above + level, every - above
