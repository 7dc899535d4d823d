"""Numbers and moments as people read them, and what the sticks said."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.controller.command import mixed, read_commands
from amptally.analysis.driving.manoeuvre import commanded
from amptally.analysis.driving.stall import assess_stalls
from amptally.analysis.results.estimate import Estimate, estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.formatting import bare, full, moment, number, short
from amptally.analysis.wording.results import phrase
from tests.analysis.build_runs import CART, Floats, write_run


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0.0 s"),
        (-0.0004, "0.0 s"),
        (-0.4, "−0.4 s"),
        (12.34, "12.3 s"),
        (59.94, "59.9 s"),
        (59.97, "1:00"),
        (192.0, "3:12"),
        (3599.7, "1 h 00 min"),
        (7500.0, "2 h 05 min"),
    ],
)
def test_moments(seconds: float, text: str) -> None:
    assert moment(seconds) == text


@pytest.mark.parametrize(
    ("result", "text"),
    [
        (estimate(55.2994, "Ah", {"gain": 0.0078}), "55.30 Ah (55.28 to 55.31)"),
        (estimate(0.00558, "ohm", {"model": 0.000112}), "5.58 mΩ (5.36 to 5.80)"),
        (estimate(1254.158, "Wh", {}), "1254 Wh"),
        (estimate(-0.2, "A", {"offset": 0.05}), "−0.200 A (−0.298 to −0.102)"),
        (estimate(0.0, "A", {"offset": 0.05}), "0.000 A (−0.098 to 0.098)"),
        (estimate(0.0, "Wh", {}), "0.0 Wh"),
        (estimate(0.75, "", {"chart": 0.02}), "0.750 (0.711 to 0.789)"),
        (estimate(42.0, "A", {"gain": 0.4}).bounded("at_least"), "42.00 A or more (95 %: 41.22 or more)"),
        (estimate(42.0, "A", {}).bounded("at_least"), "42.00 A or more"),
        (estimate(19.94, "V", {"offset": 0.02}).bounded("at_most"), "19.94 V or less (95 %: 19.98 or less)"),
        (
            refuse("V", Reason("not_measured", channel="battery_voltage_v")),
            "not given: no battery voltage was measured",
        ),
    ],
)
def test_a_value_is_shown_with_unit_and_interval(result: Estimate, text: str) -> None:
    assert full(result) == text


def test_short_forms() -> None:
    result = estimate(42.0, "A", {"gain": 0.4})
    assert short(result) == "42.00 A"
    assert short(result.bounded("at_least")) == "≥ 42.00 A"
    assert short(result.bounded("at_most")) == "≤ 42.00 A"
    assert bare(result.bounded("at_least")) == "42.00 A"
    assert short(refuse("A", Reason("no_current"))) == "–"


def test_never_minus_zero() -> None:
    assert number(-0.0001, 2) == "0.00"
    assert number(-1.5, 1) == "−1.5"


@given(
    st.floats(-1e6, 1e6),
    st.floats(0, 1e6),
    st.sampled_from(["A", "V", "W", "Ah", "Wh", "s", "m", "ohm", ""]),
    st.sampled_from(["estimate", "at_least", "at_most"]),
)
def test_every_number_carries_its_unit_and_nothing_is_hidden(value: float, u: float, unit: str, bound: Any) -> None:
    result = estimate(value, unit, {"gain": u}).bounded(bound)
    for text in (full(result), short(result)):
        assert not re.search(r"nan|inf|None|e[+-]\d", text)
        assert text == text.strip()
        if unit:
            assert {"ohm": "mΩ"}.get(unit, unit) in text.split()
    assert {"at_least": "or more", "at_most": "or less"}.get(bound, "") in full(result)


def stick(pulse_us: float) -> Floats:
    return np.array([(pulse_us - 1500) / 500])


# MX1, ../shared/references.md section 3: T 1750, S 1600 → L 1850, R 1650 µs by full weights
def test_MX1_full_weight_mix_and_back() -> None:
    (left,), (right,) = mixed(stick(1750), stick(1600))
    assert (1500 + 500 * left, 1500 + 500 * right) == pytest.approx((1850, 1650))
    t, s = (left + right) / 2, (left - right) / 2
    assert (1500 + 500 * t, 1500 + 500 * s) == pytest.approx((1750, 1600))


def test_mix_is_clipped() -> None:
    assert mixed(stick(2000), stick(2000)) == (1.0, 0.0)
    assert mixed(stick(1000), stick(2000)) == (0.0, -1.0)


@given(st.floats(500, 2500), st.floats(500, 2500))
def test_mix_stays_in_range_and_turns_with_the_steering(throttle_us: float, steering_us: float) -> None:
    left, right = mixed(stick(throttle_us), stick(steering_us))
    assert -1 <= left <= 1
    assert -1 <= right <= 1
    assert (left - right) * (steering_us - 1500) >= 0


T_S = np.arange(0, 20, 0.02)


def said(folder: Path, channels: dict[str, Any], machine: str | None = CART, at: float = 8.0, t_s: Floats = T_S) -> Any:
    name = f"run{len(list(folder.iterdir()))}.parquet"
    return words_of(Run.open(write_run(folder / name, t_s, channels, machine=machine)), at, 2.0)


def words_of(run: Run, at_s: float, width_s: float) -> str | None:
    _, stalls = assess_stalls(run, read_commands(run))
    manoeuvre = commanded(run, at_s, width_s, stalls)
    return None if manoeuvre is None else phrase(manoeuvre)


@pytest.mark.parametrize(
    ("throttle", "steering", "words"),
    [
        (1500, 1500, "with the sticks at rest"),
        (1800, 1500, "while driving straight ahead"),
        (1200, 1500, "while reversing"),
        (1800, 1650, "while turning right"),
        (1800, 1350, "while turning left"),
        (1500, 1700, "while turning on the spot to the right"),
        (1500, 1300, "while turning on the spot to the left"),
        (0, 0, "without command pulses"),
    ],
)
def test_what_the_sticks_said(tmp_path: Path, throttle: float, steering: float, words: str) -> None:
    assert said(tmp_path, {"pulse_a_us": throttle, "pulse_b_us": steering}) == words


def test_transmitter_mixing_sends_the_sides(tmp_path: Path) -> None:
    machine = CART.replace('mixing = "controller"', 'mixing = "transmitter"')
    assert said(tmp_path, {"pulse_a_us": 1900, "pulse_b_us": 1600}, machine) == "while turning right"
    assert said(tmp_path, {"pulse_a_us": 1800, "pulse_b_us": 1800}, machine) == "while driving straight ahead"


def test_words_and_duty_go_by_the_same_dead_band(tmp_path: Path) -> None:
    # A controller of 60 µs takes 1550 µs for the centre: 50 µs is more than the usual 40, and no command here.
    wide = CART.replace("[controller]\n", "[controller]\ndead_band_us = 60\n")
    pulses = {"pulse_a_us": 1550, "pulse_b_us": 1500}
    assert said(tmp_path, pulses) == "while driving straight ahead"
    assert said(tmp_path, pulses, wide) == "with the sticks at rest"
    # One of 20 µs drives at 1530 µs already.
    narrow = CART.replace("[controller]\n", "[controller]\ndead_band_us = 20\n")
    pulses = {"pulse_a_us": 1530, "pulse_b_us": 1500}
    assert said(tmp_path, pulses) == "with the sticks at rest"
    assert said(tmp_path, pulses, narrow) == "while driving straight ahead"
    # And a steering stick inside it does not turn.
    pulses = {"pulse_a_us": 1620, "pulse_b_us": 1550}
    assert said(tmp_path, pulses) == "while turning right"
    assert said(tmp_path, pulses, wide) == "while driving straight ahead"


def test_without_pulses_or_mixing_nothing_is_said(tmp_path: Path) -> None:
    pulses = {"pulse_a_us": 1800, "pulse_b_us": 1500}
    assert said(tmp_path, {"pulse_a_us": 1800}) is None
    assert said(tmp_path, pulses, None) is None
    assert said(tmp_path, pulses, CART.replace('mixing = "controller"\n', "")) is None


def test_a_wheel_that_stands_still_under_command_is_named(tmp_path: Path) -> None:
    turning = np.floor(T_S * 30)
    stuck = np.floor(np.where(T_S < 7, T_S, np.where(T_S < 11, 7.0, T_S - 4)) * 30)
    pulses = {"pulse_a_us": 1800, "pulse_b_us": 1500}
    one = {**pulses, "left_wheel_count": turning, "right_wheel_count": stuck}
    assert said(tmp_path, one) == "while the right wheel stood still under command"
    both = {**pulses, "left_wheel_count": stuck, "right_wheel_count": stuck}
    assert said(tmp_path, both) == "while the left and right wheels stood still under command"
    assert said(tmp_path, one, at=2.0) == "while driving straight ahead"


def test_a_coarse_pickup_does_not_stand_still_between_two_counts(tmp_path: Path) -> None:
    # One count a second: a window of 0.1 s holds none, though the wheel turns.
    channels = {
        "pulse_a_us": 1800,
        "pulse_b_us": 1500,
        "left_wheel_count": np.floor(T_S),
        "right_wheel_count": np.floor(T_S),
    }
    run = Run.open(write_run(tmp_path / "r.parquet", T_S, channels, machine=CART))
    assert {words_of(run, at, 0.1) for at in np.arange(5, 15, 0.23)} == {"while driving straight ahead"}
