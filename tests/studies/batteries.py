"""Batteries that the coverage study puts behind its machines: none of them is a model that the analysis uses.

Lead-acid: the demo's block (three wells in a row, hysteresis, surface charge, temperature). Lithium: charge held back
by diffusion behind a simulated open-circuit curve and an arsinh charge transfer; it ends by its voltage alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from amptally.analysis.signals.series import Floats
from amptally.logger.simulator.battery import Block, open_circuit_v
from amptally.logger.simulator.parameters import BlockParameters

# ../shared/references.md section 6, PyBaMM 26.10.1.1: Li-ion 3S Chen2020 and LFP 4S Prada2013, slow discharge, volts
# per cell; the ends are our own.
CURVES: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "li_ion": (
        (-0.05, 0.0, 0.03, 0.10, 0.20, 0.40, 0.50, 0.60, 0.80, 0.95, 1.0),
        (2.0, 2.6, 3.02, 3.290, 3.482, 3.662, 3.744, 3.833, 4.032, 4.112, 4.19),
    ),
    "lfp": (
        (-0.05, 0.0, 0.03, 0.10, 0.20, 0.40, 0.50, 0.60, 0.80, 0.95, 1.0),
        (1.8, 2.3, 2.65, 2.977, 3.167, 3.252, 3.265, 3.268, 3.309, 3.316, 3.40),
    ),
}
END_V = {"li_ion": 3.0, "lfp": 2.5}
NOMINAL_V = {"li_ion": 3.65, "lfp": 3.2}


@dataclass(frozen=True, slots=True)
class Relaxing:
    """What lies between open-circuit and terminal voltage besides the ohmic part; resistances in Ω, times in s."""

    fast_ohm: float
    fast_s: float
    knee_a: float
    """The fast part weakens with current: it is no resistor."""
    slow_ohm: float
    slow_s: float

    def fast_v(self, lagged_a: Floats) -> Floats:
        """Drop of the fast part at a lagged current."""
        return self.fast_ohm * self.knee_a * np.arcsinh(lagged_a / self.knee_a)

    def after(self, ohm: float, current_a: float, scale_s: float) -> float:
        """Drop per ampere so long after a step of `current_a`: the secant, as a drop over a current is one."""
        fast = float(self.fast_v(np.array([current_a * -math.expm1(-scale_s / self.fast_s)]))[0]) / current_a
        return ohm + fast + self.slow_ohm * -math.expm1(-scale_s / self.slow_s)


class Cells(Protocol):
    """Slow state of one block."""

    relaxing: Relaxing

    def open_v(self) -> float:
        """Open-circuit voltage."""

    def settled_v(self) -> float:
        """What it would come to after a long rest, but for a constant."""

    def ohm(self) -> float:
        """Ohmic resistance while discharging."""

    def take(self, charge_c: float, heat_j: float, seconds: float) -> None:
        """Coulombs out over a short while."""


class LeadAcid:
    """The demo's block."""

    def __init__(self, parameters: BlockParameters, ambient_c: float) -> None:
        p = parameters
        self.relaxing = Relaxing(p.fast_ohm, p.fast_s, 0.7 * p.fast_knee_a, p.slow_ohm, p.slow_s)
        self._block = Block(parameters, ambient_c)

    def open_v(self) -> float:
        """Open-circuit voltage."""
        return self._block.ocv_v

    def settled_v(self) -> float:
        """With its wells level."""
        return open_circuit_v(self._block.charge)

    def ohm(self) -> float:
        """Ohmic resistance."""
        return self._block.discharging_ohm

    def take(self, charge_c: float, heat_j: float, seconds: float) -> None:
        """Coulombs out."""
        self._block.tick(charge_c, heat_j, seconds)


@dataclass(frozen=True, slots=True)
class LithiumParameters:
    """One lithium block."""

    chemistry: str
    cells: int
    capacity_ah: float
    charge: float
    ohmic_ohm: float
    """Of the block at 25 °C."""
    relaxing: Relaxing
    held_back_s: float
    """Time by which diffusion holds charge back."""
    temperature_c: float


class Lithium:
    """Cells in series that age and cool alike."""

    def __init__(self, parameters: LithiumParameters) -> None:
        p = parameters
        self.relaxing = p.relaxing
        self._p = p
        self._coulombs = 3600 * p.capacity_ah * (1 + 0.003 * (p.temperature_c - 25))
        self.charge, self._surface = p.charge, 0.0
        self._ohm = p.ohmic_ohm * math.exp(-0.015 * (p.temperature_c - 25))

    def open_v(self) -> float:
        """Of what is at the surface."""
        charge, volts = CURVES[self._p.chemistry]
        return self._p.cells * float(np.interp(self.charge - self._surface, charge, volts))

    def settled_v(self) -> float:
        """With nothing held back."""
        charge, volts = CURVES[self._p.chemistry]
        return self._p.cells * float(np.interp(self.charge, charge, volts))

    def ohm(self) -> float:
        """Grows when nearly empty."""
        return self._ohm * (1 + 0.8 * max(0.0, 0.15 - self.charge))

    def take(self, charge_c: float, heat_j: float, seconds: float) -> None:  # noqa: ARG002
        """Coulombs out; heat stays small."""
        self.charge -= charge_c / self._coulombs
        behind = charge_c / seconds * self._p.held_back_s / self._coulombs
        self._surface += -math.expm1(-seconds / (2 * self._p.held_back_s + 1)) * (behind - self._surface)


def lead_acid(parameters: BlockParameters, ambient_c: float, **changes: float) -> LeadAcid:
    """A fresh block, some of its parameters changed."""
    return LeadAcid(replace(parameters, **changes), ambient_c)  # type: ignore[arg-type]


def constant_discharge_ah(cells: Cells, current_a: float, cutoff_v: float, step_s: float) -> float:
    """Charge given at a constant current until the terminal voltage falls to `cutoff_v`."""
    drop = float(cells.relaxing.fast_v(np.array([current_a]))[0]) + cells.relaxing.slow_ohm * current_a
    drawn_c = 0.0
    while cells.open_v() - drop - cells.ohm() * current_a > cutoff_v:
        cells.take(current_a * step_s, 0.0, step_s)
        drawn_c += current_a * step_s
    return drawn_c / 3600
