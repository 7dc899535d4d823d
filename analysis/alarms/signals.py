"""Building blocks of the checks that run while samples arrive: sampled time, running checkpoints, a latch.

All of them work on arrays, hold a bounded state, and give the same result however the samples are cut into slices.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from amptally.analysis.signals.gaps import GAP_FACTOR, NEIGHBOURS

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

MAX_SLICE = 1024
"""Most samples handed to a check at once."""
ROUNDING = 1e-9
"""Relative; a length of time counts as reached when it is this close."""


def grown(values: Array, before: float) -> Array:
    """Growth of each value since the one before it; `before` stands before the first. Several times np.diff's pace."""
    steps = np.empty_like(values)
    steps[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=steps[1:])
    return steps


@dataclass(frozen=True, slots=True, eq=False)
class SampledTime:
    """Run time of one signal with the gaps cut out, as it stands after some samples.

    A gap is an interval longer than ten times the median of the ten before it: the report's rule, less the intervals
    that are still to come.
    """

    last_s: float | None = None
    """Run time of the last sample; None before the first."""
    axis_s: float = 0.0
    """Sampled time there."""
    cut_s: float = 0.0
    """Run time less sampled time."""
    steps_s: Array = field(default_factory=lambda: np.empty(0))
    """The last ten intervals."""

    def after(self, run_s: Array) -> tuple[SampledTime, Array, Array]:
        """(time after n ≥ 1 more samples, sampled time at each, its growth before each); growth is 0 across a gap."""
        fresh = len(run_s) if self.last_s is not None else len(run_s) - 1
        steps = grown(run_s, float(run_s[0]) if self.last_s is None else self.last_s)
        known = np.concatenate((self.steps_s, steps[len(steps) - fresh :]))
        cut_s = float(run_s[0]) if self.last_s is None else self.cut_s
        gap = _gaps(known, fresh)
        if gap is None:
            axis_s = run_s - cut_s
        else:
            gap = np.concatenate((np.zeros(len(steps) - fresh, bool), gap))
            cuts = np.cumsum(np.concatenate(([cut_s], np.where(gap, steps, 0.0))))[1:]
            steps = np.where(gap, 0.0, steps)
            # Rounding must not make the axis fall.
            axis_s = np.maximum.accumulate(np.concatenate(([self.axis_s], run_s - cuts)))[1:]
            cut_s = float(cuts[-1])
        return SampledTime(float(run_s[-1]), float(axis_s[-1]), cut_s, known[-NEIGHBOURS:]), axis_s, steps


START = SampledTime()
"""Before any sample."""


def _gaps(known: Array, fresh: int) -> Mask | None:
    """Which of the last `fresh` of the known steps are gaps; None where none is."""
    if not fresh or len(known) < 2:
        return None
    # No median is below the least interval, so that only these can be gaps.
    least_s = GAP_FACTOR * known.min()
    if known.max() <= least_s:
        return None
    places = (known > least_s).nonzero()[0]
    places = places[places >= max(len(known) - fresh, 1)]
    if not len(places):
        return None
    columns = places[:, None] - NEIGHBOURS + np.arange(NEIGHBOURS)
    before = np.nanmedian(np.where(columns >= 0, known[np.clip(columns, 0, None)], np.nan), axis=1)
    gap = np.zeros(len(known), bool)
    gap[places] = known[places] > GAP_FACTOR * before
    return gap[len(known) - fresh :]


class Checkpoints:
    """Running columns at the first sample in each `spacing_s` of sampled time, reaching `reach_s` back."""

    def __init__(self, columns: int, spacing_s: float, reach_s: float) -> None:
        self.spacing_s = spacing_s
        self._keep = math.ceil(reach_s / spacing_s) + 3
        self._data = np.zeros((1 + columns, 2 * self._keep + MAX_SLICE))
        self._used = 0
        self._bin = -1

    def append(self, axis_s: Array, *columns: Array) -> None:
        """Take at most MAX_SLICE samples; each column is as long as `axis_s`."""
        if math.floor(axis_s[-1] / self.spacing_s) == self._bin:
            return
        bins = np.floor(axis_s / self.spacing_s)
        kept = grown(bins, self._bin).nonzero()[0]
        self._bin = int(bins[-1])
        if self._used + len(kept) > self._data.shape[1]:
            self._data[:, : self._keep] = self._data[:, self._used - self._keep : self._used]
            self._used = self._keep
        end = self._used + len(kept)
        for row, column in zip(self._data, (axis_s, *columns), strict=True):
            row[self._used : end] = column[kept]
        self._used = end

    @property
    def table(self) -> Array:
        """Shape (1 + columns, checkpoints): sampled time, then the columns; oldest first."""
        return self._data[:, : self._used]

    @property
    def nbytes(self) -> int:
        """Size of the storage, which never changes."""
        return self._data.nbytes


@dataclass(frozen=True, slots=True)
class Change:
    """A latch was set or reset."""

    index: int
    """The sample at which it was."""
    is_set: bool
    value: float
    """When set, the worst value so far; when reset, the worst of all."""


class Latch:
    """Set once a level has been at `set_at` or above for `hold_s`; reset once it has been below `free_at` for `free_s`.
    Between the two nothing happens, so that a level that wavers at its limit is one event."""

    def __init__(self, set_at: float, free_at: float, hold_s: float = 0.0, free_s: float = 0.0) -> None:
        self._set_at, self._free_at = set_at, free_at
        self._hold_s, self._free_s = hold_s, free_s
        self._bad_since: float | None = None
        self._good_since: float | None = None
        self._worst = (-math.inf, math.nan)
        self.active = False

    @property
    def worst(self) -> float:
        """The value that went with the highest level of the event so far."""
        return self._worst[1]

    def follow(self, axis_s: Array, level: Array, value: Array) -> list[Change]:
        """Take samples: sampled time, level, and the value to report; no NaN. Returns the changes, in order."""
        bad = level >= self._set_at
        if not self.active and not bad.any():
            self._bad_since = None
            return []
        good = level < self._free_at
        bad_from, bad_since = _runs(axis_s, bad, self._bad_since)
        _, good_since = _runs(axis_s, good, self._good_since if self.active else None)
        sets = np.flatnonzero(bad & (axis_s - bad_since >= self._hold_s * (1 - ROUNDING)))
        frees = np.flatnonzero(good & (axis_s - good_since >= self._free_s * (1 - ROUNDING)))
        changes: list[Change] = []
        at = 0
        while True:
            candidates = frees if self.active else sets
            place = int(np.searchsorted(candidates, at))
            if place == len(candidates):
                break
            index = int(candidates[place])
            if self.active:
                self._worse(level, value, at, index)
                changes.append(Change(index, False, self.worst))
            else:
                if bad_from[index] >= 0:
                    self._worst = (-math.inf, math.nan)
                self._worse(level, value, max(int(bad_from[index]), 0), index + 1)
                changes.append(Change(index, True, self.worst))
            self.active = not self.active
            at = index + 1
        self._bad_since = float(bad_since[-1]) if bad[-1] else None
        self._good_since = float(good_since[-1]) if good[-1] else None
        if self.active:
            self._worse(level, value, at, len(level))
        elif self._bad_since is not None:
            if bad_from[-1] >= 0:
                self._worst = (-math.inf, math.nan)
            self._worse(level, value, max(int(bad_from[-1]), 0), len(level))
        return changes

    def _worse(self, level: Array, value: Array, start: int, stop: int) -> None:
        if stop > start:
            place = start + int(np.argmax(level[start:stop]))
            if level[place] > self._worst[0]:
                self._worst = (float(level[place]), float(value[place]))


def _runs(axis_s: Array, flag: Mask, since_s: float | None) -> tuple[npt.NDArray[np.int64], Array]:
    """For each sample in a run of true: the place where the run began (−1: before these samples), and when.

    `since_s`: when the run began that the sample before these stood in, if it did.
    """
    begins = flag.copy()
    begins[1:] &= ~flag[:-1]
    if since_s is not None:
        begins[0] = False
    began = np.maximum.accumulate(np.where(begins, np.arange(len(flag)), -1))
    return began, np.where(began >= 0, axis_s[began], math.inf if since_s is None else since_s)


class Signals:
    """One slice of samples: columns in SI units by name, NaN where not measured, corrected on demand."""

    def __init__(
        self,
        run_s: Array,
        columns: Mapping[str, Array],
        corrections: Mapping[str, tuple[float, float]],
        time: SampledTime,
    ) -> None:
        """`time`: that of all samples so far, whatever they hold."""
        self.run_s = run_s
        self._before = time
        self._shared = time.after(run_s)
        self._columns = columns
        self._corrections = corrections
        self._ready: dict[str, tuple[Array, Mask | None]] = {}

    def __contains__(self, name: object) -> bool:
        return name in self._columns

    @property
    def time(self) -> SampledTime:
        """The time of all samples, these included."""
        return self._shared[0]

    def sampled(self, time: SampledTime, run_s: Array) -> tuple[SampledTime, Array, Array]:
        """`time.after(run_s)`; computed once for all signals that have been measured in every sample so far."""
        return self._shared if run_s is self.run_s and time is self._before else time.after(run_s)

    def raw(self, name: str) -> Array:
        """A column as the board sent it."""
        return self._columns[name]

    def values(self, name: str) -> Array:
        """A column, corrected, at every sample of `run_s`; NaN where it was not measured."""
        return self._corrected(name)[0]

    def rows(self, *names: str) -> tuple[Array, ...] | None:
        """Run time and the named columns, corrected, where all were measured; None where they never were."""
        if any(name not in self._columns for name in names):
            return None
        found = [self._corrected(name) for name in names]
        masks = [measured for _, measured in found if measured is not None]
        if not masks:
            return self.run_s, *(values for values, _ in found)
        measured = np.logical_and.reduce(masks)
        if not measured.any():
            return None
        return self.run_s[measured], *(values[measured] for values, _ in found)

    def _corrected(self, name: str) -> tuple[Array, Mask | None]:
        if name not in self._ready:
            values = self._columns[name]
            offset, gain = self._corrections.get(name, (0.0, 0.0))
            if name.endswith("_rms_a"):
                values = self._rms(name, values)
            elif offset or gain:
                values = (values - offset) / (1.0 + gain)
            # A sum is the quickest way to see that there is no NaN.
            whole = not math.isnan(values.sum())
            self._ready[name] = (values, None if whole else ~np.isnan(values))
        return self._ready[name]

    def _rms(self, name: str, values: Array) -> Array:
        """An interval's RMS shares its lead's sensor and loses its offset as squares do: as in `corrections`."""
        lead = name.replace("_current_rms_a", "_current_a")
        offset, gain = self._corrections.get(lead, (0.0, 0.0))
        if offset:
            mean = self._columns[lead] if lead in self._columns else np.full(len(values), np.nan)
            mean = np.where(np.isnan(mean), offset / 2, mean)
            values = np.sqrt(np.maximum(values**2 - 2 * offset * mean + offset**2, 0.0))
        return values / (1.0 + gain) if gain else values
