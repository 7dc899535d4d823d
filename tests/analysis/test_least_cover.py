"""The small linear program against SciPy's solver, which the product does not wait for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from amptally.analysis.protection.fitted_networks import FITTED
from amptally.analysis.protection.fuse_curve import rows_of
from amptally.analysis.protection.guarantee import FOR_EVER_S
from amptally.analysis.protection.least_cover import least_cover
from amptally.analysis.protection.thermal_memory import Network, fit_network
from amptally.tables.fuse_families import FAMILIES
from amptally.tables.fuse_opening_times import FuseTable
from tests.strategies import examples

TABLES = [table for family in FAMILIES.values() for table in family.tables]


@examples(1)
@given(st.integers(0, 2**32))
def test_the_least_cover_is_scipy_s(seed: int) -> None:
    rng = np.random.default_rng(seed)
    unknowns, count = int(rng.integers(1, 8)), int(rng.integers(1, 150))
    times_s = np.append(np.sort(10 ** rng.uniform(-2, 4, unknowns - 1)), FOR_EVER_S)
    cost = 1 / np.sort(rng.uniform(0.5, 6, unknowns))[::-1] ** 2
    lengths_s = np.sort(10 ** rng.uniform(-5, 6, count))
    asked = rng.uniform(0, 1, count)
    covered = np.minimum(lengths_s[:, None], times_s) / lengths_s[:, None]
    weights = least_cover(cost, covered, asked)
    assert (weights >= 0).all()
    assert (covered @ weights >= asked * (1 - 1e-12)).all()
    # SciPy's own tolerance is 1e-7.
    twin = linprog(cost, A_ub=-covered, b_ub=-asked, bounds=(0, None), method="highs")
    assert cost @ weights == pytest.approx(twin.fun, rel=1e-6)


def test_nothing_asked_for_costs_nothing() -> None:
    assert least_cover(np.ones(2), np.ones((3, 2)), np.zeros(3)).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.title)
@pytest.mark.parametrize("side", ["earliest", "latest"])
def test_stored_networks_are_a_fresh_fit(table: FuseTable, side: str) -> None:
    rows = rows_of(table, "latest" if side == "latest" else "earliest")
    latest = side == "latest"
    fresh, stored = fit_network(rows, latest=latest), Network(*FITTED[rows, latest])
    # By what they do: terms may be told apart in more than one way.
    for time_s in np.geomspace(rows[0][0] / 10, 10 * rows[-1][0], 60).tolist():
        assert stored.step(time_s) == pytest.approx(fresh.step(time_s), rel=1e-6)


def test_no_network_is_stored_for_nothing() -> None:
    assert len(FITTED) == len({(rows_of(table, side), side) for table in TABLES for side in ("earliest", "latest")})
