"""The highest rise and the rows' bound, found in blocks, against twins that follow every sample."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.exposure import square_integral
from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.exposure.run_exposure import prepare_exposure
from amptally.analysis.protection import peak_rise as module
from amptally.analysis.protection.fuse_curve import rows_of
from amptally.analysis.protection.guarantee import Heat, guaranteed_rise_a2
from amptally.analysis.protection.line_heat import SPAN, Decaying, added_heat
from amptally.analysis.protection.peak_rise import peak_rise, tightest_window
from amptally.analysis.protection.thermal_memory import Network, fitted_network, guaranteed_rise
from amptally.analysis.runs.run import Run
from amptally.tables.fuse_families import FAMILIES
from tests.analysis.build_runs import CART, write_run
from tests.analysis.test_long_runs import drive, read_in_stretches
from tests.analysis.thermal_twin import rise as rise_of
from tests.strategies import examples

ROWS = rows_of(FAMILIES["blade_large"].tables[0], "earliest")
"""ISO 8820-3 type E, second-hand (../shared/references.md section 1)."""
NETWORK = fitted_network(ROWS)


def course(network: Network, exposure: Exposure, parts: int = 20) -> tuple[np.ndarray, np.ndarray]:
    """The slow way: each line in many parts, each part's mean square, each term one after another."""
    axis_s, start_a, end_a = exposure.square.load(0, exposure.square.pieces)
    share = np.arange(parts) / parts
    times_s = np.append((axis_s[:-1, None] + np.diff(axis_s)[:, None] * share).ravel(), axis_s[-1])
    begin_a = (start_a[:, None] + (end_a - start_a)[:, None] * share).ravel()
    finish_a = (start_a[:, None] + (end_a - start_a)[:, None] * (share + 1 / parts)).ravel()
    mean_a2 = (begin_a * begin_a + begin_a * finish_a + finish_a * finish_a) / 3
    return times_s, rise_of(network, times_s, mean_a2)


@st.composite
def exposures(draw: st.DrawFn) -> Exposure:
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    count = draw(st.integers(2, 3000))
    interval_s = draw(st.sampled_from([0.001, 0.01, 0.1, 2.0]))
    steps_s = interval_s * (rng.uniform(0.2, 2.0, count - 1) if draw(st.booleans()) else np.ones(count - 1))
    gap = rng.random(count - 1) < draw(st.sampled_from([0.0, 0.002]))
    gap[0] = False
    steps_s[gap] *= 200
    base = np.repeat(rng.normal(0, 40, count // 50 + 1), 50)[:count]
    current = base + draw(st.sampled_from([0.0, 3.0, 60.0])) * rng.normal(size=count)
    build = Exposure.from_interval_rms if draw(st.booleans()) else Exposure.prepare
    return build(np.concatenate(([0.0], np.cumsum(steps_s))), current, gap)


@examples(1)
@given(exposures(), st.sampled_from([NETWORK, Network.single(0.05), Network.single(86.5)]))
def test_the_highest_rise_is_that_of_the_slow_twin(exposure: Exposure, network: Network) -> None:
    # Small blocks and chunks, so that a short run goes through all of it.
    with (
        patch.object(square_integral, "BLOCK_PIECES", (64, 16, 4)),
        patch.object(module, "LARGEST_BLOCK", 64),
        patch.object(module, "CHUNK_BLOCKS", 128),
        patch.object(module, "FIRST_BLOCKS", 4),
    ):
        axis_s, start_a, end_a = exposure.square.load(0, exposure.square.pieces)
        square = square_integral.SquareIntegral.prepare(axis_s, start_a, end_a)
        found = module._Search(_with(exposure, square), network, 0.0).run()
    times_s, rise_a2 = course(network, exposure)
    # Stated: 0.3 % by the block means before a stretch. Between samples that lie further apart than the shortest time
    # constant the peak is met to a sixteenth of a line, and the twin's own parts are coarse.
    tolerance = 1e-2 if exposure.interval_s <= network.constants_s[0] else 0.1
    assert found.rise_a2 == pytest.approx(float(rise_a2.max()), rel=tolerance, abs=1e-9)
    at = float(np.interp(found.axis_s, times_s, rise_a2))
    assert at == pytest.approx(found.rise_a2, rel=tolerance, abs=1e-9)


def _with(exposure: Exposure, square: square_integral.SquareIntegral) -> Exposure:
    from dataclasses import replace

    return replace(exposure, square=square)


@examples(0.5)
@given(exposures())
def test_the_tightest_window_holds_nine_tenths_and_ends_at_the_peak(exposure: Exposure) -> None:
    peak = peak_rise(exposure, NETWORK)
    window = tightest_window(exposure, NETWORK, peak)
    assert window.end_s == pytest.approx(exposure.start_s + peak.axis_s, abs=1e-6)
    # In its last part alone the network would have come to nine tenths of what it came to.
    axis_s, start_a, end_a = exposure.square.load(0, exposure.square.pieces)
    parts = 50
    share = np.arange(parts) / parts
    times_s = np.append((axis_s[:-1, None] + np.diff(axis_s)[:, None] * share).ravel(), axis_s[-1])
    line_a = np.repeat(start_a, parts) + np.tile(share + 0.5 / parts, len(start_a)) * np.repeat(end_a - start_a, parts)
    inside = (times_s[:-1] >= window.axis_s - 1e-9) & (times_s[1:] <= peak.axis_s + 1e-9)
    rise_a2 = rise_of(NETWORK, times_s, np.where(inside, line_a**2, 0.0))
    held = float(np.interp(peak.axis_s, times_s, rise_a2))
    if window.window_s > 5 * exposure.interval_s:  # a line between samples stands with its mean
        assert held == pytest.approx(0.9 * peak.rise_a2, rel=0.05 if exposure.interval_s < 1 else 0.1)


@examples(0.5)
@given(exposures(), st.floats(0.0, 30.0))
def test_the_likely_rise_is_never_above_what_the_rows_allow(exposure: Exposure, before_a: float) -> None:
    lengths_s = np.geomspace(1e-3, exposure.duration_s, 12).tolist()
    bound = guaranteed_rise_a2(ROWS, Heat.of(exposure), lengths_s)
    assert peak_rise(exposure, NETWORK).rise_a2 <= bound * (1 + 1e-6)
    # With a current before the run, neither is the rise that starts from its steady one.
    axis_s, start_a, end_a = exposure.square.load(0, exposure.square.pieces)
    mean_a2 = (start_a**2 + start_a * end_a + end_a**2) / 3
    loaded = rise_of(NETWORK, axis_s, mean_a2, before_a**2)
    assert loaded.max() <= guaranteed_rise_a2(ROWS, Heat.of(exposure), lengths_s, before_a) * (1 + 1e-6)


@examples(0.3)
@given(st.lists(st.floats(0.0, 250.0), min_size=2, max_size=60), st.sampled_from([0.01, 0.05, 0.3, 2.0]))
def test_few_windows_bound_no_less_than_all(amps: list[float], step_s: float) -> None:
    """The twin: every window of whole intervals, and an instant."""
    current = np.array([amps[0], *amps])
    t = np.arange(len(current)) * step_s
    exposure = Exposure.from_interval_rms(t, current, np.zeros(len(t) - 1, bool))
    heat = np.concatenate(([0.0], np.cumsum(current[1:] ** 2 * step_s)))
    lengths_s = [1e-6, *(step_s * np.arange(1, len(current))).tolist()]
    held = [1e-6 * float(current[1:].max() ** 2)]
    held += [float((heat[width:] - heat[:-width]).max()) for width in range(1, len(current))]
    all_windows = guaranteed_rise((*ROWS[:-1], (1e9, ROWS[-1][1])), lengths_s, held)
    few = guaranteed_rise_a2(ROWS, Heat.of(exposure), [exposure.duration_s])
    assert all_windows * (1 - 1e-9) <= few <= all_windows * 1.011 + 1e-9


@examples(0.5)
@given(
    st.lists(st.tuples(st.floats(1e-4, 900.0), st.floats(-9.0, 9.0)), min_size=1, max_size=60),
    st.lists(st.integers(0, 60), max_size=5),
    st.sampled_from([0.004, 1.0, 3600.0]),
)
def test_a_decaying_sum_is_the_same_however_it_is_cut(
    lines: list[tuple[float, float]], cuts: list[int], constant_s: float
) -> None:
    steps_s, end_a = (np.array(each) for each in zip(*lines, strict=True))
    start_a = np.concatenate(([1.0], end_a[:-1]))
    times_s = np.concatenate(([0.0], np.cumsum(steps_s)))
    added = added_heat(steps_s, start_a, end_a, constant_s)
    whole, values = Decaying.at(0.0, 2.0).after(times_s, added, constant_s)
    part, pieces = Decaying.at(0.0, 2.0), []
    for begin, stop in pairwise([0, *sorted(min(cut, len(lines)) for cut in cuts), len(lines)]):
        part, found = part.after(times_s[begin : stop + 1], added[begin:stop], constant_s)
        pieces.append(found)
    assert np.concatenate(pieces).tolist() == values.tolist()
    assert part == whole
    expected, y = [], 2.0
    for step_s, more in zip(steps_s.tolist(), added.tolist(), strict=True):
        y = y * math.exp(-step_s / constant_s) + more
        expected.append(y)
    assert values == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("x", [1e-6, 1e-3, 0.0099, 0.0101, 0.5, 3.0, 2 * SPAN])
def test_the_heat_of_a_line_is_its_integral(x: float) -> None:
    """∫ i² e^(−(h−s)/τ) ds/τ by a fine sum, i from 3 to −5 A."""
    u = (np.arange(200_000) + 0.5) / 200_000
    slow = x * float(((3 - 8 * u) ** 2 * np.exp(-x * (1 - u))).mean())
    found = float(added_heat(np.array([x]), np.array([3.0]), np.array([-5.0]), 1.0)[0])
    assert found == pytest.approx(slow, rel=1e-4 if x > SPAN else 1e-6)


@pytest.mark.parametrize("gaps", [0, 3])
def test_a_long_run_gives_what_the_same_run_gives_at_once(tmp_path: Path, gaps: int) -> None:
    t_s, channels = drive(8, 30_000, gaps)
    path = tmp_path / "run.parquet"
    write_run(path, t_s, {"left_current_a": channels["left_current_a"]}, machine=CART)
    whole = prepare_exposure(Run.open(path), "left")
    assert whole is not None
    with read_in_stretches(stretch=4096):
        long = prepare_exposure(Run.open(path), "left")
        assert long is not None
        one, other = peak_rise(whole, NETWORK), peak_rise(long, NETWORK)
        assert other.rise_a2 == pytest.approx(one.rise_a2, rel=1e-6)
        assert other.axis_s == pytest.approx(one.axis_s, abs=1e-6)
        filled, again = (peak_rise(each.filled(60.0), NETWORK).rise_a2 for each in (whole, long))
        assert again == pytest.approx(filled, rel=1e-6)
        if gaps:
            assert filled > one.rise_a2
