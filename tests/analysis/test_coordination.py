"""Fuse and wire: the slowest fuse of published rows against what the wire carries, by hand and by a slow twin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.protection.coordination import (
    Coordination,
    coordinate,
    let_through,
    let_through_most,
    promised,
    wires_behind,
)
from amptally.analysis.protection.fuse_curve import rows_of
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import sentences
from amptally.logger.machine.description import parse
from amptally.tables.fuse_blades_iso8820_3 import BLADE_LARGE, BLADE_MEDIUM_TO_30_A
from amptally.tables.fuse_families import FAMILIES
from tests.strategies import examples


def fitted(text: str, place: str = "left", measured_c: float | None = None) -> Coordination:
    machine = parse(text, "cart.toml")
    fuse = machine.fuses[place]
    return coordinate(place, fuse.family, fuse.rating_a, wires_behind(machine, place, measured_c))


def pair(rating_a: float, wire: str, family: str = "blade_large", extra: str = "") -> Coordination:
    text = f'[fuse.left]\nfamily = "{family}"\nrating_a = {rating_a}\n{extra}[wire.left]\n{wire}\n'
    return fitted(text)


# Large blade, second-hand transcription of a maker's data sheet: 135 % within 1800 s, 200 % 50 s, 350 % 7 s, 600 % 1 s
def test_what_may_flow_before_the_slowest_large_blade_opens() -> None:
    rows = rows_of(BLADE_LARGE, "latest")
    assert rows == ((1, 6.0), (7, 3.5), (50, 2.0), (1800, 1.35))
    sure = promised(rows)
    for time_s, multiple in rows:
        assert let_through(rows, time_s) == pytest.approx(multiple)
        assert let_through_most(sure, time_s) == pytest.approx(multiple)
    # Constant i²t before the first row: 6 √(1/0.04) = 30 at 0.04 s.
    assert let_through(rows, 0.04) == pytest.approx(30.0)
    assert let_through_most(sure, 0.04) == pytest.approx(30.0)
    # Between 7 and 50 s at 20 s: log-log 3.5 (2/3.5)^(ln(20/7)/ln(50/7)) = 2.596; the chord of 1/p² gives 1/√0.1325.
    assert let_through(rows, 20) == pytest.approx(2.596, abs=1e-3)
    assert let_through_most(sure, 20) == pytest.approx(2.747, abs=1e-3)
    assert let_through_most(sure, 1e6) == pytest.approx(1.35)


def test_a_row_that_the_others_imply_already_adds_nothing() -> None:
    # 350 % within 0.25 s promises 1/p² = 0.0816 there and its share 0.0327 at 0.1 s, more than the 0.0278 of 600 %.
    rows = rows_of(BLADE_MEDIUM_TO_30_A, "latest")
    assert rows[:2] == ((0.1, 6.0), (0.25, 3.5))
    assert np.array(promised(rows)) == pytest.approx(np.array(rows[1:]))


@examples(0.5)
@given(
    st.sampled_from([table for family in FAMILIES.values() for table in family.tables]),
    st.lists(st.tuples(st.floats(-3, 4), st.floats(0.01, 5)), min_size=1, max_size=4),
    st.floats(0.04, 3000),
)
def test_no_fuse_that_keeps_the_rows_lets_more_through(
    table: object, terms: list[tuple[float, float]], time_s: float
) -> None:
    rows = rows_of(table, "latest")  # type: ignore[arg-type]
    network = Network(tuple(share for _, share in terms), tuple(10.0**power for power, _ in terms))
    # Scaled so that it opens just in time at the row where it is slowest.
    slowest = min(network.step(row_s) * multiple**2 for row_s, multiple in rows)
    assert network.allowed(time_s) * math.sqrt(slowest) <= let_through_most(promised(rows), time_s) * (1 + 1e-9)


# 33 CFR 183.425 Table 5: 10 AWG at 105 °C 60 A, τ 86.5 s (TM6); 88 · 5.261 = 463 A √s (k by formula, from memory)
def test_a_small_fuse_holds_at_every_time() -> None:
    found = pair(30, "awg = 10\ninsulation_c = 105")
    assert found.holds is True
    assert found.findings == ()
    for point in found.curve:
        likely_a = (
            463.0 / math.sqrt(point.time_s) if point.time_s <= 5 else 60 * Network.single(86.5).allowed(point.time_s)
        )
        assert point.wire_a == pytest.approx(likely_a, rel=0.01)
        assert point.wire_least_a <= point.wire_a
        assert point.fuse_a <= point.fuse_most_a * (1 + 1e-9)
    times_s = [point.time_s for point in found.curve]
    assert (times_s[0], times_s[-1]) == (0.04, 1800.0)
    assert found.weakest_s in times_s
    assert "adiabatic rule" in sentences(found.why)
    # Loaded up to its rating before, it holds as well: fuse and wire start warm, own arithmetic in docs/methods.md.
    before = (30 / 60) ** 2
    for point in found.curve:
        if point.time_s > 5:
            rise = 1 / (point.fuse_a / 30) ** 2
            fuse2 = 1 + (1 - 1 / 1.35**2) / rise
            gain = Network.single(86.5).step(point.time_s)
            assert fuse2 * before <= before + (1 - before) / gain


# IEC 60364-4-43, from memory: In ≤ Iz and I2 ≤ 1.45 Iz. 40 A and 1.35 · 40 = 54 A against 60 A.
def test_a_fuse_that_only_the_overload_rule_allows_is_not_said_to_hold() -> None:
    found = pair(40, "awg = 10\ninsulation_c = 105")
    assert found.holds is None
    (finding,) = found.findings
    assert (finding.code, finding.severity) == ("fuse_wire_coordination", "caution")
    # At 200 s on the log-log line 68.9 A, where 60/√(1 − e^(−200/86.5)) = 63.3 A: 1.18 times the rise of 75 K.
    line = 200 * (135 / 200) ** (math.log(200 / 50) / math.log(36)) / 100 * 40
    rise = (line / (60 / math.sqrt(-math.expm1(-200 / 86.5)))) ** 2
    assert found.why[0]["copper_c"] == pytest.approx(30 + 75 * rise, abs=1.5)
    assert "IEC 60364-4-43, from memory" in told(finding).evidence


@pytest.mark.parametrize(
    ("rating_a", "wire", "severity"),
    [
        # 5 s: 600 · (350/600)^(ln 5/ln 7) = 384 %, 230 A of 60 A, against 463/√5 = 207 A
        (60, "awg = 10\ninsulation_c = 105", "danger"),
        # 40 A on 18 AWG, 20 A: far beyond
        (40, "awg = 18\ninsulation_c = 105", "danger"),
        # Above the ampacity by a little: the rule for overloads does not hold, and 35 A of 40 A ends at 1.35 times that
        (40, "awg = 10\ninsulation_c = 75", "danger"),
    ],
)
def test_a_wire_that_may_burn_before_its_fuse_opens(rating_a: float, wire: str, severity: str) -> None:
    found = pair(rating_a, wire)
    assert found.holds is False
    assert [finding.severity for finding in found.findings] == [severity]
    assert found.weakest_s is not None


def test_hot_air_at_the_wire_counts_and_cools_no_fuse() -> None:
    # The let-through is that of the marked rating in cold air, whatever the air at the fuse.
    cold, hot = (pair(30, "awg = 10\ninsulation_c = 105", extra=f"ambient_c = {air}\n") for air in (20, 70))
    assert [point.fuse_a for point in cold.curve] == [point.fuse_a for point in hot.curve]
    assert hot.holds is None
    assert cold.holds is True


def test_without_a_short_time_limit_only_longer_times_are_judged() -> None:
    found = pair(60, "awg = 6\ninsulation_c = 200", "strip_sf30")
    assert found.holds is None
    assert min(point.time_s for point in found.curve) == pytest.approx(5.0)
    assert "no limit is published for this insulation" in sentences(found.why)
    assert found.findings == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[fuse.left]\nfamily = "blade_large"\nrating_a = 40\n', "write [wire.left]"),
        ("[fuse.left]\nrating_a = 40\n[wire.left]\nawg = 10\ninsulation_c = 105\n", "family and rating"),
        ('[fuse.left]\nfamily = "blade_large"\nrating_a = 40\n[wire.left]\nawg = 10\n', "insulation_c is not given"),
    ],
)
def test_what_is_missing_is_said(text: str, words: str) -> None:
    found = fitted(text)
    assert (found.holds, found.weakest_s, found.curve) == (None, None, ())
    assert words in sentences(found.why)
    assert wires_behind(None, "left") == ()


def test_a_main_fuse_protects_what_has_no_other() -> None:
    main = '[fuse.main]\nfamily = "blade_large"\nrating_a = 80\n[wire.main]\nawg = 2\ninsulation_c = 105\n'
    thin = "[wire.left]\nawg = 10\ninsulation_c = 105\n"
    own = '[fuse.left]\nfamily = "blade_large"\nrating_a = 30\n'
    assert fitted(main, "main").holds is True
    bare = fitted(main + thin, "main")
    assert (bare.holds, bare.why[0]["wire"]) == (False, "left")
    assert fitted(main + thin + own, "main").holds is True


def test_every_table_gives_a_curve_without_a_rise() -> None:
    for family in FAMILIES.values():
        for table in family.tables:
            rows = rows_of(table, "latest")
            times_s = np.geomspace(0.04, 1800, 200)
            for line in (
                [let_through(rows, time_s) for time_s in times_s],
                [let_through_most(promised(rows), time_s) for time_s in times_s],
            ):
                assert np.all(np.diff(line) <= 1e-12)
