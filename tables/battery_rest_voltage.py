"""Voltage of a rested 12 V block against state of charge, by chemistry, and how long resting takes.

Published charts disagree: a 12.30 V AGM block holds 70, 50 or 45 % by three of them. `CHART_U` is the 1 σ that such
disagreement asks for, and belongs to every state of charge read from these tables.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from amptally.tables.battery_cells import cells_in_block

Floats = NDArray[np.float64]

FULL_TO_NOMINAL = 1.10
"""Rest voltage of a full AGM block, 13.2 V at most, over its nominal 12 V: a vehicle maker's owner manual."""


@dataclass(frozen=True, slots=True)
class RestTable:
    """One chemistry's chart."""

    rows: tuple[tuple[float, float], ...]
    """(V of a rested 12 V block, state of charge 0..1), rising."""
    cells: int
    """Cells in the block that `rows` speaks of."""
    chart_u: float
    """1 σ of the state of charge, from the disagreement of charts."""
    source: str
    """Who publishes it, and how sure it is."""
    flat_v: tuple[float, float] | None = None
    """Voltages between which the chart says nothing of use, ends included."""


TABLES: dict[str, RestTable] = {
    # Larminie & Lowry's straight line (from memory) puts 12.45 V at 50 % where this chart has 75 %; a simulated slow
    # discharge (PyBaMM, Sulzer2019) puts 12.05 V at 40 % where it has 24 %. 0.13 puts both inside 95 %.
    "flooded": RestTable(
        ((11.89, 0.0), (12.06, 0.25), (12.24, 0.50), (12.45, 0.75), (12.65, 1.0)),
        cells=6,
        chart_u=0.13,
        source="BCI at 26.7 °C and 1.265 acid, second-hand",
    ),
    # The manual gives 100 % as the band 12.8 to 13.2 V and 0 % as "below 12.0 V": the lowest row carries its last
    # slope on, own arithmetic. Three charts at 12.30 V: 70, 50, 45 %; 0.11 puts all three inside 95 %.
    "agm": RestTable(
        ((11.7, 0.0), (12.0, 0.25), (12.3, 0.50), (12.6, 0.75), (12.8, 1.0)),
        cells=6,
        chart_u=0.11,
        source="bands of a vehicle maker's owner manual",
    ),
    "gel": RestTable(
        ((11.80, 0.0), (12.00, 0.25), (12.35, 0.50), (12.65, 0.75), (12.85, 1.0)),
        cells=6,
        chart_u=0.11,
        source="from memory, unverified",
    ),
    "lfp": RestTable(
        ((10.0, 0.0), (12.0, 0.10), (12.8, 0.20), (13.0, 0.30), (13.4, 0.90), (13.6, 0.99), (14.6, 1.0)),
        cells=4,
        chart_u=0.06,  # 20 % at 12.8 V here, 20 % at 12.67 V in a simulated slow discharge (PyBaMM, Prada2013)
        source="a public chart of low authority (gridwright.com lifepo4-voltage-chart)",
        flat_v=(13.0, 13.4),
    ),
}
SETTLING_H = {"agm": 8.0, "gel": 8.0, "flooded": 8.0, "lfp": 2.0}
"""Hours of rest before a voltage counts: common practice, no source (lead-acid advice runs from 4 to 24 h)."""


def chart_charge(table: RestTable, volts: float) -> float:
    """State of charge, 0..1, at a voltage per `table.cells` cells; the ends beyond the chart."""
    voltages, charge = zip(*table.rows, strict=True)
    return float(np.interp(volts, voltages, charge))


def chart_v(chemistry: str, block_voltage_v: float, fraction: Floats) -> Floats:
    """Rest voltage [V] of one block at states of charge, the chart read backwards; KeyError without a chart."""
    table = TABLES[chemistry]
    voltages, charge = zip(*table.rows, strict=True)
    return np.asarray(np.interp(fraction, charge, voltages) * cells_in_block(chemistry, block_voltage_v) / table.cells)
