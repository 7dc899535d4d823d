"""How far voltages fall, which block falls further, whether the currents add up."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.battery.rest import run_rest
from amptally.analysis.battery.sag import Sag, assess_sag, balance_residual, minimum_voltage
from amptally.analysis.quality.doubts import Doubt, Doubts
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.answers import sag_sentence
from amptally.analysis.wording.findings import told
from tests.analysis.build_runs import CART, Floats, consistent, measured, sides, value_of, write_run

T_S = np.arange(0, 60, 0.05)
LOADED = T_S >= 10
AMPS = np.where(LOADED, np.where(T_S % 4 < 2, 40.0, 10.0), 0.0)
SURE = (
    "[sensors.battery_voltage]\noffset_u = 0\ngain_u = 0\nnoise = 0\n"
    "[sensors.midpoint_voltage]\noffset_u = 0\ngain_u = 0\nnoise = 0\n"
)


def run_of(folder: Path, channels: dict[str, Any], t_s: Floats = T_S, **metadata: Any) -> Run:
    name = f"run{len(list(folder.iterdir()))}.parquet"
    return Run.open(write_run(folder / name, t_s, channels, **metadata))


def missing(channel: str) -> tuple[Reason, ...]:
    return (Reason("not_measured", channel=channel),)


def sag_of(folder: Path, channels: dict[str, Any], t_s: Floats = T_S, **metadata: Any) -> Sag:
    found = assess_sag(run_of(folder, channels, t_s, **metadata), Doubts())
    for result in (found.rest_voltage_v, found.min_voltage_v, found.worst_sag_v, found.block_imbalance_v):
        consistent(result)
    for result in (found.receiver_min_v, found.balance_residual_a, found.resistance.open_circuit_v):
        consistent(result)
    return found


def test_sag_is_rest_minus_least(tmp_path: Path) -> None:
    # docs/nomenclature.md: 25.40 V at rest, 24.10 V at the lowest: +1.30 V
    volts = np.where(LOADED, 24.5, 25.4)
    volts[700] = 24.1
    found = sag_of(tmp_path, {"battery_current_a": AMPS, "battery_voltage_v": volts}, machine=CART + SURE)
    assert value_of(found.worst_sag_v) == pytest.approx(1.30, abs=1e-6)
    assert found.worst_sag_at_s == found.min_voltage_at_s == pytest.approx(T_S[700])
    # Samples can miss a deeper dip: at least this sag, at most this voltage.
    assert (found.worst_sag_v.bound, found.min_voltage_v.bound) == ("at_least", "at_most")
    assert found.min_voltage_v.high == pytest.approx(24.1, abs=1e-6)


def test_an_offset_of_the_voltage_sensor_moves_the_least_voltage_and_not_the_sag(tmp_path: Path) -> None:
    machine = CART + "[sensors.battery_voltage]\noffset_u = 0.2\ngain_u = 0\nnoise = 0\n"
    volts = np.where(LOADED, 24.1, 25.4)
    found = sag_of(tmp_path, {"battery_current_a": AMPS, "battery_voltage_v": volts}, machine=machine)
    assert found.min_voltage_v.high == pytest.approx(24.1 + 1.96 * 0.2, abs=1e-6)
    assert found.worst_sag_v.low == pytest.approx(1.30, abs=1e-6)


def test_the_least_of_many_noisy_readings_is_no_sag(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    t_s = np.arange(0, 100, 0.002)
    channels = {"battery_current_a": 0.0, "battery_voltage_v": 25.4 + rng.normal(0, 0.01, len(t_s))}
    machine = CART + "[sensors.battery_voltage]\noffset_u = 0\ngain_u = 0\nnoise = 0.01\n"
    found = sag_of(tmp_path, channels, t_s, machine=machine)
    assert found.worst_sag_v.low is not None
    assert found.worst_sag_v.low <= 0.0 < value_of(found.worst_sag_v)
    assert found.min_voltage_v.high is not None
    assert found.min_voltage_v.high >= 25.4


def test_pack_set_sags_from_24_83_to_19_94_V(tmp_path: Path) -> None:
    # ../shared/data/README.md: rest 24.83 V, end 19.94 V at 3083.0 s (the record begins at 1 s)
    t_s, amps, volts = measured("pack_24v_65a_discharge.csv")
    found = sag_of(tmp_path, {"battery_current_a": amps, "battery_voltage_v": volts}, t_s)
    assert value_of(found.worst_sag_v) == pytest.approx(24.83 - 19.94, abs=0.005)
    assert value_of(found.min_voltage_v) == pytest.approx(19.94, abs=0.005)
    assert found.worst_sag_at_s == pytest.approx(3083.0 - 1.0, abs=1.0)


def test_a_part_of_a_run_sags_from_the_rest_before_it(tmp_path: Path) -> None:
    volts = np.where(LOADED, 24.5, 25.4)
    volts[700], volts[1000] = 23.0, 24.0
    path = write_run(tmp_path / "r.parquet", T_S, {"battery_current_a": AMPS, "battery_voltage_v": volts})
    found = assess_sag(Run.open(path, from_s=45.0), Doubts())
    assert value_of(found.worst_sag_v) == pytest.approx(1.4, abs=1e-6)
    assert found.worst_sag_at_s == pytest.approx(T_S[1000])


def test_a_part_without_a_voltage_says_so(tmp_path: Path) -> None:
    volts = np.where(T_S > 30, np.nan, 25.4)
    path = write_run(tmp_path / "r.parquet", T_S, {"battery_current_a": AMPS, "battery_voltage_v": volts})
    assert assess_sag(Run.open(path, from_s=40.0), Doubts()).worst_sag_v.reasons == missing("battery_voltage_v")


def test_without_a_rest_the_least_voltage_still_stands(tmp_path: Path) -> None:
    found = sag_of(tmp_path, {"battery_current_a": 20.0, "battery_voltage_v": 24.0})
    assert [reason.code for reason in found.worst_sag_v.reasons] == ["no_rest_voltage", "no_rest"]
    assert value_of(found.min_voltage_v) == pytest.approx(24.0)


def test_missing_channels_are_named(tmp_path: Path) -> None:
    found = sag_of(tmp_path, {"left_current_a": 1.0})
    assert found.min_voltage_v.reasons == found.rest_voltage_v.reasons == missing("battery_voltage_v")
    assert found.receiver_min_v.reasons == missing("receiver_voltage_v")
    assert found.resistance.by_scale[1.0].reasons == missing("battery_current_a")
    only_amps = sag_of(tmp_path, {"battery_current_a": AMPS})
    assert only_amps.resistance.by_scale[1.0].reasons == missing("battery_voltage_v")
    assert only_amps.block_imbalance_v.reasons == missing("midpoint_voltage_v")


def test_receiver_minimum_is_a_sampled_minimum(tmp_path: Path) -> None:
    supply = np.full(len(T_S), 5.0)
    supply[321] = 4.2
    estimate, at_s = minimum_voltage(run_of(tmp_path, {"receiver_voltage_v": supply}), "receiver_voltage_v")
    assert (value_of(estimate), estimate.bound, at_s) == (pytest.approx(4.2), "at_most", pytest.approx(T_S[321]))


def test_balance_is_battery_minus_both_channels(tmp_path: Path) -> None:
    # docs/nomenclature.md: current that neither channel accounts for; here 0.4 A of other consumers
    sensors = "".join(
        f"[sensors.{lead}_current]\noffset_u = 0.1\ngain_u = 0\n" for lead in ("battery", "left", "right")
    )
    channels = {"left_current_a": AMPS * 0.4, "right_current_a": AMPS * 0.6, "battery_current_a": AMPS + 0.4}
    low, value, high = sides(balance_residual(run_of(tmp_path, channels, machine=CART + sensors)))
    assert value == pytest.approx(0.4, abs=1e-5)
    # Three offsets of 0.1 A, independent
    assert (high - value, value - low) == pytest.approx((1.96 * 0.1 * np.sqrt(3),) * 2, rel=1e-6)


def test_balance_of_channels_with_different_delays(tmp_path: Path) -> None:
    wave = 20 + 15 * np.sin(T_S)
    late = 20 + 15 * np.sin(T_S - 0.4)
    machine = CART + "[sensors.right_current]\ndelay_s = 0.4\n"
    channels = {"battery_current_a": 2 * wave, "left_current_a": wave, "right_current_a": late}
    assert value_of(balance_residual(run_of(tmp_path, channels, machine=machine))) == pytest.approx(0.0, abs=0.002)


@pytest.mark.parametrize("sensed", ["motor_lead", "unknown"])
def test_balance_is_refused_for_motor_leads(tmp_path: Path, sensed: str) -> None:
    channels = {"left_current_a": 1.0, "right_current_a": 1.0, "battery_current_a": 2.0}
    machine = CART.replace('sensed = "supply_leg"', f'sensed = "{sensed}"')
    refused = balance_residual(run_of(tmp_path, channels, machine=machine))
    assert refused.reasons == (Reason("sides_not_in_supply_legs"),)


def test_balance_of_currents_that_were_never_measured_together(tmp_path: Path) -> None:
    early, late = np.where(T_S < 20, 1.0, np.nan), np.where(T_S > 40, 1.0, np.nan)
    channels = {"left_current_a": early, "right_current_a": late, "battery_current_a": 2.0}
    assert balance_residual(run_of(tmp_path, channels)).reasons == (Reason("currents_never_together"),)


@pytest.mark.parametrize(
    ("lower_ohm", "upper_ohm", "weak"),
    [(0.010, 0.020, "upper"), (0.020, 0.010, "lower"), (0.010, 0.0115, None), (0.012, 0.012, None)],
)
def test_the_block_that_falls_clearly_further_is_weak(
    tmp_path: Path, lower_ohm: float, upper_ohm: float, weak: str | None
) -> None:
    channels = {
        "battery_current_a": AMPS,
        "midpoint_voltage_v": 12.8 - lower_ohm * AMPS,
        "battery_voltage_v": 25.4 - (lower_ohm + upper_ohm) * AMPS,
    }
    found = sag_of(tmp_path, channels, machine=CART + SURE)
    assert found.weak_block == weak
    assert [finding.code for finding in found.findings] == (["weak_block"] if weak else [])
    assert value_of(found.block_imbalance_v) == pytest.approx(0.2, abs=1e-5)
    if weak:
        # 40 A in the highest tenth: 0.4 and 0.8 V
        assert "2.0 times as far" in told(found.findings[0]).what
        assert "0.80 V" in told(found.findings[0]).evidence


def test_a_weak_block_within_the_sensors_doubt_is_not_named(tmp_path: Path) -> None:
    channels = {
        "battery_current_a": AMPS * 0.05,
        "midpoint_voltage_v": 12.8 - 0.010 * AMPS * 0.05,
        "battery_voltage_v": 25.4 - 0.030 * AMPS * 0.05,
    }
    # 2 A on a difference of 10 mΩ is 20 mV
    assert sag_of(tmp_path, channels, machine=CART + SURE).weak_block is None


def test_rest_is_shared_by_all(tmp_path: Path) -> None:
    run = run_of(tmp_path, {"battery_current_a": AMPS, "battery_voltage_v": np.where(LOADED, 24.1, 25.4)})
    assert assess_sag(run, Doubts()).rest == run_rest(run)


def test_doubts_act_on_what_rests_on_their_channel(tmp_path: Path) -> None:
    channels = {
        "battery_current_a": AMPS,
        "midpoint_voltage_v": 12.8 - 0.010 * AMPS,
        "battery_voltage_v": 25.4 - 0.030 * AMPS,
    }
    run = run_of(tmp_path, channels, machine=CART + SURE)
    turned = Doubt(Reason("current_sign", "danger"), ("battery_current_a",))
    found = assess_sag(run, Doubts.of([turned]))
    assert found.resistance.by_scale[1.0].is_refused
    assert found.resistance.open_circuit_v.is_refused
    assert (found.weak_block, found.findings) == (None, ())
    assert found.worst_sag_at_s is not None
    elsewhere = Doubt(Reason("voltage_unanswering", "danger"), ("battery_voltage_v",))
    found = assess_sag(run, Doubts.of([elsewhere]))
    reason = Reason("doubted", "danger", finding="voltage_unanswering")
    refused = (found.rest_voltage_v, found.min_voltage_v, found.worst_sag_v, found.block_imbalance_v)
    assert [value.reasons for value in refused] == [(reason,)] * 4
    assert (found.worst_sag_at_s, found.min_voltage_at_s, found.weak_block) == (None, None, None)


def long_discharge(folder: Path, steps_s: float, cells_v: tuple[float, float], ohm: float, amps: float) -> Sag:
    """Rest, then a constant current while the open-circuit voltage falls in a straight line."""
    t_s = np.arange(0, 4000.0, steps_s)
    rest_s = 20 + 3 * steps_s
    loaded = t_s >= rest_s
    share = np.clip((t_s - rest_s) / (t_s[-1] - rest_s), 0, 1)
    current = np.where(loaded, amps, 0.0)
    volts = cells_v[0] + share * (cells_v[1] - cells_v[0]) - ohm * current
    return sag_of(folder, {"battery_current_a": current, "battery_voltage_v": volts}, t_s)


def test_discharge_is_no_drop_under_load(tmp_path: Path) -> None:
    # Ohm's law: 8 mΩ × 19.5 A = 0.156 V of load, though the voltage ends 4.7 V below rest.
    found = long_discharge(tmp_path, 0.5, (29.0, 29.0 - 4.544), 0.008, 19.5)
    assert value_of(found.worst_sag_v) == pytest.approx(4.7, abs=0.01)
    assert value_of(found.load_drop_v) == pytest.approx(0.156, abs=0.02)
    assert found.load_drop_at_s is not None


def test_the_report_leads_with_the_drop_under_load(tmp_path: Path) -> None:
    found = long_discharge(tmp_path, 0.5, (29.0, 29.0 - 4.544), 0.008, 19.5)
    sentence = sag_sentence(found)
    assert sentence.startswith("dropped at least 0.1")
    assert "under load at" in sentence
    assert sentence.index("under load") < sentence.index("below rest")


def test_without_a_drop_the_sentence_does_not_call_a_discharge_load(tmp_path: Path) -> None:
    # A row a minute: no resistance, so what of the 4.7 V the load does is not known.
    found = long_discharge(tmp_path, 60.0, (29.0, 29.0 - 4.544), 0.008, 19.5)
    assert (found.load_drop_v.value, found.load_drop_at_s) == (None, None)
    assert value_of(found.worst_sag_v) == pytest.approx(4.7, abs=0.01)
    assert sag_sentence(found).endswith("below rest by load and discharge together")


def test_the_greatest_drop_under_load_of_a_drive(tmp_path: Path) -> None:
    # Known by construction: 20 mΩ, 40 A and 10 A in turn, and 60 A for 1 s at 30 s: 1.2 V, while 0.3 V is discharged.
    amps = AMPS.copy()
    amps[(T_S >= 30) & (T_S < 31)] = 60.0
    drawn_ah = np.cumsum(amps) * 0.05 / 3600
    volts = 25.4 - 0.3 * drawn_ah / drawn_ah[-1] - 0.02 * amps
    found = sag_of(tmp_path, {"battery_current_a": amps, "battery_voltage_v": volts})
    assert value_of(found.load_drop_v) == pytest.approx(1.2, rel=0.03)
    assert found.load_drop_at_s == pytest.approx(30.5, abs=0.6)
    # At least: a sample may miss the lowest moment.
    assert found.load_drop_v.bound == "at_least"


def test_a_doubted_current_gives_no_drop_under_load(tmp_path: Path) -> None:
    volts = 25.4 - 0.02 * AMPS
    run = run_of(tmp_path, {"battery_current_a": AMPS, "battery_voltage_v": volts})
    doubt = Doubt(Reason("current_filled_in", "danger"), ("battery_current_a",))
    found = assess_sag(run, Doubts.of([doubt]))
    assert (found.load_drop_v.value, found.load_drop_at_s) == (None, None)
