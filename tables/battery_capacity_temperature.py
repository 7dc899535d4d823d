"""Usable capacity of lead-acid against temperature.

`CHANGE_PERCENT` is a battery maker's page (published): change from 25 °C by temperature and discharge time.
`ieee485_factor` is the sizing factor of IEEE 485 (second-hand, tech.cepsc.com thread 122985; its scaling x = T/100 is
inferred). `to_20_c` carries a measured capacity to 20 °C: coefficients from a maker's support page, formula from
memory (IEC). `time_adjusted_percent` is the capacity test of IEEE 450 and 1188, from memory.
"""

from __future__ import annotations

import math
from itertools import pairwise

SOURCE = "a battery maker's table by discharge time"
REFERENCE_C = 25.0
LONGEST_FAST_H, LONGEST_MIDDLE_H = 0.5, 1.0
CHANGE_PERCENT: dict[float, tuple[float, float, float]] = {
    0.0: (-20.0, -18.0, -16.0),
    10.0: (-12.0, -11.0, -10.0),
    20.0: (-3.0, -2.0, -1.0),
    25.0: (0.0, 0.0, 0.0),
    30.0: (5.0, 4.0, 3.0),
    40.0: (10.0, 8.0, 5.0),
}
"""°C → change in % for discharges under 30 min, of 30 to 60 min, above 60 min."""
IEEE485_RANGE_C = (-3.9, 51.7)


def maker_factor(temperature_c: float, discharge_h: float) -> float:
    """Usable capacity over that at 25 °C, linear between the table's rows; ValueError outside 0 to 40 °C."""
    rows = sorted(CHANGE_PERCENT.items())
    if not rows[0][0] <= temperature_c <= rows[-1][0]:
        raise ValueError(f"{temperature_c:g} °C is outside the table's 0 to 40 °C")
    column = 0 if discharge_h < LONGEST_FAST_H else 1 if discharge_h <= LONGEST_MIDDLE_H else 2
    for (cool, at_cool), (warm, at_warm) in pairwise(rows):
        if temperature_c <= warm:
            share = (temperature_c - cool) / (warm - cool)
            return 1 + (at_cool[column] + share * (at_warm[column] - at_cool[column])) / 100
    raise AssertionError("unreachable: the range is checked above")


def ieee485_factor(temperature_c: float) -> float:
    """Sizing factor y ≥ usable⁻¹: y = −2.8117x³ + 4.1916x² − 2.4941x + 1.405 with x = T/100, −3.9 to 51.7 °C."""
    if not IEEE485_RANGE_C[0] <= temperature_c <= IEEE485_RANGE_C[1]:
        raise ValueError(f"{temperature_c:g} °C is outside the polynomial's −3.9 to 51.7 °C")
    x = temperature_c / 100
    return ((-2.8117 * x + 4.1916) * x - 2.4941) * x + 1.405


def to_20_c(measured_ah: float, temperature_c: float, per_k: float) -> float:
    """C₂₀ = C/(1 + λ (T − 20)); λ 0.006 /K at the 20 h and 10 h rates, 0.01 /K at 3 h and 1 h."""
    return measured_ah / (1 + per_k * (temperature_c - 20))


def time_adjusted_percent(lasted_h: float, rated_h: float, kt: float) -> float:
    """Capacity found by a discharge at the rated current, % of rated: 100 Ta/(Ts Kt), IEEE 450/1188, from memory.

    Ta `lasted_h` to the end voltage, Ts `rated_h` on the sheet [h], Kt the battery's temperature correction, below 1
    when cold: a cold test is corrected upward. Holds for a battery that started full and rested, at constant current.
    ValueError where one of them is not above 0.
    """
    if not all(math.isfinite(each) and each > 0 for each in (lasted_h, rated_h, kt)):
        raise ValueError("times and temperature correction of a capacity test must be above 0")
    return 100 * lasted_h / (rated_h * kt)
