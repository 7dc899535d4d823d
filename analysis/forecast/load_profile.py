"""A load as the battery models take it: pieces of constant current."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

BATCHES = 8
"""Stretches of a run whose means are compared."""
PIECE_S = 10.0
"""Length of a piece, about; the same however long the recording is, as Peukert's law weighs pieces by their current."""
MIN_VARIATION = 0.03
"""1 σ, relative: the load to come is not this one again, even where this one was steady; no source."""


@dataclass(frozen=True, slots=True)
class LoadProfile:
    """Current over time in equal pieces, discharge positive."""

    current_a: Floats
    """Mean current of each piece [A]."""
    duration_h: Floats
    """Length of each piece [h]."""
    hours: float = field(init=False)
    """Time covered [h]."""
    charge_ah: float = field(init=False)
    """Net charge [Ah]."""
    mean_a: float = field(init=False)
    """Net charge over time [A]."""

    def __post_init__(self) -> None:
        # Forecasts ask for these tens of thousands of times.
        hours, charge_ah = float(np.sum(self.duration_h)), float(np.sum(self.current_a * self.duration_h))
        for name, value in (("hours", hours), ("charge_ah", charge_ah), ("mean_a", charge_ah / hours)):
            object.__setattr__(self, name, value)

    @property
    def relative_u(self) -> float:
        """1 σ of the mean as a forecast of the load to come, relative to it.

        From the scatter between `BATCHES` stretches of the run (method of batch means), and
        `MIN_VARIATION` in quadrature; twice that for a load with fewer pieces than batches.
        """
        if self.current_a.size < BATCHES or self.mean_a <= 0:
            return 2 * MIN_VARIATION
        parts = zip(np.array_split(self.current_a, BATCHES), np.array_split(self.duration_h, BATCHES), strict=True)
        means = np.array([np.sum(current * hours) / np.sum(hours) for current, hours in parts])
        return math.hypot(float(np.std(means, ddof=1)) / math.sqrt(BATCHES) / self.mean_a, MIN_VARIATION)


def load_profile(current_a: Floats, interval_s: Floats) -> LoadProfile:
    """Sampled current → equal pieces of about `PIECE_S` of the sampled time; the charge stays exactly the same.

    current_a [A] is the mean current over interval_s [s], shapes (n,); leave out what was not measured. Pieces of
    seconds smooth out what Peukert's law must not see: it was never meant for single pulses. Raises ValueError when
    nothing was sampled.
    """
    current, interval = np.asarray(current_a, dtype=float), np.asarray(interval_s, dtype=float)
    if current.shape != interval.shape or current.ndim != 1:
        raise ValueError("current_a and interval_s must be two rows of the same length")
    if np.any(interval < 0) or not np.all(np.isfinite(current)) or not np.sum(interval) > 0:
        raise ValueError("a load needs finite currents over a time above 0")
    clock_s = np.concatenate([[0.0], np.cumsum(interval)])
    charge_as = np.concatenate([[0.0], np.cumsum(current * interval)])
    pieces = min(max(round(float(clock_s[-1]) / PIECE_S), 1), current.size)
    edges_s = np.linspace(0.0, clock_s[-1], pieces + 1)
    given_as = np.diff(np.interp(edges_s, clock_s, charge_as))
    lengths_s = np.diff(edges_s)
    return LoadProfile(given_as / lengths_s, lengths_s / 3600)


def steady(current_a: float, hours: float = 1.0) -> LoadProfile:
    """A constant load [A] for `hours` [h]."""
    return LoadProfile(np.array([current_a]), np.array([hours]))
