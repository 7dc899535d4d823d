"""Board clock against host clock: drift found along the earliest arrivals, resets bridged by host time."""

from __future__ import annotations

import numpy as np
import pytest

from amptally.logger.clock import RunClock, fit_clock


@pytest.mark.parametrize("drift_ppm", [-400.0, 0.0, 60.0, 900.0])
def test_drift_is_found_in_spite_of_late_delivery(drift_ppm: float) -> None:
    rng = np.random.default_rng(5)
    run_us = np.arange(0, 600_000_000, 20_000)
    host_us = 5_000_000 + run_us / (1 + drift_ppm * 1e-6) + rng.exponential(8_000, len(run_us))
    fit = fit_clock(host_us.astype(np.int64), run_us)
    assert fit.drift_ppm == pytest.approx(drift_ppm, abs=5)
    assert fit.rate_u is not None
    assert abs(fit.drift_ppm - drift_ppm) <= 4 * 1e6 * fit.rate_u
    assert fit.first_host_us == pytest.approx(5_000_000, abs=5_000)
    assert fit.real_time


def test_a_long_stall_does_not_bend_the_line() -> None:
    run_us = np.arange(0, 300_000_000, 20_000)
    host_us = run_us.copy()
    stalled = (run_us > 100_000_000) & (run_us < 104_000_000)
    host_us[stalled] = 104_000_000
    fit = fit_clock(host_us, run_us)
    assert fit.drift_ppm == pytest.approx(0, abs=5)


def test_a_source_faster_than_real_time_is_no_drift_to_correct() -> None:
    run_us = np.arange(0, 200_000_000, 20_000)
    fit = fit_clock(run_us // 20, run_us)
    assert fit.rate == pytest.approx(20, rel=1e-3)
    assert not fit.real_time


def test_too_short_a_run_has_no_rate() -> None:
    fit = fit_clock(np.array([0, 500_000]), np.array([0, 500_000]))
    assert fit.rate is None
    assert fit.first_host_us == 0


def test_run_time_starts_at_zero_and_goes_on_across_a_reset() -> None:
    clock = RunClock()
    first, bridged = clock.place(0, np.array([7_000, 9_000]), 1_000_000)
    assert first.tolist() == [0, 2_000]
    assert bridged is None
    second, bridged = clock.place(1, np.array([100, 2_100]), 4_000_000)
    assert bridged is True
    assert second.tolist() == [2_000 + 3_000_000 - 2_000, 2_000 + 3_000_000]


def test_a_reset_without_host_time_goes_on_one_interval_later() -> None:
    clock = RunClock()
    clock.place(0, np.array([0, 2_000]), None)
    second, bridged = clock.place(1, np.array([50, 2_050]), None)
    assert bridged is False
    assert second.tolist() == [4_000, 6_000]


def test_memory_stays_bounded_over_many_chunks() -> None:
    clock = RunClock()
    for chunk in range(30_000):
        clock.place(0, np.array([chunk * 20_000]), chunk * 20_000)
    fit = clock.fit()
    assert fit.drift_ppm == pytest.approx(0, abs=1)
    assert len(clock._pairs) <= 4096
