"""The channel table. Run-file schema, wire descriptor, labels, import map and documents derive from it.

Run files store integers in `unit`; analysis works in SI floats named `si_name`. Signs: docs/nomenclature.md.
"""

from __future__ import annotations

from dataclasses import dataclass

TIME_COLUMN = "t_us"
INT32_NULL = -(2**31)  # on the wire: this channel was not measured in this sample
INT16_NULL = -(2**15)
TIME_UNITS_US = {"s": 1_000_000, "ms": 1_000, "us": 1}
"""Microseconds in each unit that a time column may have, in text mode and at import; the first is the default."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity."""

    name: str
    """Run-file column; the storage unit is its last part."""
    si_name: str
    """Name in analysis and on the command line."""
    unit: str
    """Storage unit, as shown to people."""
    si_unit: str
    """Unit of the SI value; empty for counts."""
    si_per_step: float
    """SI units per storage step."""
    valid: tuple[int, int]
    """Valid range of stored values; a value outside it is stored as null and counted."""
    wire_id: int
    """Number in the wire format's describe frame; never reused."""
    label: str
    """Axis label and table heading."""
    text: str
    """What is measured, where."""
    counts: bool = False
    """A running count: only its steps mean anything, not its level."""


_CURRENT = ("µA", "A", 1e-6, (-2_000_000_000, 2_000_000_000))
_VOLTAGE = ("µV", "V", 1e-6, (-100_000_000, 2_000_000_000))
_PULSE = ("µs", "µs", 1.0, (0, 10_000))
_COUNT = ("", "", 1.0, (-(2**31) + 1, 2**31 - 1))
_TEMPERATURE = ("0.01 °C", "°C", 0.01, (-10_000, 40_000))


COLUMN_UNITS: dict[str, dict[str, int]] = {
    "µA": {"A": 1_000_000, "mA": 1_000, "uA": 1},
    "µV": {"V": 1_000_000, "mV": 1_000, "uV": 1},
    "µs": {"us": 1, "ms": 1_000},
    "0.01 °C": {"C": 100},
    "": {},
}
"""Storage unit → storage steps in each unit that an imported column may have; the first is the default."""


def _si(name: str) -> str:
    for stored, si in (("_ua", "_a"), ("_uv", "_v"), ("_cc", "_c")):
        if name.endswith(stored):
            return name.removesuffix(stored) + si
    return name


def _make(
    wire_id: int,
    name: str,
    quantity: tuple[str, str, float, tuple[int, int]],
    label: str,
    text: str,
) -> Channel:
    unit, si_unit, si_per_step, valid = quantity
    return Channel(name, _si(name), unit, si_unit, si_per_step, valid, wire_id, label, text, quantity is _COUNT)


def _interval_statistics() -> list[Channel]:
    words = {"rms": "root mean square", "min": "minimum", "max": "maximum"}
    return [
        _make(
            20 + 3 * place + offset,
            f"{lead}_current_{statistic}_ua",
            _CURRENT,
            f"{lead.capitalize()} current, {words[statistic]}",
            f"{words[statistic]} of the {lead} current within the sample interval, from faster sampling on the board",
        )
        for place, lead in enumerate(("battery", "left", "right"))
        for offset, statistic in enumerate(words)
    ]


CHANNELS: tuple[Channel, ...] = (
    _make(1, "battery_current_ua", _CURRENT, "Battery current",
          "battery main lead, mean over the sample interval; discharge positive"),
    _make(2, "battery_voltage_uv", _VOLTAGE, "Battery voltage", "across the whole battery, upstream of the cutoff"),
    _make(3, "midpoint_voltage_uv", _VOLTAGE, "Lower block voltage", "across the lower block, two in series"),
    _make(4, "block_b_current_ua", _CURRENT, "Block B current", "second block's own lead, two in parallel"),
    _make(5, "controller_voltage_uv", _VOLTAGE, "Controller voltage", "after the cutoff, at the controller"),
    _make(6, "left_fused_voltage_uv", _VOLTAGE, "Left fused voltage", "load side of the left channel's fuse"),
    _make(7, "right_fused_voltage_uv", _VOLTAGE, "Right fused voltage", "load side of the right channel's fuse"),
    _make(8, "left_current_ua", _CURRENT, "Left current",
          "left motor channel, where the machine file says: in a supply leg positive to the load, even in reverse; "
          "in a motor lead the sign is direction"),
    _make(9, "right_current_ua", _CURRENT, "Right current", "right motor channel, same convention as the left"),
    _make(10, "receiver_voltage_uv", _VOLTAGE, "Receiver voltage", "receiver supply rail"),
    _make(11, "pulse_a_us", _PULSE, "Pulse A", "last complete command pulse on input A; 0 = none within 100 ms"),
    _make(12, "pulse_b_us", _PULSE, "Pulse B", "last complete command pulse on input B; 0 = none within 100 ms"),
    _make(13, "pulse_a_count", _COUNT, "Pulse A count", "pulses seen on input A, running count"),
    _make(14, "pulse_b_count", _COUNT, "Pulse B count", "pulses seen on input B, running count"),
    _make(15, "left_wheel_count", _COUNT, "Left wheel count", "left wheel pickup, running count, no direction"),
    _make(16, "right_wheel_count", _COUNT, "Right wheel count", "right wheel pickup, running count, no direction"),
    *_interval_statistics(),
    _make(30, "ambient_temp_cc", _TEMPERATURE, "Ambient temperature", "air around the machine"),
    _make(31, "fuse_temp_cc", _TEMPERATURE, "Fuse temperature", "air at the fuses"),
    _make(32, "controller_temp_cc", _TEMPERATURE, "Controller temperature", "motor controller case"),
    _make(33, "motor_temp_cc", _TEMPERATURE, "Motor temperature", "hotter motor case"),
    _make(40, "mark", _COUNT, "Marker count", "operator's marker button, running count"),
)  # fmt: skip

BY_NAME: dict[str, Channel] = {channel.name: channel for channel in CHANNELS}
BY_SI_NAME: dict[str, Channel] = {channel.si_name: channel for channel in CHANNELS}
BY_WIRE_ID: dict[int, Channel] = {channel.wire_id: channel for channel in CHANNELS}
