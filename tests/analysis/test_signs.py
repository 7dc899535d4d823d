"""Sums by sign against their definitions, one sample and one interval at a time."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.integrals.sums import PowerSums
from amptally.analysis.signals.curve_integrals import SignedIntegral, by_sign, halving, steps_s, weights_s
from amptally.analysis.signals.series import Flags, Floats
from amptally.analysis.signals.signs import Signs, Weights

VALUES = st.lists(st.sampled_from((0.0, -0.0, 1.0, -1.0)) | st.floats(-50, 50, allow_subnormal=False), min_size=2)
STEPS_S = (0.5, 0.25, 0.0, 1.0)
"""Lengths of the intervals in turn; that of a gap is zero."""


def lengths_s(values: list[float]) -> Floats:
    return np.array(list(itertools.islice(itertools.cycle(STEPS_S), len(values) - 1)))


def weights(values: list[float]) -> Weights:
    return Weights(weights_s(lengths_s(values)), Signs.of(np.array(values)))


@given(VALUES)
def test_each_sample_counts_on_its_side_and_zero_on_both(values: list[float]) -> None:
    summed = weights(values)
    every, out, back = summed.sums(np.full(len(values), 2.0))
    doubled = [2 * weight for weight in summed.weight.tolist()]
    assert every == pytest.approx(sum(doubled))
    assert out == pytest.approx(sum(w for w, v in zip(doubled, values, strict=True) if v >= 0), abs=1e-12)
    assert back == pytest.approx(sum(w for w, v in zip(doubled, values, strict=True) if v <= 0), abs=1e-12)


def pieces(length_s: float, first: float, last: float) -> list[tuple[float, float]]:
    """Length and mean of the parts of an interval, cut where the line between its ends crosses zero."""
    if first * last >= 0:
        return [(length_s, (first + last) / 2)]
    until = first / (first - last)
    return [(length_s * until, first / 2), (length_s * (1 - until), last / 2)]


@given(VALUES)
def test_integral_and_time_by_sign_are_those_of_the_pieces(values: list[float]) -> None:
    steps = lengths_s(values)
    ends = zip(steps.tolist(), itertools.pairwise(values), strict=True)
    parts = [piece for step, (first, last) in ends for piece in pieces(step, first, last)]
    slow = (
        sum(length * mean for length, mean in parts if mean > 0),
        -sum(length * mean for length, mean in parts if mean < 0),
        sum(length for length, mean in parts if mean > 0),
        sum(length for length, mean in parts if mean < 0),
    )
    assert by_sign(steps, np.array(values), weights(values)).tolist() == pytest.approx(slow, abs=1e-9)


def test_a_curve_of_one_sign_has_exactly_nothing_on_the_other() -> None:
    time_s = np.arange(1000) * 0.001
    curve = 5 + np.sin(1e3 * time_s)
    steps = np.diff(time_s)
    for sign, other in ((1, "back"), (-1, "out")):
        found = SignedIntegral(*by_sign(steps, sign * curve, Weights(weights_s(steps), Signs.of(sign * curve))))
        assert (getattr(found, other), getattr(found, f"{other}_s")) == (0.0, 0.0)
        assert found.net == pytest.approx(sign * 5.0, rel=0.01)


@given(VALUES, st.lists(st.booleans(), min_size=1))
def test_halving_is_two_trapezoids_less_the_one_over_both(values: list[float], gaps: list[bool]) -> None:
    count = len(values) - 1
    gap_after = np.array(list(itertools.islice(itertools.cycle(gaps), count)))
    time_s = np.concatenate(([0.0], np.cumsum(np.arange(count) % 3 + 0.5)))
    slow = []
    for k in range(0, count - 1, 2):
        (t0, t1, t2), (a, b, c) = time_s[k : k + 3], values[k : k + 3]
        change = (t1 - t0) * (a + b) / 2 + (t2 - t1) * (b + c) / 2 - (t2 - t0) * (a + c) / 2
        slow.append(0.0 if gap_after[k] or gap_after[k + 1] else change)
    found = halving(steps_s(time_s, gap_after), np.array(values), gap_after)
    assert found.tolist() == pytest.approx(slow, abs=1e-9)


AMPS = np.array([0.0, 2.0, -3.0, 0.0, 0.0, 4.0, -1.0, 2.0, 0.5])
TIME_S = np.array([0.0, 1.0, 1.5, 3.0, 4.0, 4.5, 5.0, 6.0, 6.5])
GAP_AFTER = np.array([False, False, True, False, False, False, False, False])


@pytest.mark.parametrize(
    "volts",
    [24 - 0.1 * AMPS, np.array([1.0, -2.0, 3.0, 0.0, 1.0, -1.0, 2.0, 2.0, -4.0])],
    ids=["a battery", "a voltage of both signs"],
)
def test_sums_of_power_are_those_of_their_definitions(volts: Floats) -> None:
    sums = PowerSums().add_pair(TIME_S, AMPS, volts, GAP_AFTER)
    weight_s = weights_s(np.where(GAP_AFTER, 0.0, np.diff(TIME_S)))
    sides: tuple[Callable[[Floats], Flags], ...] = (np.isfinite, lambda amps: amps >= 0, lambda amps: amps <= 0)
    rows = (
        weight_s * volts * AMPS,
        weight_s * AMPS,
        weight_s * volts,
        (weight_s * volts) ** 2,
        (weight_s * AMPS) ** 2,
    )
    slow = [[float(row[side(AMPS)].sum()) for side in sides] for row in rows]
    assert sums.products == pytest.approx(np.array(slow), abs=1e-9)
    assert sums.weights2_s2 == pytest.approx([float((weight_s[side(AMPS)] ** 2).sum()) for side in sides])
    # What halving changes, of the power at samples of that side alone.
    parts = [halving(np.diff(TIME_S), np.where(side(AMPS), volts * AMPS, 0.0), GAP_AFTER) for side in sides]
    assert sums.change == pytest.approx([float(part.sum()) for part in parts])
    assert sums.changes2 == pytest.approx([float(part @ part) for part in parts])
    # Out and in go by the sign of the power itself.
    power = zip(np.diff(TIME_S).tolist(), itertools.pairwise((volts * AMPS).tolist()), GAP_AFTER.tolist(), strict=True)
    cut = [piece for step, (first, last), gap in power if not gap for piece in pieces(step, first, last)]
    assert sums.total.out == pytest.approx(sum(length * mean for length, mean in cut if mean > 0))
    assert sums.total.back == pytest.approx(-sum(length * mean for length, mean in cut if mean < 0))
