"""State of charge: from a rested block's voltage, or counted from a known start. Fractions 0..1 of rated capacity."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, as_reasons, refuse
from amptally.tables.battery_cells import cells_in_block
from amptally.tables.battery_rest_voltage import NO_TABLE, SETTLING_H, TABLES, chart_charge, chart_v

FULL_U = 0.02  # 1 σ of "full" as a user means it; common practice, no source
STRAY = 0.15  # relative: a voltage this far outside the chart belongs to another battery
STATED_U = 0.03  # 1 σ of a fraction that a user states; common practice, no source


def settling_h(chemistry: str) -> float | None:
    """Hours of rest after which the voltage counts (common practice, no source); None without a table."""
    return SETTLING_H.get(chemistry)


def from_rest_voltage(
    block_v: Estimate, chemistry: str, block_voltage_v: float, rested_h: float | None = None
) -> Estimate:
    """State of charge of one block from its voltage at rest [V].

    `block_voltage_v` is nominal; the chart is read per 12 V. `rested_h` below the chemistry's settling time, or not
    stated, is refused: a block just charged or loaded shows a voltage its charge does not have. The interval holds the
    voltage's own through the chart's slope, and the disagreement of published charts.
    """
    if chemistry not in TABLES:
        return refuse("", NO_TABLE.get(chemistry, f"no rest-voltage table for {chemistry!r}"))
    needed = SETTLING_H[chemistry]
    if rested_h is None or rested_h < needed:
        told = "how long the battery rested is not stated" if rested_h is None else f"rested {rested_h:g} h"
        return refuse("", f"{told}; {needed:g} h are needed before its voltage shows its charge (common practice)")
    if block_v.refused is not None or block_v.value is None:
        return refuse("", block_v.refused or "rest voltage not measured")
    if block_v.low is None or block_v.high is None:
        return refuse("", "the rest voltage is known on one side only")
    table = TABLES[chemistry]
    scale = table.cells / cells_in_block(chemistry, block_voltage_v)
    low_v, value_v, high_v = (volts * scale for volts in (block_v.low, block_v.value, block_v.high))
    lowest_v, highest_v = table.rows[0][0], table.rows[-1][0]
    if not (1 - STRAY) * lowest_v <= value_v <= (1 + STRAY) * highest_v:
        reason = f"{value_v:.2f} V per {table.cells} cells is far from the chart's {lowest_v:g} to {highest_v:g} V"
        return refuse("", f"{reason}: check block_voltage_v and arrangement")
    if table.flat_v is not None and low_v <= table.flat_v[1] and high_v >= table.flat_v[0]:
        flat = f"{table.flat_v[0]:g} and {table.flat_v[1]:g} V per {table.cells} cells"
        return refuse("", f"{value_v:.2f} V: between {flat} the voltage of {chemistry} cells hardly follows the charge")
    value = chart_charge(table, value_v)
    half = COVERAGE_FACTOR * table.chart_u
    low = value - math.hypot(value - chart_charge(table, low_v), half)
    high = value + math.hypot(chart_charge(table, high_v) - value, half)
    basis = f"{value_v:.3f} V per 12 V block at rest, {table.source}; charts differ by {100 * half:.0f} % (95 %)"
    return Estimate(
        value, max(low, 0.0), min(high, 1.0), "", reasons=as_reasons("; ".join(filter(None, (basis, block_v.basis))))
    )


def open_circuit_v(chemistry: str, block_voltage_v: float, fraction: float) -> float | None:
    """Rest voltage [V] of one block at a state of charge, the chart read backwards; None without a chart."""
    return float(chart_v(chemistry, block_voltage_v, np.array(fraction))) if chemistry in TABLES else None


def told_charge(said: float | None) -> float | None:
    """Charge at the start as the operator said when recording, a fraction; None where it is none."""
    return said if said is not None and 0 <= said <= 1 else None


def told_rest_h(said: float | None) -> float | None:
    """Hours of rest before the start as the operator said; None where it is no such number."""
    return said if said is not None and 0 <= said < math.inf else None


def stated(fraction: float | None) -> Estimate:
    """Charge at the start as the user states it; 1.0 for "full", None when nothing is stated (refused)."""
    if fraction is None:
        return refuse("", "charge at the start is not known: state --start-charge, or --rested hours after a rest")
    if not 0 <= fraction <= 1:
        raise ValueError(f"a start charge of {fraction:g} is not a fraction between 0 and 1")
    half = COVERAGE_FACTOR * (FULL_U if fraction == 1 else STATED_U)
    basis = "as stated by the user, its doubt from common practice"
    return Estimate(fraction, max(fraction - half, 0.0), min(fraction + half, 1.0), "", reasons=as_reasons(basis))


def by_count(start: Estimate, net_ah: Estimate, capacity_ah: Estimate) -> Estimate:
    """Charge at the end: start − net/capacity, with each one's interval.

    `net_ah` is out − in since the start [Ah], `capacity_ah` the capacity that the fraction counts in. The three are
    taken as independent. A count that leaves 0..1 by more than its interval is refused: one of the three is wrong.
    """
    for part in (start, net_ah, capacity_ah):
        if part.refused is not None or part.value is None:
            return refuse("", part.refused or "charge not known")
    assert start.value is not None
    assert net_ah.value is not None
    assert capacity_ah.value is not None
    if capacity_ah.value <= 0 or (capacity_ah.low is not None and capacity_ah.low <= 0):
        return refuse("", "the capacity's interval reaches 0")
    drawn = net_ah.value / capacity_ah.value
    value = start.value - drawn
    # A small capacity lowers the charge left of a discharge and raises that of a charge.
    small = None if capacity_ah.low is None else abs(net_ah.value) * (1 / capacity_ah.low - 1 / capacity_ah.value)
    large = None if capacity_ah.high is None else abs(net_ah.value) * (1 / capacity_ah.value - 1 / capacity_ah.high)
    down, up = (small, large) if drawn >= 0 else (large, small)
    low = _side(value, -1, _gap(start.low, start.value), _gap(net_ah.high, net_ah.value, capacity_ah.value), down)
    high = _side(value, 1, _gap(start.high, start.value), _gap(net_ah.low, net_ah.value, capacity_ah.value), up)
    basis = f"start {start.value:.3f} less {net_ah.value:.3g} Ah of {capacity_ah.value:.3g} Ah; start: {start.basis}"
    if low is None and high is None:
        return refuse("", "start, count and capacity leave the charge open on both sides")
    if (high is not None and high < 0) or (low is not None and low > 1):
        return refuse("", f"counted to {value:.2f}: the start charge, the count or the capacity must be wrong")
    result = Estimate(
        min(max(value, 0.0), 1.0),
        None if low is None else min(max(low, 0.0), 1.0),
        None if high is None else min(max(high, 0.0), 1.0),
        "",
        reasons=as_reasons(basis),
    )
    return replace(result, bound="at_most" if low is None else "at_least" if high is None else "estimate")


def _gap(side: float | None, value: float, divisor: float = 1.0) -> float | None:
    return None if side is None else abs(side - value) / divisor


def _side(value: float, sign: int, *gaps: float | None) -> float | None:
    if any(gap is None for gap in gaps):
        return None
    return value + sign * math.hypot(*(gap for gap in gaps if gap is not None))
