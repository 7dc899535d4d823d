"""How warm a current makes what it flows through, past currents included, as a share of what opens or harms it.

A fuse element, a wire or a winding is a linear thermal system: the rise θ(t) = ∫ g(s) q(t − s) ds follows the heating
q = (i / rating)², with g ≥ 0 never rising, and the limit is reached at θ = 1. G(T) = ∫₀ᵀ g is the rise after a steady
q = 1 for T. A published row "p times the rating opens no sooner than T" says G(T) ≤ 1/p².

Two answers are drawn from the rows. `Network` is a sum of first-order terms that passes through them: the likely rise.
`guaranteed_rise` is the greatest rise that any such system can reach which keeps the rows: what they promise, no more.
docs/methods.md, Thermal memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from amptally.analysis.protection.fitted_networks import FITTED
from amptally.analysis.protection.least_cover import least_cover
from amptally.analysis.signals.series import Floats

ROW_WEIGHT = 1e3
"""How much more a published row weighs in the fit than a point between rows."""
BETWEEN_ROWS = 12
"""Points of the log-log line between two rows that the fit follows."""
CONSTANTS_A_DECADE = 2
"""Time constants offered to the fit for each factor of ten in time; most get no share."""
LEAST_SHARE = 1e-9
SETTLED = 6.0
"""Time constants after which a term counts as settled: 0.25 % are left."""

Rows = tuple[tuple[float, float], ...]
"""(time [s], current as a multiple of the rating) of published rows, from short to long."""


@dataclass(frozen=True, slots=True)
class Network:
    """g(s) = Σ aₖ e^(−s/τₖ)/τₖ, aₖ > 0."""

    shares: tuple[float, ...]
    """aₖ: steady rise of each term for a steady q = 1."""
    constants_s: tuple[float, ...]
    """τₖ [s], from short to long."""

    @classmethod
    def single(cls, constant_s: float) -> Network:
        """One time constant, at the limit when its rating flows for ever. ValueError unless positive and finite."""
        if not (constant_s > 0 and math.isfinite(constant_s)):
            raise ValueError(f"a time constant of {constant_s} s")
        return cls((1.0,), (constant_s,))

    def step(self, time_s: float) -> float:
        """G: the rise after a steady q = 1 for this long [s]."""
        return sum(
            -share * math.expm1(-time_s / constant_s)
            for share, constant_s in zip(self.shares, self.constants_s, strict=True)
        )

    def allowed(self, time_s: float) -> float:
        """Multiple of the rating that a steady current from cold may have for this long [s]; infinite for 0 s."""
        rise = self.step(time_s)
        return math.inf if rise <= 0 else 1 / math.sqrt(rise)


@lru_cache(maxsize=64)
def fitted_network(rows: Rows, *, latest: bool = False) -> Network:
    """The network through the rows of a table: as it is stored for all tables, fitted for other rows."""
    stored = FITTED.get((rows, latest))
    return fit_network(rows, latest=latest) if stored is None else Network(*stored)


def fit_network(rows: Rows, *, latest: bool = False) -> Network:
    """The network through published rows, log-log between them where a thermal system can follow.

    `rows` are from short to long; those of the earliest opening end with what the fuse carries for ever. No row of an
    earliest opening is passed (G(T) ≤ 1/p²), and each of a `latest` one is reached (G(T) ≥ 1/p²); within that the sum
    of relative misses is as small as can be, at rows before all (a linear program). Tables exist whose rows no linear
    system meets all at once: there some row stays ahead of the network.
    ValueError for fewer than two rows, or rows whose times do not rise while their currents fall.
    """
    from scipy.optimize import linprog

    if len(rows) < 2 or any(not (a[0] < b[0] and a[1] > b[1]) for a, b in pairwise(rows)):
        raise ValueError(f"rows need rising times and falling currents: {rows}")
    steps = np.linspace(0, 1, BETWEEN_ROWS + 2)[1:-1].tolist()
    between = [
        (short_s * (long_s / short_s) ** part, high * (low / high) ** part)
        for (short_s, high), (long_s, low) in pairwise(rows)
        for part in steps
    ]
    decades = math.log10(rows[-1][0] / rows[0][0]) + 2
    # The last row of either side stands for ever: what the fuse carries, or the least that need open it.
    longest_s = rows[-1][0] / SETTLED
    constants_s = np.geomspace(rows[0][0] / 10, longest_s, round(decades * CONSTANTS_A_DECADE) + 1)

    def response(points: Sequence[tuple[float, float]]) -> Floats:
        """Rise of each term at each point, as a share of the rise at which it opens there."""
        time_s, multiple = (np.array(column) for column in zip(*points, strict=True))
        return np.asarray(-np.expm1(-time_s[:, None] / constants_s[None, :]) * multiple[:, None] ** 2)

    at_rows, at_between = response(rows), response(between)
    side, terms, misses = -1.0 if latest else 1.0, len(constants_s), len(between)
    # Unknown: the shares, then how far each point between rows is missed by.
    cost = np.concatenate((-side * ROW_WEIGHT * at_rows.sum(axis=0), np.ones(misses)))
    held = np.hstack((side * at_rows, np.zeros((len(rows), misses))))
    above = np.hstack((at_between, -np.eye(misses)))
    below = np.hstack((-at_between, -np.eye(misses)))
    limits = np.concatenate((side * np.ones(len(rows)), np.ones(misses), -np.ones(misses)))
    rules = [held, above, below]
    rules.append(np.concatenate((np.full(terms, rows[-1][1] ** 2), np.zeros(misses)))[None, :])
    limits = np.append(limits, 1 / -math.expm1(-SETTLED) if latest else 1.0)
    found = linprog(cost, A_ub=np.vstack(rules), b_ub=limits, bounds=(0, None), method="highs")
    if not found.success:
        raise ValueError(f"no network for these rows: {found.message}")
    shares = found.x[:terms]
    chosen = shares > LEAST_SHARE
    return Network(tuple(shares[chosen].tolist()), tuple(constants_s[chosen].tolist()))


def guaranteed_rise(rows: Rows, lengths_s: Sequence[float], heat_s: Sequence[float]) -> float:
    """The greatest θ that a system which keeps the rows can have reached.

    `heat_s[j]` is H(L), the greatest ∫ q dt [s] in any window of `lengths_s[j]` [s]; lengths not listed are taken to
    hold no more than the rows cover there. ValueError for empty or unlike lists.
    """
    return covering(rows, lengths_s, heat_s)[0]


def covering(
    rows: Rows, lengths_s: Sequence[float] | Floats, heat: Sequence[float] | Floats
) -> tuple[float, Callable[[Floats], Floats]]:
    """(Σ yᵢ/pᵢ², L → Σ yᵢ min(L, Tᵢ)) of the least yᵢ ≥ 0 that cover the heat of every listed length.

    As g never rises it is a mixture of rectangles, so that θ ≤ Σ yᵢ/pᵢ² for any yᵢ ≥ 0 with Σ yᵢ min(L, Tᵢ) ≥ H(L) for
    every L; the least such sum is the bound (linear programming duality). ValueError for empty or unlike lists.
    """
    if not len(lengths_s) or len(lengths_s) != len(heat):
        raise ValueError(f"{len(lengths_s)} lengths and {len(heat)} amounts of heat")
    times_s, multiples = (np.array(column) for column in zip(*rows, strict=True))
    lengths, held = np.asarray(lengths_s, float), np.asarray(heat, float)
    top = float(np.max(held / lengths))
    if top <= 0:
        return 0.0, np.zeros_like
    # Rows of the program scaled by their length: all of one size, from milliseconds to a hundred hours.
    covered = np.minimum(lengths[:, None], times_s[None, :]) / lengths[:, None]
    weights = top * least_cover(1 / multiples**2, covered, held / lengths / top)
    return float(weights @ (1 / multiples**2)), lambda at_s: np.minimum(at_s[:, None], times_s[None, :]) @ weights
