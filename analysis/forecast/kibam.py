"""The kinetic battery model (KiBaM): a well of available charge, and one of bound charge that flows into the first.

Manwell & McGowan, Solar Energy 50 (1993) 399-405. `k_per_h` is k' of that family of papers, the rate at which the two
levels equalise; papers that write k for k'·c(1 − c) need converting first. Worked example: docs/methods.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, islice

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PUBLISHED_C = (0.166, 0.25, 0.35, 0.45, 0.55, 0.625)
"""Shares c from the lowest to the highest published: 0.166 (Jongerden et al. 2009), 0.625 (Cloth et al. 2007)."""


@dataclass(frozen=True, slots=True)
class KineticModel:
    """The three constants of one battery."""

    qmax_ah: float
    """Charge in both wells when full: what a discharge gives at a very small current [Ah]."""
    c: float
    """Share of it that is available at once, 0 to 1; c·qmax is what a discharge gives at a very large current."""
    k_per_h: float
    """k', the rate at which the levels equalise [1/h]."""

    def full(self) -> Wells:
        """State of a full battery at rest: both wells full and level."""
        return Wells(self.qmax_ah, 0.0)

    def available_ah(self, wells: Wells) -> float:
        """Charge in the first well [Ah], c (q − (1 − c) δ); the battery is empty when it reaches 0."""
        return self.c * (wells.charge_ah - (1 - self.c) * wells.difference_ah)

    def capacity_ah(self, hours: float) -> float:
        """Charge [Ah] that a full battery gives at the constant current at which it lasts `hours` [h]."""
        return self.qmax_ah * float(_share_given(np.array([self.k_per_h * hours]), self.c)[0])


@dataclass(frozen=True, slots=True)
class Wells:
    """State of the two wells, in the variables that decouple the equations.

    With q = q1 + q2 and δ = q2/(1 − c) − q1/c the model reads q' = −I, δ' = −k'δ + I/c, and q1 = c (q − (1 − c) δ).
    """

    charge_ah: float
    """q, the charge in both wells."""
    difference_ah: float
    """δ, difference of the levels [Ah]; 0 at rest."""


def _share_given(kt: Floats, c: float | Floats) -> Floats:
    """Q(T)/qmax = c kT/(1 − r + c (kT − 1 + r)), r = e^(−kT)."""
    lost = -np.expm1(-kt)
    return np.asarray(c * kt / (lost + c * (kt - lost)))


def advance(model: KineticModel, wells: Wells, current_a: float, hours: float) -> Wells:
    """The exact state after `hours` [h] at a constant current [A]; a full well takes no more charge."""
    r = math.exp(-model.k_per_h * hours)
    charge = min(wells.charge_ah - current_a * hours, model.qmax_ah)
    difference = wells.difference_ah * r + current_a / (model.c * model.k_per_h) * (1 - r)
    # The first well cannot be more than full: what does not fit counts in the second.
    return Wells(charge, max(difference, (charge - model.qmax_ah) / (1 - model.c)))


def level_difference_ah(model: KineticModel, current_a: Floats, duration_h: Floats) -> float:
    """δ [Ah] after a current profile that begins full and level: `advance` piece by piece, without the charge.

    `current_a` [A] and `duration_h` [h], shape (n,): pieces of constant current. δ depends on how full the block was
    only through the limit of a full well: charge beyond full counts as not taken.
    """
    fades = np.exp(-model.k_per_h * duration_h)
    moves = current_a / (model.c * model.k_per_h) * (1 - fades)
    missing_ah = accumulate(
        (current_a * duration_h).tolist(), lambda missing, taken: max(missing + taken, 0.0), initial=0.0
    )
    difference = 0.0
    for fade, move, missing in zip(fades.tolist(), moves.tolist(), islice(missing_ah, 1, None), strict=True):
        difference = max(difference * fade + move, -missing / (1 - model.c))
    return difference


def hours_to_level(model: KineticModel, wells: Wells, current_a: float, floor: float = 0.0) -> float:
    """Hours at a constant current [A] until the first well is down to `floor` (0..1 of its height); inf if never."""
    floor_ah = floor * model.c * model.qmax_ah

    def above_floor(hours: float) -> float:
        return model.available_ah(advance(model, wells, current_a, hours)) - floor_ah

    if above_floor(0.0) <= 0:
        return 0.0
    if current_a <= 0:
        return math.inf
    # At constant discharge the first well crosses a level once: q1'' keeps its sign and q1' ends at −cI.
    low, high = 0.0, max(wells.charge_ah, 0.0) / current_a
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if above_floor(middle) > 0 else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True, slots=True)
class Discharge:
    """Outcome of a current profile."""

    wells: Wells
    """State at the end, or at the moment the first well ran empty."""
    empty_at_h: float | None
    """Time from the start until empty [h]; None where charge remained at the end."""


def simulate(model: KineticModel, wells: Wells, current_a: Floats, duration_h: Floats) -> Discharge:
    """Run a profile of constant currents; `current_a` [A] and `duration_h` [h], shape (n,)."""
    clock = 0.0
    for current, hours in zip(current_a.tolist(), duration_h.tolist(), strict=True):
        after = advance(model, wells, current, hours)
        if model.available_ah(after) <= 0:
            until = min(hours_to_level(model, wells, current), hours)
            return Discharge(advance(model, wells, current, until), clock + until)
        wells, clock = after, clock + hours
    return Discharge(wells, None)


def fit_kinetic(hours: Sequence[float], capacity_ah: Sequence[float]) -> KineticModel:
    """Least squares on three or more (discharge time [h], capacity [Ah]) points of a data sheet.

    qmax enters linearly and is solved for; c and k' are searched on a grid that closes in. Raises ValueError with fewer
    than three points (they leave a family: `kinetic_family`), or where a longer discharge gives less charge.
    """
    t, q = np.asarray(hours, dtype=float), np.asarray(capacity_ah, dtype=float)
    order = np.argsort(t)
    if t.size < 3 or t.size != q.size or np.unique(t).size < 3:
        raise ValueError("three different discharge times are needed to fix qmax, c and k'")
    if t.min() <= 0 or q.min() <= 0 or np.any(np.diff(q[order]) <= 0):
        raise ValueError("each longer discharge must give more charge")
    centre = np.array([0.5, math.log(1 / math.sqrt(t.min() * t.max()))])
    reach = np.array([0.49, math.log(1e4)])
    best_q = 0.0
    for _ in range(40):
        c, log_k = np.meshgrid(
            np.clip(np.linspace(centre[0] - reach[0], centre[0] + reach[0], 41), 0.005, 0.995),
            np.linspace(centre[1] - reach[1], centre[1] + reach[1], 41),
            indexing="ij",
        )
        given = _share_given(np.exp(log_k)[..., None] * t, c[..., None])
        qmax = (given @ q) / (given**2).sum(axis=-1)
        error = ((qmax[..., None] * given - q) ** 2).sum(axis=-1)
        at = np.unravel_index(np.argmin(error), error.shape)
        centre, best_q = np.array([c[at], log_k[at]]), float(qmax[at])
        reach = reach * 0.6
    return KineticModel(best_q, float(centre[0]), math.exp(centre[1]))


def kinetic_family(
    hours: float, capacity_ah: float, second_hours: float, second_ah: float, shares: Sequence[float] = PUBLISHED_C
) -> tuple[KineticModel, ...]:
    """The models that pass through two data-sheet points, one for each share c that can.

    Points are (discharge time [h], capacity [Ah]). Two points leave one constant open, so an answer from them is the
    span over the published shares. Of the two k' that fit a share the larger one is taken: with it the slower point is
    near qmax. Empty where the two capacities are equal or no share reaches their ratio. Raises ValueError where the
    longer discharge gives less charge.
    """
    (t_fast, q_fast), (t_slow, q_slow) = sorted([(hours, capacity_ah), (second_hours, second_ah)])
    if not 0 < t_fast < t_slow or not 0 < q_fast <= q_slow:
        raise ValueError("the two points need different discharge times, and the longer must give more charge")
    wanted = q_fast / q_slow
    kt_slow = np.logspace(-3, 6, 400)
    fitting, near_kt = [], []
    for c in shares:
        ratio = _share_given(kt_slow * t_fast / t_slow, c) / _share_given(kt_slow, c)
        lowest = int(np.argmin(ratio))
        if ratio[lowest] <= wanted < ratio[-1]:
            fitting.append(c)
            near_kt.append(math.exp(np.interp(wanted, ratio[lowest:], np.log(kt_slow[lowest:]))))
    c_of, k_of = np.array(fitting), _refine(np.array(fitting), wanted, t_fast, t_slow, np.array(near_kt) / t_slow)
    qmax_of = q_slow / _share_given(k_of * t_slow, c_of)
    return tuple(map(KineticModel, qmax_of.tolist(), fitting, k_of.tolist()))


def _refine(c: Floats, wanted: float, t_fast: float, t_slow: float, near: Floats) -> Floats:
    low, high = np.log(near) - 0.1, np.log(near) + 0.1
    for _ in range(50):
        middle = (low + high) / 2
        k = np.exp(middle)
        above = _share_given(k * t_fast, c) / _share_given(k * t_slow, c) < wanted
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray(np.exp((low + high) / 2))
