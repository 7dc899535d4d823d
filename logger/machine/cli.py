"""`amptally machine new|show|check`: what the three commands do, without the command line around them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from amptally.logger.errors import StorageError
from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import SECTIONS, Battery, Section, unit_of
from amptally.logger.machine.problem import Problem
from amptally.logger.machine.spec import plain, printable
from amptally.logger.machine.template import template

_SUFFIXES = {"V": "_v", "A": "_a", "Ah": "_ah", "Ω": "_ohm", "m": "_m", "kg": "_kg", "°C": "_c", "s": "_s", "Hz": "_hz"}


def new(path: Path | str) -> None:
    """Write the commented template to a new file. Raises StorageError if the file exists or cannot be written."""
    path = Path(path)
    named = printable(str(path), 200)
    try:
        stream = path.open("x", encoding="utf-8", newline="\n")
    except FileExistsError as error:
        raise StorageError(f"{named} already exists and was not changed. Give the name of a new file.") from error
    except OSError as error:
        raise StorageError(f"{named} cannot be written ({_reason(error)}). Give another path.") from error
    try:
        with stream:
            stream.write(template())
    except OSError as error:
        # Half a template would block the next attempt, and nobody has edited it yet.
        path.unlink(missing_ok=True)
        raise StorageError(
            f"{named} cannot be written ({_reason(error)}). Free some space or give another path."
        ) from error


def show(machine: Machine) -> str:
    """The contents of a machine file by section, with units, and the resulting figures of the whole battery."""
    blocks = []
    silent = []
    for header, section, place, holder in _holders(machine):
        rows = list(_rows(section, place, holder)) if holder is not None else []
        if isinstance(holder, Battery):
            rows += _whole(holder)
        if rows:
            width = max(len(label) for label, _ in rows)
            blocks.append("\n".join([header, *(f"  {label:<{width}}  {value}" for label, value in rows)]))
        else:
            silent.append(header)
    if silent:
        blocks.append(f"not given: {', '.join(silent)}")
    return "\n\n".join(blocks)


def check_text(problems: Sequence[Problem]) -> str:
    """The findings of `machine check` for a terminal, most severe first."""
    if not problems:
        return (
            "No contradiction found in the file. Fields that are not given were not checked, and nothing was measured."
        )
    return "\n\n".join(
        f"{problem.severity}: {problem.what}\n"
        f"  where     {problem.where}\n"
        f"  evidence  {problem.evidence}\n"
        f"  next      {problem.next}"
        for problem in problems
    )


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__


def _holders(machine: Machine) -> Iterator[tuple[str, Section, str, Any]]:
    """(header, section, place, values) in the order of the field table; values None where the file gives none."""
    mappings: dict[str, Any] = {"fuse": machine.fuses, "wire": machine.wires, "sensors": machine.sensors}
    for section in SECTIONS.values():
        if section.name in mappings:
            given = mappings[section.name]
            for place in section.places:
                if place in given:
                    yield f"{section.name}.{place}", section, place, given[place]
            if not given:
                yield section.name, section, "", None
        else:
            yield section.name, section, "", machine if section.name == "machine" else getattr(machine, section.name)


def _rows(section: Section, place: str, holder: Any) -> Iterator[tuple[str, str]]:
    for item in fields(section.holder):
        value = getattr(holder, item.name)
        if value is None:
            continue
        unit = unit_of(section.specs[item.name], place)
        spoken = section.specs[item.name].spoken.get(value) if isinstance(value, str) else None
        yield _label(item.name, unit), f"{plain(value)} {unit}".rstrip() + (f" ({spoken})" if spoken else "")


def _label(name: str, unit: str) -> str:
    return name.removesuffix(_SUFFIXES.get(unit, "")).replace("_", " ")


def _whole(battery: Battery) -> list[tuple[str, str]]:
    derived = (
        ("whole battery, nominal", battery.nominal_voltage_v, "V", 1.0),
        ("whole battery, capacity", battery.whole_capacity_ah, "Ah", 1.0),
        ("whole battery, rated current", battery.rated_current_a, "A", 1.0),
        ("whole battery, resistance", battery.whole_resistance_ohm, "mΩ", 1000.0),
        ("whole battery, cut-off", battery.whole_cutoff_v, "V", 1.0),
    )
    return [(label, f"{scale * value:.4g} {unit}") for label, value, unit, scale in derived if value is not None]
