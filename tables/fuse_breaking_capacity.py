"""A short circuit right behind a fuse against the current that the fuse is built to interrupt: the one rule.

Breaking capacity by family: `fuse_families.py`. The source must not drive more than that, at its most.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from amptally.tables.battery_rest_voltage import FULL_TO_NOMINAL
from amptally.tables.fuse_families import FuseFamily

NEAR_SHARE = 0.8
"""Of the breaking capacity: from there on a short circuit counts as near it. Own choice: a sheet's resistance, often
its greatest value, and a tape measure's length leave that much open."""


@dataclass(frozen=True, slots=True)
class ShortCircuit:
    """The prospective current of a short circuit right behind a fuse, and what the fuse interrupts."""

    likely_a: float
    high_a: float | None
    """The most that may flow; None where nothing bounds it."""
    capacity_a: float
    verdict: Literal["above", "near", "below", "open"]
    """above: the most that may flow is above the capacity. near: above 0.8 of it. open: not bounded, and what is likely
    does not pass the capacity."""


def short_circuit(
    family: FuseFamily, volts_v: float, source_ohm: float, *, high_v: float | None = None, low_ohm: float | None = None
) -> ShortCircuit:
    """I = V/R, R being all that lies before the fuse [Ω]: battery and wire.

    `high_v` and `low_ohm` are the ends of their intervals that give most current; either None: not bounded.
    """
    likely_a, capacity_a = volts_v / source_ohm, family.breaking_capacity_a
    high_a = None if high_v is None or low_ohm is None or low_ohm <= 0 else max(high_v / low_ohm, likely_a)
    verdict: Literal["above", "near", "below", "open"] = "open" if high_a is None else "below"
    if (likely_a if high_a is None else high_a) > capacity_a:
        verdict = "above"
    elif high_a is not None and high_a > NEAR_SHARE * capacity_a:
        verdict = "near"
    return ShortCircuit(likely_a, high_a, capacity_a, verdict)


def sheet_short_circuit(family: FuseFamily, nominal_v: float, source_ohm: float) -> ShortCircuit:
    """The same by a battery's sheet: likely at its nominal voltage, at most when it is full."""
    return short_circuit(family, nominal_v, source_ohm, high_v=FULL_TO_NOMINAL * nominal_v, low_ohm=source_ohm)
