"""What the square of a current that goes along straight lines adds to a first-order thermal term, exactly.

Over a line from a to a + d that lasts h, a term of time constant τ goes from y to y e^(−x) + a² J₀ + 2ad J₁ + d² J₂;
x = h/τ and Jₙ = x ∫₀¹ uⁿ e^(−x(1 − u)) du. docs/methods.md, Fuse margin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from amptally.analysis.signals.series import Floats

SMALL = 0.01
"""Below this x the closed forms of J₁ and J₂ cancel, and three terms of their series are exact to 1e-7."""
SPAN = 400.0
"""Longest stretch, in time constants, that is summed at once: e⁴⁰⁰ is far from the end of the floating-point range."""


def added_heat(length_s: Floats, start_a: Floats, end_a: Floats, constant_s: float | Floats) -> Floats:
    """What each line adds by its end [A²], shape (n,): lengths [s], first and last currents [A], τ [s].

    For τ of shape (k, 1) it is that of each, shape (k, n).
    """
    x = length_s / constant_s
    j0 = -np.expm1(-x)
    safe = np.maximum(x, SMALL)
    j1 = np.where(x < SMALL, x * (1 / 2 - x * (1 / 6 - x / 24)), 1 - j0 / safe)
    j2 = np.where(x < SMALL, x * (1 / 3 - x * (1 / 12 - x / 60)), 1 - 2 * j1 / safe)
    rise = end_a - start_a
    return np.asarray(start_a * (start_a * j0 + 2 * rise * j1) + rise * rise * j2)


@dataclass(frozen=True, slots=True)
class Decaying:
    """A sum that decays, as it stands after some intervals: e^(−(t − anchor)/τ) · (base + total), which is `value`."""

    anchor_s: float
    base: float
    total: float
    value: float

    @classmethod
    def at(cls, time_s: float, value: float) -> Decaying:
        """Begun at a moment."""
        return cls(time_s, value, 0.0, value)

    def after(self, time_s: Floats, added: Floats, constant_s: float) -> tuple[Decaying, Floats]:
        """(as it stands at the end, y at each time after the first, shape (n − 1,)).

        Each interval takes e^(−h/τ) of y, then `added`, shape (n − 1,), comes on top. Times, shape (n,), increase, the
        first being that at which this stands. Where the sum begins anew depends on times alone: the result is the same
        to the last digit however a signal is cut.
        """
        anchor_s, base, total, value = self.anchor_s, self.base, self.total, self.value
        values = np.empty(len(added))
        begin, last = 0, len(added)
        while begin < last:
            stop = int(np.searchsorted(time_s, anchor_s + SPAN * constant_s, "right")) - 1
            if stop <= begin:
                anchor_s, base, total = float(time_s[begin]), value, 0.0
                stop = max(int(np.searchsorted(time_s, anchor_s + SPAN * constant_s, "right")) - 1, begin)
            if stop == begin:  # one interval alone is longer: what came before it is forgotten
                value = float(added[begin])
                anchor_s, base = float(time_s[begin + 1]), value
                values[begin] = value
                begin += 1
                continue
            grown = np.exp((time_s[begin + 1 : stop + 1] - anchor_s) / constant_s)
            sums = np.cumsum(np.concatenate(([total], added[begin:stop] * grown)))
            values[begin:stop] = (base + sums[1:]) / grown
            total, value = float(sums[-1]), float(values[stop - 1])
            begin = stop
        return Decaying(anchor_s, base, total, value), values


def sums_with_decay(time_s: Floats, added: Floats, constant_s: float, before: float) -> Floats:
    """y at each time, shape (n,): `before` at the first; see `Decaying.after`."""
    _, values = Decaying.at(float(time_s[0]), before).after(time_s, added, constant_s)
    return np.concatenate(([before], values))


class DecayingTerms:
    """Terms of several time constants along the same lines, carried on; as `Decaying` to the last digit."""

    def __init__(self, constants_s: Sequence[float]) -> None:
        self._constants_s = np.array(constants_s)[:, None]
        self._terms = [Decaying.at(0.0, 0.0) for _ in constants_s]

    def after(self, time_s: Floats, start_a: Floats, end_a: Floats) -> Floats:
        """Each term at the end of each line, shape (terms, n); as `Decaying.after` and `added_heat`."""
        added = added_heat(np.diff(time_s), start_a, end_a, self._constants_s)
        values = np.empty(added.shape)
        for place, constant_s in enumerate(self._constants_s[:, 0].tolist()):
            self._terms[place], values[place] = self._terms[place].after(time_s, added[place], constant_s)
        return values
