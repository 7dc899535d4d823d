"""The fields of a machine file, each defined once: type, unit, range, example and one sentence.

Parsing, validation, the template of `machine new`, `machine show` and the table in docs/machine-file.md all derive
from the annotations of the classes below. None means that the file does not give the value; nothing is filled in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Annotated, Any, get_type_hints

from amptally.logger.channels import CHANNELS, Channel
from amptally.logger.machine.spec import CHANNEL_UNIT, Alias, Spec, boolean, choice, integer, line, number
from amptally.tables.battery_cells import CELL_V
from amptally.tables.fuse_trade_names import RECOGNISED, SPOKEN, TRADE_NAMES, TradeName
from amptally.tables.wire_gauge import CountedSize, counted_size

PLACES = ("left", "right", "main")
"""Where a fuse or a wire can be described."""

_SEALED = Alias(
    ("agm", "gel"),
    'sealed lead-acid is one of the two, and label or data sheet say which ("AGM" or "absorbed glass mat", or "GEL")',
)
_ION = Alias(("li_ion",), "3.6 or 3.7 V a cell, 4.2 V when full")
_IRON = Alias(("lfp",), "LiFePO4, lithium iron phosphate, 3.2 V a cell")
_LITHIUM = Alias(("lfp", "li_ion"), "lfp (LiFePO4) has 3.2 V a cell, li_ion 3.6 or 3.7 V; the label says which")
_LEAD = Alias(
    ("agm", "gel", "flooded"), "lead-acid that is sealed is agm or gel, with caps to fill in water it is flooded"
)
_CHEMISTRY_WORDS = {
    **dict.fromkeys(("sla", "vrla", "sealed", "sealed lead acid", "sealed lead", "maintenance free", "smf"), _SEALED),
    **dict.fromkeys(("lead", "lead acid", "pb", "pba"), _LEAD),
    **dict.fromkeys(
        ("wet", "open", "vented", "car battery", "starter battery"), Alias(("flooded",), "liquid acid, caps to refill")
    ),
    **dict.fromkeys(("absorbed glass mat", "fleece"), Alias(("agm",), "acid held in a glass mat")),
    **dict.fromkeys(("lifepo4", "lifepo", "life", "lithium iron phosphate", "lithium iron"), _IRON),
    **dict.fromkeys(("lithium", "li", "lithium pack"), _LITHIUM),
    **dict.fromkeys(("lipo", "li po", "liion", "lithium ion", "nmc", "nca", "18650", "21700", "lithium polymer"), _ION),
    **dict.fromkeys(("nickel metal hydride", "ni mh"), Alias(("nimh",), "1.2 V a cell")),
}
_SUPPLY_LEG = Alias(("supply_leg",), "between battery and controller")
_MOTOR_LEAD = Alias(("motor_lead",), "between controller and motor")
_POSITION_WORDS = {
    **dict.fromkeys(("battery side", "supply", "battery", "before controller", "input", "battery lead"), _SUPPLY_LEG),
    **dict.fromkeys(("motor side", "motor", "after controller", "output", "motor leg"), _MOTOR_LEAD),
}
_WHOLE_BEC = Alias(
    ("whole",), "a BEC, the regulator that feeds a receiver, hangs on what feeds its controller, most often the whole "
    "battery; where the controller runs from one block only, write that block"
)  # fmt: skip


def _family_alias(name: TradeName) -> Alias:
    if not name.families:
        return Alias(
            (),
            f"{name.spoken}: no table held here is of this body. Leave family out: the rating is still compared with "
            "the wire, the margin, the breaking capacity and other ratings stay open",
        )
    if len(name.families) > 1:
        return Alias(
            name.families,
            "; ".join(f"{family} is a {SPOKEN[family]}: {RECOGNISED[family]}" for family in name.families),
        )
    return Alias(name.families, f"that is {name.spoken}")


_FAMILY_WORDS = {word: _family_alias(name) for word, name in TRADE_NAMES.items()}


@dataclass(frozen=True, slots=True)
class Chassis:
    """[machine]: the vehicle itself."""

    name: Annotated[str | None, line("my machine", "Shown at the top of every report.")] = None
    wheel_diameter_m: Annotated[
        float | None, number("m", 0.01, 2, 0.254, "Diameter of the driven wheel, under load.", usual=(0.04, 1))
    ] = None
    track_m: Annotated[
        float | None,
        number("m", 0.02, 5, 0.5, "Distance between the two driven wheels, centre to centre.", usual=(0.05, 2.5)),
    ] = None
    mass_kg: Annotated[
        float | None, number("kg", 0.05, 5000, 60, "Whole machine, battery included, without payload.")
    ] = None
    gear_ratio: Annotated[
        float | None, number("", 0.05, 5000, 18, "Motor turns per wheel turn; 1 for a hub motor without a gear.")
    ] = None
    wheel_counts_per_rev: Annotated[
        float | None, number("", 0.01, 1e6, 20, "Counts of the wheel pickup per turn of the wheel.")
    ] = None
    standby_a: Annotated[
        float | None,
        number("A", 0, 50, 0.3, "Battery current with everything switched on and the machine still.", usual=(0.01, 5)),
    ] = None


@dataclass(frozen=True, slots=True)
class Battery:
    """[battery]: one block, as on its data sheet, and how the blocks are connected."""

    id: Annotated[str | None, line("pack-1", "Name of your choice: runs with the same id share one charge ledger.")] = (
        None
    )
    chemistry: Annotated[
        str | None,
        choice(
            "agm",
            "gel",
            "flooded",
            "lfp",
            "li_ion",
            "nimh",
            text="Kind of cell, as on its label; sealed lead-acid is agm or gel.",
            spoken={"lfp": "LiFePO4", "flooded": "lead-acid with caps"},
            aliases=_CHEMISTRY_WORDS,
        ),
    ] = None
    blocks: Annotated[
        int | None,
        integer(1, 64, 2, "Number of equal blocks in the battery; a lithium pack with one BMS is one block."),
    ] = None
    arrangement: Annotated[
        str | None,
        choice(
            "series",
            "parallel",
            "single",
            text="How the blocks are connected; single for one block.",
            aliases={
                "serial": Alias(("series",), "plus to minus, the voltages add"),
                "one": Alias(("single",), "one block"),
                "none": Alias(("single",), "one block"),
            },
        ),
    ] = None
    cells: Annotated[
        int | None,
        integer(1, 400, 6, "Cells in series inside one block: 6 in a 12 V lead block, 8 in a 24 V LiFePO4 pack (8S)."),
    ] = None
    block_voltage_v: Annotated[
        float | None,
        number("V", 0.5, 500, 12, "Nominal voltage of one block; without it, cells times that of one cell."),
    ] = None
    capacity_ah: Annotated[
        float | None,
        number("Ah", 0.01, 5000, 35, "Capacity of one block when discharged over capacity_hours.", usual=(0.2, 400)),
    ] = None
    capacity_hours: Annotated[
        float | None, number("h", 0.05, 200, 20, "Duration of the discharge that gives capacity_ah.")
    ] = None
    second_capacity_ah: Annotated[
        float | None,
        number(
            "Ah", 0.01, 5000, 21, "Capacity of one block at a second, faster rate on its data sheet.", usual=(0.2, 400)
        ),
    ] = None
    second_hours: Annotated[
        float | None, number("h", 0.05, 200, 1, "Duration of the discharge that gives second_capacity_ah.")
    ] = None
    measured_capacity_ah: Annotated[
        float | None,
        number(
            "Ah", 0.01, 5000, 31.5, "Charge from one block in a full discharge that you measured.", usual=(0.2, 400)
        ),
    ] = None
    measured_hours: Annotated[
        float | None, number("h", 0.05, 200, 4.5, "Duration of the discharge that gave measured_capacity_ah.")
    ] = None
    measured_c: Annotated[
        float | None, number("°C", -40, 80, 18, "Air around the battery in that discharge.", usual=(-25, 45))
    ] = None
    measured_block: Annotated[str | None, choice("block_a", "block_b", text="Which block that discharge was of.")] = (
        None
    )
    cutoff_v: Annotated[
        float | None, number("V", 0.1, 500, 10.5, "End-of-discharge voltage of one block on its data sheet.")
    ] = None
    resistance_ohm: Annotated[
        float | None,
        number("Ω", 1e-5, 10, 0.009, "Internal resistance of one block, charged, at about 25 °C.", usual=(0.0002, 0.5)),
    ] = None
    depth_of_discharge: Annotated[
        float | None, number("", 0.01, 1, 0.8, "Fraction of the charge that you plan to use, 0 to 1.")
    ] = None
    ambient_c: Annotated[
        float | None, number("°C", -40, 80, 20, "Air temperature around the battery in use.", usual=(-25, 45))
    ] = None

    def with_voltage_of_cells(self) -> Battery:
        """The same with block_voltage_v from cells and chemistry, where the file does not give it."""
        if self.block_voltage_v is not None or self.cells is None or self.chemistry is None:
            return self
        return replace(self, block_voltage_v=round(self.cells * CELL_V[self.chemistry], 6))

    @property
    def in_series(self) -> int | None:
        """Number of blocks in series; None where the file does not give it or contradicts itself."""
        return self._joined("series")

    @property
    def in_parallel(self) -> int | None:
        """Number of blocks in parallel; None where the file does not give it or contradicts itself."""
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
        """Voltage of the whole battery with every block at cutoff_v [V]."""
        if self.cutoff_v is None or self.in_series is None:
            return None
        return self.cutoff_v * self.in_series


@dataclass(frozen=True, slots=True)
class Bms:
    """[bms]: limits at which a battery management board disconnects by itself."""

    cutoff_a: Annotated[float | None, number("A", 0.1, 5000, 60, "Current at which it opens.")] = None
    cutoff_v: Annotated[float | None, number("V", 0.5, 1000, 20, "Voltage of the whole battery at which it opens.")] = (
        None
    )


@dataclass(frozen=True, slots=True)
class Motor:
    """[motor]: one of the two equal drive motors."""

    rated_a: Annotated[float | None, number("A", 0.01, 2000, 12, "Continuous current.")] = None
    stall_a: Annotated[float | None, number("A", 0.05, 10_000, 90, "Stall current at rated_voltage_v.")] = None
    stall_s: Annotated[
        float | None, number("s", 0.01, 600, 2, "Longest stall in which no fuse is to open; then the driver lets go.")
    ] = None
    peak_a: Annotated[
        float | None, number("A", 0.05, 10_000, 60, "Current above rated_a that its sheet allows for peak_s.")
    ] = None
    peak_s: Annotated[float | None, number("s", 0.1, 86_400, 60, "How long it carries peak_a, from cold.")] = None
    no_load_a: Annotated[float | None, number("A", 0.001, 500, 1.2, "Current without load.")] = None
    resistance_ohm: Annotated[
        float | None,
        number("Ω", 1e-4, 100, 0.26, "Resistance between its two leads, at standstill and cold.", usual=(0.005, 10)),
    ] = None
    rated_voltage_v: Annotated[
        float | None, number("V", 0.5, 500, 24, "Voltage of the figures on its rating plate.")
    ] = None
    rpm: Annotated[float | None, number("rpm", 1, 100_000, 2700, "No-load motor speed at rated_voltage_v.")] = None

    @property
    def standing_ohm(self) -> float | None:
        """Resistance at standstill, I = V / R [Ω]: from stall_a at rated_voltage_v, else resistance_ohm."""
        if self.stall_a is not None and self.rated_voltage_v is not None:
            return self.rated_voltage_v / self.stall_a
        return self.resistance_ohm


@dataclass(frozen=True, slots=True)
class Fuse:
    """[fuse.left], [fuse.right], [fuse.main]: the fuse in each place that has one."""

    family: Annotated[
        str | None,
        choice(
            "blade_large",
            "blade_medium",
            "blade_mini",
            "strip_sf30",
            "strip_sf51",
            text="Body: blade type E, C or F of ISO 8820-3, or bolt-down strip of ISO 8820-5.",
            spoken=SPOKEN,
            aliases=_FAMILY_WORDS,
        ),
    ] = None
    rating_a: Annotated[float | None, number("A", 0.5, 1000, 40, "Rating printed on the fuse.")] = None
    ambient_c: Annotated[
        float | None, number("°C", -40, 150, 25, "Air temperature at the fuse in use.", usual=(-30, 65))
    ] = None
    position: Annotated[
        str | None,
        choice(
            "supply_leg",
            "motor_lead",
            "unknown",
            text="Between battery and controller, or between it and the motor.",
            aliases=_POSITION_WORDS,
        ),
    ] = None
    holder_a: Annotated[float | None, number("A", 0.5, 1000, 60, "Maximum fuse rating of its holder.")] = None
    capacitors: Annotated[
        str | None,
        choice(
            "load_side",
            "battery_side",
            "unknown",
            text="Position of the controller's input capacitors relative to the fuse.",
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Wire:
    """[wire.left], [wire.right], [wire.main]: the wire of each lead; give awg or mm2."""

    awg: Annotated[
        int | None, integer(0, 30, 10, "Size printed on the jacket; 0 for 1/0. For thicker wire give mm2.")
    ] = None
    mm2: Annotated[float | None, number("mm²", 0.05, 120, 6, "Copper cross-section, where there is no AWG size.")] = (
        None
    )
    length_m: Annotated[
        float | None,
        number("m", 0.01, 100, 1.2, "Length of both conductors together, there and back.", usual=(0.05, 12)),
    ] = None
    insulation_c: Annotated[
        float | None,
        number(
            "°C",
            50,
            260,
            105,
            "Temperature rating printed on the jacket.",
            usual=(60, 135),
            also=(150, 155, 180, 200, 250, 260),
        ),
    ] = None
    connector_a: Annotated[
        float | None, number("A", 0.1, 5000, 50, "Lowest continuous rating of the connectors in this lead.")
    ] = None

    @property
    def size(self) -> CountedSize | None:
        """The size used: the smaller one where both are given; None where neither gauge nor area is given."""
        return counted_size(self.awg, self.mm2)


@dataclass(frozen=True, slots=True)
class Receiver:
    """[receiver]: the radio receiver and its supply."""

    minimum_v: Annotated[float | None, number("V", 0.5, 60, 4.0, "Minimum supply voltage on its data sheet.")] = None
    fed_from: Annotated[
        str | None,
        choice(
            "block_a",
            "block_b",
            "whole",
            text="What supplies it, with or without a BEC (regulator); block_a is the lower one in series.",
            aliases=dict.fromkeys(("bec", "ubec", "sbec", "esc", "controller", "regulator"), _WHOLE_BEC),
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Cutoff:
    """[cutoff]: the main switch, link or relay that disconnects the battery."""

    pole: Annotated[str | None, choice("positive", "negative", text="Lead that it opens.")] = None
    rating_a: Annotated[float | None, number("A", 0.5, 5000, 100, "Current it is rated to carry.")] = None


@dataclass(frozen=True, slots=True)
class Controller:
    """[controller]: the motor controller, one for both channels."""

    minimum_v: Annotated[float | None, number("V", 0.5, 500, 18, "Minimum supply voltage on its data sheet.")] = None
    maximum_v: Annotated[float | None, number("V", 0.5, 1000, 34, "Maximum supply voltage on its data sheet.")] = None
    continuous_a: Annotated[float | None, number("A", 0.05, 2000, 30, "Continuous current of one channel.")] = None
    peak_a: Annotated[float | None, number("A", 0.05, 5000, 100, "Maximum current of one channel.")] = None
    peak_s: Annotated[float | None, number("s", 0.1, 86_400, 30, "How long it carries peak_a, from cold.")] = None
    cutoff_v: Annotated[
        float | None, number("V", 0.5, 500, 19, "Supply voltage at its terminals below which it stops driving.")
    ] = None
    mixing: Annotated[
        str | None,
        choice("controller", "transmitter", text="Where throttle and steering are mixed into left and right."),
    ] = None
    switching_hz: Annotated[float | None, number("Hz", 50, 1e6, 16_000, "Switching frequency of its bridge.")] = None
    sensed: Annotated[
        str | None,
        choice(
            "supply_leg",
            "motor_lead",
            "unknown",
            text="Position of the left and right current sensors.",
            aliases=_POSITION_WORDS,
        ),
    ] = None
    command_sets: Annotated[
        str | None,
        choice(
            "voltage", "current", "unknown", text="What a command sets: a fraction of the supply voltage, or a current."
        ),
    ] = None
    dead_band_us: Annotated[
        float | None,
        number(
            "µs",
            0,
            250,
            40,
            "Pulse width on either side of the centre that commands nothing.",
            usual=(2, 250),
            also=(0,),
        ),
    ] = None
    ramp_s: Annotated[
        float | None, number("s", 0, 30, 0.4, "Time from zero to full output after a step of the stick.")
    ] = None


@dataclass(frozen=True, slots=True)
class Charger:
    """[charger]: the battery charger."""

    voltage_v: Annotated[
        float | None, number("V", 0.5, 1000, 29.4, "Maximum voltage, at the end of bulk charging.")
    ] = None
    current_a: Annotated[float | None, number("A", 0.01, 500, 5, "Maximum current.")] = None
    port: Annotated[
        str | None, choice("whole", "block_a", "block_b", text="What it is connected to while it charges.")
    ] = None
    seen_by_sensor: Annotated[
        bool | None, boolean(True, "Whether its current flows through the battery current sensor.")
    ] = None


@dataclass(frozen=True, slots=True)
class Sensor:
    """[sensors.<channel>]: corrections and 1 σ errors; corrected value = (raw − offset) / (1 + gain)."""

    offset: Annotated[
        float | None, number(CHANNEL_UNIT, -1e6, 1e6, 0.04, "Reading when the true value is zero; subtracted.")
    ] = None
    gain: Annotated[
        float | None,
        number(
            "", -0.5, 1, 0.008, "Relative error by which the reading is too high: 0.008 for 0.8 %.", usual=(-0.2, 0.2)
        ),
    ] = None
    offset_u: Annotated[
        float | None, number(CHANNEL_UNIT, 0, 1e6, 0.02, "Standard uncertainty of the offset after correction.")
    ] = None
    gain_u: Annotated[
        float | None,
        number("", 0, 1, 0.003, "Standard uncertainty of the gain after correction, relative.", usual=(0, 0.15)),
    ] = None
    delay_u: Annotated[float | None, number("s", 0, 10, 0.0002, "Standard uncertainty of delay_s.")] = None
    noise: Annotated[
        float | None, number(CHANNEL_UNIT, 0, 1e6, 0.03, "Standard deviation of single samples at a steady input.")
    ] = None
    resolution: Annotated[float | None, number(CHANNEL_UNIT, 0, 1e6, 0.01, "One step of the converter.")] = None
    full_scale: Annotated[
        float | None, number(CHANNEL_UNIT, 1e-6, 1e6, 100, "Full scale: maximum magnitude that the sensor can report.")
    ] = None
    bandwidth_hz: Annotated[
        float | None, number("Hz", 1e-3, 1e7, 1600, "Corner frequency of the filter before the converter.")
    ] = None
    delay_s: Annotated[float | None, number("s", 0, 10, 0.001, "Delay of the reading; subtracted from its time.")] = (
        None
    )
    averages: Annotated[
        bool | None, boolean(True, "Whether each sample is the mean over the interval before it, not a single reading.")
    ] = None
    calibrated: Annotated[
        str | None, line("2026-02-10, bench shunt", "When and against which standard the sensor was calibrated.")
    ] = None


@dataclass(frozen=True, slots=True)
class Lap:
    """[lap]: what one lap is."""

    length_m: Annotated[
        float | None, number("m", 0.1, 1e5, 84, "Length of the lap along the path driven.", usual=(2, 5000))
    ] = None
    duration_s: Annotated[
        float | None,
        number("s", 1, 86400, 45, "About how long a lap takes, where the sides of a loop may look like laps."),
    ] = None
    marked_by: Annotated[
        str | None,
        choice(
            "marker", "distance", "signal", "none", text="How laps are separated: button, wheel counts, or the signals."
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the file, or a family of sections that share their fields."""

    name: str
    """First part of the section name."""
    places: tuple[str, ...]
    """Second parts, such as left and right; empty for a section without them."""
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
    """Unit of a field; fields of a sensor take the SI unit of its channel."""
    if spec.unit != CHANNEL_UNIT:
        return spec.unit
    return SENSORS[place].si_unit if place in SENSORS else ""
