"""The rise of a thermal network sample by sample, heating being constant over each interval: a twin for tests."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from scipy.signal import lfilter

from amptally.analysis.protection.thermal_memory import Network, Rows, guaranteed_rise
from amptally.analysis.signals.series import Flags, Floats

SPAN = 200.0
"""Longest stretch, in time constants, that is summed at once: e²⁰⁰ is far from the end of the floating-point range."""


def rise(network: Network, time_s: Floats, heating: Floats, initial: float = 0.0) -> Floats:
    """θ at each time, shape (n,).

    `time_s` increases, shape (n,) [s]; `heating` is the mean of q over each interval, shape (n − 1,). Before the
    first sample a steady heating `initial` has flowed for ever.
    """
    total = np.zeros(len(time_s))
    for share, constant_s in zip(network.shares, network.constants_s, strict=True):
        total += share * _first_order(time_s, heating, constant_s, initial)
    return total


def mean_heating(current_a: Floats, gap_after: Flags, rating_a: float, across_gaps_a: float = 0.0) -> Floats:
    """Mean of (i / rating)² over each interval of a current that is linear between samples, shape (n − 1,).

    `current_a` [A], shape (n,); `gap_after`, shape (n − 1,), marks intervals in which nothing was measured: there
    `across_gaps_a` is taken to flow.
    """
    first, second = current_a[:-1], current_a[1:]
    squares = (first * first + first * second + second * second) / 3
    return np.where(gap_after, across_gaps_a * across_gaps_a, squares) / (rating_a * rating_a)


def _first_order(time_s: Floats, heating: Floats, constant_s: float, initial: float) -> Floats:
    """y with τ y' = q − y and y = `initial` at the start, for q constant over each interval; shape (n,)."""
    steps_s = np.diff(time_s)
    values = np.empty(len(time_s))
    values[0] = initial
    if not len(steps_s):
        return values
    usual_s = float(np.median(steps_s))
    # Times carry rounding of their own size; a step that is off by a millionth moves no rise by more than that.
    even = np.abs(steps_s - usual_s) <= 1e-6 * usual_s + 4 * np.spacing(abs(float(time_s[-1])))
    for begin, stop in _stretches(even):
        if even[begin]:
            keep = math.exp(-usual_s / constant_s)
            held, _ = lfilter([-math.expm1(-usual_s / constant_s)], [1.0, -keep], heating[begin:stop],
                              zi=[keep * values[begin]])  # fmt: skip
            values[begin + 1 : stop + 1] = held
        else:
            _uneven(values, time_s, heating, constant_s, begin, stop)
    return values


def _stretches(even: Flags) -> list[tuple[int, int]]:
    """Consecutive ranges of intervals that are all of the usual length, or all not."""
    ends = np.flatnonzero(np.diff(even)) + 1
    return list(pairwise([0, *ends.tolist(), len(even)]))


def _uneven(values: Floats, time_s: Floats, heating: Floats, constant_s: float, begin: int, stop: int) -> None:
    """The same over intervals of any length, in place: a running sum of e^(t/τ), begun anew before it grows large."""
    while begin < stop:
        reach_s = time_s[begin] + SPAN * constant_s
        end = int(np.searchsorted(time_s[: stop + 1], reach_s, "right")) - 1
        if end <= begin:  # one interval alone is longer: what came before it is forgotten
            values[begin + 1] = heating[begin]
            begin += 1
            continue
        grown = np.exp((time_s[begin : end + 1] - time_s[begin]) / constant_s)
        taken = np.cumsum(heating[begin:end] * np.diff(grown))
        values[begin + 1 : end + 1] = (values[begin] + taken) / grown[1:]
        begin = end


def guaranteed_current(rows: Rows, time_s: float) -> float:
    """Multiple of the rating that the rows alone promise for a steady current from cold for this long [s]."""
    lengths_s = sorted({time_s, *(row_s for row_s, _ in rows if row_s < time_s)})
    return 1 / math.sqrt(guaranteed_rise(rows, lengths_s, lengths_s))
