"""Rate exponents (Peukert's k) that batteries of a chemistry mostly have: least, likely, greatest.

Only for a data sheet with one point, and then said in front of the user: the exponent of the battery in use comes from
its own pair of points.
"""

from __future__ import annotations

TYPICAL_K: dict[str, tuple[float, float, float]] = {
    # 1.05-1.15 (fxsolver.com, Peukert's law; public battery tutorial). Widened: pairs of the sheet of an AGM type (T1)
    # give 1.12 to 1.28, a simulated lead-acid cell 1.02 to 1.10 (PyBaMM 26.10.1.1, Sulzer2019).
    "agm": (1.02, 1.15, 1.28),
    # 1.1-1.25 (same pages), widened alike.
    "gel": (1.02, 1.18, 1.32),
    # 1.2-1.6 (same pages); downwards as the simulated cell, which has free acid.
    "flooded": (1.02, 1.3, 1.6),
    # 1.03-1.08 (cal57.calculator.city, weak), widened.
    "lfp": (1.0, 1.04, 1.10),
    # From memory, unverified.
    "li_ion": (1.0, 1.04, 1.10),
    "nimh": (1.0, 1.08, 1.20),
}
