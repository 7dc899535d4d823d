"""Resistance of copper: IEC 60028:1925, annealed copper, 1/58 Ω·mm²/m at 20 °C (published)."""

from __future__ import annotations

RHO_20_OHM_MM2_PER_M = 1 / 58
ALPHA_PER_K = 0.00393
"""From memory; reproduces the 75 °C columns of NEC chapter 9 table 8 (second-hand)."""
STRANDING_U = 0.02
"""1 σ, relative: stranded copper is about 2 % above solid, NEC chapter 9 table 8 (second-hand)."""


def resistance_ohm(area_mm2: float, length_m: float, temperature_c: float = 20.0) -> float:
    """R = ρ₂₀ L/S (1 + α (T − 20)) of copper [Ω], length_m [m] being the whole path out and back."""
    return RHO_20_OHM_MM2_PER_M * length_m / area_mm2 * (1 + ALPHA_PER_K * (temperature_c - 20))
