"""A small version of the coverage study: intervals hold the simulated truth, and wide is not the way they do it.

The whole of it is `python -m benchmarks.battery_coverage`; its table is in docs/methods.md, Coverage.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from amptally.logger.simulator.parameters import BlockParameters
from tests.studies.batteries import LeadAcid, constant_discharge_ah
from tests.studies.battery_coverage import Outcome, row, sensors, study, table
from tests.studies.machines import draw_load, draw_machine, drive, goes_on

SEEDS = range(2000, 2028)


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [outcome for seed in SEEDS for outcome in study(seed)]


def test_intervals_hold_the_truth_in_92_of_a_hundred(outcomes: list[Outcome]) -> None:
    given = [each for each in outcomes if each.value is not None]
    assert len(given) > 0.85 * len(outcomes)
    held = [(each.low or -math.inf) <= each.truth <= (math.inf if each.high is None else each.high) for each in given]
    assert np.mean(held) >= 0.92
    for line in table(outcomes):
        # Few machines each: one or two of twenty-eight may miss.
        assert line["holds"] >= 0.85, line


def test_the_low_end_is_not_optimistic(outcomes: list[Outcome]) -> None:
    forecasts = [each for each in outcomes if each.what.split(",")[0] in ("runtime s", "laps remaining")]
    assert np.mean([(each.low or 0.0) > each.truth for each in forecasts if each.value is not None]) <= 0.05


def test_wide_is_no_way_out(outcomes: list[Outcome]) -> None:
    for line in table(outcomes):
        if line["width"] is not None and line["what"] != "laps per charge, measured":
            assert line["width"] < line["plain width for as many"], line
    by_name = {line["what"]: line for line in table(outcomes)}
    assert by_name["resistance 1 s"]["width"] < 0.2
    assert by_name["net Ah"]["width"] < 0.08
    assert by_name["runtime s, measured"]["width"] < by_name["runtime s, nameplate"]["width"] < 1.5


def test_a_study_is_the_same_again(outcomes: list[Outcome]) -> None:
    again = study(SEEDS[0])
    assert again == outcomes[: len(again)]


def test_a_row_counts_by_hand() -> None:
    found = [
        Outcome("x", 10.0, 11.0, 9.0, 13.0, 12.0, 0.1),
        Outcome("x", 10.0, 12.0, 10.5, 13.5, 9.5, 0.1),
        Outcome("x", 10.0, None, None, None, 15.0, 0.1),
    ]
    line = row("x", found)
    assert (line["machines"], line["refused"], line["holds"], line["truth below"]) == (3, 1, 0.5, 0.5)
    assert line["width"] == pytest.approx(0.35)
    assert line["error"] == pytest.approx(0.15)
    assert line["plain holds"] == pytest.approx(1 / 3)


def test_the_block_gives_what_its_parameters_say() -> None:
    # 35 Ah in 20 h, by construction of the simulated block (logger/simulator/battery.py, EXCESS).
    cells = LeadAcid(BlockParameters(), 25.0)
    assert constant_discharge_ah(cells, 35 / 20, 10.5, 10.0) == pytest.approx(35.0, rel=0.03)


def test_charge_drawn_and_time_agree_in_the_simulated_end() -> None:
    rng = np.random.default_rng(5)
    machine = draw_machine(rng)
    load = draw_load(rng, machine.size_ah * machine.in_parallel)
    found = drive(machine, load)
    left = goes_on(machine, load, found.cells, found.nominal_v, load.laps)
    assert left.seconds == pytest.approx(left.laps * load.lap_s, rel=1e-6)
    mean_a = float(found.amps[found.time_s > 15].mean())
    assert left.charge_ah == pytest.approx(mean_a * left.seconds / 3600, rel=0.35)
    assert left.energy_wh / left.charge_ah < found.open_v


def test_a_sensor_s_errors_are_as_large_as_it_declares() -> None:
    rng = np.random.default_rng(1)
    current, _ = sensors(rng, 50.0, 26.0)
    t_s, true = np.arange(0, 200, 0.02), np.full(10_000, 20.0)
    offs = np.array([current.read(rng, t_s, true, 0.1, True).mean() - 20.0 for _ in range(200)])
    assert np.std(offs) == pytest.approx(math.hypot(current.offset_u, 20.0 * current.gain_u), rel=0.15)
