"""What was made faster gives what the slow, obvious form gives."""

from __future__ import annotations

from itertools import accumulate
from types import SimpleNamespace
from typing import Any, cast
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import square_integral, window_search
from analysis.charge_left import driven_part
from analysis.energy import charge_estimates
from analysis.exposure import Exposure
from analysis.resistance_fit import relaxed
from analysis.rest import find_rest
from analysis.run import SensorError, Series

SEEDS = st.integers(0, 10_000)


def current(seed: int, samples: int, loaded: float) -> Series:
    """Currents that are loads with a probability, at irregular times, one gap among them."""
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.001, 0.01, samples))
    size = np.where(rng.random(samples) < loaded, 20.0, 0.1)
    gap = np.zeros(samples - 1, bool)
    gap[seed % (samples - 1)] = samples > 10
    return Series(time_s, size * rng.normal(0, 1, samples), gap)


def slow_search(exposure: Exposure, window_s: float) -> float:
    """Largest integral over windows that begin or end at a sample: a lower bound of the true one."""
    axis = exposure.square.axis_s
    starts = np.concatenate((axis, axis - window_s))
    starts = starts[(starts >= 0) & (starts <= axis[-1] - window_s)]
    return float(exposure.square.between(starts, starts + window_s).max())


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.floats(0.001, 0.9), st.sampled_from([1, 4, 64, 256]), st.sampled_from([1, 2, 6, 50]))
def test_where_the_search_begins_changes_nothing(seed: int, share: float, pieces: int, part: int) -> None:
    series = current(seed, 700, 0.05)
    with patch.object(square_integral, "BLOCK_PIECES", (64, 16, 4)):
        exposure = Exposure.prepare(series.time_s, series.value, series.gap_after)
        window_s = share * exposure.sampled_s
        with patch.object(window_search, "FIRST_PIECES", 4):
            fine = exposure.worst(window_s)
        with patch.object(window_search, "FIRST_PIECES", pieces), patch.object(window_search, "FIRST_SHARE", part):
            found = exposure.worst(window_s)
    assert found.rms_a == pytest.approx(fine.rms_a, rel=1e-9)
    assert found.rms_a**2 * window_s >= slow_search(exposure, window_s) * (1 - 1e-9)


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(2, 40), st.floats(0, 30))
def test_time_above_a_level_and_where_it_is_passed(seed: int, samples: int, level_a: float) -> None:
    series = current(seed, samples, 0.4)
    if series.gap_after.all():
        return
    exposure = Exposure.prepare(series.time_s, series.value, series.gap_after)
    square = exposure.square
    # A thousand points in each piece stand for the line.
    share = (np.arange(1000) + 0.5) / 1000
    line = np.abs(square.start_a[:, None] + (square.end_a - square.start_a)[:, None] * share)
    seconds = float((np.diff(square.axis_s) * (line > level_a).mean(axis=1)).sum())
    assert exposure.seconds_above(level_a)[0][0] == pytest.approx(seconds, abs=3e-3 * exposure.sampled_s)
    points = square.level_points(level_a)
    crossings = sum(
        ((square.start_a < sign) != (square.end_a < sign))[np.diff(square.axis_s) > 0].sum()
        for sign in {level_a, -level_a}
    )
    assert len(points) <= crossings + 2 + len(square.corners_s)
    assert (points[0], points[-1]) == (0.0, square.length_s)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(1, 300), st.sampled_from([0.003, 0.03, 3.0, 300.0]))
def test_a_lag_row_by_row_is_the_lag_sample_by_sample(seed: int, samples: int, tau_s: float) -> None:
    rng = np.random.default_rng(seed)
    time_s, amps = np.cumsum(rng.uniform(0.001, 0.1, samples)), rng.normal(0, 20, samples)
    keep = np.exp(-np.diff(time_s) / tau_s).tolist()
    slow = list(
        accumulate(
            zip(keep, amps[1:].tolist(), strict=True), lambda s, p: s * p[0] + p[1] * (1 - p[0]), initial=amps[0]
        )
    )
    assert relaxed(time_s, amps, tau_s) == pytest.approx(np.array(slow), rel=1e-9, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.sampled_from([2, 3, 6, 60, 140_000, 200_000]), st.sampled_from([0.0, 1e-5, 0.01, 0.5]))
def test_first_and_last_load(seed: int, samples: int, loaded: float) -> None:
    series = current(seed, samples, loaded)
    run = cast(Any, SimpleNamespace(machine=None, sensor=lambda _: SensorError()))
    width = min(5, samples)
    found = np.flatnonzero(np.convolve(np.abs(series.value), np.ones(width) / width, "same") > 0.4)
    expected = slice(None) if len(found) < 2 else slice(int(found[0]), int(found[-1]) + 1)
    assert driven_part(run, series) == expected
    rest = find_rest(series, 0.2)
    if rest.refused is None:
        smooth = np.convolve(np.abs(series.value), np.ones(width) / width, "valid")
        over = np.flatnonzero(smooth > 0.4)
        end = samples - 1
        if len(over):
            end = max(int(over[0] + np.argmax(np.abs(series.value)[over[0] : over[0] + width] > 0.4)) - 1, 0)
        assert rest.end_s == series.time_s[end]


@settings(max_examples=30, deadline=None)
@given(SEEDS, st.sampled_from([2, 5, 300, 70_000]))
def test_net_charge_is_what_went_out_less_what_came_back(seed: int, samples: int) -> None:
    amps = current(seed, samples, 0.5)
    sensor = SensorError(0.05, 0.01, 0.001, 0.1, 0.01)
    out, back, net = charge_estimates(amps, sensor)
    if net.value is not None and out.value is not None and back.value is not None:
        assert net.value == pytest.approx(out.value - back.value, rel=1e-9, abs=1e-12)
