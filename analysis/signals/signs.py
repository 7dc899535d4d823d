"""Where a sampled curve is above and below zero, and sums that separate the two sides."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from amptally.analysis.signals.series import Flags, Floats, Places

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
        """From the samples, shape (n,)."""
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
        """Σ weight · value over the three."""
        zeros = self.signs.zeros
        level = float(self.weight[zeros] @ value[zeros]) if len(zeros) else 0.0
        above = None if self._above is None else float(self._above @ value)
        return self._three(float(self.weight @ value), level, above)

    @cached_property
    def totals(self) -> tuple[float, float, float]:
        """Σ weight over the three."""
        above = None if self._above is None else float(self._above.sum())
        return self._three(float(self.weight.sum()), float(self.weight[self.signs.zeros].sum()), above)

    def _three(self, every: float, level: float, above: float | None) -> tuple[float, float, float]:
        """From the sum over all samples, over those that are zero, and above zero where there are both sides."""
        if above is not None:
            return every, above + level, every - above
        return (every, every, level) if self.signs.positive else (every, level, every)
