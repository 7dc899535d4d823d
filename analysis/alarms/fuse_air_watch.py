"""The air at the fuses as it is measured while samples arrive. docs/methods.md, Alarms while recording."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from amptally.analysis.alarms.signals import Array, Signals
from amptally.analysis.protection.fuse_air import CHANNEL, highest_air_c


@dataclass(frozen=True, slots=True)
class AirLimit:
    """Declared errors of the sensor of the air at the fuses, 1 σ; None where the machine file is silent."""

    offset_u_c: float | None = None
    gain_u: float | None = None


UNDECLARED = AirLimit()
"""Nothing declared."""


class HottestAir:
    """The hottest air measured so far, as the report takes it, in whole degrees upwards."""

    def __init__(self, limit: AirLimit) -> None:
        self._limit = limit
        self._read_c = -math.inf

    def parts(self, signals: Signals, run_s: Array) -> Iterator[tuple[slice, float | None]]:
        """Stretches of some of the samples, their times `run_s`, with the air [°C]; None while nothing was measured."""
        if CHANNEL not in signals:
            yield slice(0, len(run_s)), self._air_c(self._read_c)
            return
        read_c = np.fmax.accumulate(np.concatenate(([self._read_c], signals.values(CHANNEL))))[1:]
        self._read_c = float(read_c[-1])
        at = read_c[np.searchsorted(signals.run_s, run_s)]
        # In whole degrees there are few changes, however the sensor wavers.
        whole_c = np.ceil(at)
        edges = [0, *(np.flatnonzero(whole_c[1:] != whole_c[:-1]) + 1).tolist(), len(at)]
        for begin, stop in pairwise(edges):
            yield slice(begin, stop), self._air_c(float(at[begin]))

    def _air_c(self, read_c: float) -> float | None:
        if not math.isfinite(read_c):
            return None
        return highest_air_c(math.ceil(read_c), self._limit.offset_u_c, self._limit.gain_u)
