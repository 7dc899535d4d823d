"""The battery's ledger across the runs of a folder: order, doubt that adds up, and where it stops."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.forecast.ledger import ledger_charge
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.results import basis, refusal
from amptally.logger.storage.metadata import Gap
from tests.analysis.build_runs import CART, consistent, sides, value_of, write_run

T_S = np.arange(0, 360, 0.5)
AMPS = np.full(len(T_S), 20.0)
DRAWN_AH = 20 * T_S[-1] / 3600


def at(hour: int, minute: int = 0, zone: str = "+00:00") -> str:
    return f"2026-04-0{hour // 24 + 1}T{hour % 24:02d}:{minute:02d}:00{zone}"


def drove(folder: Path, name: str, start_utc: str | None, amps: object = AMPS, **metadata: Any) -> Path:
    channels = {"battery_current_a": amps, "battery_voltage_v": 25.0}
    described = {"machine": CART, "start_utc": start_utc, **metadata}
    return write_run(folder / f"{name}.parquet", T_S, channels, **described)


def ledger_of(path: Path) -> Estimate | None:
    found = ledger_charge(Run.open(path))
    if found is not None:
        consistent(found)
    return found


def charge_of(path: Path) -> Estimate:
    found = ledger_of(path)
    assert found is not None
    return found


def test_it_starts_at_the_last_stated_charge_and_takes_off_what_each_run_drew(tmp_path: Path) -> None:
    drove(tmp_path, "a", at(8), start_charge=0.9)
    drove(tmp_path, "b", at(9), start_charge=1.0)
    drove(tmp_path, "c", at(10))
    mine = drove(tmp_path, "d", at(11))
    found = charge_of(mine)
    assert value_of(found) == pytest.approx(1 - 2 * DRAWN_AH / 35, abs=1e-4)
    assert basis(found) == "ledger over 2 earlier runs; charging between runs is not seen"


def test_runs_count_in_the_order_of_their_start_whatever_their_names_and_zones(tmp_path: Path) -> None:
    drove(tmp_path, "z", at(8), start_charge=1.0)
    drove(tmp_path, "a", at(11, 30, "+02:00"), start_charge=0.5)  # 09:30 UTC, the later of the two
    mine = drove(tmp_path, "m", at(10, 0, "Z"))
    assert value_of(charge_of(mine)) == pytest.approx(0.5 - DRAWN_AH / 35, abs=1e-4)
    early = drove(tmp_path, "b", at(9, 0))
    assert value_of(charge_of(early)) == pytest.approx(1.0 - DRAWN_AH / 35, abs=1e-4)


def test_the_interval_grows_with_each_run_by_the_sensor_s_whole_error(tmp_path: Path) -> None:
    sensors = "[sensors.battery_current]\noffset_u = 1.0\ngain_u = 0\nnoise = 0\n"
    machine = CART + sensors
    drove(tmp_path, "a", at(8), start_charge=1.0, machine=machine)
    halves = []
    for place in range(1, 6):
        mine = drove(tmp_path, f"r{place}", at(8 + place), machine=machine)
        low, value, high = sides(charge_of(mine))
        assert value == pytest.approx(1 - place * DRAWN_AH / 35, abs=1e-4)
        halves.append((value - low, high - value))
    # The same sensor is wrong the same way each time: 1 A × 359.5 s × n on 35 Ah at least, not √n of it.
    offset = 1.96 * (T_S[-1] / 3600) / 35
    assert all(below >= 0.99 * place * offset for place, (below, _) in enumerate(halves, 1))
    assert [below for below, _ in halves] == sorted(below for below, _ in halves)


def test_other_batteries_later_runs_and_runs_without_a_start_do_not_count(tmp_path: Path) -> None:
    drove(tmp_path, "a", at(8), start_charge=1.0)
    drove(tmp_path, "other", at(9), machine=CART.replace("pack-7", "pack-8"))
    drove(tmp_path, "later", at(20))
    drove(tmp_path, "undated", None)
    drove(tmp_path, "strange", "yesterday")
    drove(tmp_path, "zoneless", "2026-04-01T09:00:00")
    mine = drove(tmp_path, "m", at(12))
    assert value_of(charge_of(mine)) == pytest.approx(1 - DRAWN_AH / 35, abs=1e-4)


@pytest.mark.parametrize("lacking", ["id", "capacity", "start", "stated"])
def test_without_what_it_needs_there_is_no_ledger(tmp_path: Path, lacking: str) -> None:
    machine = CART
    if lacking == "id":
        machine = CART.replace('id = "pack-7"\n', "")
    elif lacking == "capacity":
        machine = CART.replace("capacity_ah = 35\n", "", 1)
    drove(tmp_path, "a", at(8), start_charge=None if lacking == "stated" else 1.0, machine=machine)
    assert ledger_of(drove(tmp_path, "m", None if lacking == "start" else at(9), machine=machine)) is None


def test_a_stated_charge_that_is_no_fraction_is_not_a_start(tmp_path: Path) -> None:
    drove(tmp_path, "a", at(8), start_charge=1.0)
    drove(tmp_path, "b", at(9), start_charge=7.0)
    mine = drove(tmp_path, "m", at(10))
    assert value_of(charge_of(mine)) == pytest.approx(1 - 2 * DRAWN_AH / 35, abs=1e-4)


def test_empty_runs_do_not_break_it_and_others_stop_it_with_their_reason(tmp_path: Path) -> None:
    drove(tmp_path, "a", at(8), start_charge=1.0)
    write_run(tmp_path / "empty.parquet", [], {"battery_current_a": []}, machine=CART, start_utc=at(9))
    mine = drove(tmp_path, "m", at(12))
    assert value_of(charge_of(mine)) == pytest.approx(1 - DRAWN_AH / 35, abs=1e-4)
    write_run(tmp_path / "blind.parquet", T_S, {"battery_voltage_v": 25.0}, machine=CART, start_utc=at(10))
    assert refusal(charge_of(mine)) == (
        "the ledger stops at run blind of this battery; no battery current was measured"
    )


def test_a_gap_of_unknown_length_leaves_no_more_than_was_counted(tmp_path: Path) -> None:
    drove(tmp_path, "a", at(8), start_charge=1.0, gaps=(Gap(100.0, None, "reset"),))
    found = charge_of(drove(tmp_path, "m", at(9)))
    assert (found.bound, found.low) == ("at_most", None)
    assert value_of(found) == pytest.approx(1 - DRAWN_AH / 35, abs=1e-4)


def test_a_recorded_charge_is_counted_back(tmp_path: Path) -> None:
    drove(tmp_path, "a", at(8), start_charge=0.5)
    drove(tmp_path, "b", at(9), amps=np.full(len(T_S), -20.0))
    assert value_of(charge_of(drove(tmp_path, "m", at(10)))) == pytest.approx(0.5, abs=1e-4)


def test_more_drawn_than_there_can_be_is_refused(tmp_path: Path) -> None:
    drove(tmp_path, "a", at(8), start_charge=0.05)
    for hour in range(9, 13):
        drove(tmp_path, f"r{hour}", at(hour))
    assert "must be wrong" in (refusal(charge_of(drove(tmp_path, "m", at(14)))) or "")


def test_a_run_whose_current_is_turned_does_not_fill_the_battery(tmp_path: Path) -> None:
    amps = 20 + 15 * np.sin(T_S / 3) + np.random.default_rng(2).normal(0, 0.1, len(T_S))
    for name, hour, sign in (("a", 8, 1.0), ("b", 9, -1.0)):
        channels = {"battery_current_a": sign * amps, "battery_voltage_v": 25 - 0.02 * amps}
        described = {"machine": CART, "start_utc": at(hour), "start_charge": 1.0 if name == "a" else None}
        write_run(tmp_path / f"{name}.parquet", T_S, channels, **described)
    found = charge_of(drove(tmp_path, "c", at(10)))
    assert refusal(found) == (
        "the ledger stops at run b of this battery; the sign of the battery current looks reversed "
        "(finding current_sign)"
    )
