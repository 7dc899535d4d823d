"""Two channels on two clocks: the lag of one's response to the other, in several stretches. docs/methods.md, Bad data.

A battery's voltage falls at the moment its current rises. Where it falls some time later or sooner, the two were timed
by different clocks, or started apart; where that lag grows, the clocks run at different rates.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.results.reason import Reason
from amptally.analysis.signals.curve_integrals import dot
from amptally.analysis.signals.series import Flags, Floats

MIN_LAG_S = 0.1
"""Filters and skew of one board stay below it."""
MIN_LAG_STEPS = 3
FINE_S, COARSE_S = 0.02, 0.5
STRETCHES = 12
STRETCH_S = 180.0
LONGEST_LAG_S = 600.0
CLEAR = 0.3
"""Correlation of changes that must be reached at the lag."""
CLEARER = 1.15
"""Ratio of that correlation to the one without lag that must be reached."""
MIN_POINTS = 400
MIN_CLEAR_STRETCHES = 3
MIN_MOVES, MIN_MOVE = 20, 0.01
"""At least this many changes, of at least this share of the largest: a few steps may coincide by chance at some lag."""


@dataclass(frozen=True, slots=True)
class Lag:
    """How late the second channel responds to the first."""

    start_s: float
    """At the start of the run [s], positive: late."""
    end_s: float
    """At its end."""
    correlation: float
    """Median over the stretches, of changes, at their lag."""
    without: float
    """The same without any lag."""
    stretches: int


def estimate_lag(time_s: Floats, first: Floats, second: Floats, gap_after: Flags) -> Lag | None:
    """Lag of `second` against `first`, which it should follow at once and with the same sign; None where it does.

    All of shape (n,), gaps (n − 1,). First coarsely over the whole run, up to ten minutes; then finely in up to twelve
    stretches, whose lags are fitted with a line over time.
    """
    if len(time_s) < MIN_POINTS:
        return None
    interval_s = float(np.median(np.diff(time_s)))
    span_s = float(time_s[-1] - time_s[0])
    if float(np.ptp(first)) <= 1e-6 * float(np.abs(first).max()):
        return None
    base_s = _coarse(time_s, first, second, gap_after, max(COARSE_S, interval_s), span_s)
    if base_s is None:
        return None
    for step_s in (FINE_S, 0.1, COARSE_S):
        step_s = max(step_s, interval_s)
        windows = list(_windows(time_s, first, second, gap_after, step_s, base_s))
        if not base_s and windows and CLEARER * float(np.median([each.without for each in windows])) > 1:
            return None  # no lag can correlate so much better
        found = _lags(windows)
        if base_s:
            # Clocks that drift apart smear the peak of the whole run, and one lap later may look higher: try 0 too.
            near = _lags(_windows(time_s, first, second, gap_after, step_s, 0.0))
            found = max(near, found, key=lambda each: sum(part[2] for part in each))
        # One stretch of a short run shows an offset; a drift needs more of them.
        if len(found) >= (MIN_CLEAR_STRETCHES if span_s > MIN_CLEAR_STRETCHES * MIN_POINTS * step_s else 1):
            return _judge(found, time_s, step_s, _length_s(span_s, base_s, step_s))
    return None


def _judge(
    found: list[tuple[float, float, float, float]], time_s: Floats, step_s: float, length_s: float
) -> Lag | None:
    at_s, lag_s, peak, without = (np.array(column) for column in zip(*found, strict=True))
    tolerance_s = max(MIN_LAG_S, MIN_LAG_STEPS * step_s)
    slope = 0.0
    if len(at_s) >= MIN_CLEAR_STRETCHES:
        i, j = np.triu_indices(len(at_s), 1)
        slope = float(np.median((lag_s[j] - lag_s[i]) / (at_s[j] - at_s[i])))
        if abs(slope) * float(at_s[-1] - at_s[0]) <= tolerance_s / 2:
            slope = 0.0
    rest = lag_s - slope * at_s
    level = float(np.median(rest))
    # Within a stretch the lag is that of the moments that move most, wherever they lie in it.
    steady = float(np.mean(np.abs(rest - level) <= tolerance_s + abs(slope) * length_s / 2))
    start, end = (level + slope * float(moment) for moment in (time_s[0], time_s[-1]))
    clearer = float(np.median(peak)) >= CLEARER * max(float(np.median(without)), 0.0)
    if max(abs(start), abs(end)) <= tolerance_s or steady < 0.6 or not clearer:
        return None
    return Lag(start, end, float(np.median(peak)), float(np.median(without)), len(at_s))


def _grid(
    time_s: Floats, values: tuple[Floats, ...], gap_after: Flags, step_s: float, start_s: float, count: int
) -> list[Floats]:
    """Changes of each over steps of a grid of `count` points, none where a gap lies; shape (count − 1,)."""
    grid = start_s + step_s * np.arange(count)
    broken: Flags | slice = slice(0)  # nothing
    if gap_after.any():
        place = np.searchsorted(time_s, grid)
        gaps = np.concatenate(([0], np.cumsum(gap_after), [int(gap_after.sum())]))[np.clip(place, 0, len(time_s))]
        broken = np.diff(gaps) > 0
    half_s = 0.5 * np.diff(time_s)
    found = []
    for value in values:
        # Means over each step where samples are closer than it: points would bring back the noise.
        total = np.concatenate(([0.0], np.cumsum((value[1:] + value[:-1]) * half_s)))
        mean = np.diff(np.interp(grid, time_s, total)) / step_s
        change = np.diff(mean, append=mean[-1])
        change[broken] = 0.0
        found.append(np.asarray(change))
    return found


def _correlate(first: Floats, second: Floats, reach: int) -> Floats:
    """Correlation of `second` shifted back by −reach to +reach steps with `first`, shape (2 reach + 1,)."""
    size = _fft_size(len(first) + reach + 1)
    spectrum = np.conj(np.fft.rfft(first - first.mean(), size)) * np.fft.rfft(second - second.mean(), size)
    product = np.fft.irfft(spectrum, size)
    both = np.concatenate((product[size - reach :], product[: reach + 1]))
    scale = float(np.std(first) * np.std(second)) * len(first)
    return np.asarray(both / scale) if scale > 0 else np.zeros(2 * reach + 1)


def _fft_size(needed: int) -> int:
    """The next number of the form 9, 10, 12, 15, 16 · 2ᵏ."""
    power = max(int(np.ceil(np.log2(needed))) - 4, 0)
    return next(times << power for times in (9, 10, 12, 15, 16) if times << power >= needed)


def _without_lag(first: Floats, second: Floats) -> float:
    """Maximum correlation within two steps; as `_correlate`, sum by sum."""
    x, y = first - first.mean(), second - second.mean()
    scale = float(np.std(first) * np.std(second)) * len(first)
    sums = [dot(x[: len(x) - lag], y[lag:]) for lag in range(3)] + [dot(x[lag:], y[: len(y) - lag]) for lag in (1, 2)]
    return max(sums) / scale if scale > 0 else 0.0


def _coarse(
    time_s: Floats, first: Floats, second: Floats, gap_after: Flags, step_s: float, span_s: float
) -> float | None:
    """The lag of the whole run, to a step [s]; None where there are too few changes to compare."""
    count = int(span_s / step_s)
    reach = int(min(LONGEST_LAG_S, span_s / 4) / step_s)
    if count < 40 or reach < 1:
        return 0.0
    x, y = _grid(time_s, (first, second), gap_after, step_s, float(time_s[0]), count)
    if int((np.abs(x) > MIN_MOVE * float(np.abs(x).max())).sum()) < MIN_MOVES:
        return None
    near = _without_lag(x, y)
    if CLEARER * near > 1:
        return 0.0
    found = _correlate(x, y, reach)
    best = int(np.argmax(found))
    # A repeated lap gives many peaks; only one that is clearly higher than that without lag counts. Where the strongest
    # of all is negative, signs are reversed, and the peaks between are no response.
    strong = found[best] >= max(CLEAR, CLEARER * near, -float(found.min()))
    return (best - reach) * step_s if strong else 0.0


def _length_s(span_s: float, base_s: float, step_s: float) -> float:
    """Stretches are short, as clocks that drift apart smear the peak within each."""
    return max(MIN_POINTS * step_s, min(STRETCH_S, (span_s - abs(base_s)) / 8))


@dataclass(frozen=True, slots=True)
class Window:
    """Changes of both channels in one stretch, shape (n,)."""

    middle_s: float
    first: Floats
    second: Floats
    """Read later by the lag of the whole run."""
    step_s: float
    base_s: float
    """That lag."""
    without: float
    """Correlation without any lag."""


def _windows(
    time_s: Floats, first: Floats, second: Floats, gap_after: Flags, step_s: float, base_s: float
) -> Iterator[Window]:
    """Up to twelve stretches of the run, their changes from one step to the next."""
    begin, end = float(time_s[0]), float(time_s[-1])
    # The base lag is removed from the second channel by shifting the window in which it is read.
    length_s = _length_s(end - begin, base_s, step_s)
    count = int(length_s / step_s)
    first_s, last_s = begin + max(-base_s, 0.0), end - max(base_s, 0.0) - length_s
    if count < MIN_POINTS / 2 or last_s < first_s:
        return
    many = int(min(STRETCHES, max(1, (last_s - first_s) // length_s + 1)))
    for start_s in np.linspace(first_s, last_s, many):
        begin_at = float(start_s)
        a, b = (
            int(p) for p in np.searchsorted(time_s, (begin_at - abs(base_s) - 1, begin_at + length_s + abs(base_s) + 1))
        )
        part, gaps = slice(a, b), gap_after[a : max(b - 1, a)]
        if b - a < MIN_POINTS / 4:
            continue
        x, plain = _grid(time_s[part], (first[part], second[part]), gaps, step_s, begin_at, count)
        y = plain
        if base_s:
            (y,) = _grid(time_s[part], (second[part],), gaps, step_s, begin_at + base_s, count)
        yield Window(begin_at + length_s / 2, x, y, step_s, base_s, _without_lag(x, plain))


def _lags(windows: Iterable[Window]) -> list[tuple[float, float, float, float]]:
    """(middle s, lag s, correlation, correlation without lag) of the stretches in which the lag is clear."""
    found = []
    for each in windows:
        reach = (len(each.first) + 1) // 4
        here = _correlate(each.first, each.second, reach)
        best = int(np.argmax(here))
        if here[best] >= max(CLEAR, -float(here.min())):
            lag_s = each.base_s + (best - reach) * each.step_s
            found.append((each.middle_s, lag_s, float(here[best]), each.without))
    return found


def clock_doubt(lag: Lag, channels: tuple[str, ...], variant: str, widths: tuple[tuple[str, float], ...] = ()) -> Doubt:
    """The doubt about two time bases; `variant`: voltage (against the current), or channels (their sum likewise)."""
    reason = Reason(
        "time_bases_differ",
        "danger",
        compared=variant,
        start_lag_s=lag.start_s,
        end_lag_s=lag.end_s,
        correlation=lag.correlation,
        correlation_without=lag.without,
        stretches=lag.stretches,
    )
    return Doubt(reason, channels, variant, widths)
