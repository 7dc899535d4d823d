"""Voltage per cell at the end of bulk charging, by chemistry."""

from __future__ import annotations

from dataclasses import dataclass

from amptally.tables.battery_cells import cells_in_block


@dataclass(frozen=True, slots=True)
class ChargingVoltage:
    """The window of one cell, or of a block."""

    low_v: float
    """Below it the battery never fills."""
    high_v: float
    """Above it the battery is overcharged."""
    source: str
    """Where the window comes from."""
    cells: int = 1
    """Cells in series that the voltages speak of."""


_LEAD_SOURCE = "float about 2.25 V to cyclic 2.5 V a cell: a charger note and a maker's 40 Ah sheet"
_LEAD = ChargingVoltage(2.25, 2.5, _LEAD_SOURCE)
CELL_WINDOWS: dict[str, ChargingVoltage] = {
    "agm": _LEAD,
    "gel": _LEAD,
    "flooded": _LEAD,
    "lfp": ChargingVoltage(3.4, 3.65, "14.6 V for four cells in a public chart; the low end from memory, unverified"),
    "li_ion": ChargingVoltage(4.05, 4.2, "from memory, unverified"),
    "nimh": ChargingVoltage(1.35, 1.6, "from memory, unverified"),
}


def block_window(chemistry: str, block_voltage_v: float) -> ChargingVoltage:
    """The window of one block of this nominal voltage [V]; KeyError for an unknown chemistry."""
    cell, cells = CELL_WINDOWS[chemistry], cells_in_block(chemistry, block_voltage_v)
    return ChargingVoltage(cell.low_v * cells, cell.high_v * cells, cell.source, cells)
