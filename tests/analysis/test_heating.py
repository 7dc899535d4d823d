"""Heating of a run's lead: against the closed form of one time constant, and a slow twin sample by sample."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.exposure.run_exposure import prepare_exposure
from amptally.analysis.protection import heating
from amptally.analysis.protection.heating import Assumed, first_current_a, hottest
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats
from tests.analysis.build_runs import in_stretches, write_run

TAU_S = 86.5
T_S = np.arange(0, 400, 0.1)


def exposure(amps: Floats, t_s: Floats = T_S, gap_s: float = 1.0) -> Exposure:
    return Exposure.from_interval_rms(t_s, amps, np.diff(t_s) > gap_s)


def one(current: Exposure, **given: float) -> heating.Hottest:
    (found,) = hottest(current, [Assumed(Network.single(TAU_S), **given)])
    return found


# IEC 60255-149 (formerly 60255-8), as printed in public manuals of thermal relays: cold θ = I²(1 − e^(−t/τ)), hot
# θ = Ip² + (I² − Ip²)(1 − e^(−t/τ)); references TM1, TM2
@pytest.mark.parametrize("before_a", [0.0, 40.0])
def test_a_step_follows_the_cold_and_the_hot_curve(before_a: float) -> None:
    found = one(exposure(np.where(T_S <= 120, 120.0, 0.0)), before_a=before_a)
    share = -math.expm1(-120 / TAU_S)
    assert found.steady_a**2 == pytest.approx(before_a**2 + (120.0**2 - before_a**2) * share, rel=1e-6)
    assert found.at_s == pytest.approx(120.0, abs=0.11)


def slow_twin(t_s: Floats, amps: Floats, before_a: float, across_gaps_a: float, gap_s: float) -> tuple[float, float]:
    state = highest = before_a**2
    at_s = t_s[0]
    for k in range(len(t_s) - 1):
        step_s = t_s[k + 1] - t_s[k]
        heat = across_gaps_a**2 if step_s > gap_s else amps[k + 1] ** 2
        state = heat + (state - heat) * math.exp(-step_s / TAU_S)
        if state > highest:
            highest, at_s = state, t_s[k + 1]
    return math.sqrt(highest), at_s


def test_gaps_and_uneven_samples_agree_with_the_slow_twin(monkeypatch: pytest.MonkeyPatch) -> None:
    generator = np.random.default_rng(7)
    t_s = np.cumsum(generator.choice([0.1, 0.1, 0.1, 0.13, 25.0, 40.0], 3000, p=[0.4, 0.3, 0.2, 0.09, 0.005, 0.005]))
    amps = generator.uniform(0, 90, len(t_s))
    current = exposure(amps, t_s)
    for before_a, across_a in ((0.0, 0.0), (50.0, 0.0), (0.0, 170.0)):
        expected = slow_twin(t_s, amps, before_a, across_a, 1.0)
        for chunk in (65_536, 256):
            monkeypatch.setattr(heating, "CHUNK_PIECES", chunk)
            found = one(current, before_a=before_a, across_gaps_a=across_a)
            assert (found.steady_a, found.at_s) == pytest.approx(expected, rel=1e-9)


def test_a_run_read_in_stretches_gives_the_same(tmp_path: Path) -> None:
    t_s = np.concatenate([np.arange(0, 100, 0.005), np.arange(140, 260, 0.005)])
    amps = 40 + 30 * np.sin(t_s / 7)
    path = write_run(tmp_path / "r.parquet", t_s, {"left_current_a": amps})
    whole = prepare_exposure(Run.open(path), "left")
    with in_stretches():
        long = prepare_exposure(Run.open(path), "left")
        assert whole is not None
        assert long is not None
        assert type(long.square) is not type(whole.square)
        assert one(long, across_gaps_a=20.0).steady_a == pytest.approx(
            one(whole, across_gaps_a=20.0).steady_a, rel=1e-9
        )


def test_the_first_current_is_that_of_the_first_second() -> None:
    assert first_current_a(exposure(np.where(T_S <= 1, 30.0, 80.0))) == pytest.approx(30.0)
    short = np.array([0.0, 0.1, 0.2])
    assert first_current_a(exposure(np.array([50.0, 50.0, 50.0]), short)) == pytest.approx(50.0)
