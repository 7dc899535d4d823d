"""A current typed in by hand against one that a tester, a charger or a motor really held. docs/methods.md, Bad data.

The batteries here are Ohm's law and one relaxation: V = E(q) − R₀ i − v₁, v₁ following R₁ i with τ (references.md
section 7). Thresholds are the module's own.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.quality.filled_in import (
    filled_in,
    peak_over_usual,
    strongest,
    sudden_changes,
    turning_points,
    voltage_jumps,
    without_current,
)
from amptally.analysis.quality.screening import judge
from amptally.analysis.quality.voltage_response import Pair
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats
from amptally.analysis.wording.findings import told
from tests.analysis.build_runs import measured, write_run
from tests.dashboard.made_runs import lacking, short_drive
from tests.studies.unseen_logs import LogFamily
from tests.studies.unseen_odd_logs import BESIDE, ODD, SAMPLES

FROZEN = Path(__file__).parents[1] / "frozen" / "schema-1.parquet"
ROWS_S = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)


def battery_v(amps: Floats, interval_s: float, capacity_ah: float = 20.0, seed: int = 0) -> Floats:
    """24 V lead-acid: 12 mΩ at once, 15 mΩ more with τ = 40 s, a curve with a knee over the charge, 1 mV of noise."""
    drawn = np.cumsum(amps) * interval_s / 3600 / capacity_ah
    keep, relaxed = np.exp(-interval_s / 40), np.zeros(len(amps))
    for place in range(1, len(amps)):
        relaxed[place] = keep * relaxed[place - 1] + (1 - keep) * 0.015 * amps[place]
    knee = 3.0 * np.clip(drawn, 0, None) ** 12
    noise = np.random.default_rng(seed).normal(0, 1e-3, len(amps))
    return np.round(25.8 - 2.0 * drawn - knee - 0.012 * amps - relaxed + noise, 3)


def pair_of(amps: Floats, volts: Floats, interval_s: float) -> Pair:
    return Pair(np.arange(len(amps)) * interval_s, amps, volts, np.zeros(len(amps) - 1, bool))


STEPPED = np.repeat([0.0, 10.0, 4.0, 15.0, 0.0, 7.0, 10.0, 0.0], 75)
"""Five loads and rests over 600 rows [A]."""


def battery_that_lasts(amps: Floats, interval_s: float) -> Floats:
    """The voltage of a battery of twice the charge that the load draws."""
    return battery_v(amps, interval_s, 2 * max(float(np.abs(amps).sum()) * interval_s / 3600, 1.0))


@pytest.mark.parametrize("interval_s", ROWS_S)
def test_loads_that_a_tester_holds_are_measured(interval_s: float) -> None:
    loads = {
        "stepped": STEPPED,
        "constant": np.full(600, 12.0),
        "constant and rests": np.repeat([0.0, 12.0, 0.0], [150, 300, 150]),
        "rest that reads an offset": np.full(600, 0.0085),
        "charge": np.full(600, -5.0),
    }
    for name, amps in loads.items():
        volts = battery_that_lasts(amps, interval_s)
        assert filled_in("battery_current_a", pair_of(amps, volts, interval_s)) is None, name
    # Down to its end, over the knee: the last tenth of the charge in the last tenth of the rows.
    amps = np.full(600, 12.0)
    falling = battery_v(amps, interval_s, 12.0 * 600 * interval_s / 3600)
    assert filled_in("battery_current_a", pair_of(amps, falling, interval_s)) is None


@pytest.mark.parametrize("interval_s", ROWS_S)
@pytest.mark.parametrize("typed", ["one number", "by pieces", "lines", "with noise"])
def test_a_typed_current_has_no_step_where_the_voltage_jumps(interval_s: float, typed: str) -> None:
    volts, count = battery_that_lasts(STEPPED, interval_s), len(STEPPED)
    mean_a = round(float(STEPPED.mean()), 1)
    value = {
        "one number": np.full(count, mean_a),
        # Its pieces end 40 rows after the load's.
        "by pieces": np.roll(np.repeat(mean_a * np.array([0.5, 1.2, 0.8, 1.4, 0.6, 1.0, 1.3, 0.9]), 75), 40),
        "lines": np.interp(np.arange(count), np.arange(40, count, 75), np.resize([3.0, 9.0, 5.0], 8)),
        "with noise": mean_a * (1 + 0.003 * np.random.default_rng(1).standard_normal(count)),
    }[typed]
    found = filled_in("battery_current_a", pair_of(value, volts, interval_s))
    assert found is not None
    assert (found.code, found.reason["one_number"]) == ("current_filled_in", typed == "one number")
    assert "the voltage jumps" in told(found.reason).evidence


def test_on_a_drive_the_voltage_swings_without_the_typed_current() -> None:
    rng = np.random.default_rng(4)
    time_s = np.arange(12_000) * 0.02
    amps = 12 + 8 * np.sin(time_s / 1.7) + 4 * np.sin(time_s / 0.6 + 1) + rng.normal(0, 0.2, len(time_s))
    volts = 25.6 - 0.02 * amps + rng.normal(0, 0.003, len(time_s))
    none = np.zeros(len(time_s) - 1, bool)
    assert without_current(Pair(time_s, amps, volts, none)) is None
    # A scale or a sign is another finding.
    assert without_current(Pair(time_s, -0.001 * amps, volts, none)) is None
    for typed in (np.full(len(time_s), 12.0), 12 * (1 + 0.01 * rng.standard_normal(len(time_s)))):
        assert without_current(Pair(time_s, typed, volts, none)) is not None


def test_noise_at_alternating_turns_is_no_relation() -> None:
    """Swings alternate, and so does noise from turn to turn: its correlation with them has √2/√n at 1 σ, not 1/√n."""
    time_s = np.arange(320) * 1.0
    volts = (
        25.6 - 0.3 * np.sign(np.sin(time_s * 2 * np.pi / 20 + 0.1)) + np.random.default_rng(1009).normal(0, 0.003, 320)
    )
    for seed in range(40):
        typed = 12 * (1 + 0.005 * np.random.default_rng(seed).standard_normal(320))
        assert without_current(Pair(time_s, typed, volts, np.zeros(319, bool))) is not None, seed
    # Means of one number differ in their last digit, which is noise as well.
    tenths = np.full(320, 0.1) + 1e-17 * np.random.default_rng(1).standard_normal(320)
    assert without_current(Pair(time_s, tenths, volts, np.zeros(319, bool))) is not None


def test_slow_swings_have_no_jumps_and_tell_it_too() -> None:
    """A wave of 12 s leaves nothing of five changes in a row: 25 swings in all, at no current that goes with them."""
    time_s = np.arange(15_000) * 0.02
    volts = 25.6 - 0.3 * np.sin(time_s * 2 * np.pi / 24) + np.random.default_rng(1).normal(0, 0.003, len(time_s))
    none = np.zeros(len(time_s) - 1, bool)
    reason = without_current(Pair(time_s, np.full(len(time_s), 12.0), volts, none))
    assert reason is not None
    assert reason.code == "swings_without_current"
    assert without_current(Pair(time_s, 12 + 8 * np.sin(time_s * 2 * np.pi / 24), volts, none)) is None


def test_a_correlation_is_that_of_signed_roots() -> None:
    """By hand: roots (1, −2, 3) and (2, −1, 0): 4 over √14 · √5."""
    assert strongest(np.array([1.0, -4.0, 9.0]), np.array([4.0, -1.0, 0.0])) == pytest.approx(4 / math.sqrt(70))
    assert strongest(np.array([1.0, -4.0]), np.array([-2.0, 8.0])) == pytest.approx(1.0)
    assert strongest(np.zeros(3), np.ones(3)) == 0.0


def test_a_current_among_other_loads_stands_out() -> None:
    """A fifth of what moves the voltage: too little at its jumps, clear over all of the drive; another drive is not."""
    rng = np.random.default_rng(5)
    amps, other, another = (rng.standard_normal(2000) for _ in range(3))
    volts = -(amps + 2 * other)
    assert peak_over_usual(amps, volts) > 4 > peak_over_usual(another, volts)
    assert peak_over_usual(np.zeros(2000), volts) == 0.0


@pytest.mark.parametrize("family", BESIDE, ids=lambda family: family.name)
def test_what_the_sensor_does_not_see_makes_no_drive_typed_in(family: LogFamily, tmp_path: Path) -> None:
    """On a drive the current vindicates itself. At one level nothing can: then several jumps refuse, few are named."""
    for seed in (203, 204):
        log = family.make(seed)
        channels = {name: value for name, value in log.record.items() if name != "t_s"}
        found = filled(Run.open(write_run(tmp_path / f"{seed}.parquet", log.record["t_s"], channels)))
        assert found == [] or "drive" not in family.name
        assert "current_filled_in" not in found or "8 times" in family.name


def test_sudden_changes_of_a_voltage_are_those_of_its_current() -> None:
    """V = E − R i: whatever else both do, what is sudden in one is R times what is sudden in the other."""
    rng = np.random.default_rng(3)
    amps = np.cumsum(rng.normal(0, 1, 300)) + 20 * (np.arange(300) > 150)
    none = np.zeros(299, bool)
    expected = -0.02 * sudden_changes(amps, none)
    assert sudden_changes(25.0 - 0.02 * amps, none) == pytest.approx(expected, abs=1e-12)


def filled(run: Run) -> list[str]:
    return [each.code for each in judge(run) if each.code in ("current_filled_in", "voltage_jumps_alone")]


def test_a_current_that_never_rests_is_measured(tmp_path: Path) -> None:
    """Waves as large as the steps: how far the current moves within a second says nothing, only how suddenly does."""
    for name, path in (lacking(tmp_path) | {"frozen": FROZEN}).items():
        assert filled(Run.open(path)) == [], name
    time_s, channels = short_drive()
    for first_s, last_s in ((0, 30), (1, 60), (30, 60), (2, 45)):
        use = (time_s >= first_s) & (time_s < last_s)
        cut = {name: value[use] for name, value in channels.items()}
        path = write_run(tmp_path / f"{first_s}-{last_s}.parquet", time_s[use] - first_s, cut)
        assert filled(Run.open(path)) == [], (first_s, last_s)


def test_the_same_drive_with_a_typed_current_is_found(tmp_path: Path) -> None:
    time_s, channels = short_drive(240.0)
    for name, value in (
        ("one number", np.full(len(time_s), 21.5)),
        ("by pieces", np.repeat([18.0, 25.0, 21.0, 19.0, 24.0, 22.0], 4000)),
    ):
        path = write_run(
            tmp_path / f"{name.replace(' ', '-')}.parquet", time_s, channels | {"battery_current_a": value}
        )
        assert "current_filled_in" in filled(Run.open(path)), name


@pytest.mark.parametrize("family", ODD, ids=lambda family: family.name)
def test_odd_logs_of_measured_currents(family: LogFamily, tmp_path: Path) -> None:
    for seed in (200, 201):
        log = family.make(seed)
        channels = {name: value for name, value in log.record.items() if name != "t_s"}
        path = write_run(tmp_path / f"{seed}.parquet", log.record["t_s"], channels, machine=log.machine)
        assert set(filled(Run.open(path))) <= log.allowed, seed


def test_sample_runs_and_their_parts() -> None:
    for path in sorted(SAMPLES.glob("*.parquet")):
        run = Run.open(path)
        assert filled(run) == []
        for first_s in range(0, int(run.duration_s) - 30, 60):
            assert filled(run.part(float(first_s), float(first_s + 30))) == [], (path.stem, first_s)


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_a_few_jumps_do_not_tell_a_typed_current(count: int, tmp_path: Path) -> None:
    """A charger that is plugged in, a contact that gives way, a lamp beside the sensor: a few jumps show no more."""
    time_s = np.arange(1200.0)
    edges = np.linspace(150, 1050, count)
    level = np.concatenate(([0.0, 1.0, 0.0, 1.0, 0.0], [0.0]))[: count + 1]
    volts = 25.6 - time_s / 2000 - 0.3 * level[np.searchsorted(edges, time_s)]
    volts = np.round(volts + np.random.default_rng(1).normal(0, 0.002, 1200), 3)
    channels = {"battery_current_a": np.full(1200, 5.0), "battery_voltage_v": volts}
    run = Run.open(write_run(tmp_path / "r.parquet", time_s, channels))
    (found,) = judge(run)
    assert (found.code, found.reason["jumps"]) == ("voltage_jumps_alone", count)
    evidence = told(found.reason).evidence
    assert f"{count} jump" in evidence
    # Said, and nothing is taken away: the data do not show which of the causes it is.
    value = Doubts.of([found]).hold(Estimate(1.0, 0.9, 1.1, "Ah"), ("battery_current_a", "net"))
    assert value.value == 1.0


def test_one_number_for_a_measured_discharge_shows_at_its_first_step(tmp_path: Path) -> None:
    """At the 24 V set's constant 65 A nothing but the start of the load tells that one number is not measured."""
    time_s, amps, volts = measured("pack_24v_65a_discharge.csv")
    channels = {"battery_current_a": np.full(len(amps), 64.68), "battery_voltage_v": volts}
    assert filled(Run.open(write_run(tmp_path / "all.parquet", time_s, channels))) == ["voltage_jumps_alone"]
    later = time_s > 30
    channels = {name: value[later] for name, value in channels.items()}
    assert list(judge(Run.open(write_run(tmp_path / "held.parquet", time_s[later] - time_s[later][0], channels)))) == []


def test_noise_steps_and_spikes_are_no_jumps() -> None:
    rng = np.random.default_rng(2)
    none = np.zeros(1999, bool)
    falling = 26 - np.arange(2000) / 1000
    noisy, coarse = falling + rng.normal(0, 0.02, 2000), np.round(falling, 1)
    assert len(voltage_jumps(noisy, none, noisy).at) == 0
    assert len(voltage_jumps(coarse, none, coarse).at) == 0
    spiked = falling.copy()
    spiked[::200] += 0.5
    assert len(voltage_jumps(spiked, none, spiked).at) == 0
    stepped_v = falling.copy()
    stepped_v[1000:] -= 0.3
    jumps = voltage_jumps(stepped_v, none, stepped_v)
    assert jumps.at.tolist() == [999]
    assert jumps.size_v == pytest.approx([-0.3], abs=0.01)


def test_no_jump_is_read_across_a_gap() -> None:
    volts = np.where(np.arange(200) < 100, 25.0, 24.0)
    broken = np.arange(199) == 99
    assert len(voltage_jumps(volts, broken, volts).at) == 0


def test_turning_points_are_those_of_a_slow_twin() -> None:
    """A zigzag turns at its corners; what is smaller than the threshold is no turn."""
    corners = [0.0, 5.0, 2.0, 9.0, 1.0]
    zigzag = np.interp(np.arange(41), np.arange(0, 41, 10), corners)
    assert turning_points(zigzag, 2.5) == [0, 10, 20, 30]
    assert turning_points(zigzag, 3.5) == [0, 30]
    assert turning_points(np.full(10, 3.0), 1.0) == []
