"""The three current leads, and what a machine file calls their places. Names, order and mapping stand here alone."""

from __future__ import annotations

SIDES = ("left", "right")
"""The two motor channels."""
LEADS = ("battery", *SIDES)
"""The leads whose current may be measured, as channels and the report's `current` name them."""
PLACES = ("main", *SIDES)
"""Where fuses and wires sit, as the machine file and the report's `fuse` and `wire` name them."""
LEAD_OF = dict(zip(PLACES, LEADS, strict=True))
"""The main fuse and wire carry the battery lead's current."""
PLACE_OF = dict(zip(LEADS, PLACES, strict=True))
CURRENTS = tuple(f"{lead}_current_a" for lead in LEADS)
"""SI names of their channels."""
