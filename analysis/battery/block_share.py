"""How parallel blocks share the current, by the sensor in block B's own lead. docs/methods.md, Sag."""

from __future__ import annotations

import math

from amptally.analysis.integrals.energy import run_net_charge
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run

OWN = "block_b_current_a"
BATTERY = "battery_current_a"
UNEVEN = 1.3
"""A block that carries this many times as much as another is worth a caution, like one that drops as many times as far.
Our own choice."""
MIN_SHARE_OF_CAPACITY = 0.002
"""A drive that took less of the rated capacity shows contacts and cables more than blocks. Our own choice."""


def uneven_blocks(run: Run, doubts: Doubts) -> Reason | None:
    """The finding that parallel blocks share the charge of a run unevenly; None where not, or not known."""
    battery = run.machine.battery if run.machine else None
    count = battery.in_parallel if battery else None
    if battery is None or count is None or count < 2 or doubts.against((BATTERY, "net")) is not None:
        return None
    whole, own = run_net_charge(run, BATTERY), run_net_charge(run, OWN)
    if whole.value is None or own.value is None or min(whole.value, own.value) <= 0:
        return None
    if battery.whole_capacity_ah and whole.value < MIN_SHARE_OF_CAPACITY * battery.whole_capacity_ah:
        return None
    share = own.value / whole.value
    each_other = (1 - share) / (count - 1)
    if each_other > 0 and max(share / each_other, each_other / share) < UNEVEN:
        return None
    half = share * math.hypot(*(_relative(each) for each in (whole, own)))
    if abs(share - 1 / count) <= half:
        return None
    return Reason(
        "blocks_uneven",
        "caution",
        share=share,
        half=half,
        even=1 / count,
        harder="block_b" if share > 1 / count else "block_a",
        own_ah=own.value,
        whole_ah=whole.value,
    )


def _relative(charge: Estimate) -> float:
    """95 % half-width over the value; of a one-sided charge that of its closed side."""
    assert charge.value is not None
    side = charge.low if charge.high is None else charge.high
    return COVERAGE_FACTOR if side is None else abs(side - charge.value) / charge.value
