"""Short-time heating of copper conductors: k in A·√s/mm², for t = k²S²/I² up to 5 s.

BS 7671 / IEC 60364-5-54, second-hand through a cable engineering page ("the adiabatic equation").
"""

from __future__ import annotations

SOURCE = "BS 7671 / IEC 60364-5-54, second-hand"
LONGEST_S = 5.0
K_BY_INSULATION = {
    ("PVC", 70, 160): 115.0,
    ("PVC", 90, 160): 100.0,
    ("XLPE or EPR", 90, 250): 143.0,
    ("rubber", 60, 200): 141.0,
    ("rubber", 85, 220): 134.0,
}
"""(insulation, temperature at the start, limit at the end) in °C."""
