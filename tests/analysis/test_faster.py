"""What was made faster gives what the slow, obvious law gives."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from itertools import accumulate
from types import SimpleNamespace
from typing import Any, cast
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.battery import resistance_steps
from amptally.analysis.battery.resistance_fit import BLOCK, MIN_BIN_S, binned, lagged_current
from amptally.analysis.battery.resistance_steps import find_steps
from amptally.analysis.battery.rest import find_rest
from amptally.analysis.exposure import square_integral, window_exact, window_search
from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.exposure.square_integral import SquareIntegral
from amptally.analysis.forecast.capacity_models import CapacityModels, capacity_models
from amptally.analysis.forecast.data_sheet import DataSheet
from amptally.analysis.forecast.depletion import Assumption, BlockCharge, deplete
from amptally.analysis.forecast.kibam import KineticModel, Wells, advance
from amptally.analysis.forecast.load_profile import load_profile
from amptally.analysis.forecast.peukert import used_ah
from amptally.analysis.integrals.energy import charge_estimates
from amptally.analysis.runs.run import SensorError, Series
from amptally.analysis.runs.standing import driven_part
from tests.strategies import examples

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
    assert isinstance(exposure.square, SquareIntegral)
    axis = exposure.square.axis_s
    starts = np.concatenate((axis, axis - window_s))
    starts = starts[(starts >= 0) & (starts <= axis[-1] - window_s)]
    return float(exposure.square.between(starts, starts + window_s).max())


@contextmanager
def small_steps(first_blocks: int, pairs: int) -> Iterator[None]:
    """The search begins at blocks of which there are so many, and looks at few pairs at once."""
    with ExitStack() as stack:
        stack.enter_context(patch.object(square_integral, "BLOCK_PIECES", (64, 16, 4)))
        stack.enter_context(patch.object(window_search, "FIRST_BLOCKS", first_blocks))
        stack.enter_context(patch.object(square_integral, "FIRST_BLOCKS", first_blocks))
        stack.enter_context(patch.object(window_exact, "MAX_BLOCKS", pairs))
        stack.enter_context(patch.object(square_integral, "_GATHERED_BLOCKS", pairs))
        for name in ("ROUGH_PAIRS", "SPLIT_PAIRS", "MAX_PAIRS", "MAX_SOLVED", "CACHED_PAIRS"):
            stack.enter_context(patch.object(window_search, name, pairs))
        yield


@examples(0.6)
@given(SEEDS, st.floats(0.001, 0.9), st.sampled_from([1, 4, 64, 256]), st.sampled_from([1, 2, 6, 50]))
def test_where_the_search_begins_changes_nothing(seed: int, share: float, first_blocks: int, pairs: int) -> None:
    series = current(seed, 700, 0.05)
    plain = Exposure.prepare(series.time_s, series.value, series.gap_after)
    window_s = share * plain.duration_s
    expected = plain.worst(window_s)
    with small_steps(first_blocks, pairs):
        found = Exposure.prepare(series.time_s, series.value, series.gap_after).worst(window_s)
    assert found.rms_a == pytest.approx(expected.rms_a, rel=1e-9)
    assert found.rms_a**2 * window_s >= slow_search(plain, window_s) * (1 - 1e-9)


@examples(0.4)
@given(SEEDS, st.sampled_from([0.05, 0.9]))
def test_lengths_searched_together_give_what_each_alone_gives(seed: int, loaded: float) -> None:
    series = current(seed, 3000, loaded)
    together, alone = (Exposure.prepare(series.time_s, series.value, series.gap_after) for _ in range(2))
    lengths_s = [*np.geomspace(0.004, 0.99 * alone.duration_s, 23), alone.duration_s, 0.004]
    found = together.worst_of(lengths_s)
    assert [window.window_s for window in found] == lengths_s
    for length_s, window in zip(lengths_s, found, strict=True):
        assert window.rms_a == pytest.approx(alone.worst(length_s).rms_a, rel=1e-9)
        assert window.crosses_gap == alone.worst(length_s).crosses_gap
    floors_a = [window.rms_a * factor for window, factor in zip(found, itertools.cycle((0.99, 1.01)), strict=False)]
    for place, above in enumerate(together.above_of(lengths_s, floors_a)):
        assert (above is not None) == (place % 2 == 0)


@examples(0.4)
@given(SEEDS, st.integers(2, 400), st.floats(0, 30), st.sampled_from([1, 64]))
def test_time_above_a_level(seed: int, samples: int, level_a: float, first_blocks: int) -> None:
    series = current(seed, samples, 0.4)
    if series.gap_after.all():
        return
    with small_steps(first_blocks, 50):
        exposure = Exposure.prepare(series.time_s, series.value, series.gap_after)
        (found, _), (other, _) = exposure.seconds_above(level_a, level_a + 3.0)
    square = exposure.square
    assert isinstance(square, SquareIntegral)
    # A thousand points in each piece stand for the line.
    share = (np.arange(1000) + 0.5) / 1000
    line = np.abs(square.start_a[:, None] + (square.end_a - square.start_a)[:, None] * share)
    for seconds, level in ((found, level_a), (other, level_a + 3.0)):
        expected = float((np.diff(square.axis_s) * (line > level).mean(axis=1)).sum())
        assert seconds == pytest.approx(expected, abs=3e-3 * exposure.duration_s)


@examples(0.6)
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
    assert lagged_current(time_s, amps, tau_s) == pytest.approx(np.array(slow), rel=1e-9, abs=1e-9)


@examples(0.4)
@given(SEEDS, st.sampled_from([1, 40, 700, BLOCK, 2 * BLOCK + 3]), st.sampled_from([0.0, 1e-5, 4e-4, 0.3]))
def test_means_of_bins_and_of_the_moved_current(seed: int, samples: int, skew_s: float) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(np.where(rng.random(samples) < 1e-3, 0.5, rng.choice([1e-4, 1e-3, 4e-3], samples)))
    volts, amps = rng.normal(25, 1, samples), rng.normal(0, 20, samples)
    first = min(seed % 3, samples - 1)
    found = binned(time_s, volts, amps, range(first, samples), skew_s)
    moved = [np.interp(time_s, time_s + skew_s, amps)] if skew_s else []
    place = np.floor((time_s - time_s[first])[first:] / MIN_BIN_S + 1e-6)
    number = np.cumsum(np.diff(place, prepend=place[0]) > 0)
    assert len(found) == 3 + len(moved)
    for means, values in zip(found, (time_s, volts, amps, *moved), strict=True):
        expected = np.bincount(number, values[first:]) / np.bincount(number)
        assert means == pytest.approx(expected, rel=1e-9, abs=1e-8)


@pytest.mark.parametrize("step_s", [1e-3, 0.01, 0.03])
@pytest.mark.parametrize("noise_a", [0.0, 0.3, 1.0])
def test_steps_are_those_found_by_looking_at_every_jump(step_s: float, noise_a: float) -> None:
    steps = {0.1: 0, 1.0: 0, 10.0: 0}
    for seed in range(8):
        rng = np.random.default_rng(seed)
        count = 30_000
        # Every other record is sampled unevenly.
        time_s = np.cumsum(step_s * (rng.uniform(0.2, 1.8, count) if seed % 2 else np.ones(count)))
        held = rng.integers(int(0.15 / step_s), int(4 / step_s) + 600, 60)
        amps = np.repeat(rng.choice([0.0, 1.0, 4.0, 40.0, 42.5, 90.0], 60), held)
        amps = np.resize(amps, count) + rng.normal(0, noise_a, count)
        gap = rng.random(count - 1) < 1e-4
        for scale_s in steps:
            found = find_steps(time_s, 25 - 0.02 * amps, amps, gap, scale_s)
            with patch.object(resistance_steps, "_candidates", lambda _time, _amps, places, _scale: places):
                assert found == find_steps(time_s, 25 - 0.02 * amps, amps, gap, scale_s)
            steps[scale_s] += len(found)
    assert steps[1.0] > 8
    assert steps[0.1] > 8 or step_s > 0.02


@examples(0.6)
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


@examples(0.3)
@given(SEEDS, st.sampled_from([2, 5, 300, 70_000]))
def test_net_charge_is_what_went_out_less_what_came_back(seed: int, samples: int) -> None:
    amps = current(seed, samples, 0.5)
    sensor = SensorError(0.05, 0.01, 0.001, 0.1, 0.01)
    out, back, net = charge_estimates(amps, sensor)
    if net.value is not None and out.value is not None and back.value is not None:
        assert net.value == pytest.approx(out.value - back.value, rel=1e-9, abs=1e-12)


def slow_available(
    models: CapacityModels, well: KineticModel | None, block: BlockCharge, assumed: Assumption, hours: float
) -> float:
    """By one model under one assumption: the rate law without a well, else that well, piece by piece."""
    start, doubt_ah = block.start_fraction[assumed.start_side + 1], assumed.drawn_side * block.drawn_half_ah
    load_a, scale = block.load.mean_a * assumed.load_scale, assumed.capacity_scale
    drawn = [] if block.drawn is None else list(zip(block.drawn.current_a, block.drawn.duration_h, strict=True))
    if well is None:
        law = models.law(assumed.rate_side)
        per_hour = sum(
            float(used_ah(law, np.array([amps * assumed.load_scale]), np.array([length])))
            for amps, length in zip(block.load.current_a, block.load.duration_h, strict=True)
        ) / float(block.load.duration_h.sum())  # fmt: skip
        per_hour *= max(load_a / law.fast_a, 1.0) ** (models.beyond(assumed.rate_side) - (law.k - 1))
        used = sum(float(used_ah(law, np.array([amps]), np.array([length]))) for amps, length in drawn)
        return start - (used - doubt_ah + per_hour * hours) / (law.capacity_ah * scale)
    well = replace(well, k_per_h=well.k_per_h / assumed.time_scale)
    wells = well.full()
    for amps, length in drawn:
        wells = advance(well, wells, float(amps), float(length))
    sized = KineticModel(well.qmax_ah * scale, well.c, well.k_per_h)
    taken = sum(float(amps * length) for amps, length in drawn)
    charge = sized.qmax_ah - (1 - start) * models.likely.capacity_ah * scale - taken + doubt_ah
    after = advance(sized, Wells(min(charge, sized.qmax_ah), wells.difference_ah), load_a, hours)
    return sized.available_ah(after) / (sized.c * sized.qmax_ah)


@examples(0.4)
@given(SEEDS, st.floats(0.55, 0.99), st.booleans(), st.booleans())
def test_all_models_and_assumptions_at_once(seed: int, second: float, pair: bool, from_full: bool) -> None:
    rng = np.random.default_rng(seed)
    capacity_ah = float(rng.uniform(5, 60))
    sheet = DataSheet(capacity_ah, 20.0, second * capacity_ah if pair else None, 1.0 if pair else None)
    profile = load_profile(rng.uniform(-0.3, 1, 60) * capacity_ah * rng.uniform(0.05, 2), np.full(60, 40.0))
    if profile.mean_a <= 0:
        return
    models = capacity_models(sheet, "agm", profile.mean_a)
    block = BlockCharge((0.7, 0.8, 0.9), None if from_full else profile, float(rng.uniform(0, 0.5)), profile)
    sides = (-1, 0, 1)
    assumptions = [Assumption(1.0), *(Assumption(0.8, a, b, 1.1, c) for a in sides for b in sides for c in sides)]
    assumptions += [Assumption(1.3, time_scale=1.3), Assumption(0.7, time_scale=0.8)]
    ahead = deplete(models, block, assumptions)
    hours = rng.uniform(0, 3, (2, 1 + len(models.kinetic), len(assumptions)))
    found = ahead.available(hours)
    assert found.shape == hours.shape
    for place, each in np.ndenumerate(hours):
        well = None if place[1] == 0 else models.kinetic[place[1] - 1]
        slow = slow_available(models, well, block, assumptions[place[2]], float(each))
        assert found[place] == pytest.approx(slow, rel=1e-9, abs=1e-9)
