"""A linear program of few unknowns: the cheapest weights that cover what is asked for. docs/methods.md, Thermal memory.

Simplex method on the dual program, which begins at a feasible point as no cost is below zero (Dantzig, Linear
Programming and Extensions; from memory). With seven unknowns a pivot is one small outer product; SciPy's solver gives
the same and is what the tests compare with, but importing it takes longer than a report of a short run.
"""

from __future__ import annotations

import numpy as np

from amptally.analysis.signals.series import Floats

ROUNDING = 1e-12
"""A column that would improve the sum by less, relative, is not taken."""
PIVOTS = 1000
"""More than any program here needs by far: about two for each unknown."""


def least_cover(cost: Floats, covered: Floats, asked: Floats) -> Floats:
    """y ≥ 0 of least Σ costᵢ yᵢ with Σ coveredⱼᵢ yᵢ ≥ askedⱼ, shape (n,).

    `cost` > 0, shape (n,); `covered` ≥ 0, shape (m, n), a row of each no weight covers being none; `asked`, shape (m,).
    What rounding leaves uncovered is made up for by making all weights larger. ValueError where it does not end.
    """
    unknowns = len(cost)
    # Rows: one for each unknown, then the gain of each column; columns: what is asked for, slacks, the right side.
    table = np.zeros((unknowns + 1, len(asked) + unknowns + 1))
    table[:-1, : len(asked)] = covered.T
    table[:-1, len(asked) : -1] = np.eye(unknowns)
    table[:-1, -1] = cost
    table[-1, : len(asked)] = asked
    gain = table[-1, :-1]
    enough = ROUNDING * float(np.abs(asked).max(initial=0.0))
    for pivot in range(PIVOTS):
        # The largest gain is quick; the first one cannot go round in circles (Bland's rule).
        better = np.flatnonzero(gain > enough)
        if not len(better):
            break
        column = int(better[gain[better].argmax()] if pivot < PIVOTS // 2 else better[0])
        along = table[:-1, column]
        reach = np.divide(table[:-1, -1], along, out=np.full(unknowns, np.inf), where=along > ROUNDING * along.max())
        row = int(reach.argmin())
        table[row] /= table[row, column]
        factors = table[:, column].copy()
        factors[row] = 0.0
        table -= np.outer(factors, table[row])
    else:
        raise ValueError(f"no cover found in {PIVOTS} pivots")
    weights = np.maximum(-table[-1, len(asked) : -1], 0.0)
    reached = covered @ weights
    lacking = np.divide(asked, reached, out=np.zeros(len(asked)), where=asked > 0)
    return np.asarray(weights * max(1.0, float(lacking.max(initial=0.0))))
