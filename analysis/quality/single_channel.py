"""One channel by itself or beside a witness: stuck, partly null, a zero that moved.

Pure functions on arrays; docs/methods.md, Bad data. Values have shape (n,).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.quality.voltage_response import binned
from amptally.analysis.results.reason import Reason
from amptally.analysis.signals.series import Flags, Floats, Series

STUCK_S = 5.0
STUCK_SAMPLES = 20
WITNESS_SHARE = 0.3
"""While a channel is stuck its witness must move by this share of what it moves otherwise."""
MIN_COVERED = 0.99
SETTLED_S = 2.0
REMANENCE, OF_RANGE = 0.05, 0.02
"""A magnetised sensor keeps a few percent of its largest current, less of its range; a steady level above is load."""
QUIET = 4.0
"""The noise of a rest is that of the rest before the drive, within this factor."""


@dataclass(frozen=True, slots=True)
class Stuck:
    """Where a channel was stuck."""

    start_s: float
    end_s: float
    level: float
    witness_moved: float
    """RMS change of the witness from one half second to the next, in the channel's unit."""


def stuck(
    time_s: Floats, value: Floats, witness_of: Callable[[], Floats], gap_after: Flags, min_moved: float
) -> Stuck | None:
    """The longest stretch of one reading during which the witness keeps moving.

    witness_of gives what the channel should read up to a constant and a slow drift, from other channels, at the same
    times; min_moved: what it must move at least from one half second to the next, in the channel's unit.
    """
    stretch = longest_constant(time_s, value, gap_after)
    if stretch is None:
        return None
    first, last = stretch
    witness = witness_of()
    inside = _moved(time_s[first:last], witness[first:last], gap_after[first : last - 1])
    outside = max(
        _moved(time_s[:first], witness[:first], gap_after[: max(first - 1, 0)]),
        _moved(time_s[last:], witness[last:], gap_after[last:]),
    )
    if inside < max(min_moved, WITNESS_SHARE * outside):
        return None
    return Stuck(float(time_s[first]), float(time_s[last - 1]), float(value[first]), inside)


def longest_constant(time_s: Floats, value: Floats, gap_after: Flags) -> tuple[int, int] | None:
    """First place and end (exclusive) of the longest stretch of one reading; None where it is short."""
    if len(value) < 2 * STUCK_SAMPLES:
        return None
    same = 1e-9 * max(float(value.max()), -float(value.min()), 1e-3)
    # A stretch that is long enough contains four neighbours among every fifth sample.
    apart = STUCK_SAMPLES // 4
    alike = np.abs(np.diff(value[::apart])) <= 2 * apart * same
    if not (alike[2:] & alike[1:-1] & alike[:-2]).any():
        return None
    change = (np.abs(np.diff(value)) > same) | gap_after
    edges = np.concatenate(([0], np.flatnonzero(change) + 1, [len(value)]))
    lengths_s = time_s[edges[1:] - 1] - time_s[edges[:-1]]
    place = int(np.argmax(lengths_s))
    first, last = int(edges[place]), int(edges[place + 1])
    # One number throughout counts as filled in, a finding of its own.
    if lengths_s[place] < STUCK_S or last - first < STUCK_SAMPLES or last - first > 0.95 * len(value):
        return None
    return first, last


def _moved(time_s: Floats, value: Floats, gap_after: Flags) -> float:
    """RMS change between bins."""
    if len(time_s) < STUCK_SAMPLES:
        return 0.0
    (mean,), broken = binned(time_s, (value,), gap_after)
    steps = np.diff(mean)[~broken]
    return float(np.sqrt(np.mean(steps**2))) if len(steps) else 0.0


def stuck_doubt(channel: str, found: Stuck, variant: str = "") -> Doubt:
    """The doubt about a stuck channel; its level and movement are in the channel's own unit."""
    reason = Reason(
        "channel_stuck",
        "danger",
        channel=channel,
        level=found.level,
        start_s=found.start_s,
        end_s=found.end_s,
        witness_moved=found.witness_moved,
    )
    return Doubt(reason, (channel,), variant)


def partial(channel: str, covered_s: float, run_s: float) -> Doubt | None:
    """A channel that is null in part of the time in which the run was sampled."""
    if run_s <= 0 or covered_s >= MIN_COVERED * run_s:
        return None
    reason = Reason("channel_partial", "caution", channel=channel, covered_s=covered_s, sampled_s=run_s)
    return Doubt(reason, (channel,))


@dataclass(frozen=True, slots=True)
class Shift:
    """Readings at rest before the drive and after it [A]."""

    before_a: float
    after_a: float
    before_s: tuple[float, float]
    """First and last moment of the rest before that was used."""
    after_s: tuple[float, float]
    """Likewise after."""

    @property
    def by_a(self) -> float:
        """How far the zero moved."""
        return self.after_a - self.before_a


def measure_zero_shift(series: Series, threshold_a: float, full_scale_a: float = 0.0) -> Shift | None:
    """Rest before the drive and rest after its maximum current, where they read differently; None where they do not.

    The rest before is where |i| stays below four thresholds; the rest after is recognised by low noise, not by its
    level, as a zero that moved far looks like a small load.
    """
    value, interval = series.value, series.interval_s
    loaded = np.flatnonzero(np.abs(value) > 4 * threshold_a)
    if len(loaded) == 0:
        return None
    samples = max(5, int(np.ceil(SETTLED_S / interval)))
    before = value[: int(loaded[0])]
    if len(before) < samples:
        return None
    # The ends near the drive belong to neither: only the first half of the rest before counts.
    quiet = before[: max(len(before) // 2, 3)]
    first = float(np.median(quiet))
    peak = int(np.argmax(np.abs(value)))
    most_a = max(4 * threshold_a, REMANENCE * float(abs(value[peak])), OF_RANGE * full_scale_a)
    noise_a = float(np.std(quiet))
    rest = _last_rest(_levels(value[peak:], samples, noise_a, threshold_a), first, threshold_a, most_a)
    if rest is None:
        return None
    # The zero moves at the peak: a level that was held before it is a load.
    earlier = np.abs(_levels(value[:peak], samples, noise_a, threshold_a) - rest[1]) <= 0.5 * threshold_a
    if (earlier[1:] & earlier[:-1]).any():
        return None
    begin = peak + (len(value) - peak) % samples + rest[0] * samples
    time_s = series.time_s
    before_s = float(time_s[0]), float(time_s[len(quiet) - 1])
    return Shift(first, rest[1], before_s, (float(time_s[begin]), float(time_s[begin + 2 * samples - 1])))


def _levels(value: Floats, samples: int, noise_a: float, threshold_a: float) -> Floats:
    """Medians of stretches of this many samples, up to the last sample; NaN where one is noisier than a rest."""
    count = len(value) // samples
    parts = value[len(value) - count * samples :].reshape(count, samples)
    calm = parts.std(axis=1) <= QUIET * max(noise_a, 0.02 * threshold_a)
    level = np.full(count, np.nan)
    level[calm] = np.median(parts[calm], axis=1)
    return level


def _last_rest(level: Floats, zero_a: float, threshold_a: float, most_a: float) -> tuple[int, float] | None:
    """Place of the last two stretches that agree on a moved zero, near enough to one, and that level [A].

    None for a level that is no moved zero: one that was crept up to, as a charge current that fades, or one after
    which the current reads its old zero again, as between the pulses of a test, or one of several that are held.
    """
    # Two in a row must agree: a turning point of a drive is no rest.
    good = np.abs(level - zero_a) <= most_a
    agree = np.abs(np.diff(level)) <= 0.5 * threshold_a
    found = np.flatnonzero(agree & good[1:] & good[:-1])
    if not len(found):
        return None
    last = int(found[-1])
    apart = np.flatnonzero(~agree[:last])
    first = int(apart[-1]) + 1 if len(apart) else 0
    if float(np.ptp(level[first : last + 2])) > threshold_a:
        return None
    after = float(0.5 * (level[last] + level[last + 1]))
    if abs(after - zero_a) <= 2 * threshold_a:
        return None
    reached = int(np.argmax(np.abs(level - after) <= 0.5 * threshold_a))
    back = np.abs(level[reached:] - zero_a) <= threshold_a
    others = (np.abs(level[found] - after) > 0.5 * threshold_a) & (np.abs(level[found] - zero_a) > threshold_a)
    return None if back.any() or others.any() else (last, after)


def zero_shift_doubt(channel: str, shift: Shift, widths: tuple[tuple[str, float], ...] = ()) -> Doubt:
    """The doubt about a zero that moved."""
    reason = Reason("zero_shift", "caution", channel=channel, before_a=shift.before_a, after_a=shift.after_a)
    return Doubt(reason, (channel,), widths=widths)
