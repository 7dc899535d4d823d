"""Sums over sampled curves for charge and energy, accumulated block by block: no block is needed twice.

Each sum exists three times: over all samples, over those of positive and over those of negative current. A reading of
exactly zero may hide a small current of either sign: it counts in all three. docs/methods.md, Energy.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from amptally.analysis.results.sensor_terms import near_zero
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.curve_integrals import (
    SignedIntegral,
    blocks,
    bridged,
    by_sign,
    from_halving,
    halving,
    steps_s,
    weights_s,
)
from amptally.analysis.signals.sampling import burst_halving
from amptally.analysis.signals.series import Flags, Floats, Series
from amptally.analysis.signals.signs import ALL, BACK, OUT, Signs, Weights

ENERGY, CHARGE, VOLT_SECONDS, BY_CURRENT, BY_VOLTAGE = range(5)
"""Rows of `PowerSums.products`."""
_ROWS = partial(np.zeros, 3)


@dataclass(slots=True)
class CurveSums:
    """Sums over one curve, such as a current."""

    samples: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    sampled_s: float = 0.0
    """Time without the gaps."""
    integral: Floats = field(default_factory=partial(np.zeros, 4))
    """The four of `SignedIntegral`."""
    across: Floats = field(default_factory=partial(np.zeros, 2))
    """Trapezoid across the gaps, out and in."""
    weights2_s2: Floats = field(default_factory=_ROWS)
    """Σ of the squares of the samples' weights in the trapezoid's sum."""
    change: Floats = field(default_factory=_ROWS)
    """Σ of what halving the samples changes, pair by pair [unit of curve · s]."""
    changes2: Floats = field(default_factory=_ROWS)
    near: float = 0.0
    """Currents no larger than this count as near zero."""
    near_s: float = 0.0
    """Sampled time near zero."""
    bursts: Floats = field(default_factory=partial(np.zeros, 2))
    """Σ and Σ of squares of what halving changes with each burst of samples as one; zeros where there are none."""

    @property
    def total(self) -> SignedIntegral:
        """∫ of the curve by sign."""
        return SignedIntegral(*self.integral.tolist())

    def sampling(self, row: int) -> float:
        """1 σ of the integral from the spacing of the samples."""
        plain = from_halving(self.samples, float(self.change[row]), float(self.changes2[row]))
        return max(plain, from_halving(self.samples, *self.bursts.tolist()))

    def add(self, series: Series) -> CurveSums:
        """Accumulate a block that begins with the last sample of the one before; returns itself."""
        time_s, value, gap_after = series.time_s, series.value, series.gap_after
        self._cover(time_s, gap_after)
        self.bursts += burst_halving(series)
        self.across += bridged(time_s, value, gap_after)
        for samples, intervals in blocks(len(time_s)):
            gaps, curve = gap_after[intervals], value[samples]
            step_s = steps_s(time_s[samples], gaps)
            weights = Weights(weights_s(step_s), Signs.of(curve))
            self._block(step_s, curve, weights, gaps)
            self.integral += by_sign(step_s, curve, weights)
            self._near(curve, weights.weight)
        return self

    def _near(self, current: Floats, weight_s: Floats) -> None:
        if self.near > 0:
            self.near_s += float(weight_s @ (np.abs(current) <= self.near).astype(np.float64))

    def _cover(self, time_s: Floats, gap_after: Flags) -> None:
        """Count samples and time."""
        self.first_s = self.first_s if self.samples else float(time_s[0])
        self.samples += len(time_s) - (1 if self.samples else 0)
        self.last_s = float(time_s[-1])
        self.sampled_s += Series(time_s, time_s, gap_after).sampled_s if len(time_s) > 1 else 0.0

    def _block(self, step_s: Floats, curve: Floats, weights: Weights, gap_after: Flags) -> None:
        """Accumulate a short block of a curve with the lengths of its intervals."""
        signs = weights.signs
        self.weights2_s2 += weights.sums(weights.weight)
        # Each sample counts on one side, and those of zero change nothing.
        whole = halving(step_s, curve, gap_after)
        parts = {ALL: whole}
        if signs.positive and signs.negative:
            parts[OUT] = halving(step_s, curve * signs.counts, gap_after)
            parts[BACK] = whole - parts[OUT]
        else:
            parts[OUT if signs.positive else BACK] = whole
        for row, part in parts.items():
            self.change[row] += part.sum()
            self.changes2[row] += part @ part


@dataclass(slots=True)
class PowerSums(CurveSums):
    """Sums over the power of two channels sampled together: current and voltage."""

    products: Floats = field(default_factory=partial(np.zeros, (5, 3)))
    """Over all samples and by sign, rows of: ENERGY Σ w·v·i, CHARGE Σ w·i, VOLT_SECONDS Σ w·v, and how white noise adds
    up, BY_CURRENT Σ (w·v)² that of the current, BY_VOLTAGE Σ (w·i)² that of the voltage."""
    moved: float = 0.0
    """∫ v di [W]: energy error per second of delay of the current."""
    volts: float = 0.0
    """Σ v, for the mean."""
    peak_w: float = -np.inf
    peak_v: float = 0.0
    peak_a: float = 0.0

    def add_pair(self, time_s: Floats, amps: Floats, volts: Floats, gap_after: Flags) -> PowerSums:
        """Accumulate a block that begins with the last sample of the one before; returns itself."""
        if not len(time_s):
            return self
        shared = 1 if self.samples else 0
        self._cover(time_s, gap_after)
        self.volts += float(volts[shared:].sum())
        self.bursts += burst_halving(Series(time_s, volts * amps, gap_after))
        for samples, intervals in blocks(len(time_s)):
            self._power(time_s[samples], amps[samples], volts[samples], gap_after[intervals])
        if len(time_s) == 1:
            self._peak(volts * amps, volts, amps)
        return self

    def _power(self, time_s: Floats, amps: Floats, volts: Floats, gap_after: Flags) -> None:
        watts = volts * amps
        self._peak(watts, volts, amps)
        self.across += bridged(time_s, watts, gap_after)
        step_s = steps_s(time_s, gap_after)
        signs = Signs.of(amps)
        weights = Weights(weights_s(step_s), signs)
        self._block(step_s, watts, weights, gap_after)
        own = weights if volts.min() > 0 else Weights(weights.weight, Signs.of(watts))
        self.integral += by_sign(step_s, watts, own)
        self._near(amps, weights.weight)
        rise = amps[1:] - amps[:-1]
        rise[gap_after] = 0.0
        self.moved += 0.5 * float((volts[:-1] + volts[1:]) @ rise)
        charge, volt_seconds = weights.weight * amps, weights.weight * volts
        self.products += (
            weights.sums(watts),
            weights.sums(amps),
            weights.sums(volts),
            Weights(volt_seconds, signs).sums(volt_seconds),
            Weights(charge, signs).sums(charge),
        )

    def _peak(self, watts: Floats, volts: Floats, amps: Floats) -> None:
        at = int(np.argmax(watts))
        if watts[at] > self.peak_w:
            self.peak_w, self.peak_v, self.peak_a = float(watts[at]), float(volts[at]), float(amps[at])


def curve_sums(run: Run, si_name: str) -> CurveSums:
    """Those of a channel of a run, computed once."""
    return run.cached(CurveSums, ("sums", si_name), curve_pass(run, si_name))


def curve_pass(run: Run, si_name: str) -> Iterator[None]:
    """Accumulate the sums of a channel, one block per step; see `Run.run_passes`."""
    sums = CurveSums(near=near_zero(run.sensor(si_name)))
    for part in run.blocks(si_name):
        if part is not None:
            sums.add(part)
        yield
    run.cache["sums", si_name] = sums


def power_sums(run: Run, current: str, voltage: str) -> PowerSums:
    """Those of two channels of a run, computed once."""
    return run.cached(PowerSums, ("power", f"{current} {voltage}"), power_pass(run, current, voltage))


def power_pass(run: Run, current: str, voltage: str) -> Iterator[None]:
    """Accumulate the sums of two channels, one block per step."""
    sums = PowerSums(near=near_zero(run.sensor(current)))
    for pair in run.paired_blocks(current, voltage):
        if pair is not None:
            sums.add_pair(*pair)
        yield
    run.cache["power", f"{current} {voltage}"] = sums
