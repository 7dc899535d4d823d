"""State of charge: from a rested block's voltage, or counted from a known start. Fractions 0..1 of rated capacity."""

from __future__ import annotations

import math
from dataclasses import replace

from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.tables.battery_cells import cells_in_block
from amptally.tables.battery_rest_voltage import SETTLING_H, TABLES, chart_charge

FULL_U = 0.02  # 1 σ of "full" as a user means it; common practice, no source
STRAY = 0.15  # relative: a voltage this far outside the chart belongs to another battery
STATED_U = 0.03  # 1 σ of a fraction that a user states; common practice, no source


def charge_from_rest_voltage(
    block_v: Estimate, chemistry: str, block_voltage_v: float, rested_h: float | None = None
) -> Estimate:
    """State of charge of one block from its voltage at rest [V], through the chart of its chemistry.

    `block_voltage_v` [V] is nominal. `rested_h` [h] below the chemistry's settling time, or not stated, is refused: a
    block just charged or loaded shows a voltage that is not that of its charge. The interval holds the voltage's own
    through the chart's slope, and the disagreement of published charts (tables/battery_rest_voltage.py).
    """
    if chemistry not in TABLES:
        return refuse("", Reason("no_rest_chart", chemistry=chemistry))
    needed_h = SETTLING_H[chemistry]
    if rested_h is None:
        return refuse("", Reason("rest_time_not_stated", needed_h=needed_h))
    if rested_h < needed_h:
        return refuse("", Reason("rested_too_short", rested_h=rested_h, needed_h=needed_h))
    if block_v.value is None:
        return refuse("", *block_v.reasons)
    if block_v.low is None or block_v.high is None:
        return refuse("", Reason("rest_voltage_one_sided"), *block_v.reasons)
    table = TABLES[chemistry]
    scale = table.cells / cells_in_block(chemistry, block_voltage_v)
    low_v, value_v, high_v = (volts * scale for volts in (block_v.low, block_v.value, block_v.high))
    lowest_v, highest_v = table.rows[0][0], table.rows[-1][0]
    if not (1 - STRAY) * lowest_v <= value_v <= (1 + STRAY) * highest_v:
        return refuse(
            "",
            Reason("voltage_off_chart", voltage_v=value_v, cells=table.cells, lowest_v=lowest_v, highest_v=highest_v),
        )
    if table.flat_v is not None and low_v <= table.flat_v[1] and high_v >= table.flat_v[0]:
        from_v, to_v = table.flat_v
        plateau = Reason(
            "voltage_on_plateau", voltage_v=value_v, cells=table.cells, from_v=from_v, to_v=to_v, chemistry=chemistry
        )
        return refuse("", plateau)
    value = chart_charge(table, value_v)
    half = COVERAGE_FACTOR * table.chart_u
    low = value - math.hypot(value - chart_charge(table, low_v), half)
    high = value + math.hypot(chart_charge(table, high_v) - value, half)
    chart = Reason("charge_from_rest_voltage", voltage_v=value_v, cells=table.cells, chemistry=chemistry, half=half)
    return Estimate(value, max(low, 0.0), min(high, 1.0), "", reasons=(chart, *block_v.reasons))


def valid_fraction(number: float | None) -> float | None:
    """A start charge as written in a run's metadata if it is a fraction, 0..1; else None."""
    return number if number is not None and 0 <= number <= 1 else None


def valid_hours(number: float | None) -> float | None:
    """Hours of rest [h] as written in a run's metadata if they are finite and not negative; else None."""
    return number if number is not None and 0 <= number < math.inf else None


def stated_charge(fraction: float | None) -> Estimate:
    """Charge at the start as the user states it: 1.0 for "full"; refused where nothing is stated.

    Raises ValueError for a number outside 0..1.
    """
    if fraction is None:
        return refuse("", Reason("start_charge_unknown"))
    if not 0 <= fraction <= 1:
        raise ValueError(f"a start charge of {fraction:g} is not a fraction between 0 and 1")
    half = COVERAGE_FACTOR * (FULL_U if fraction == 1 else STATED_U)
    low, high = max(fraction - half, 0.0), min(fraction + half, 1.0)
    return Estimate(fraction, low, high, "", reasons=(Reason("start_charge_stated"),))


def coulomb_count(start: Estimate, net_ah: Estimate, capacity_ah: Estimate) -> Estimate:
    """State of charge at the end by coulomb counting: start − net/capacity, with the interval of each.

    `start` is a fraction, `net_ah` discharged − recovered charge since then [Ah], `capacity_ah` what a fraction of 1
    stands for [Ah]. The three are taken as independent. A count outside 0..1 by more than its interval is refused: one
    of the three is wrong.
    """
    for part in (start, net_ah, capacity_ah):
        if part.value is None:
            return refuse("", *part.reasons)
    assert start.value is not None
    assert net_ah.value is not None
    assert capacity_ah.value is not None
    if capacity_ah.value <= 0 or (capacity_ah.low is not None and capacity_ah.low <= 0):
        return refuse("", Reason("capacity_reaches_zero"))
    drawn = net_ah.value / capacity_ah.value
    value = start.value - drawn
    # A smaller capacity lowers the result of a discharge and raises that of a charge.
    small = None if capacity_ah.low is None else abs(net_ah.value) * (1 / capacity_ah.low - 1 / capacity_ah.value)
    large = None if capacity_ah.high is None else abs(net_ah.value) * (1 / capacity_ah.value - 1 / capacity_ah.high)
    down, up = (small, large) if drawn >= 0 else (large, small)
    drawn_more, drawn_less = (_distance(side, net_ah.value, capacity_ah.value) for side in (net_ah.high, net_ah.low))
    low = _side(value, -1, _distance(start.low, start.value), drawn_more, down)
    high = _side(value, 1, _distance(start.high, start.value), drawn_less, up)
    if low is None and high is None:
        return refuse("", Reason("charge_open_on_both_sides"))
    if (high is not None and high < 0) or (low is not None and low > 1):
        return refuse("", Reason("count_out_of_range", counted=value))
    count = Reason("coulomb_count", start=start.value, net_ah=net_ah.value, capacity_ah=capacity_ah.value)
    result = Estimate(
        min(max(value, 0.0), 1.0),
        None if low is None else min(max(low, 0.0), 1.0),
        None if high is None else min(max(high, 0.0), 1.0),
        "",
        reasons=(count, *start.reasons),
    )
    return replace(result, bound="at_most" if low is None else "at_least" if high is None else "estimate")


def _distance(side: float | None, value: float, divisor: float = 1.0) -> float | None:
    return None if side is None else abs(side - value) / divisor


def _side(value: float, sign: int, *widths: float | None) -> float | None:
    if any(width is None for width in widths):
        return None
    return value + sign * math.hypot(*(width for width in widths if width is not None))
