"""The machine description: TOML text → frozen values, each None where the file does not give it.

The text is stored unchanged, so that its comments stay with the run. The fields are in `fields.py` and
docs/machine-file.md. `check.py` finds what a valid file may still get wrong.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from amptally.logger.errors import MachineFileError
from amptally.logger.machine.fields import (
    SECTIONS,
    SENSORS,
    Battery,
    Bms,
    Charger,
    Chassis,
    Controller,
    Cutoff,
    Fuse,
    Lap,
    Motor,
    Receiver,
    Section,
    Sensor,
    Wire,
    unit_of,
)
from amptally.logger.machine.lines import Lines, syntax_trouble
from amptally.logger.machine.spec import Spec, nearest, printable, shown
from amptally.logger.ordinary_files import open_file
from amptally.tables.wire_resistance import resistance_ohm

MAX_BYTES = 256 * 1024
"""Largest machine file read, as UTF-8."""
MAX_LINE = 1000
"""Longest line read, in characters: `tomllib` takes quadratic time on one long dotted name."""

LEAST_RATIO = 0.61
"""Minimum plausible measured / nominal voltage: 12 V lead-acid on charge, 14.6 V, does not pass for a 24 V battery."""
GREATEST_RATIO = 1.4
"""Maximum plausible measured / nominal voltage: a 24 V battery sagging to 17 V does not pass for a 12 V one."""


@dataclass(frozen=True, slots=True)
class Machine(Chassis):
    """One machine as its file describes it; an empty section counts as absent."""

    battery: Battery | None = None
    """The battery, per block and as connected."""
    bms: Bms | None = None
    """Limits of a battery management board."""
    motor: Motor | None = None
    """One of the two drive motors."""
    fuses: Mapping[str, Fuse] = field(default_factory=dict, hash=False)
    """By place: left, right, main; only those that the file gives."""
    wires: Mapping[str, Wire] = field(default_factory=dict, hash=False)
    """By place: left, right, main; only those that the file gives."""
    receiver: Receiver | None = None
    """The radio receiver and its supply."""
    cutoff: Cutoff | None = None
    """The main switch."""
    controller: Controller | None = None
    """The motor controller."""
    charger: Charger | None = None
    """The charger."""
    lap: Lap | None = None
    """What one lap is."""
    sensors: Mapping[str, Sensor] = field(default_factory=dict, hash=False)
    """By channel without its unit: battery_current, left_current, …; only those that the file gives."""
    text: str = ""
    """The file as it was written, without a byte-order mark."""

    @property
    def metres_per_count(self) -> float | None:
        """Distance that a wheel rolls from one count of its pickup to the next [m], without slip."""
        if not self.wheel_diameter_m or not self.wheel_counts_per_rev:
            return None
        return math.pi * self.wheel_diameter_m / self.wheel_counts_per_rev

    @property
    def is_blank(self) -> bool:
        """Whether the file gives nothing but, perhaps, a name: the template as it was written."""
        return all(path == ("machine", "name") for path, _, _ in self.given())

    def given(self) -> Iterator[tuple[tuple[str, ...], Spec, Any]]:
        """(path, spec, value) of every field that is known, in the order of the field table."""
        for section in SECTIONS.values():
            holders: list[tuple[tuple[str, ...], Any]]
            if section.places:
                by_place = getattr(self, _ATTRIBUTES[section.name])
                holders = [((section.name, place), by_place[place]) for place in section.places if place in by_place]
            else:
                holders = [((section.name,), self if section.name == "machine" else getattr(self, section.name))]
            for path, holder in holders:
                for name, spec in section.specs.items():
                    value = getattr(holder, name, None)
                    if value is not None:
                        yield (*path, name), spec, value

    def protecting_fuse(self, place: str) -> tuple[str, Fuse] | None:
        """(place, fuse) that protects the wire at `place`: its own, else the main one; None without either."""
        named = place if place in self.fuses else "main"
        return (named, self.fuses[named]) if named in self.fuses else None

    def wire_air_c(self, place: str) -> float | None:
        """Air temperature at the wire at `place` [°C], taken from its own fuse; None where it is not given."""
        fuse = self.fuses.get(place)
        return None if fuse is None else fuse.ambient_c

    @property
    def source(self) -> tuple[float, float] | None:
        """Nominal voltage [V] and internal resistance [Ω] of the whole battery by its sheet; None unless both are."""
        battery = self.battery
        if battery is None or battery.nominal_voltage_v is None or battery.whole_resistance_ohm is None:
            return None
        return battery.nominal_voltage_v, battery.whole_resistance_ohm

    def ohm_before_fuse(self, place: str) -> float:
        """Copper between the battery and the fuse at `place`, there and back, cold [Ω]; 0 as far as it is not known.

        The main fuse sits at the battery; the main wire lies before those of the channels.
        """
        wire = None if place == "main" else self.wires.get("main")
        if wire is None or wire.size is None or wire.length_m is None:
            return 0.0
        return resistance_ohm(wire.size.area_mm2, wire.length_m)


_ATTRIBUTES = {"fuse": "fuses", "wire": "wires", "sensors": "sensors"}


def load(path: Path | str) -> Machine:
    """Read a machine file. Raises MachineFileError, one line, for anything that is wrong with it."""
    path = Path(path)
    data = _bytes(path)
    if len(data) > MAX_BYTES:
        raise _too_large(path.name)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = data.count(b"\n", 0, error.start) + 1
        raise MachineFileError(
            f"{_source(path.name)} line {place}: not UTF-8 text. Save the file as plain text in UTF-8."
        ) from error
    return parse(text, path.name)


def parse(text: str, source: str) -> Machine:
    """Read a machine description from text.

    `source` is the name of the text in messages: a file name, or "run metadata". Raises MachineFileError, one line: the
    first problem and the number of further ones.
    """
    source = _source(source)
    text = text.removeprefix("\ufeff")
    document = _document(text, source)
    reader = _Reader(Lines(text))
    values = {name: reader.section(name, value) for name, value in document.items()}
    if reader.problems:
        place, first = min(reader.problems, key=lambda problem: problem[0])
        more = len(reader.problems) - 1
        rest = f" {more} more {'problem' if more == 1 else 'problems'} in this file." if more else ""
        raise MachineFileError(f"{source} line {place}: {first}{rest}")
    given = {_ATTRIBUTES.get(name, name): value for name, value in values.items() if value is not None}
    if "battery" in given:
        given["battery"] = given["battery"].with_voltage_of_cells()
    return Machine(**given.pop("machine", {}), **given, text=text)


@dataclass(frozen=True, slots=True)
class ArrangementMismatch:
    """A battery voltage that cannot come from the machine described; `str` gives one line of text."""

    nominal_v: float
    """Nominal voltage of the whole battery by the description."""
    median_v: float
    """Measured median."""
    blocks: int
    block_voltage_v: float | None
    arrangement: str | None
    other_fits: str | None
    """Arrangement of the same blocks that would fit the measurement; None where neither does."""

    def __str__(self) -> str:
        joined = f"{self.blocks} × {self.block_voltage_v:g} V in {self.arrangement}" if self.blocks > 1 else "one block"
        usual = "Check battery.arrangement (series or parallel), battery.blocks and battery.block_voltage_v"
        check = f"{usual}, and that this file belongs to this machine."
        if self.other_fits is not None:
            check = f"{usual}: the same blocks in {self.other_fits} would fit. Or the sensor spans only part of it."
        return (
            f"the machine file's battery is nominally {self.nominal_v:g} V ({joined}), but the run's median battery "
            f"voltage is {self.median_v:.4g} V, {self.median_v / self.nominal_v:.2f} times that. {check}"
        )


def arrangement_mismatch(machine: Machine, median_voltage_v: float) -> ArrangementMismatch | None:
    """Why a run's median battery voltage [V] cannot come from this machine.

    None when the voltage is plausible, when the file gives no nominal voltage, or when nothing was measured (NaN).
    """
    battery = machine.battery
    if battery is None or battery.nominal_voltage_v is None or not math.isfinite(median_voltage_v):
        return None
    if LEAST_RATIO <= median_voltage_v / battery.nominal_voltage_v <= GREATEST_RATIO:
        return None
    blocks, other_fits = battery.blocks or 1, None
    if battery.block_voltage_v is not None and blocks > 1:
        other, fold = ("parallel", 1) if battery.arrangement == "series" else ("series", blocks)
        if LEAST_RATIO <= median_voltage_v / (battery.block_voltage_v * fold) <= GREATEST_RATIO:
            other_fits = other
    return ArrangementMismatch(
        battery.nominal_voltage_v, median_voltage_v, blocks, battery.block_voltage_v, battery.arrangement, other_fits
    )


def _bytes(path: Path) -> bytes:
    """At most MAX_BYTES + 1 bytes of an ordinary file."""
    shown_path = printable(str(path), 200)
    try:
        if not path.exists():
            new = f"amptally machine new {printable(path.name, 120)}"
            raise MachineFileError(f"{shown_path}: there is no such file. Write one with: {new}")
        if not path.is_file():
            raise MachineFileError(f"{shown_path} is not a file. Give a machine file, for example cart.toml.")
        with open_file(path) as stream:
            return stream.read(MAX_BYTES + 1)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise MachineFileError(f"{shown_path} cannot be read ({reason}). Check its permissions.") from error


def _source(source: str) -> str:
    return printable(source, 120)


def _too_large(source: str) -> MachineFileError:
    limit = MAX_BYTES // 1024
    return MachineFileError(f"{_source(source)} is larger than {limit} kB. A machine file is a page of text.")


def _document(text: str, source: str) -> dict[str, Any]:
    """The TOML document. Whatever `tomllib` raises on hostile text becomes MachineFileError."""
    try:
        size = len(text.encode())
    except UnicodeEncodeError as error:
        place = text.count("\n", 0, error.start) + 1
        raise MachineFileError(f"{source} line {place}: not Unicode text. Save the file in UTF-8.") from error
    if size > MAX_BYTES:
        raise _too_large(source)
    for place, line in enumerate(text.split("\n"), start=1):
        if len(line) > MAX_LINE:
            raise MachineFileError(f"{source} line {place}: longer than {MAX_LINE} characters. Break the line.")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise MachineFileError(f"{source}: nested too deeply. A machine file has two levels of sections.") from error
    except ValueError as error:
        place, reason, hint = syntax_trouble(text, str(error))
        reason = printable(reason, 90)
        raise MachineFileError(f"{source} line {place}: this is not TOML ({reason}). {hint}") from error


class _Reader:
    """Reads sections into values and collects their problems as (line, message)."""

    def __init__(self, lines: Lines) -> None:
        self._lines = lines
        self.problems: list[tuple[int, str]] = []

    def section(self, name: str, value: object) -> Any:
        """Values of one top-level entry: one object, a mapping of objects by place, or None where nothing is given."""
        section = SECTIONS.get(name)
        if section is None:
            self._refuse((name,), _no_section(name))
            return None
        if not isinstance(value, dict):
            self._refuse((name,), f"{name} is {shown(value)}. {_as_section(section)}")
            return None
        if not section.places:
            values = self._fields((name,), section, value)
            return (values if name == "machine" else section.holder(**values)) if values else None
        found = {}
        for place, inner in value.items():
            path = (name, place)
            if place not in section.places:
                self._refuse(path, _no_place(section, place))
            elif not isinstance(inner, dict):
                self._refuse(
                    path, f"{name}.{place} is {shown(inner)}. Write a section [{name}.{place}] with its fields."
                )
            elif values := self._fields(path, section, inner):
                found[place] = section.holder(**values)
        return found

    def _fields(self, path: tuple[str, ...], section: Section, table: dict[str, object]) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for name, value in table.items():
            spec = section.specs.get(name)
            if spec is None:
                self._refuse((*path, name), _no_field(path, section, name))
            elif refusal := spec.refusal(value, unit_of(spec, path[-1])):
                self._refuse((*path, name), f"{'.'.join((*path, name))} is {shown(value)}. {refusal}")
            else:
                values[name] = float(value) if spec.kind == "number" else value  # type: ignore[arg-type]
        return values

    def _refuse(self, path: tuple[str, ...], message: str) -> None:
        self.problems.append((self._lines.of(*path) or 1, message))


def _names(section: Section) -> list[str]:
    """The headers of a section as they stand in a file."""
    return [f"[{section.name}.{place}]" for place in section.places] or [f"[{section.name}]"]


def _listed(words: list[str]) -> str:
    shortened = [*words[:4], "…"] if len(words) > 14 else words
    return ", ".join(shortened)


def _as_section(section: Section) -> str:
    return f"Write a section {_names(section)[0]} with one field on a line."


def _sections_with(name: str) -> list[str]:
    """Headers of the sections that have a field of this name."""
    return [_listed(_names(section)) for section in SECTIONS.values() if name in section.specs]


def _no_section(name: str) -> str:
    called = printable(name, 40)
    if sections := _sections_with(name):
        return f"{called} stands outside its section. It belongs under {' or '.join(sections)}."
    near = nearest(name, tuple(SECTIONS))
    after = f"The nearest is {_names(SECTIONS[near])[0]}." if near else f"Sections are {', '.join(SECTIONS)}."
    return f"[{called}] is not a section of a machine file. {after}"


def _no_place(section: Section, place: str) -> str:
    called = printable(place, 40)
    if place in section.specs:
        return f"{section.name}.{called} stands outside its section. It belongs under {_listed(_names(section))}."
    near = _channel_section(place) if section.name == "sensors" else nearest(place, section.places)
    after = f"The nearest is [{section.name}.{near}]." if near else f"Sections are {_listed(_names(section))}."
    return f"[{section.name}.{called}] is not a section of a machine file. {after}"


def _channel_section(place: str) -> str | None:
    """The [sensors.*] section that a name means, even with its unit, as in channel names."""
    for name, channel in SENSORS.items():
        if place in (channel.name, channel.si_name):
            return name
    return nearest(place, tuple(SENSORS))


def _no_field(path: tuple[str, ...], section: Section, name: str) -> str:
    header = ".".join(path)
    called = f"{header}.{printable(name, 40)} is not a field of [{header}]."
    if sections := _sections_with(name):
        return f"{called} It belongs under {' or '.join(sections)}."
    near = nearest(name, tuple(section.specs))
    return f"{called} " + (f"The nearest is {near}." if near else f"Its fields are {', '.join(section.specs)}.")
