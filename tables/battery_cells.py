"""Nominal voltage of one cell by chemistry, to tell how many cells a block has (trade values, from memory)."""

from __future__ import annotations

CELL_V = {"agm": 2.0, "gel": 2.0, "flooded": 2.0, "lfp": 3.2, "li_ion": 3.65, "nimh": 1.2}


def cells_in_block(chemistry: str, block_voltage_v: float) -> int:
    """Cells in series in a block, from its nominal voltage [V]; KeyError for an unknown chemistry."""
    return max(round(block_voltage_v / CELL_V[chemistry]), 1)
