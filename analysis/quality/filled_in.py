"""A current that was typed in: the voltage jumps where the current has no step. docs/methods.md, Bad data.

A battery's voltage jumps only when its current does. At a constant current it relaxes, drifts and falls over its knee,
all of it smoothly. So a held current is judged by the jumps of the voltage alone, however constant it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.quality.voltage_response import Pair, binned
from amptally.analysis.results.reason import Reason
from amptally.analysis.signals.series import Flags, Floats

MIN_BINS = 30
SAME_LEVEL = 0.01
"""A regulator holds its current within this share, with the steps and the noise of the reading."""
SMOOTH_SIGMA = 2.5
"""A voltage that moves by no more than this many σ of its noise is smooth."""
AROUND = 2
"""Bins on each side of a change that show what a smooth curve does there."""
LEVEL_BINS = 3
"""Bins on each side whose medians show that a jump lasts; a spike does not."""
CALM_BINS, CALM_QUANTILE, CALM_SHARE = 8, 0.02, 0.45
"""The noise is that of the calmest of stretches of eight bins, over the share of its σ that white noise has there."""
SUDDEN_SHARE, MAD_SIGMA = 1.5, 1.4826
"""σ of sudden changes over that of their samples' noise; σ over the median of the absolute values (normal)."""
JUMP_SIGMA, JUMP_STEPS, JUMP_SHARE = 6.0, 3.0, 0.001
"""A jump is this many σ of noise, steps of the reading, and this share of the voltage (24 mV of 24 V), or more."""
MIN_JUMPS = 5
"""Fewer jumps do not tell a typed current: a charger, a lamp beside the sensor or a contact makes as many."""
LARGE = 4.0
"""Fewer jumps than that are named where one of them is this many times as large as a jump must be."""
LAGS = 3
"""Bins by which current and voltage of one board may be apart: filters, skew, rows read one after the other."""
UNRELATED, ALIKE = 0.5, 0.9
"""Correlation of jumps and current below which the one does not come from the other; above which it surely does."""
RARE, STANDING_OUT = 0.125, 2.0
"""Where jumps are rarer than this, the current must change more there than elsewhere, by this factor (RMS squared)."""
OHMIC_SHARE = 0.2
"""Part of a jump that must be ohmic: a lead-acid battery full to gassing falls by far more when its charger stops."""
SWING_SIGMA, SWING_STEPS, SWING_SHARE = 10.0, 4.0, 0.002
"""A swing, from one turning point of the voltage to the next, has this size; noise turns by eight σ at most."""
MANY_SWINGS = 12
"""A held current makes one or two swings; more are correlated with the current at their turning points."""
CLEAR_SIGMA = 5.0
"""A correlation of n swings times √n from which it is no chance: as swings alternate, noise has √2 at 1 σ."""
ROUNDING = 1e-9
"""Means of one number differ by less than this share of it."""
CLEAR_PEAK = 4.0
"""Correlation of all sudden changes, over what it is at lags where nothing can answer, from which it is no chance."""


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


def sudden_changes(mean: Floats, broken: Flags) -> Floats:
    """Changes from bin to bin, shape (n − 1,), without what a smooth curve has; 0 beside gaps.

    Of five changes in a row the middle one of a smooth curve is their median: the rest is noise or a jump. Under
    V = E − R·i the sudden changes of V are −R times those of i, whatever else both do.
    """
    change = np.diff(mean)
    change[broken] = 0.0
    around = np.lib.stride_tricks.sliding_window_view(np.pad(change, AROUND, mode="edge"), 2 * AROUND + 1)
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
    whole = np.lib.stride_tricks.sliding_window_view(np.pad(inside, AROUND), 2 * AROUND + 2).all(axis=1)
    if np.count_nonzero(whole) < CALM_BINS:
        return False
    moved_v = float(np.sqrt(np.mean(sudden[whole] ** 2)))
    return moved_v <= max(SMOOTH_SIGMA * calm_noise(sudden, pair.volts), step_size(pair.volts))


def signed_roots(value: Floats) -> Floats:
    """Roots with the sign of each value: one large change then does not decide a correlation."""
    return np.asarray(np.sign(value) * np.sqrt(np.abs(value)))


def strongest(first: Floats, second: Floats) -> float:
    """|correlation| about zero of the signed roots of two arrays, shape (n,)."""
    x, y = signed_roots(first), signed_roots(second)
    size = math.sqrt(float(x @ x) * float(y @ y))
    return abs(float(x @ y)) / size if size > 0 else 0.0


def peak_over_usual(sudden_a: Floats, sudden_v: Floats) -> float:
    """Correlation of all sudden changes, shape (n,), at its strongest lag within `LAGS`, over its RMS at lags beyond.

    Where a battery carries the current among other loads the peak stands out, however small; 0 where nothing changes.
    """
    x, y = signed_roots(sudden_a), signed_roots(sudden_v)
    product = np.abs(np.fft.irfft(np.fft.rfft(y) * np.conj(np.fft.rfft(x)), len(x)))
    apart = np.minimum(np.arange(len(x)), len(x) - np.arange(len(x)))
    usual = math.sqrt(float(np.mean(product[apart > 2 * LAGS] ** 2)))
    # A transform leaves rounding errors, which are no correlation.
    some = 1e-9 * math.sqrt(float(x @ x) * float(y @ y))
    return float(product[apart <= LAGS].max()) / usual if usual > some else 0.0


def jumps_without_current(jumps: Jumps, sudden_a: Floats) -> Reason | None:
    """The voltage jumps, and the sudden changes of the current, shape (m,), have no part in it; None where they have.

    One lag for all jumps, whatever the sign: a scale, a sign or a delay is another finding.
    """
    count = len(jumps.at)
    if count < MIN_JUMPS:
        return None
    there = [sudden_a[np.clip(jumps.at + lag, 0, len(sudden_a) - 1)] for lag in range(-LAGS, LAGS + 1)]
    correlation, changes = max(((strongest(each, jumps.size_v), each) for each in there), key=lambda found: found[0])
    usual = float(np.mean(sudden_a**2))
    like_elsewhere = count < RARE * len(sudden_a) and float(np.mean(changes**2)) < STANDING_OUT * usual
    if correlation >= (ALIKE if like_elsewhere else UNRELATED):
        return None
    largest_v = float(np.abs(jumps.size_v).max())
    return Reason("jumps_without_current", jumps=count, correlation=correlation, largest_v=largest_v)


def jumps_alone(pair: Pair, jumps: Jumps) -> Reason | None:
    """A few large jumps at a current that does not move at all there; None elsewhere.

    V = E − R·i gives |dV| = R·|di|, and R·|i| stays below half of V down to any cut-off: a jump needs a step of the
    current of |dV| · 2 |i|/V, with the largest |i| of the run; of that `OHMIC_SHARE` is asked for.
    """
    count, sizes_v = len(jumps.at), np.abs(jumps.size_v)
    if not 0 < count < MIN_JUMPS or sizes_v.max() < LARGE * jumps.threshold_v:
        return None
    mean_a, mean_v, _ = pair.means
    near = np.lib.stride_tricks.sliding_window_view(np.pad(mean_a, (LAGS, LAGS + 1), mode="edge"), 2 * LAGS + 2)
    moved_a = np.ptp(near[jumps.at], axis=1)
    needed_a = OHMIC_SHARE * sizes_v * 2 * float(np.abs(mean_a).max()) / float(np.mean(mean_v))
    if (moved_a > needed_a).any():
        return None
    (mean_s,), _ = binned(pair.time_s, (pair.time_s,), pair.gap_after)
    largest = int(np.argmax(sizes_v))
    at_s, largest_v = float(mean_s[jumps.at[largest] + 1]), float(sizes_v[largest])
    return Reason("voltage_jumps_alone", "caution", jumps=count, largest_v=largest_v, at_s=at_s)


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


def swing_correlation(mean_a: Floats, mean_v: Floats, threshold_v: float) -> tuple[int, float]:
    """(swings of the voltage, how well what the current does between their ends goes with them at one lag for all)."""
    at = np.array(turning_points(mean_v, threshold_v), dtype=np.int64)
    if len(at) <= MANY_SWINGS:
        return 0, 0.0
    volts = np.diff(mean_v[at])
    there = (np.diff(mean_a[np.clip(at + lag, 0, len(mean_a) - 1)]) for lag in range(-LAGS, LAGS + 1))
    return len(volts), max(abs(float(np.corrcoef(each, volts)[0, 1])) if np.ptp(each) > 0 else 0.0 for each in there)


def without_current(pair: Pair) -> Reason | None:
    """The voltage jumps, or swings, and the current has no part in it; None where it has, or where nothing moves.

    Where swings, or all sudden changes together, go with the current it is that battery's: what else moves the voltage
    then lies beside the sensor.
    """
    mean_a, mean_v, broken = pair.means
    if len(mean_v) < MIN_BINS or float(np.mean(mean_v)) <= 0:
        return None
    if float(np.ptp(mean_a)) <= ROUNDING * float(np.abs(mean_a).max()):
        mean_a = np.zeros(len(mean_a))
    jumps, step_v = voltage_jumps(mean_v, broken, pair.volts), step_size(pair.volts)
    threshold_v = max(SWING_SIGMA * jumps.noise_v, SWING_STEPS * step_v, SWING_SHARE * float(np.mean(mean_v)))
    swings, correlation = swing_correlation(mean_a, mean_v, threshold_v)
    related = correlation >= UNRELATED
    sudden_a = sudden_changes(mean_a, broken)
    if related and correlation * math.sqrt(swings) >= CLEAR_SIGMA:
        return None
    if peak_over_usual(sudden_a, sudden_changes(mean_v, broken)) >= CLEAR_PEAK:
        return None
    jumping = jumps_without_current(jumps, sudden_a)
    if jumping is not None:
        return jumping
    if len(jumps.at) < MIN_JUMPS and swings and not related:
        return Reason("swings_without_current", swings=swings, correlation=correlation, smallest_v=threshold_v)
    return None if swings else jumps_alone(pair, jumps)


def filled_in(channel: str, pair: Pair) -> Doubt | None:
    """A battery's current that the jumps and swings of its voltage show not to be measured; None where they do not.

    Where only a few jumps show it, they are named and nothing follows from them.
    """
    evidence = without_current(pair)
    if evidence is not None and evidence.code == "voltage_jumps_alone":
        return Doubt(evidence, (channel,))
    return None if evidence is None else _doubt(channel, evidence, _one_number(pair.amps))


def held_under_load(channel: str, pair: Pair, rest_a: float) -> Doubt | None:
    """One side's current that is one number, well above a sensor's offset at rest, under a voltage that jumps.

    `rest_a`: size below which the sensor's reading counts as rest [A]. The other side may cause the jumps; a motor
    under load follows them all the same.
    """
    if not _one_number(pair.amps) or abs(float(pair.amps[0])) <= 4 * rest_a:
        return None
    evidence = without_current(pair)
    if evidence is None or evidence.code == "voltage_jumps_alone":
        return None
    return _doubt(channel, evidence, True)


def _one_number(value: Floats) -> bool:
    return float(np.ptp(value)) <= 1e-6 * abs(float(value[0]))


def _doubt(channel: str, evidence: Reason, one_number: bool) -> Doubt:
    reason = Reason("current_filled_in", "caution", channel=channel, one_number=one_number, evidence=evidence)
    return Doubt(reason, (channel,))
