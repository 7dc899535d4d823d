"""The most heat that may have flowed where samples are too far apart to show it. docs/methods.md, Fuse margin.

A sample that is the mean of its interval holds the charge of every pulse in it, however short. A current of which b
flows all the time and which rises from there to M at most has the mean m = b + p (M − b) if it stands at M for the
share p, and then the largest mean square of all: b² + (m − b)(M + b). What flows all the time is taken to be the least
of the means of this interval and of both beside it: a pulse stands out from its neighbours. Where an interval carries
its own RMS nothing is taken; where samples are single readings nothing bounds a pulse but M itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.guarantee import Heat
from amptally.analysis.signals.series import Flags, Floats


def heat_of_intervals(
    exposure: Exposure, most_a: float, resolved_s: float, most_in: Callable[[Floats], Floats | None] | None = None
) -> Heat:
    """H of a lead that carries `most_a` at most, whose samples are means of their intervals or their RMS.

    Gaps hold what the exposure says. How the heat of an interval lies in it is not known: a window may hold all of the
    intervals that it touches, and never more than `most_a` throughout. As of a board that takes a sample every
    `resolved_s`, what is shorter counts with its mean square over that time. `most_in` gives closer limits [A] in the
    interval before each of some moments, in run time, shape (n,), where they are known.
    """
    axis_s, _, end_a = exposure.square.load(0, exposure.square.pieces)
    most_a = max(most_a, exposure.peak_a)
    gap = np.zeros(len(end_a), bool)
    gap[exposure.gap_pieces] = True
    closer_a = None if most_in is None else most_in(exposure.start_s + axis_s[1:])
    limit_a = np.full(len(end_a), most_a) if closer_a is None else np.clip(closer_a, np.abs(end_a), most_a)
    squares_a2 = end_a**2 if exposure.interval_rms else most_squares_a2(end_a, gap, limit_a)
    rms_a = np.where(gap, np.abs(end_a), np.sqrt(np.minimum(squares_a2, limit_a**2)))
    intervals = Exposure.from_interval_rms(axis_s, np.append(rms_a[:1], rms_a), np.zeros(len(gap), bool))
    interval_s = np.diff(axis_s)[~gap]
    shortest_s, touched_s = float(interval_s.min()), 2 * float(interval_s.max())
    known = Heat.of(intervals)

    def reaching(lengths_s: Floats) -> Floats:
        # One no longer than any interval touches two of them.
        touching_s = np.where(lengths_s <= shortest_s, touched_s, lengths_s + touched_s)
        return np.asarray(np.minimum(touching_s, exposure.duration_s))

    def held_a2s(lengths_s: Floats) -> Floats:
        return np.asarray(np.minimum(most_a**2 * lengths_s, known.most_a2s(reaching(lengths_s).tolist())))

    resolved_s = min(resolved_s, exposure.duration_s)
    most_a2 = float(held_a2s(np.array([resolved_s]))[0]) / resolved_s

    def most_a2s(lengths_s: Sequence[float]) -> Floats:
        lengths = np.asarray(lengths_s, float)
        return np.asarray(np.minimum(most_a2 * lengths, held_a2s(lengths)))

    def from_start_a2s(lengths_s: Floats, mean_a2: float) -> Floats:
        passed_a2s = known.from_start_a2s(lengths_s + touched_s, mean_a2) + mean_a2 * touched_s
        return np.asarray(np.minimum(passed_a2s, max(most_a2 - mean_a2, 0.0) * lengths_s))

    return Heat(most_a2s, most_a2, exposure.duration_s, from_start_a2s)


def most_squares_a2(mean_a: Floats, gap: Flags, most_a: Floats) -> Floats:
    """The largest mean square in each interval of these means [A] with these limits [A], shapes (n,).

    `gap` marks the intervals without a mean.
    Beside a gap nothing is known to flow all the time, and nothing where the current may change its direction. Between
    means that differ the current goes up and down by as much: half their span is added as a square.
    """
    steady = np.where(gap, 0.0, mean_a)
    around = np.stack((np.append(steady[:1], steady[:-1]), steady, np.append(steady[1:], steady[-1:])))
    low_a, high_a = around.min(axis=0), around.max(axis=0)
    always_a = np.maximum(np.maximum(low_a, -high_a), 0.0)
    above_a = np.where(always_a > 0, np.abs(steady) - always_a, np.maximum(high_a, -low_a))
    return np.asarray(always_a**2 + above_a * (most_a + always_a) + (high_a - low_a) ** 2 / 4)
