"""Without a sensor in its own lead the battery's current is left + right + standby."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.battery.rest import run_rest
from amptally.analysis.controller.command import Commands, read_commands
from amptally.analysis.controller.released import centre_us
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.report.first_page import as_text, first_page
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.results import phrase
from tests.analysis.build_runs import Floats, in_stretches, sides, value_of
from tests.analysis.left_right_cart import CART_12V, LITHIUM_24V, Drive, drive, write


def report_of(path: Path, made: Drive, machine: str | None = CART_12V) -> Report:
    return build_report(Run.open(write(path, made, machine)), fraction=1.0)


def charge_ah(time_s: Floats, amps: Floats) -> float:
    return float(np.trapezoid(amps, time_s)) / 3600


def test_figures_of_the_battery_follow_from_both_sides(tmp_path: Path) -> None:
    made = drive()
    report = report_of(tmp_path, made)
    true_ah = charge_ah(made.time_s, made.battery_a)
    true_wh = charge_ah(made.time_s, made.battery_a * (made.open_v - made.ohm * made.battery_a))
    assert report.energy.current_from == "left_plus_right"
    assert report.as_json()["energy"]["current_from"] == "left_plus_right"
    for estimate, truth in ((report.energy.net_ah, true_ah), (report.energy.net_wh, true_wh)):
        low, value, high = sides(estimate)
        assert low < truth < high
        # Gains of 1.5 % and offsets of 0.05 A are declared: ±3 % and a little.
        assert high - low < 0.12 * value
    low, value, high = sides(report.sag.resistance.by_scale[1.0])
    assert low < made.ohm < high
    assert value == pytest.approx(made.ohm, rel=0.05)
    assert report.charge.state_of_charge.value is not None
    assert value_of(report.fuses["main"].margin) > 1
    assert report.currents["battery"].peak_a.value == pytest.approx(made.battery_a.max(), rel=0.05)


def test_the_doubt_holds_the_terms_of_both_sensors(tmp_path: Path) -> None:
    run = Run.open(write(tmp_path, drive(seconds=20), CART_12V))
    error = run.sensor("battery_current_a")
    # JCGM 100:2008 5.1.2 for independent offsets and noise; 5.2.2 note 1 for gains that may be fully correlated
    assert error.offset_u == pytest.approx(0.05)
    assert error.noise == pytest.approx(0.05 * 2**0.5)
    assert error.gain_u == 0.015


def test_what_else_the_battery_feeds_bounds_from_one_side(tmp_path: Path) -> None:
    made = drive()
    report = report_of(tmp_path, made, CART_12V.replace("standby_a = 0.45", ""))
    net = report.energy.net_ah
    assert net.bound == "at_least"
    assert net.low is not None
    assert net.low < charge_ah(made.time_s, made.battery_a)
    assert report.currents["battery"].peak_a.bound == "at_least"
    assert report.fuses["main"].margin.bound == "at_most"
    assert report.charge.state_of_charge.bound == "at_most"
    # What stays as it is does not matter to a drop per ampere.
    low, _, high = sides(report.sag.resistance.by_scale[1.0])
    assert low < made.ohm < high
    told = [finding for finding in report.findings if finding.code == "battery_left_plus_right"]
    assert [finding.severity for finding in told] == ["caution"]


@pytest.mark.parametrize("sensed", ["motor_lead", "unknown"])
def test_motor_leads_do_not_add_up_to_the_battery(tmp_path: Path, sensed: str) -> None:
    report = report_of(tmp_path, drive(seconds=60), CART_12V.replace('sensed = "supply_leg"', f'sensed = "{sensed}"'))
    assert report.energy.current_from is None
    assert report.energy.net_ah.is_refused


def test_a_sensor_in_the_lead_is_used_where_it_has_samples(tmp_path: Path) -> None:
    made = drive(seconds=60)
    channels = {**made.channels, "battery_current_a": made.battery_a + 3.0}
    sensed = Run.open(write(tmp_path, replace(made, channels=channels), CART_12V))
    assert sensed.battery_current_from == "measured"
    empty = {**made.channels, "battery_current_a": np.full(len(made.time_s), np.nan)}
    (tmp_path / "empty").mkdir()
    unsensed = Run.open(write(tmp_path / "empty", replace(made, channels=empty), CART_12V))
    assert unsensed.battery_current_from == "left_plus_right"
    assert build_report(unsensed).energy.net_ah.value is not None


def test_a_long_run_gives_the_same(tmp_path: Path) -> None:
    path = write(tmp_path, drive(hz=100.0), CART_12V)
    whole = build_report(Run.open(path), fraction=1.0)
    with in_stretches():
        parts = build_report(Run.open(path), fraction=1.0)
    for pick in (
        lambda report: report.energy.net_ah,
        lambda report: report.energy.net_wh,
        lambda report: report.currents["battery"].peak_a,
        lambda report: report.fuses["main"].margin,
    ):
        assert value_of(pick(parts)) == pytest.approx(value_of(pick(whole)), rel=1e-6)


def test_sides_sampled_in_turn_add_up(tmp_path: Path) -> None:
    made = drive()
    left, right = made.channels["left_current_a"].copy(), made.channels["right_current_a"].copy()
    left[1::2] = np.nan
    right[::2] = np.nan
    turns = {**made.channels, "left_current_a": left, "right_current_a": right}
    report = report_of(tmp_path, replace(made, channels=turns))
    assert value_of(report.energy.net_ah) == pytest.approx(charge_ah(made.time_s, made.battery_a), rel=0.02)


def test_a_doubt_about_one_side_is_one_about_the_sum(tmp_path: Path) -> None:
    made = drive()
    left = made.channels["left_current_a"].copy()
    left[made.time_s > 150] = np.nan
    part = {**made.channels, "left_current_a": left}
    report = report_of(tmp_path, replace(made, channels=part))
    assert report.energy.net_ah.bound == "at_least"


def test_a_lithium_machine(tmp_path: Path) -> None:
    made = drive(standby_a=0.7, open_v=26.4, ohm=0.03, top_a=20.0, centre_us=(1500.0, 1500.0))
    report = report_of(tmp_path, made, LITHIUM_24V)
    low, _, high = sides(report.energy.net_ah)
    assert low < charge_ah(made.time_s, made.battery_a) < high
    low, _, high = sides(report.sag.resistance.by_scale[1.0])
    assert low < 0.03 < high


def test_a_standing_machine_rests_at_what_it_draws(tmp_path: Path) -> None:
    made = drive(standby_a=0.45, idle_a=0.3)  # 1.05 A with everything on and still
    report = report_of(tmp_path, made)
    rest = report.sag.rest
    assert rest.refused is None
    assert rest.end_s == pytest.approx(8.0, abs=0.1)
    assert rest.standing_a == pytest.approx(1.05, abs=0.05)
    low, value, high = sides(report.sag.rest_voltage_v)
    # Ohm's law: 1.05 A through 8 mΩ take 8.4 mV from the open-circuit voltage.
    assert value == pytest.approx(made.open_v, abs=0.003)
    assert low < made.open_v < high


def test_without_a_resistance_the_rest_voltage_is_a_lower_limit(tmp_path: Path) -> None:
    made = drive(seconds=20, stand_s=18, idle_a=0.1)
    bare = CART_12V.replace("resistance_ohm = 0.016", "")
    report = report_of(tmp_path, made, bare)
    assert all(ohm.is_refused for ohm in report.sag.resistance.by_scale.values())
    assert report.sag.rest_voltage_v.bound == "at_least"


def test_no_rest_while_a_command_is_away_from_its_centre(tmp_path: Path) -> None:
    made = drive()
    stick = made.channels["pulse_a_us"].copy()
    stick[made.time_s < 5] = 1640.0  # held, and nothing flows: the controller was off
    run = Run.open(write(tmp_path, replace(made, channels={**made.channels, "pulse_a_us": stick}), CART_12V))
    refused = run_rest(run).refused
    assert refused is not None
    assert refused.code == "commanded_too_soon"


def test_the_centre_is_learnt(tmp_path: Path) -> None:
    run = Run.open(write(tmp_path, drive(centre_us=(1523.0, 1488.0)), CART_12V))
    assert (centre_us(run, "pulse_a_us"), centre_us(run, "pulse_b_us")) == (1523.0, 1488.0)
    commands = read_commands(run)
    assert isinstance(commands, Commands)
    standing = commands.time_s < 8
    assert np.abs(commands.left[standing]).max() == 0
    # Part of a run, too, though the stick is never released in it.
    part = run.part(9.0, 10.0)
    assert centre_us(part, "pulse_a_us") == 1523.0


def test_a_stick_held_without_current_is_no_centre(tmp_path: Path) -> None:
    made = drive()
    dead = made.time_s > 100
    channels = {name: np.where(dead, 0.0, each) if "current" in name else each for name, each in made.channels.items()}
    channels["pulse_a_us"] = np.where(dead, 1590.0, channels["pulse_a_us"])
    run = Run.open(write(tmp_path, replace(made, channels=channels), CART_12V))
    assert centre_us(run, "pulse_a_us") == 1523.0


def test_a_steady_load_without_pulses_is_no_rest(tmp_path: Path) -> None:
    made = drive(idle_a=2.0)
    unasked = {name: each for name, each in made.channels.items() if not name.startswith("pulse")}
    run = Run.open(write(tmp_path, replace(made, channels=unasked), CART_12V))
    assert run_rest(run).refused is not None


@pytest.mark.parametrize(("share", "named"), [(0.28, "b"), (0.5, None), (0.45, None), (0.66, "a")])
def test_parallel_blocks_that_share_unevenly_are_told(tmp_path: Path, share: float, named: str | None) -> None:
    made = drive()
    channels = {**made.channels, "block_b_current_a": share * made.battery_a}
    report = report_of(tmp_path, replace(made, channels=channels))
    assert report.sag.weak_block == named
    found = [finding for finding in report.findings if finding.code == "blocks_uneven"]
    assert len(found) == (named is not None)
    if named is None:
        return
    assert found[0]["share"] == pytest.approx(share, abs=0.02)
    # The forecast ends with the block that works harder, as the finding says.
    assert report.charge.remaining.ends_by == found[0]["harder"]
    page = " ".join(text.strip() for text, _ in as_text(first_page(report)))
    assert f"block B carried {100 * share:.0f} %" in page


@pytest.mark.parametrize("motor", ["resistance_ohm = 0.2\n", "stall_a = 60\n", "stall_a = 60\nrated_voltage_v = 12\n"])
def test_a_wheel_held_shows_in_pulses_and_current(tmp_path: Path, motor: str) -> None:
    made = drive(top_a=12.0)
    held = (made.time_s >= 102) & (made.time_s < 105)
    stick = (made.channels["pulse_a_us"] - 1523) / 500
    # A motor of 0.2 Ω stands: duty² · V / R in its supply leg.
    stands_a = np.where(held, stick**2 * 12.4 / 0.2, made.channels["left_current_a"])
    more = np.where(held, stands_a - made.channels["left_current_a"], 0.0)
    channels = {
        **made.channels,
        "left_current_a": stands_a,
        "battery_voltage_v": made.channels["battery_voltage_v"] - made.ohm * more,
        "pulse_b_us": np.where(held, 1488.0, made.channels["pulse_b_us"]),
    }
    asked = bool((stick[held] > 0.3).all())
    assert asked, "the spell drawn at 102 s is a drive"
    sheet = CART_12V.replace("stall_a = 60\nresistance_ohm = 0.2\nrated_voltage_v = 12\n", motor)
    report = report_of(tmp_path, replace(made, channels=channels), sheet)
    (stall,) = report.drive.stalls
    assert (stall.side, stall.start_s, stall.end_s) == (
        "left",
        pytest.approx(102, abs=0.1),
        pytest.approx(105, abs=0.1),
    )
    page = " ".join(text.strip() for text, _ in as_text(first_page(report)))
    assert "The left wheel stood still under command." in page
    # One answer: the fuse's worst moment is the stall, and is not called a drive.
    assert "while the left wheel stood still under command" in page


def test_a_drive_up_a_ramp_is_no_stall(tmp_path: Path) -> None:
    report = report_of(tmp_path, drive(top_a=30.0))
    assert report.drive.stalls == ()


def test_a_machine_that_stood_is_not_told_to_stand(tmp_path: Path) -> None:
    made = drive()
    blinking = np.where((made.time_s < 8) & (made.time_s % 1.0 < 0.5), 3.0, 0.0)
    channels = {**made.channels, "left_current_a": made.channels["left_current_a"] + blinking}
    refused = run_rest(Run.open(write(tmp_path, replace(made, channels=channels), CART_12V))).refused
    assert refused is not None
    assert refused.code == "standing_unsteady"
    assert "the machine stood, but drew" in phrase(refused)


@pytest.mark.parametrize(
    ("dip_v", "said"),
    [
        (4.1, "0.40 V below the 4.5 V it needs; control may have dropped out. Test"),
        (4.48, "0.02 V below the 4.5 V it needs, within the sensor's error; control may have dropped out. Test"),
        (4.6, "0.10 V above the 4.5 V it needs. Test"),
        (4.99, "0.49 V above the 4.5 V it needs."),
    ],
)
def test_the_receiver_has_one_line_with_its_margin(tmp_path: Path, dip_v: float, said: str) -> None:
    made = drive()
    dip = (made.time_s > 100) & (made.time_s < 100.2)
    channels = {**made.channels, "receiver_voltage_v": np.where(dip, dip_v, 5.0)}
    sensor = "[sensors.receiver_voltage]\noffset_u = 0.02\ngain_u = 0.005\n"
    report = report_of(tmp_path, replace(made, channels=channels), f"{CART_12V}[receiver]\nminimum_v = 4.5\n{sensor}")
    page = " ".join(text.strip() for text, _ in as_text(first_page(report)))
    assert said in page
    assert page.lower().count("receiver supply") == 1
