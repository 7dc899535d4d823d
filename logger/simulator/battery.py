"""One lead-acid block: three charge wells in series, open-circuit voltage, hysteresis, surface charge, temperature.

Only the first well feeds the plates, so a hard discharge ends early and the remaining charge recovers slowly: the rate
effect is not entered as an exponent. The two fast relaxations are in the plant's loop; this module has the slow state.
"""

from __future__ import annotations

import math
from dataclasses import replace

from amptally.logger.simulator.parameters import BlockParameters

WELLS = (0.42, 0.30, 0.28)
"""Fraction of the charge in each well."""
FLOW_PER_H = (0.56, 0.52)
"""Flow between neighbouring wells, per unit of filling difference, in block capacities per hour."""
EXCESS = 1.047
"""Charge in all wells per ampere-hour delivered at the 20 h rate: some stays in the rear wells."""
SOURCE_H = 3600.0


def open_circuit_v(filling: float) -> float:
    """Rest voltage of a block at a filling of its first well.

    The middle follows the bands of an owner's manual for AGM (references section 6: 12.8, 12.6, 12.3, 12.0 V at full,
    three quarters, half, one quarter); the end drops as for an exhausted plate.
    """
    return 11.63 + 1.45 * filling - 0.20 * filling * filling - 1.6 * math.exp(-max(filling, -0.1) / 0.025)


class Block:
    """Slow state of one block; `ocv_v`, `discharging_ohm` and `charging_ohm` hold until the next tick."""

    def __init__(self, parameters: BlockParameters, ambient_c: float) -> None:
        self.parameters = parameters
        self._ambient_c = ambient_c
        self.temperature_c = parameters.temperature_c
        self._coulombs = parameters.capacity_ah * EXCESS * SOURCE_H
        self._coulombs *= 1.0 + parameters.capacity_per_k * (parameters.temperature_c - 25.0)
        self.fillings = [parameters.charge] * len(WELLS)
        self._lean = 0.0
        self._surface_v = parameters.surface_v * max(0.0, 1.0 - 20.0 * (1.0 - parameters.charge))
        self._derive()

    def _derive(self) -> None:
        p = self.parameters
        filling = self.fillings[0]
        self.ocv_v = open_circuit_v(filling) - self._lean * p.hysteresis_v + self._surface_v
        thin = 1.0 + 0.25 * max(0.0, 0.5 - filling) + 0.9 * max(0.0, 0.15 - filling)
        self.discharging_ohm = p.resistance_ohm * thin * (1.0 + p.resistance_per_k * (self.temperature_c - 25.0))
        self.charging_ohm = self.discharging_ohm * p.charging_ratio

    @property
    def charge(self) -> float:
        """State of charge, all wells together, 0 to 1."""
        return sum(share * filling for share, filling in zip(WELLS, self.fillings, strict=True))

    @property
    def stored_ah(self) -> float:
        """Charge in all wells."""
        return self.charge * self._coulombs / SOURCE_H

    def tick(self, drawn_c: float, heat_j: float, seconds: float) -> None:
        """Take `drawn_c` coulombs (negative: returned) from the first well over a short time."""
        p = self.parameters
        first, second, third = self.fillings
        near = self._coulombs / SOURCE_H * FLOW_PER_H[0] * (second - first)
        far = self._coulombs / SOURCE_H * FLOW_PER_H[1] * (third - second)
        stored_c = drawn_c if drawn_c > 0.0 else drawn_c * p.acceptance
        first += (near * seconds - stored_c) / (WELLS[0] * self._coulombs)
        second += (far - near) * seconds / (WELLS[1] * self._coulombs)
        third -= far * seconds / (WELLS[2] * self._coulombs)
        self.fillings = [min(first, 1.0), second, third]
        moved = abs(drawn_c) / (p.hysteresis_ah * SOURCE_H)
        self._lean += min(moved, 1.0) * (math.copysign(1.0, drawn_c) - self._lean)
        self._surface_v *= math.exp(-max(drawn_c, 0.0) / (p.surface_ah * SOURCE_H))
        self.temperature_c += (heat_j - seconds * p.to_air_w_k * (self.temperature_c - self._ambient_c)) / p.heat_j_k
        self._derive()


def discharge(parameters: BlockParameters, current_a: float, cutoff_v: float, step_s: float = 2.0) -> float:
    """Ampere-hours that a block gives at a constant current and 25 °C until its voltage falls to `cutoff_v`."""
    p = replace(parameters, temperature_c=25.0)
    block = Block(p, 25.0)
    relaxed_v = current_a * (p.fast_ohm / (1.0 + current_a / p.fast_knee_a) + p.slow_ohm)
    drawn_c = 0.0
    while block.ocv_v - relaxed_v - current_a * block.discharging_ohm > cutoff_v:
        block.tick(current_a * step_s, 0.0, step_s)
        drawn_c += current_a * step_s
    return drawn_c / SOURCE_H
