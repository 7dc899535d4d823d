"""A battery of explicit equations for the unseen drives: everything about it is known, and the analysis has no such
model.

Terminal voltage after Tremblay & Dessaint, Experimental Validation of a Battery Dynamic Model for EV Applications,
World Electric Vehicle Journal 3 (2009), from memory: V = E0 − R·i − K·Q/(Q − it)·(it + i*) + A·exp(−B·it), it the
charge drawn, i* the current behind a slow lag; here with a second, fast lag beside R. All of it follows from the
current alone, so a whole drive is one array expression.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np

from amptally.analysis.signals.series import Floats

SUSTAINED_S = 60.0
"""A mean over this long at the cut-off ends a discharge: a dip ends nothing."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of 1 Ah; a block of cells in series scales from it."""

    full_v: float
    """E0 [V]."""
    ohm_ah: float
    """R times capacity [Ω·Ah]."""
    polarisation_v: float
    """K times capacity [V]."""
    tail_v: float
    """A [V]."""
    tail: float
    """B times capacity."""
    end_v: float
    """Where its sheet ends a discharge [V]."""
    nominal_v: float
    """As its sheet names it [V]."""


# Orders of magnitude of the paper's parameters, from memory; ends and nominal voltages are our own choice.
CELLS = {
    "agm": Cell(2.055, 0.036, 0.022, 0.10, 25.0, 1.75, 2.0),
    "gel": Cell(2.060, 0.045, 0.024, 0.09, 25.0, 1.75, 2.0),
    "flooded": Cell(2.070, 0.050, 0.028, 0.10, 30.0, 1.75, 2.0),
    "li_ion": Cell(3.735, 0.050, 0.0090, 0.46, 3.5, 3.0, 3.65),
    "lfp": Cell(3.290, 0.025, 0.0040, 0.12, 25.0, 2.5, 3.2),
}


def lagged(values: Floats, step_s: float, tau_s: float, start: float = 0.0) -> Floats:
    """First-order lag of values `step_s` apart, shape (n,), from `start`."""
    keep = math.exp(-step_s / tau_s)
    found = accumulate(values.tolist(), lambda state, value: keep * state + (1 - keep) * value, initial=start)
    return np.fromiter(found, float, len(values) + 1)[1:]


@dataclass(frozen=True, slots=True)
class Pack:
    """Cells in series, and in parallel as one: the whole battery of one machine."""

    chemistry: str
    cells: int
    """In series."""
    capacity_ah: float
    """Q of the formula."""
    ohm_scale: float = 1.0
    """Cold, age and cables: factor on R."""
    fast_share: float = 0.35
    """The fast lag's resistance over R."""
    fast_s: float = 0.4
    slow_s: float = 25.0

    @property
    def cell(self) -> Cell:
        """What its cells are."""
        return CELLS[self.chemistry]

    @property
    def ohm(self) -> float:
        """R of the whole."""
        return self.cells * self.cell.ohm_ah / self.capacity_ah * self.ohm_scale

    @property
    def end_v(self) -> float:
        """Where its sheet ends a discharge [V]."""
        return self.cells * self.cell.end_v

    def open_v(self, drawn_ah: Floats | float) -> Floats:
        """Open-circuit voltage [V] after so much was drawn from full."""
        drawn = np.asarray(drawn_ah, float)
        share = np.clip(drawn / self.capacity_ah, 0.0, 0.999)
        cell = self.cell
        return np.asarray(
            self.cells
            * (cell.full_v - cell.polarisation_v * share / (1 - share) + cell.tail_v * np.exp(-cell.tail * share))
        )

    def after_ohm(self, scale_s: float, drawn_ah: float) -> float:
        """Drop per ampere so long after a step [Ω]."""
        fast = self.fast_share * self.ohm * -math.expm1(-scale_s / self.fast_s)
        return self.ohm + fast + self._slow_ohm(np.array(drawn_ah)).item() * -math.expm1(-scale_s / self.slow_s)

    def _slow_ohm(self, drawn_ah: Floats) -> Floats:
        share = np.clip(drawn_ah / self.capacity_ah, 0.0, 0.999)
        return np.asarray(self.cells * self.cell.polarisation_v / self.capacity_ah / (1 - share) * self.ohm_scale)

    def drawn_ah(self, amps: Floats, step_s: float, start_ah: float) -> Floats:
        """Charge drawn from full [Ah] at each sample."""
        return np.asarray(start_ah + np.cumsum(amps) * step_s / 3600)

    def volts(self, amps: Floats, step_s: float, start_ah: float, before_a: float = 0.0) -> Floats:
        """Terminal voltage [V] under a current [A], shape (n,); `before_a` flowed for long before."""
        drawn = self.drawn_ah(amps, step_s, start_ah)
        fast = self.fast_share * self.ohm * lagged(amps, step_s, self.fast_s, before_a)
        slow = self._slow_ohm(drawn) * lagged(amps, step_s, self.slow_s, before_a)
        return np.asarray(self.open_v(drawn) - self.ohm * amps - fast - slow)

    def ends_s(self, amps: Floats, step_s: float, start_ah: float) -> float:
        """When the sustained voltage reaches the end of discharge [s]; inf where it does not."""
        sustained = lagged(self.volts(amps, step_s, start_ah), step_s, SUSTAINED_S, float(self.open_v(start_ah)))
        under = np.flatnonzero(sustained <= self.end_v)
        return math.inf if len(under) == 0 else float(under[0]) * step_s

    def sheet_ah(self, hours: float) -> float:
        """Capacity at a constant current that empties it from full in `hours`: what a maker prints [Ah]."""
        amps = self.capacity_ah / hours
        for _ in range(5):
            step_s = hours * 3.0
            load = np.full(2400, amps)
            amps *= self.ends_s(load, step_s, 0.0) / 3600 / hours
        return amps * hours


def draw_pack(rng: np.random.Generator, chemistry: str | None = None, capacity_ah: float | None = None) -> Pack:
    """A 24 V battery (two 12 V blocks of lead, or seven or eight cells of lithium), warm or cold, small or large."""
    chosen = chemistry or str(rng.choice(list(CELLS), p=[0.3, 0.1, 0.15, 0.25, 0.2]))
    size_ah = capacity_ah or float(np.exp(rng.uniform(np.log(9), np.log(60))))
    cells = {"li_ion": 7, "lfp": 8}.get(chosen, 12)
    return Pack(
        chosen,
        cells,
        size_ah,
        float(np.exp(rng.normal(0.1, 0.3))),
        float(rng.uniform(0.2, 0.5)),
        float(rng.uniform(0.1, 0.9)),
        float(rng.uniform(12, 60)),
    )


def colder(pack: Pack, ohm_factor: float, capacity_factor: float) -> Pack:
    """The same in the cold, or worn."""
    return replace(pack, ohm_scale=pack.ohm_scale * ohm_factor, capacity_ah=pack.capacity_ah * capacity_factor)


def battery_text(pack: Pack, sheet: Pack | None = None, more: str = "") -> str:
    """[battery] of a machine file: lead as two blocks in series, lithium as one; sheet values of `sheet`."""
    new = sheet or pack
    blocks = 2 if pack.cells == 12 else 1
    slow_h, fast_h = (20.0, 1.0) if blocks == 2 else (5.0, 1.0)
    return (
        f'[battery]\nchemistry = "{pack.chemistry}"\nblocks = {blocks}\n'
        f'arrangement = "{"series" if blocks == 2 else "single"}"\n'
        f"block_voltage_v = {pack.cells * pack.cell.nominal_v / blocks:.6g}\ncutoff_v = {pack.end_v / blocks:.6g}\n"
        f"capacity_ah = {new.sheet_ah(slow_h):.4g}\ncapacity_hours = {slow_h:g}\n"
        f"second_capacity_ah = {new.sheet_ah(fast_h):.4g}\nsecond_hours = {fast_h:g}\n"
        f"resistance_ohm = {new.ohm / blocks:.4g}\n{more}"
    )
