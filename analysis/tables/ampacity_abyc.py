"""Ampacity of single copper conductors with 105 °C insulation outside engine spaces, ABYC E-11.

Second-hand: transcribed by a marine retailer's voltage-drop calculator; the transcription has no 12 and 6 AWG rows.
Its inside-engine-space values are 0.85 × these.
"""

from __future__ import annotations

SOURCE = "ABYC E-11, 105 °C column outside engine spaces, second-hand"
INSULATION_C = 105.0
BASE_AMBIENT_C = 30.0
"""Air temperature the column holds for (from memory)."""
AMPACITY_A = {18: 20.0, 16: 25.0, 14: 35.0, 10: 60.0, 8: 80.0, 4: 160.0, 2: 210.0}
"""Amperes by AWG."""
INTERPOLATION_U = 0.03
"""1 σ, relative, between two rows: a row left out is found from its neighbours within 6 % (own arithmetic)."""
