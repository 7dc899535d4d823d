"""A current that was typed in: the voltage jumps where the current has no step. docs/methods.md, Bad data.

A battery's voltage jumps only when its current does. At a constant current it relaxes, drifts and falls over its knee,
all of it smoothly. So a held current is judged by the jumps of the voltage alone, however constant it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.quality.voltage_response import Pair
from amptally.analysis.results.reason import Reason
from amptally.analysis.signals.series import Flags, Floats

MIN_BINS = 50
SAME_LEVEL = 0.01
"""A regulator holds its current within this share, with the steps and the noise of the reading."""
SMOOTH_SIGMA = 2.5
"""A voltage that moves by no more than this many σ of its noise is smooth."""
NEAR = 2
"""Bins on each side of a jump in which the current may step: filters and skew of one board stay within a second."""
LEVEL_BINS = 3
"""Bins on each side whose medians show that a jump lasts; a spike does not."""
CALM_BINS, CALM_QUANTILE, CALM_SHARE = 8, 0.02, 0.45
"""The noise is that of the calmest of stretches of eight bins, over the share of its σ that white noise has there."""
SUDDEN_SHARE, MAD_SIGMA = 1.5, 1.4826
"""σ of sudden changes over that of their samples' noise; σ over the median of the absolute values (normal)."""
JUMP_SIGMA, JUMP_STEPS, JUMP_SHARE = 6.0, 3.0, 0.001
"""A jump is this many σ of noise, steps of the reading, and this share of the voltage (24 mV of 24 V), or more."""
FEW_JUMPS = 3
LARGE = 4.0
"""Fewer jumps than that count where they are this many times as large."""
MANY_JUMPS = 20
"""From here on jumps are correlated with the changes of the current; below, each is looked at."""
UNRELATED = 0.3
"""Correlation of jumps and current below which the one does not come from the other."""
COMMON = 0.3
"""A change of the current is a step where less than this share of the other moments have one as large."""
OHMIC_SHARE = 0.2
"""Part of a jump that must be ohmic: a lead-acid battery full to gassing falls by far more when its charger stops."""
WIDE, STEEP = 15, 0.3
"""A step makes this share of what the current moves within that many bins on each side; a slow change does not."""
SWING_SIGMA, SWING_STEPS, SWING_SHARE = 10.0, 4.0, 0.002
"""A swing, from one turning point of the voltage to the next, has this size; noise turns by eight σ at most."""
MANY_SWINGS, RELATED = 12, 0.5
"""A held current makes one or two swings; more are correlated with the current at their turning points."""
MOST = 0.7
"""Share of the jumps that must be without a step."""


@dataclass(frozen=True, slots=True)
class Jumps:
    """Where a voltage jumps and stays."""

    at: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    """Bins before each jump, shape (n,)."""
    size_v: Floats
    """Shape (n,), with its sign."""
    threshold_v: float
    noise_v: float
    """1 σ of what is not a smooth curve, where the voltage is calmest."""


def step_size(value: Floats) -> float:
    """The smallest difference between two readings in a row; 0 where there is none."""
    steps = np.abs(np.diff(value))
    steps = steps[steps > 1e-9 * max(float(np.abs(value).max()), 1e-9)]
    return float(steps.min(initial=math.inf)) if len(steps) else 0.0


def sudden_changes(mean_v: Floats, broken: Flags) -> Floats:
    """Changes from bin to bin, shape (n − 1,), without what a smooth curve has; 0 beside gaps.

    Of five changes in a row the middle one of a smooth curve is their median: the rest is noise or a jump.
    """
    change = np.diff(mean_v)
    change[broken] = 0.0
    around = np.lib.stride_tricks.sliding_window_view(np.pad(change, NEAR, mode="edge"), 2 * NEAR + 1)
    beside_gap = np.convolve(broken, np.ones(2 * LEVEL_BINS + 1), "same") > 0.5
    return np.where(beside_gap, 0.0, change - np.median(around, axis=1))


def calm_noise(sudden: Floats, volts: Floats) -> float:
    """1 σ of sudden changes, shape (n,), n at least `CALM_BINS`, that are noise: the lower of two readings.

    One where they are calmest, the other from the usual difference of two samples in a row, shape (m,), which a load
    that never rests moves less than it moves the bins.
    """
    calm = np.lib.stride_tricks.sliding_window_view(sudden, CALM_BINS).std(axis=1)
    of_samples = SUDDEN_SHARE * MAD_SIGMA / math.sqrt(2) * float(np.median(np.abs(np.diff(volts))))
    return min(float(np.quantile(calm, CALM_QUANTILE)) / CALM_SHARE, of_samples)


def voltage_jumps(mean_v: Floats, broken: Flags, volts: Floats) -> Jumps:
    """Jumps of a voltage given by bins, shape (n,), where gaps lie between them, shape (n − 1,), and its samples."""
    sudden = sudden_changes(mean_v, broken)
    middle = np.median(np.lib.stride_tricks.sliding_window_view(mean_v, LEVEL_BINS), axis=1)
    lasting = np.zeros(len(sudden))
    lasting[LEVEL_BINS - 1 : len(sudden) - LEVEL_BINS + 1] = middle[LEVEL_BINS:] - middle[:-LEVEL_BINS]
    noise_v, step_v = calm_noise(sudden, volts), step_size(volts)
    threshold_v = max(JUMP_SIGMA * noise_v, JUMP_STEPS * step_v, JUMP_SHARE * abs(float(np.mean(mean_v))))
    stays = (np.sign(lasting) == np.sign(sudden)) & (np.abs(lasting) >= 0.5 * np.abs(sudden))
    at = np.flatnonzero((np.abs(sudden) >= threshold_v) & stays)
    return Jumps(at, sudden[at], threshold_v, noise_v)


def regulated(pair: Pair, level_a: float) -> bool:
    """Whether the voltage is smooth while |current| stays at a level [A]: a tester or a charger holds it there.

    Under a current that is cut off the load goes on moving, and the voltage with it. False where no stretch at the
    level is long enough to tell.
    """
    mean_a, mean_v, broken = pair.means
    if len(mean_v) < MIN_BINS:
        return False
    sudden = sudden_changes(mean_v, broken)
    inside = np.abs(mean_a) >= (1 - SAME_LEVEL) * level_a
    whole = np.lib.stride_tricks.sliding_window_view(np.pad(inside, NEAR), 2 * NEAR + 2).all(axis=1)
    if np.count_nonzero(whole) < CALM_BINS:
        return False
    moved_v = float(np.sqrt(np.mean(sudden[whole] ** 2)))
    return moved_v <= max(SMOOTH_SIGMA * calm_noise(sudden, pair.volts), step_size(pair.volts))


def jumps_without_current(pair: Pair) -> Reason | None:
    """The voltage jumps, and the current has no part in it; None where it has, or where nothing jumps.

    V = E − R·i gives |dV| = R·|di|, and R·|i| stays below half of V down to any cut-off: a jump needs a step of the
    current of |dV| · 2 |i|/V, with the largest |i| of the run; of that `OHMIC_SHARE` is asked for.
    """
    mean_a, mean_v, broken = pair.means
    if len(mean_v) < MIN_BINS or float(np.mean(mean_v)) <= 0:
        return None
    jumps = voltage_jumps(mean_v, broken, pair.volts)
    swings = swings_without_current(mean_a, mean_v, step_size(pair.volts), jumps.noise_v)
    if swings is not None:
        return swings
    count = len(jumps.at)
    few = count < FEW_JUMPS and not (np.abs(jumps.size_v) >= LARGE * jumps.threshold_v).any()
    if count == 0 or few:
        return None
    change = np.diff(mean_a)
    change[broken] = 0.0
    if count >= MANY_JUMPS:
        without = 0 if _related(jumps, change) else count
    else:
        without = int(np.count_nonzero(_without_step(jumps, mean_a, change, float(np.mean(mean_v)))))
    if without < MOST * count:
        return None
    return Reason("jumps_without_current", jumps=count, without=without, largest_v=float(np.abs(jumps.size_v).max()))


def turning_points(value: Floats, threshold: float) -> list[int]:
    """Places where a value turns by the threshold or more before it turns back; alternately high and low."""
    found: list[int] = []
    high_at = low_at = 0
    high = low = float(value[0])
    direction = 0
    for place, now in enumerate(value.tolist()):
        if now > high:
            high, high_at = now, place
        if now < low:
            low, low_at = now, place
        if direction >= 0 and high - now >= threshold:
            found.append(high_at)
            direction, low, low_at = -1, now, place
        elif direction <= 0 and now - low >= threshold:
            found.append(low_at)
            direction, high, high_at = 1, now, place
    return found


def swings_without_current(mean_a: Floats, mean_v: Floats, step_v: float, noise_v: float) -> Reason | None:
    """The voltage goes up and down, and the current does not go with it; None where it does."""
    threshold = max(SWING_SIGMA * noise_v, SWING_STEPS * step_v, SWING_SHARE * float(np.mean(mean_v)))
    at = np.array(turning_points(mean_v, threshold))
    if len(at) <= MANY_SWINGS:
        return None
    amps, volts = np.diff(mean_a[at]), np.diff(mean_v[at])
    spread = float(np.std(amps))
    correlation = float(np.corrcoef(amps, volts)[0, 1]) if spread > 0 else 0.0
    if abs(correlation) >= RELATED:
        return None
    return Reason("swings_without_current", swings=len(volts), correlation=correlation, smallest_v=threshold)


def _related(jumps: Jumps, change: Floats) -> bool:
    """Whether jumps go with the changes of the current, at one lag for all; signs do not matter here."""
    places = [np.clip(jumps.at + lag, 0, len(change) - 1) for lag in range(-NEAR, NEAR + 1)]
    spreads = [(change[place], float(np.std(change[place]))) for place in places]
    return any(
        spread > 0 and abs(float(np.corrcoef(amps, jumps.size_v)[0, 1])) >= UNRELATED for amps, spread in spreads
    )


def _without_step(jumps: Jumps, mean_a: Floats, change: Floats, level_v: float) -> Flags:
    """Which jumps find no step of the current near them, shape (n,)."""
    moved = np.lib.stride_tricks.sliding_window_view(np.pad(mean_a, (NEAR, NEAR + 1), mode="edge"), 2 * NEAR + 2)
    reach = np.ptp(moved, axis=1)[: len(change)]
    steps = reach[jumps.at]
    wide = np.lib.stride_tricks.sliding_window_view(np.pad(mean_a, (WIDE, WIDE + 1), mode="edge"), 2 * WIDE + 2)
    around = np.ptp(wide[jumps.at], axis=1)
    needed_a = OHMIC_SHARE * np.abs(jumps.size_v) * 2 * float(np.abs(mean_a).max()) / level_v
    elsewhere = np.ones(len(reach), bool)
    for lag in range(-2 * NEAR, 2 * NEAR + 1):
        elsewhere[np.clip(jumps.at + lag, 0, len(reach) - 1)] = False
    others = np.sort(reach[elsewhere])
    as_large = 1 - np.searchsorted(others, steps) / max(len(others), 1)
    return np.asarray((steps < needed_a) | (as_large >= COMMON) | (steps < STEEP * around))


def filled_in(channel: str, pair: Pair) -> Doubt | None:
    """A battery's current that the jumps and swings of its voltage show to be typed in; None where they do not."""
    evidence = jumps_without_current(pair)
    return None if evidence is None else _doubt(channel, evidence, _one_number(pair.amps))


def held_under_load(channel: str, pair: Pair, rest_a: float) -> Doubt | None:
    """One side's current that is one number, well above a sensor's offset at rest, under a voltage that jumps.

    `rest_a`: size below which the sensor's reading counts as rest [A]. The other side may cause the jumps; a motor
    under load follows them all the same.
    """
    if not _one_number(pair.amps) or abs(float(pair.amps[0])) <= 4 * rest_a:
        return None
    evidence = jumps_without_current(pair)
    return None if evidence is None else _doubt(channel, evidence, True)


def _one_number(value: Floats) -> bool:
    return float(np.ptp(value)) <= 1e-6 * abs(float(value[0]))


def _doubt(channel: str, evidence: Reason, one_number: bool) -> Doubt:
    reason = Reason("current_filled_in", "caution", channel=channel, one_number=one_number, evidence=evidence)
    return Doubt(reason, (channel,))
