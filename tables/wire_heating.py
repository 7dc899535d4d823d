"""How fast a wire warms up: one time constant, from what its copper holds and what its ampacity gives off.

At its ampacity I a wire of area A rises ΔT above the air for good, so that it gives off I² ρ/A for each metre, and
c A ΔT is the heat that it holds by then. τ = c A ΔT / (I² ρ/A), with ρ at the temperature it has there (own
arithmetic). The heat that the insulation holds is left out: a real wire warms up more slowly.
"""

from __future__ import annotations

from amptally.tables.wire_resistance import resistance_ohm

HEAT_CAPACITY_J_PER_M3_K = 3.45e6
"""Copper at room temperature: 8960 kg/m³ × 385 J/(kg·K); handbook values, from memory."""


def time_constant_s(area_mm2: float, ampacity_a: float, limit_c: float, air_c: float) -> float:
    """τ [s] of `area_mm2` [mm²] of copper that `ampacity_a` [A] brings from `air_c` to `limit_c` [°C].

    ValueError unless the limit is above the air and the ampacity above 0.
    """
    if not limit_c > air_c or not ampacity_a > 0:
        raise ValueError(f"{ampacity_a:g} A that bring a wire from {air_c:g} to {limit_c:g} °C")
    held_j_per_m = HEAT_CAPACITY_J_PER_M3_K * area_mm2 * 1e-6 * (limit_c - air_c)
    given_off_w_per_m = ampacity_a**2 * resistance_ohm(area_mm2, 1.0, limit_c)
    return held_j_per_m / given_off_w_per_m
