"""The simulated parts one by one against published values; ids are those of the reference list."""

from __future__ import annotations

import dataclasses
import math
from array import array

import numpy as np
import pytest

from amptally.logger.simulator import draw_scenario, draw_wander, simulate
from amptally.logger.simulator.battery import Block, discharge, open_circuit_v
from amptally.logger.simulator.controller import Bridge, Fuse, mix
from amptally.logger.simulator.motor import MotorHeat, rotor_step, winding_step
from amptally.logger.simulator.parameters import (
    BlockParameters,
    CartParameters,
    ChassisParameters,
    ControllerParameters,
    FuseParameters,
    MotorParameters,
    Scenario,
)
from amptally.logger.simulator.plant import FAST, Plant, _couple
from amptally.logger.simulator.route import CELL_M, cell, demo_course, lay_out
from amptally.logger.simulator.sensors import SENSORS, SI_NAMES, WIRE, SensorBank, codes_to_stored, combine
from amptally.logger.simulator.truth import COUNTED
from amptally.logger.wire.frames import WireChannel


def spin(
    volts: float,
    load_nm: float,
    *,
    R: float,
    K: float,
    L: float,
    J: float,
    b: float = 0.0,
    step_s: float,
    seconds: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Speed and current of a motor switched on at rest, after each step."""
    current = speed = 0.0
    speeds, currents = [], []
    for _ in range(round(seconds / step_s)):
        current, mean = winding_step(current, volts - K * speed, R, step_s / L)
        speed, _ = rotor_step(speed, K * mean, load_nm, 0.0, b, 0.0, step_s / J)
        speeds.append(speed)
        currents.append(current)
    return np.array(speeds), np.array(currents)


@pytest.mark.parametrize("T", [0.0, 50.0, 102.0, 150.0])
def test_motor_follows_the_published_torque_line(T: float) -> None:
    """MT1: 24 V, R 0.016, K 0.136: T = 204.0 − 1.156 w, from memory (Larminie & Lowry), 0.5 %."""
    w, i = spin(24.0, T, R=0.016, K=0.136, L=1e-5, J=0.05, step_s=1e-4, seconds=1.0)
    assert 204.0 - 1.156 * w[-1] == pytest.approx(T, abs=0.005 * 204.0)
    assert 0.136 * i[-1] == pytest.approx(T, abs=0.01)
    if T == 0.0:
        assert w[-1] == pytest.approx(176.47, rel=0.005)


def test_motor_steps_as_the_tutorial_says() -> None:
    """MT2: J .01, b .1, K .01, R 1, L .5, 1 V: w 0.0999, I 0.999, poles −2.0025 and −9.9975 (tutorial, second-hand)."""
    w, i = spin(1.0, 0.0, R=1.0, K=0.01, L=0.5, J=0.01, b=0.1, step_s=1e-3, seconds=5.0)
    assert w[-1] == pytest.approx(0.099900, abs=1e-5)
    assert i[-1] == pytest.approx(0.999001, abs=1e-4)
    p, q = 2.0025, 9.9975
    t = (np.arange(len(w)) + 1) * 1e-3
    expected = 0.0999 * (1.0 - (q * np.exp(-p * t) - p * np.exp(-q * t)) / (q - p))
    # The step of 1 ms is explicit in speed: an error of the order of step × slope.
    assert np.abs(w - expected).max() < 0.0002


def test_locked_and_running_current() -> None:
    """MT3: 120 V, 0.720 Ω: 166.67 A at standstill; 7.00 A leaves a back-EMF of 114.96 V (published)."""
    current = 0.0
    for _ in range(1000):
        current, _ = winding_step(current, 120.0, 0.720, 1e-3 / 0.01)
    assert current == pytest.approx(166.67, abs=0.01)
    for _ in range(1000):
        current, mean = winding_step(current, 120.0 - 114.96, 0.720, 1e-3 / 0.01)
    assert mean == pytest.approx(7.00, abs=1e-3)


# MT4: OpenStax University Physics 2 ch 13, from memory: 120 V, 2 Ω, 10 and 20 A: EMF 100 and 80 V, mechanical 1000 and
# 1600 W, loss 200 and 800 W, source 1200 and 2400 W. The book's motor is wound in series; the balance is the same.
@pytest.mark.parametrize(
    ("amps", "emf_v", "mechanical_w", "loss_w", "source_w"), [(10, 100, 1000, 200, 1200), (20, 80, 1600, 800, 2400)]
)
def test_where_the_power_of_a_motor_goes(
    amps: float, emf_v: float, mechanical_w: float, loss_w: float, source_w: float
) -> None:
    K = 1.0
    w, i = spin(120.0, K * amps, R=2.0, K=K, L=0.01, J=0.01, step_s=1e-4, seconds=2.0)
    assert i[-1] == pytest.approx(amps, rel=1e-6)
    assert K * w[-1] == pytest.approx(emf_v, rel=1e-6)
    assert K * amps * w[-1] == pytest.approx(mechanical_w, rel=1e-6)
    assert 120.0 * i[-1] == pytest.approx(source_w, rel=1e-6)
    # What does not arrive at the shaft warms the winding: dT/dt = I² R / C, with nothing flowing off yet.
    heat = MotorHeat(MotorParameters(resistance_ohm=2.0, copper_heat_j_k=loss_w), 25.0)
    heat.tick(float(i[-1]) ** 2, 0.01)
    assert heat.winding_c - 25.0 == pytest.approx(0.01, rel=1e-6)


# MT5: engineeringtoolbox.com, rolling-friction-resistance-d_1303: 1500 kg on C = 0.03 are held back by 441 N
def test_rolling_resistance_of_a_heavy_body() -> None:
    cart = CartParameters(chassis=ChassisParameters(mass_kg=1500.0, rolling=0.03))
    plant = Plant(Scenario(cart, draw_wander(1)), seed=1)
    # So fast that the smooth start of friction, 0.03 m/s, is over.
    fast_m_s = 30.0
    plant._moving[0] = fast_m_s
    trace = array("d")
    plant._fast(trace)
    first = dict(zip(FAST, trace[: len(FAST)], strict=True))
    force_n = 2 * first["ground_w"] / (fast_m_s + first["speed_m_s"])
    assert force_n == pytest.approx(441.0, rel=2e-3)


def test_winding_warms_and_resists() -> None:
    """Copper +0.393 %/K (references section 2, from memory there); settled temperatures from the two heat flows."""
    p = MotorParameters()
    heat = MotorHeat(p, 25.0)
    for _ in range(40_000):
        heat.tick(15.0**2, 1.0)
    loss = 15.0**2 * heat.resistance_ohm
    assert heat.case_c == pytest.approx(25.0 + loss / p.case_to_air_w_k, rel=1e-3)
    assert heat.winding_c == pytest.approx(heat.case_c + loss / p.copper_to_case_w_k, rel=1e-3)
    assert heat.resistance_ohm == pytest.approx(p.resistance_ohm * (1 + 0.00393 * (heat.winding_c - 25.0)), rel=1e-9)
    assert heat.constant_nm_a < p.torque_constant_nm_a


def test_mixing() -> None:
    """MX1: T 1750, S 1600 µs mix at full weight to L 1850, R 1650 µs."""
    left, right = mix(1750.0, 1600.0, ControllerParameters())
    assert 1500.0 + 500.0 * left == pytest.approx(1850.0, abs=1e-9)
    assert 1500.0 + 500.0 * right == pytest.approx(1650.0, abs=1e-9)
    assert mix(1510.0, 1490.0, ControllerParameters()) == (0.0, 0.0)
    assert mix(2000.0, 1900.0, ControllerParameters()) == (1.0, pytest.approx(0.2))


def test_fuse_drops_what_its_sheet_says() -> None:
    """40 A high-current blade fuse: 1.4 mΩ cold, 75 mV at 40 A (maker's data sheet, second-hand)."""
    fuse = Fuse(FuseParameters(holder_ohm=0.0, growth_ohm_per_a2s=0.0))
    assert fuse.resistance_ohm == pytest.approx(0.0014, rel=1e-6)
    for _ in range(3000):
        fuse.tick(40.0**2, 0.02, 20.0)
    assert 40.0 * fuse.resistance_ohm == pytest.approx(0.075, rel=0.03)


def test_holder_contact_grows_with_what_it_carries() -> None:
    p = FuseParameters(per_k=0.0, growth_ohm_per_a2s=4e-9)
    fuse = Fuse(p)
    before = fuse.resistance_ohm
    for _ in range(5000):
        fuse.tick(10.0**2, 0.02, 20.0)
    # 100 A² × 100 s × 4e-9
    assert fuse.resistance_ohm - before == pytest.approx(4e-5, rel=1e-6)


def test_bridge_warms_to_its_thermal_resistance() -> None:
    p = ControllerParameters()
    bridge = Bridge(p)
    for _ in range(50_000):
        bridge.tick(20.0**2, 0.02)
    assert bridge.rise_k == pytest.approx(20.0**2 * bridge.resistance_ohm * p.bridge_k_w, rel=1e-3)


@pytest.mark.parametrize(("filling", "volts"), [(0.75, 12.6), (0.5, 12.3), (0.25, 12.0)])
def test_rest_voltage_lies_in_the_agm_bands(filling: float, volts: float) -> None:
    """References section 6, AGM bands of a vehicle maker's owner manual (published), read as ± 0.03 V."""
    assert open_circuit_v(filling) == pytest.approx(volts, abs=0.03)


def test_full_block_lies_in_the_agm_band() -> None:
    """12.8 to 13.2 V when full, same source."""
    assert 12.8 <= open_circuit_v(1.0) <= 13.2


def test_block_gives_its_rated_charge_and_less_when_hurried() -> None:
    """35 Ah at 1.75 A (20 h) to 10.5 V; a Peukert k between neighbouring rates as AGM types show (references section 5:
    T1 1.12 to 1.28, PK5; other AGM 1.05 to 1.15)."""
    block = BlockParameters()
    currents = (1.75, 3.25, 6.0, 22.4)
    amount = [discharge(block, current, 10.5) for current in currents]
    assert amount[0] == pytest.approx(35.0, rel=0.005)
    hours = [ah / current for ah, current in zip(amount, currents, strict=True)]
    k = [math.log(hours[j] / hours[j + 1]) / math.log(currents[j + 1] / currents[j]) for j in range(3)]
    assert k == sorted(k)  # rises with rate, as in T1
    assert 1.03 < k[0] < k[-1] < 1.30


def test_a_hurried_block_recovers() -> None:
    """Charge missing at a high rate is still there later (references section 5, from memory)."""
    block = Block(BlockParameters(), 25.0)
    while block.ocv_v > 11.0:
        block.tick(30.0 * 2.0, 0.0, 2.0)
    tired, stored = block.ocv_v, block.stored_ah
    for _ in range(3600):
        block.tick(0.0, 0.0, 2.0)
    assert block.ocv_v > tired + 0.5
    assert block.stored_ah == pytest.approx(stored, rel=1e-9)


def test_block_keeps_account_of_its_charge() -> None:
    block = Block(BlockParameters(capacity_ah=30.0, charge=0.8), 25.0)
    before = block.stored_ah
    for _ in range(1000):
        block.tick(12.0 * 0.02, 0.0, 0.02)
    assert before - block.stored_ah == pytest.approx(12.0 * 20.0 / 3600.0, rel=1e-9)


def test_resistance_temperature_and_hysteresis_have_their_sign() -> None:
    cold, warm = Block(BlockParameters(temperature_c=5.0), 5.0), Block(BlockParameters(temperature_c=35.0), 35.0)
    assert cold.discharging_ohm > warm.discharging_ohm
    assert cold.charging_ohm > cold.discharging_ohm
    block = Block(BlockParameters(charge=0.6, surface_v=0.0), 25.0)
    for _ in range(400):
        block.tick(0.02 * 60.0, 0.0, 0.02)
        block.tick(-0.02 * 60.0 / 0.97, 0.0, 0.02)
    for _ in range(2000):
        block.tick(0.02 * 40.0, 0.0, 0.02)
    discharged = block.ocv_v - open_circuit_v(block.fillings[0])
    assert discharged == pytest.approx(-0.012, abs=0.001)


def test_shaft_has_free_play_and_a_tyre_that_slips() -> None:
    assert _couple(0.01, 0.0, 0.012, 500.0, 3.0, 60.0) == (0.0, 0.01)
    assert _couple(0.02, 0.0, 0.012, 500.0, 3.0, 60.0) == (pytest.approx(4.0), 0.02)
    torque, twist = _couple(0.2, 0.0, 0.012, 500.0, 3.0, 60.0)
    assert torque == 60.0
    assert twist == pytest.approx(0.012 + 60.0 / 500.0)
    assert _couple(-0.2, 0.0, 0.012, 500.0, 3.0, 60.0)[0] == -60.0


def test_course_closes() -> None:
    course = demo_course()
    table = lay_out(course, np.random.default_rng(0))
    step = table.length_m / table.cells
    assert sum(table.curvature) * step == pytest.approx(math.tau, abs=1e-6)
    assert sum(table.grade) * step == pytest.approx(0.0, abs=1e-9)  # comes back to its own height
    assert abs(step - CELL_M) < 0.001
    assert cell(table, -0.01) == table.cells - 1
    assert np.mean(table.floor) == pytest.approx(1.0, abs=0.05)


def flat(value: float, steps: int) -> dict[str, np.ndarray]:
    return {name: np.full(steps, value) for name in SI_NAMES}


def test_filter_corner_skew_and_noise_are_those_declared() -> None:
    steps, settle, seconds = 200, 5, 40
    bank = SensorBank(3, steps)
    corner = 25.0  # a whole number of cycles per stretch and well below 500 Hz
    amplitude = 50.0
    parts = []
    for stretch in range(settle + seconds):
        t = (np.arange(steps) + stretch * steps) * 1e-3
        wave = {name: np.zeros(steps) for name in SI_NAMES}
        wave["battery_current_a"] = amplitude * np.sin(math.tau * corner * t)
        parts.append(codes_to_stored(bank.convert(wave)) * 1e-6)
    rows = np.concatenate(parts[settle:])
    current = SENSORS[0]
    assert current.si_name == "battery_current_a"
    t = np.arange(settle * steps, (settle + seconds) * steps) * 1e-3
    phasor = 2.0 * np.mean(rows[:, 0] * np.exp(-1j * math.tau * corner * t)) * 1j
    # A one-pole low pass: 1/(1 + j f/fc), here with a gain error and a fifth of a sample of converter delay.
    ideal = amplitude / (1.0 + 1j * corner / current.bandwidth_hz)
    assert abs(phasor) == pytest.approx(abs(ideal) * (1.0 + bank.gains[0]), rel=0.01)
    assert -np.angle(phasor) == pytest.approx(-np.angle(ideal), abs=math.tau * corner * 0.0008)
    quiet = combine(np.round(rows[:, [1]] * 1e6).astype(np.int64), 1)[:, 0] * 1e-6
    assert np.std(quiet) == pytest.approx(SENSORS[1].noise * math.sqrt(2.0), rel=0.05)
    # Declared for 2 ms: the mean of two conversions.
    assert np.std(quiet.reshape(-1, 2).mean(axis=1)) == pytest.approx(SENSORS[1].noise, rel=0.05)


def test_individual_boards_are_drawn_from_the_declared_errors() -> None:
    """Over many boards, offset / offset_u and gain / gain_u have the spread that 1 σ promises (χ² with 5 σ room)."""
    offsets, gains = [], []
    for seed in range(120):
        bank = SensorBank(seed, 4)
        offsets.append(bank.offsets / [sensor.offset_u for sensor in SENSORS])
        gains.append(bank.gains[:9] / [sensor.gain_u for sensor in SENSORS[:9]])
    for drawn in (np.concatenate(offsets), np.concatenate(gains)):
        assert np.std(drawn) == pytest.approx(1.0, abs=5.0 / math.sqrt(2.0 * len(drawn)))
        assert abs(np.mean(drawn)) < 5.0 / math.sqrt(len(drawn))


def test_over_range_is_noticed_and_clipped() -> None:
    bank = SensorBank(1, 4)
    truth = flat(0.0, 4)
    truth["left_current_a"] = np.full(4, 260.0)
    codes = bank.convert(truth)
    assert bank.over_range == ("left_current_a",)
    assert codes[:, 1].max() == 32_767
    bank.convert(truth)
    assert bank.over_range == ("left_current_a",)


def test_means_of_codes_round_half_up_and_counts_keep_their_last() -> None:
    codes = np.zeros((4, len(WIRE)), np.int64)
    codes[:, 0] = [1, 2, -1, -2]
    codes[:, len(SENSORS)] = [7, 8, 9, 10]
    out = combine(codes, 2)
    assert out[:, 0].tolist() == [2, -1]
    assert out[:, len(SENSORS)].tolist() == [8, 10]
    assert len(SI_NAMES) == len(SENSORS) + len(COUNTED) == len(WIRE)
    assert all(isinstance(channel, WireChannel) for channel in WIRE)


def test_other_machines_drive_their_laps() -> None:
    for seed in (1, 2):
        scenario = draw_scenario(seed, marks=seed == 1, laps=1)
        drive = simulate(seed, scenario=scenario, interval_us=10_000)
        assert len(drive.crossings_s) == 2
        assert drive.stored["mark"][-1] == (2 if seed == 1 else 0)
        assert np.abs(drive.true["speed_m_s"][-100:]).max() < 1e-3


def test_a_wandering_drive_has_no_marks_and_a_long_way() -> None:
    scenario = dataclasses.replace(draw_scenario(3), drive=draw_wander(3, 60.0))
    assert scenario.drive.course.length_m > 50.0
    drive = simulate(3, 30.0, scenario=scenario, interval_us=20_000)
    assert drive.stored["mark"].max() == 0
    assert drive.true["speed_m_s"].max() > 0.5


def test_an_empty_battery_stops_the_controller() -> None:
    base = draw_scenario(5, laps=3)
    tiny = dataclasses.replace(base.cart.block_b, capacity_ah=0.15)
    scenario = dataclasses.replace(base, cart=dataclasses.replace(base.cart, block_b=tiny))
    drive = simulate(5, 90.0, scenario=scenario, interval_us=20_000)
    assert drive.true["controller_voltage_v"].min() < scenario.cart.controller.cutoff_v
    assert abs(drive.true["left_duty"][-1]) == 0.0
    assert abs(drive.true["speed_m_s"][-1]) < 1e-3


def test_an_impossible_interval_is_refused() -> None:
    with pytest.raises(ValueError, match="7000 µs is not possible"):
        simulate(1, 1.0, interval_us=7000)
