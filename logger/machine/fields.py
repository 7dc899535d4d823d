"""The fields of a machine file, each said once: type, unit, range, example and one sentence.

Parsing, validation, the template of `machine new`, `machine show` and the table in docs/machine-file.md all derive
from the annotations of the classes below. None means that the file does not say it; nothing is filled in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Annotated, Any, get_type_hints

from amptally.logger.channels import CHANNELS, Channel
from amptally.logger.machine.spec import CHANNEL_UNIT, Spec, boolean, choice, integer, line, number
from amptally.tables.wire_gauge import CountedSize, counted_size

PLACES = ("left", "right", "main")
"""Where a fuse or a wire can be described."""


@dataclass(frozen=True, slots=True)
class Chassis:
    """[machine]: the vehicle itself."""

    name: Annotated[str | None, line("my machine", "Shown at the head of every report.")] = None
    wheel_diameter_m: Annotated[float | None, number("m", 0.01, 2, 0.254, "Driven wheel, under load.")] = None
    track_m: Annotated[
        float | None, number("m", 0.02, 5, 0.5, "Distance between the two driven wheels, centre to centre.")
    ] = None
    mass_kg: Annotated[
        float | None, number("kg", 0.05, 5000, 60, "Whole machine, battery included, without payload.")
    ] = None
    gear_ratio: Annotated[
        float | None, number("", 0.05, 5000, 18, "Motor turns per wheel turn; 1 for a hub motor without a gear.")
    ] = None
    wheel_counts_per_rev: Annotated[
        float | None, number("", 0.01, 1e6, 20, "Counts of the wheel pickup in one turn of the wheel.")
    ] = None


@dataclass(frozen=True, slots=True)
class Battery:
    """[battery]: what its sheet says of one block, and how the blocks are joined."""

    id: Annotated[str | None, line("pack-1", "Yours to choose: runs with the same id share one ledger of charge.")] = (
        None
    )
    chemistry: Annotated[
        str | None,
        choice("agm", "gel", "flooded", "lfp", "li_ion", "nimh", text="Kind of cell, as on its label."),
    ] = None
    blocks: Annotated[int | None, integer(1, 64, 2, "Number of equal blocks that make the battery.")] = None
    arrangement: Annotated[
        str | None, choice("series", "parallel", "single", text="How the blocks are joined; single for one block.")
    ] = None
    block_voltage_v: Annotated[float | None, number("V", 0.5, 500, 12, "Nominal voltage of one block.")] = None
    capacity_ah: Annotated[
        float | None, number("Ah", 0.01, 5000, 35, "Capacity of one block at the rate of capacity_hours.")
    ] = None
    capacity_hours: Annotated[
        float | None, number("h", 0.05, 200, 20, "Hours of the discharge that gives capacity_ah.")
    ] = None
    second_capacity_ah: Annotated[
        float | None, number("Ah", 0.01, 5000, 21, "Capacity of one block at a second, faster rate of its sheet.")
    ] = None
    second_hours: Annotated[
        float | None, number("h", 0.05, 200, 1, "Hours of the discharge that gives second_capacity_ah.")
    ] = None
    measured_capacity_ah: Annotated[
        float | None, number("Ah", 0.01, 5000, 31.5, "Charge one block gave in a full discharge that you measured.")
    ] = None
    measured_hours: Annotated[
        float | None, number("h", 0.05, 200, 4.5, "Hours of the discharge that gave measured_capacity_ah.")
    ] = None
    cutoff_v: Annotated[
        float | None, number("V", 0.1, 500, 10.5, "Voltage of one block at which its sheet ends a discharge.")
    ] = None
    resistance_ohm: Annotated[
        float | None, number("Ω", 1e-5, 10, 0.009, "Internal resistance of one block, charged, at about 25 °C.")
    ] = None
    depth_of_discharge: Annotated[
        float | None, number("", 0.01, 1, 0.8, "Share of the charge that you mean to use, 0 to 1.")
    ] = None
    ambient_c: Annotated[float | None, number("°C", -40, 80, 20, "Air around the battery in use.")] = None

    @property
    def in_series(self) -> int | None:
        """Blocks one behind the other; None where the file leaves it open or contradicts itself."""
        return self._joined("series")

    @property
    def in_parallel(self) -> int | None:
        """Blocks side by side; None where the file leaves it open or contradicts itself."""
        return self._joined("parallel")

    def _joined(self, arrangement: str) -> int | None:
        if self.arrangement == "single" or (self.arrangement is None and self.blocks == 1):
            return 1 if self.blocks in (None, 1) else None
        if self.arrangement is None or self.blocks is None:
            return None
        return self.blocks if self.arrangement == arrangement else 1

    @property
    def nominal_voltage_v(self) -> float | None:
        """Nominal voltage of the whole battery [V]: blocks in series add."""
        if self.block_voltage_v is None or self.in_series is None:
            return None
        return self.block_voltage_v * self.in_series

    @property
    def whole_capacity_ah(self) -> float | None:
        """Capacity of the whole battery at the rate of capacity_hours [Ah]: blocks in parallel add."""
        if self.capacity_ah is None or self.in_parallel is None:
            return None
        return self.capacity_ah * self.in_parallel

    @property
    def rated_current_a(self) -> float | None:
        """Current of the whole battery at its rated rate [A]: capacity / capacity_hours."""
        if self.whole_capacity_ah is None or self.capacity_hours is None:
            return None
        return self.whole_capacity_ah / self.capacity_hours

    @property
    def whole_resistance_ohm(self) -> float | None:
        """Internal resistance of the whole battery [Ω]: equal blocks add in series and divide in parallel."""
        if self.resistance_ohm is None or self.in_series is None or self.in_parallel is None:
            return None
        return self.resistance_ohm * self.in_series / self.in_parallel

    @property
    def whole_cutoff_v(self) -> float | None:
        """Voltage of the whole battery when equal blocks stand at cutoff_v [V]."""
        if self.cutoff_v is None or self.in_series is None:
            return None
        return self.cutoff_v * self.in_series


@dataclass(frozen=True, slots=True)
class Bms:
    """[bms]: where a battery management board disconnects by itself."""

    cutoff_a: Annotated[float | None, number("A", 0.1, 5000, 60, "Current at which it opens.")] = None
    cutoff_v: Annotated[float | None, number("V", 0.5, 1000, 20, "Voltage of the whole at which it opens.")] = None


@dataclass(frozen=True, slots=True)
class Motor:
    """[motor]: one of the two equal drive motors."""

    rated_a: Annotated[float | None, number("A", 0.01, 2000, 12, "Current it carries for good.")] = None
    stall_a: Annotated[
        float | None, number("A", 0.05, 10_000, 90, "Current with the shaft held, at rated_voltage_v.")
    ] = None
    stall_s: Annotated[
        float | None, number("s", 0.01, 600, 2, "Longest stall that no fuse is to open in; then the driver lets go.")
    ] = None
    peak_a: Annotated[
        float | None, number("A", 0.05, 10_000, 60, "Current above rated_a that its sheet allows for peak_s.")
    ] = None
    peak_s: Annotated[float | None, number("s", 0.1, 86_400, 60, "How long it carries peak_a, from cold.")] = None
    no_load_a: Annotated[float | None, number("A", 0.001, 500, 1.2, "Current when it turns freely.")] = None
    resistance_ohm: Annotated[
        float | None, number("Ω", 1e-4, 100, 0.26, "Between its two leads, at standstill and cold.")
    ] = None
    rated_voltage_v: Annotated[float | None, number("V", 0.5, 500, 24, "Voltage its plate is written for.")] = None
    rpm: Annotated[float | None, number("rpm", 1, 100_000, 2700, "Motor speed at rated_voltage_v, turning freely.")] = (
        None
    )

    @property
    def standing_ohm(self) -> float | None:
        """What a shaft held still leaves of it, I = V / R: from stall_a at its voltage, else resistance_ohm."""
        if self.stall_a is not None and self.rated_voltage_v is not None:
            return self.rated_voltage_v / self.stall_a
        return self.resistance_ohm


@dataclass(frozen=True, slots=True)
class Fuse:
    """[fuse.left], [fuse.right], [fuse.main]: one fuse in each place that has one."""

    family: Annotated[
        str | None,
        choice(
            "blade_large",
            "blade_medium",
            "blade_mini",
            "strip_sf30",
            "strip_sf51",
            text="Body: blade type E, C or F of ISO 8820-3, or bolt-down strip of ISO 8820-5.",
        ),
    ] = None
    rating_a: Annotated[float | None, number("A", 0.5, 1000, 40, "Rating printed on the fuse.")] = None
    ambient_c: Annotated[float | None, number("°C", -40, 150, 25, "Air at the fuse in use.")] = None
    position: Annotated[
        str | None,
        choice(
            "supply_leg", "motor_lead", "unknown", text="Between battery and controller, or between it and the motor."
        ),
    ] = None
    holder_a: Annotated[
        float | None, number("A", 0.5, 1000, 60, "Greatest fuse rating that its holder is made for.")
    ] = None
    capacitors: Annotated[
        str | None,
        choice(
            "load_side",
            "battery_side",
            "unknown",
            text="Where the controller's input capacitors sit, seen from the fuse.",
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Wire:
    """[wire.left], [wire.right], [wire.main]: the conductor of each lead; awg or mm2."""

    awg: Annotated[int | None, integer(0, 30, 10, "Size printed on the jacket; 0 for 1/0. Thicker than that: mm2.")] = (
        None
    )
    mm2: Annotated[float | None, number("mm²", 0.05, 120, 6, "Copper cross-section, where there is no AWG.")] = None
    length_m: Annotated[
        float | None, number("m", 0.01, 100, 1.2, "Length of copper there and back: both conductors together.")
    ] = None
    insulation_c: Annotated[float | None, number("°C", 50, 260, 105, "Temperature rating printed on the jacket.")] = (
        None
    )
    connector_a: Annotated[
        float | None, number("A", 0.1, 5000, 50, "Lowest continuous rating of the connectors in this lead.")
    ] = None

    @property
    def size(self) -> CountedSize | None:
        """The size that counts, the smaller where both are given; None when neither gauge nor area is given."""
        return counted_size(self.awg, self.mm2)


@dataclass(frozen=True, slots=True)
class Receiver:
    """[receiver]: the radio receiver and what feeds it."""

    minimum_v: Annotated[float | None, number("V", 0.5, 60, 4.0, "Supply below which its sheet promises nothing.")] = (
        None
    )
    fed_from: Annotated[
        str | None, choice("block_a", "block_b", "whole", text="Block that feeds it; block_a is the lower in series.")
    ] = None


@dataclass(frozen=True, slots=True)
class Cutoff:
    """[cutoff]: the main switch, link or relay that takes the battery away."""

    pole: Annotated[str | None, choice("positive", "negative", text="Lead that it opens.")] = None
    rating_a: Annotated[float | None, number("A", 0.5, 5000, 100, "Current it is rated to carry.")] = None


@dataclass(frozen=True, slots=True)
class Controller:
    """[controller]: the motor controller, one for both channels."""

    minimum_v: Annotated[float | None, number("V", 0.5, 500, 18, "Least supply voltage of its sheet.")] = None
    maximum_v: Annotated[float | None, number("V", 0.5, 1000, 34, "Greatest supply voltage of its sheet.")] = None
    continuous_a: Annotated[float | None, number("A", 0.05, 2000, 30, "Current that one channel carries for good.")] = (
        None
    )
    peak_a: Annotated[float | None, number("A", 0.05, 5000, 100, "Greatest current of one channel.")] = None
    peak_s: Annotated[float | None, number("s", 0.1, 86_400, 30, "How long it carries peak_a, from cold.")] = None
    cutoff_v: Annotated[
        float | None, number("V", 0.5, 500, 19, "Voltage at its terminals at which it stops driving.")
    ] = None
    mixing: Annotated[
        str | None, choice("controller", "transmitter", text="Where throttle and steering become left and right.")
    ] = None
    switching_hz: Annotated[
        float | None, number("Hz", 50, 1e6, 16_000, "Frequency at which its bridge switches the motors' current.")
    ] = None
    sensed: Annotated[
        str | None,
        choice("supply_leg", "motor_lead", "unknown", text="Where the left and right current sensors sit."),
    ] = None
    command_sets: Annotated[
        str | None,
        choice("voltage", "current", "unknown", text="What a command asks of it: a share of its supply, or a current."),
    ] = None
    dead_band_us: Annotated[
        float | None, number("µs", 0, 250, 40, "Pulse width to either side of the centre that commands nothing.")
    ] = None
    ramp_s: Annotated[
        float | None, number("s", 0, 30, 0.4, "Time it takes from nothing to full when a stick is thrown.")
    ] = None


@dataclass(frozen=True, slots=True)
class Charger:
    """[charger]: what fills the battery."""

    voltage_v: Annotated[
        float | None, number("V", 0.5, 1000, 29.4, "Greatest voltage it gives, at the end of bulk charging.")
    ] = None
    current_a: Annotated[float | None, number("A", 0.01, 500, 5, "Greatest current it gives.")] = None
    port: Annotated[
        str | None, choice("whole", "block_a", "block_b", text="What it is joined to while it charges.")
    ] = None
    seen_by_sensor: Annotated[
        bool | None, boolean(True, "Whether its current passes through the battery current sensor.")
    ] = None


@dataclass(frozen=True, slots=True)
class Sensor:
    """[sensors.<channel>]: corrections and 1 σ errors; corrected value = (raw − offset) / (1 + gain)."""

    offset: Annotated[
        float | None, number(CHANNEL_UNIT, -1e6, 1e6, 0.04, "Reading when the true value is zero; subtracted.")
    ] = None
    gain: Annotated[
        float | None, number("", -0.5, 1, 0.008, "Part by which the reading is too large: 0.008 for 0.8 %.")
    ] = None
    offset_u: Annotated[
        float | None, number(CHANNEL_UNIT, 0, 1e6, 0.02, "Standard uncertainty of the offset that is left.")
    ] = None
    gain_u: Annotated[
        float | None, number("", 0, 1, 0.003, "Standard uncertainty of the gain that is left, as a part.")
    ] = None
    delay_u: Annotated[float | None, number("s", 0, 10, 0.0002, "Standard uncertainty of delay_s.")] = None
    noise: Annotated[
        float | None, number(CHANNEL_UNIT, 0, 1e6, 0.03, "Standard deviation of single samples of a steady value.")
    ] = None
    resolution: Annotated[float | None, number(CHANNEL_UNIT, 0, 1e6, 0.01, "One step of the converter.")] = None
    full_scale: Annotated[
        float | None, number(CHANNEL_UNIT, 1e-6, 1e6, 100, "Greatest magnitude the sensor can report.")
    ] = None
    bandwidth_hz: Annotated[
        float | None, number("Hz", 1e-3, 1e7, 1600, "Corner of the filter before the converter.")
    ] = None
    delay_s: Annotated[float | None, number("s", 0, 10, 0.001, "How late the reading is; taken off its time.")] = None
    calibrated: Annotated[
        str | None, line("2026-02-10, bench shunt", "When and against what the errors above were found.")
    ] = None


@dataclass(frozen=True, slots=True)
class Lap:
    """[lap]: what one lap is."""

    length_m: Annotated[float | None, number("m", 0.1, 1e5, 84, "Length of the loop along the path driven.")] = None
    marked_by: Annotated[
        str | None,
        choice(
            "marker", "distance", "signal", "none", text="What tells laps apart: button, wheel counts, the signals."
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the file, or a family of sections that share their fields."""

    name: str
    """First part of the section's name."""
    places: tuple[str, ...]
    """Second parts, such as left and right; empty where the section stands alone."""
    holder: type[Any]
    """The class that holds its values."""
    specs: Mapping[str, Spec]
    """The fields by name, in the order of the class."""

    @property
    def text(self) -> str:
        """One line about the section, without its name."""
        return (self.holder.__doc__ or "").partition(": ")[2]


def _section(name: str, holder: type[Any], places: tuple[str, ...] = ()) -> Section:
    hints = get_type_hints(holder, include_extras=True)
    return Section(name, places, holder, {item.name: hints[item.name].__metadata__[0] for item in fields(holder)})


def _sensor_name(channel: Channel) -> str:
    unit = {"A": "_a", "V": "_v", "°C": "_c", "µs": "_us"}.get(channel.si_unit, "")
    return channel.si_name.removesuffix(unit)


SENSORS: dict[str, Channel] = {_sensor_name(channel): channel for channel in CHANNELS}
"""Channel of each [sensors.*] section: the SI name without its unit."""

SECTIONS: dict[str, Section] = {
    section.name: section
    for section in (
        _section("machine", Chassis),
        _section("battery", Battery),
        _section("bms", Bms),
        _section("motor", Motor),
        _section("fuse", Fuse, PLACES),
        _section("wire", Wire, PLACES),
        _section("receiver", Receiver),
        _section("cutoff", Cutoff),
        _section("controller", Controller),
        _section("charger", Charger),
        _section("lap", Lap),
        _section("sensors", Sensor, tuple(SENSORS)),
    )
}


def unit_of(spec: Spec, place: str) -> str:
    """Unit of a field; a sensor's own fields take the SI unit of its channel."""
    if spec.unit != CHANNEL_UNIT:
        return spec.unit
    return SENSORS[place].si_unit if place in SENSORS else ""
