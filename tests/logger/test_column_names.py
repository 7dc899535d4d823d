"""What names of columns say. The names are trade practice of sketches and loggers; common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.channels import BY_SI_NAME, CHANNELS
from amptally.logger.column_names import known_channel, nearest_channel, time_unit
from amptally.logger.unit_words import split_unit


@pytest.mark.parametrize(
    ("name", "stored", "steps"),
    [
        ("battery_current_ua", "battery_current_ua", 1.0),
        ("battery_current_a", "battery_current_ua", 1e6),
        ("battery_current_ma", "battery_current_ua", 1e3),
        ("Battery Current [mA]", "battery_current_ua", 1e3),
        ("battery current (µA)", "battery_current_ua", 1.0),
        ("Battery-Voltage/mV", "battery_voltage_uv", 1e3),
        ("pulse_a_ms", "pulse_a_us", 1e3),
        ("Pulse A [us]", "pulse_a_us", 1.0),
        ("ambient temp (°C)", "ambient_temp_cc", 100.0),
        ("ambient_temp_cc", "ambient_temp_cc", 1.0),
        ("MARK", "mark", 1.0),
    ],
)
def test_a_channel_in_any_unit(name: str, stored: str, steps: float) -> None:
    found = known_channel(name)
    assert found is not None
    assert found[0].name == stored
    assert found[1] == pytest.approx(steps)


@pytest.mark.parametrize(
    "name", ["battery_current", "battery_current_mv", "battery_voltage_ms", "Vbat", "V", "", "mark_ma", "x" * 1000]
)
def test_no_name_is_taken_for_a_channel_that_does_not_say_all_of_it(name: str) -> None:
    assert known_channel(name) is None


@given(channel=st.sampled_from(CHANNELS))
def test_every_channel_is_known_by_both_its_names(channel: object) -> None:
    for name in (channel.name, channel.si_name):  # type: ignore[attr-defined]
        found = known_channel(name.upper())
        assert found is not None
        assert found[0] is channel


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("time_ms", "ms"),
        ("Time(ms)", "ms"),
        ("t [s]", "s"),
        ("timestamp_us", "us"),
        ("millis()", "ms"),
        ("micros", "us"),
        ("ms", "ms"),
        ("time", ""),
        ("t", ""),
        ("temp_c", None),
        ("time_mv", None),
        ("Vbat", None),
        ("steps", None),
    ],
)
def test_times(name: str, unit: str | None) -> None:
    assert time_unit(name) == unit


@pytest.mark.parametrize(
    ("name", "offered"),
    [
        ("Vbat", "battery_voltage_v"),
        ("VBAT", "battery_voltage_v"),
        ("volts", "battery_voltage_v"),
        ("V", "battery_voltage_v"),
        ("I_L", "left_current_a"),
        ("IL", "left_current_a"),
        ("current_right", "right_current_a"),
        ("IR", "right_current_a"),
        ("Ibatt(mA)", "battery_current_a"),
        ("amps", "battery_current_a"),
        ("I2", "right_current_a"),
        ("pwm1", "pulse_a_us"),
        ("servo2", "pulse_b_us"),
        ("V_rx", "receiver_voltage_v"),
        ("battery_curent_a", "battery_current_a"),
        ("lap", "mark"),
        ("fan_speed", None),
        ("state", None),
        ("checksum", None),
        ("", None),
    ],
)
def test_what_is_offered_for_a_name_of_the_board(name: str, offered: str | None) -> None:
    assert nearest_channel(name) == offered


@given(st.text(max_size=80))
def test_any_name_is_answered(name: str) -> None:
    offered = nearest_channel(name)
    assert offered is None or offered in BY_SI_NAME
    assert split_unit(name)[0] in name.strip() or not name.strip()
    time_unit(name)
    known_channel(name)
