"""Resistance against published two-step values and against circuits whose resistances are known."""

from __future__ import annotations

import math
from itertools import accumulate

import numpy as np
import numpy.typing as npt
import pytest

from amptally.analysis.battery.resistance import ONE_STEP_SHARE, Resistance, assess_resistance
from amptally.analysis.battery.resistance_fit import TIME_SCALES_S, fit_voltage, lagged_current, solve
from amptally.analysis.battery.resistance_steps import Step, find_steps, from_steps
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import SensorError
from amptally.analysis.wording.results import basis, refusal
from tests.analysis.build_runs import consistent, measured, sides, value_of

Floats = npt.NDArray[np.float64]
SILENT = SensorError()


def no_gaps(t_s: Floats) -> npt.NDArray[np.bool_]:
    return np.zeros(len(t_s) - 1, bool)


def assess(t_s: Floats, volts: Floats, amps: Floats, noise_a: float = 0.0, noise_v: float = 0.0) -> Resistance:
    sensors = SensorError(0.0, 0.0, 0.0, noise_a), SensorError(0.0, 0.0, 0.0, noise_v)
    return assess_resistance(t_s, volts, amps, no_gaps(t_s), *sensors)


def width_of(result: Estimate) -> float:
    low, _, high = sides(result)
    return high - low


class Circuit:
    """E behind R0 and RC pairs; the current is taken as straight lines between samples of a fine grid."""

    def __init__(self, r0_ohm: float, pairs: list[tuple[float, float]], open_v: float = 25.4) -> None:
        self.r0_ohm, self.pairs, self.open_v = r0_ohm, pairs, open_v

    def after(self, scale_s: float) -> float:
        """Drop per ampere so long after a step: R0 + Σ R (1 − exp(−T/τ)), a textbook solution."""
        return self.r0_ohm + sum(ohm * (1 - math.exp(-scale_s / tau)) for ohm, tau in self.pairs)

    def volts(self, t_s: Floats, amps: Floats, per_ah: float = 0.05) -> Floats:
        dt = np.diff(t_s)
        mean = 0.5 * (amps[1:] + amps[:-1])
        drawn_ah = np.concatenate(([0.0], np.cumsum(mean * dt))) / 3600
        volts = self.open_v - per_ah * drawn_ah - self.r0_ohm * amps
        for ohm, tau in self.pairs:
            keep = np.exp(-dt / tau)
            lagged = accumulate(
                zip(keep.tolist(), mean.tolist(), strict=True),
                lambda state, item: state * item[0] + item[1] * (1 - item[0]),
                initial=0.0,
            )
            volts = volts - ohm * np.fromiter(lagged, float, len(t_s))
        return np.asarray(volts)

    @classmethod
    def drawn_by(cls, rng: np.random.Generator) -> Circuit:
        """A battery with a fast, a middle and a slow pair, none at a time constant that the analysis uses."""
        r0 = rng.uniform(0.008, 0.03)

        def tau(low: float, high: float) -> float:
            return float(np.exp(rng.uniform(np.log(low), np.log(high))))

        shares = rng.uniform(0.1, 0.6, 3)
        return cls(r0, [(shares[0] * r0, tau(0.02, 0.5)), (shares[1] * r0, tau(1, 8)), (shares[2] * r0, tau(15, 120))])


def drive(rng: np.random.Generator, length_s: float, grid_s: float) -> tuple[Floats, Floats]:
    """Ten seconds of rest, then starts, holds, coasting and a little regeneration, with motor lag and ripple."""
    t_s = np.arange(0, length_s, grid_s)
    amps = np.zeros_like(t_s)
    at = 10.0
    while at < length_s:
        hold = rng.choice([rng.uniform(0.3, 2), rng.uniform(2, 15)])
        level = rng.choice([0, rng.uniform(3, 15), rng.uniform(15, 60), -rng.uniform(0, 8)], p=[0.2, 0.4, 0.3, 0.1])
        amps[int(at / grid_s) : int((at + hold) / grid_s)] = level
        at += hold
    amps = lagged_current(t_s, amps, rng.uniform(0.03, 0.2))
    ripple = lagged_current(t_s, rng.normal(size=len(t_s)), 0.05)
    return t_s, amps * (1 + 0.08 * ripple / np.std(ripple))


# IR1, ../shared/references.md section 7: I10 3.72, I 14.88 then 74.40 A, U 12.6512 then 12.0560 V → 0.010000 Ω
def test_IR1_two_step_value() -> None:
    step = Step(20.0, 74.40 - 14.88, 12.6512 - 12.0560, 0.0)
    assert from_steps([step], 0.0)[0] == pytest.approx(0.010000, abs=1e-6)


@pytest.mark.parametrize("interval_s", [0.01, 0.1])
def test_IR1_read_from_a_record_of_the_profile(interval_s: float) -> None:
    # IEC 60896-21 6.3 (from memory): (4..6) I10 for 20 s, then (20..40) I10 for 5 s
    t_s = np.arange(0, 30, interval_s)
    heavy = (t_s >= 20) & (t_s < 25)
    amps = np.where(heavy, 74.40, 14.88)
    volts = np.where(heavy, 12.0560, 12.6512)
    for scale in (1.0,) if interval_s > 0.05 else (0.1, 1.0):
        steps = find_steps(t_s, volts, amps, no_gaps(t_s), scale)
        assert len(steps) == 2  # up and down again
        assert from_steps(steps, 0.0)[0] == pytest.approx(0.010000, abs=1e-6)
        low, value, high = sides(assess(t_s, volts, amps).by_scale[scale])
        assert value == pytest.approx(0.010000, abs=1e-6)
        assert low < 0.01 < high


def test_IR2_uncertainty_of_the_two_step_value() -> None:
    # IR2: u(U) 5 mV each → 0.1188 mΩ; with 1 % of current gain 0.1553 mΩ in all
    step = Step(20.0, 74.40 - 14.88, 12.6512 - 12.0560, 0.0)
    value, u = from_steps([step], 0.005)
    assert u == pytest.approx(0.1188e-3, rel=1e-3)
    assert math.hypot(u, 0.01 * value) == pytest.approx(0.1553e-3, rel=1e-3)


def in_parallel(open_v: float, ohms: tuple[float, float], amps: Floats) -> tuple[Floats, Floats]:
    """Voltage of two packs side by side, and the current of the first: Kirchhoff's two equations, solved."""
    # V + r₁ i₁ = E, V + r₂ (i − i₁) = E
    equations = np.array([[1.0, ohms[0]], [1.0, -ohms[1]]])
    solved = np.linalg.solve(equations, np.stack([np.full_like(amps, open_v), open_v - ohms[1] * amps]))
    return solved[0], solved[1]


@pytest.mark.parametrize(
    ("ohms", "ohm", "share_a"),
    # IR3: two 12.8 V packs of 0.010 Ω in parallel: 0.005 Ω; 0.008 beside 0.012 Ω at 30 A: 18.0 and 12.0 A, 4.8 mΩ.
    # In series: tests/logger/test_machine.py.
    [((0.010, 0.010), 0.005, 15.0), ((0.008, 0.012), 0.0048, 18.0)],
)
def test_IR3_packs_in_parallel_are_found_as_one(ohms: tuple[float, float], ohm: float, share_a: float) -> None:
    t_s = np.arange(0, 60, 0.05)
    amps = np.where(t_s % 10 < 5, 0.0, 30.0)
    volts, first_a = in_parallel(12.8, ohms, amps)
    assert first_a.max() == pytest.approx(share_a)
    result = assess(t_s, volts, amps)
    assert value_of(result.by_scale[1.0]) == pytest.approx(ohm, rel=1e-6)
    assert value_of(result.open_circuit_v) == pytest.approx(12.8, rel=1e-6)
    own = assess(t_s, volts, first_a)
    assert value_of(own.by_scale[1.0]) == pytest.approx(ohms[0], rel=1e-6)


def test_IR4_the_normal_equations_give_the_published_line() -> None:
    # IR4: OLS V = OCV − R I: OCV 12.700321, R 0.01502143, within 1e-6
    amps = np.arange(0, 31, 5.0)
    volts = np.array([12.703, 12.623, 12.546, 12.480, 12.401, 12.319, 12.253])
    table = np.stack([np.ones(7), -amps], axis=1)
    solved = solve(table.T @ table, table.T @ volts)
    assert solved is not None
    assert solved.tolist() == pytest.approx([12.700321, 0.01502143], abs=1e-6)


def test_unknowns_that_the_data_do_not_tell_apart_are_not_solved() -> None:
    assert solve(np.ones((2, 2)), np.ones(2)) is None
    assert solve(np.array([[1.0, 0.0], [0.0, 0.0]]), np.ones(2)) is None


# IR5: R_ols/R = var(I)/(var(I) + u²): 0.9804, 0.9259, 0.7576 at 0.5, 1, 2 A for a current of variance 12.5 A², ± 0.01
@pytest.mark.parametrize(
    ("noise_a", "ratio", "given"), [(0.5, 0.9804, {10.0}), (1.0, 0.9259, set()), (2.0, 0.7576, set())]
)
@pytest.mark.parametrize("declared", [True, False])
def test_IR5_noise_in_the_current_does_not_pull_the_result_down(
    noise_a: float, ratio: float, given: set[float], declared: bool
) -> None:
    rng = np.random.default_rng(4)
    t_s, amps = drive(rng, 400, 0.02)
    true_a = (amps - amps.mean()) * math.sqrt(12.5 / amps.var()) + 10.0
    seen_a = true_a + rng.normal(0, noise_a, len(t_s))
    volts = 25 - 0.02 * true_a
    # The plain line is as wrong as published: data on which a result without the correction would fail below.
    assert -np.polyfit(seen_a, volts, 1)[0] / 0.02 == pytest.approx(ratio, abs=0.01)
    found = assess(t_s, volts, seen_a, noise_a if declared else 0.0).by_scale
    assert given <= {scale for scale, estimate in found.items() if not estimate.is_refused}
    for scale, estimate in found.items():
        if not estimate.is_refused:
            low, value, high = sides(estimate)
            assert low <= 0.02 <= high, scale
            assert abs(value / 0.02 - 1) < 0.5 * (1 - ratio), scale
    if noise_a == 2.0:
        assert all(estimate.reasons == (Reason("current_hardly_changes"),) for estimate in found.values())


def test_noise_in_the_current_of_a_drive_is_taken_off() -> None:
    rng = np.random.default_rng(21)
    t_s, amps = drive(rng, 300, 0.01)
    volts = 25 - 0.02 * amps
    fit = fit_voltage(t_s, volts, amps + rng.normal(0, 1.0, len(t_s)), no_gaps(t_s), 1.0)
    assert not isinstance(fit, str)
    for scale in (1.0, 10.0):
        assert fit.resistance_ohm[scale][0] == pytest.approx(0.02, rel=0.01)


@pytest.mark.parametrize("begin_s", [0.0, 0.007, 1631.194])
def test_how_sample_times_were_rounded_does_not_matter(begin_s: float) -> None:
    rng = np.random.default_rng(8)
    t_s, amps = drive(rng, 200, 0.002)
    volts = Circuit(0.015, [(0.004, 0.2), (0.006, 20.0)]).volts(t_s, amps)
    amps += rng.normal(0, 0.05, len(amps))
    counted, added = begin_s + 2e-3 * np.arange(len(t_s)), np.cumsum([begin_s, *[2e-3] * (len(t_s) - 1)])
    assert np.abs(counted - added).max() > 0
    one, other = (fit_voltage(each, volts, amps, no_gaps(t_s), 0.05, 1e-4) for each in (counted, added))
    assert not isinstance(one, str)
    assert not isinstance(other, str)
    assert len(one.resistance_ohm) == len(TIME_SCALES_S)
    for scale, found in one.resistance_ohm.items():
        assert found == pytest.approx(other.resistance_ohm[scale], rel=1e-7)


Outcome = dict[float, list[tuple[bool, float, float]]]


def outcomes(seeds: range, length_s: float, interval_s: float, noise_a: float, noise_v: float) -> Outcome:
    """By time scale: truth inside, relative half-width, relative error, of drives on random circuits."""
    found: Outcome = {scale: [] for scale in TIME_SCALES_S}
    for seed in seeds:
        rng = np.random.default_rng(seed)
        circuit = Circuit.drawn_by(rng)
        every = max(round(interval_s / 0.01), 1)
        t_s, amps = drive(rng, length_s, interval_s / every)
        volts = circuit.volts(t_s, amps)
        t_s, amps, volts = t_s[::every], amps[::every], volts[::every]
        noisy_a, noisy_v = amps + rng.normal(0, noise_a, len(t_s)), volts + rng.normal(0, noise_v, len(t_s))
        result = assess(t_s, noisy_v, noisy_a, noise_a, noise_v)
        for scale, estimate in result.by_scale.items():
            consistent(estimate)
            if not estimate.is_refused:
                low, value, high = sides(estimate)
                truth = circuit.after(scale)
                found[scale].append((low <= truth <= high, (high - low) / 2 / truth, value / truth - 1))
    return found


# Our own check, no source: fifteen random circuits at each of four ways to sample; the truth has to lie inside the 95 %
# interval in nine of ten, and the interval must not say nothing.
@pytest.mark.parametrize(
    ("length_s", "interval_s", "scales", "seeds"),
    [
        (60.0, 0.01, (0.1, 1.0, 10.0), range(15)),
        (200.0, 0.02, (0.1, 1.0, 10.0), range(20, 35)),
        (600.0, 0.1, (1.0, 10.0), range(40, 55)),
        (900.0, 0.5, (1.0, 10.0), range(60, 75)),
    ],
)
def test_drives_on_known_circuits(length_s: float, interval_s: float, scales: tuple[float, ...], seeds: range) -> None:
    found = outcomes(seeds, length_s, interval_s, noise_a=0.05, noise_v=0.003)
    for scale in TIME_SCALES_S:
        if scale not in scales:
            assert not found[scale]
            continue
        assert len(found[scale]) >= 0.6 * len(seeds)
        inside, half, error = (np.array(column) for column in zip(*found[scale], strict=True))
        assert inside.mean() >= 0.9
        assert np.median(half) < 0.12
        assert half.max() < 1.0
        assert abs(np.median(error)) < 0.05


def test_a_pulse_train_on_a_circuit_is_read_from_its_steps() -> None:
    inside = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        circuit = Circuit.drawn_by(rng)
        t_s = np.arange(0, 150, 0.01)
        amps = np.where(t_s < 20, 0.0, np.where((t_s - 20) % 25 < 20, 14.88, 74.4))
        volts = circuit.volts(t_s, amps) + rng.normal(0, 0.002, len(t_s))
        result = assess(t_s, volts, amps + rng.normal(0, 0.05, len(t_s)), 0.05, 0.002)
        for scale in (0.1, 1.0):
            assert "step" in basis(result.by_scale[scale])
            low, value, high = sides(result.by_scale[scale])
            inside.append(low <= circuit.after(scale) <= high)
            assert high - low < 0.3 * value
    assert np.mean(inside) >= 0.9


def test_a_single_step_shows_its_own_scatter_though_no_noise_is_declared() -> None:
    rng = np.random.default_rng(2)
    t_s = np.arange(0, 12, 0.02)
    amps = np.where(t_s < 6, 0.0, 5.0)
    volts = 25 - 0.02 * amps + rng.normal(0, 0.02, len(t_s))
    steps = find_steps(t_s, volts, amps, no_gaps(t_s), 1.0)
    assert len(steps) == 1
    assert steps[0].scatter_v == pytest.approx(0.02, rel=0.3)
    assert from_steps(steps, 0.0)[1] >= 0.02 / 5


@pytest.mark.parametrize("wrong", ["short", "shaky", "small", "gap", "coarse"])
def test_what_is_no_clean_step_is_not_read(wrong: str) -> None:
    t_s = np.arange(0, 40, 0.1)
    amps = np.where(t_s < 20, 2.0, 22.0)
    gap = no_gaps(t_s)
    scale = 1.0
    if wrong == "short":
        amps = np.where((t_s >= 20) & (t_s < 20.8), 22.0, 2.0)
    elif wrong == "shaky":
        amps = amps + np.where(np.arange(400) % 2 == 0, 1.5, -1.5)
    elif wrong == "small":
        amps = np.where(t_s < 20, 2.0, 3.8)
    elif wrong == "gap":
        gap[205] = True
    else:
        scale = 0.1
    clean = find_steps(t_s, 25 - 0.01 * amps, np.where(t_s < 20, 2.0, 22.0), no_gaps(t_s), 1.0)
    assert len(clean) == 1
    assert find_steps(t_s, 25 - 0.01 * amps, amps, gap, scale) == []


def test_a_slow_rise_is_timed_from_the_charge_it_leaves_out() -> None:
    # A ramp of 0.4 s stands for a step at its middle: V = 25 − 0.02 i − 0.01 × (i lagged by 2 s)
    circuit = Circuit(0.02, [(0.01, 2.0)], 25.0)
    t_s = np.arange(0, 10, 0.01)
    amps = np.clip((t_s - 5) / 0.4, 0, 1) * 50
    steps = find_steps(t_s, circuit.volts(t_s, amps, 0.0), amps, no_gaps(t_s), 1.0)
    assert from_steps(steps, 0.0)[0] == pytest.approx(circuit.after(1.0), rel=0.01)


def test_a_battery_still_relaxing_before_the_step_is_allowed_for() -> None:
    circuit = Circuit(0.02, [(0.02, 20.0)], 25.0)
    t_s = np.arange(0, 60, 0.05)
    amps = np.where(t_s < 30, 40.0, np.where(t_s < 42, 0.0, 40.0))
    steps = find_steps(t_s, circuit.volts(t_s, amps, 0.0), amps, no_gaps(t_s), 10.0)
    value, u = from_steps(steps[-1:], 0.0)
    assert abs(value - circuit.after(10.0)) < 1.96 * u
    assert u < 0.2 * value


def test_a_voltage_that_rises_with_the_load_is_a_wiring_fault() -> None:
    t_s = np.arange(0, 40, 0.05)
    amps = np.where(t_s % 10 < 5, 0.0, 20.0)
    result = assess(t_s, 25 + 0.02 * amps, amps)
    assert [reason.code for reason in result.by_scale[1.0].reasons] == ["voltage_rises_with_current"]


def test_slow_samples_are_told_as_the_reason() -> None:
    t_s, amps, volts = measured("lead_acid_12v_1p5a_discharge.csv")
    result = assess_resistance(t_s, volts, amps, no_gaps(t_s), SILENT, SILENT)
    for scale, estimate in result.by_scale.items():
        assert refusal(estimate) == f"samples every 60 s cannot show what happens {scale:g} s after a step"


def test_the_pack_set_is_read_from_its_one_step() -> None:
    # The record itself: 24.83 V before the step at 20.0 s; 24.47 V at 21.0 s, 24.34 V at 30 s, under 65 A.
    t_s, amps, volts = measured("pack_24v_65a_discharge.csv")
    result = assess_resistance(t_s, volts, amps, no_gaps(t_s), SILENT, SILENT)
    at = np.interp([20.05 + 1, 20.05 + 10], t_s + 1.0, volts)
    for scale, after in zip((1.0, 10.0), at, strict=True):
        low, value, high = sides(result.by_scale[scale])
        assert value == pytest.approx((24.83 - after) / 64.98, rel=0.01)
        assert low < (24.83 - after) / 64.98 < high
        assert "1 step of current" in basis(result.by_scale[scale])
        assert "sensor error not declared" in basis(result.by_scale[scale])
    assert result.by_scale[0.1].is_refused


@pytest.mark.parametrize("scale", [1.0, 10.0])
def test_rows_just_around_a_step_say_nothing_of_the_seconds_after_it(scale: float) -> None:
    # A tester's log: a row a minute, and one just before and just after each change of current.
    rows = np.concatenate((np.arange(0, 600, 60.0), [300.1, 300.3]))
    t_s = np.sort(rows)
    amps = np.where(t_s < 300.2, 0.0, 20.0)
    volts = Circuit(0.02, [(0.01, 2.0)], 25.0).volts(t_s, amps, 0.0)
    assert find_steps(t_s, volts, amps, no_gaps(t_s), scale) == []
    found = assess(t_s, volts, amps).by_scale[scale]
    assert [reason.code for reason in found.reasons] == ["samples_too_coarse"]


def test_a_row_a_minute_before_a_step_does_not_show_that_the_current_was_steady() -> None:
    t_s = np.concatenate((np.arange(0, 301, 60.0), np.arange(300.05, 330, 0.05)))
    amps = np.where(t_s < 300.2, 0.0, 20.0)
    # 0.2 s of what came before are dense: enough for 0.1 s, nothing for 1 s.
    assert len(find_steps(t_s, 25 - 0.02 * amps, amps, no_gaps(t_s), 0.1)) == 1
    assert find_steps(t_s, 25 - 0.02 * amps, amps, no_gaps(t_s), 1.0) == []


def test_one_step_does_not_show_how_far_steps_differ() -> None:
    t_s = np.arange(0, 12, 0.25)  # too few samples for a regression
    amps = np.where(t_s < 6, 0.0, 20.0)
    low, value, high = sides(assess(t_s, 25 - 0.02 * amps, amps).by_scale[1.0])
    # Noise, timing and model alone would claim ± 5 %; repeated pulses at one charge differ by more (our own choice).
    assert high - value == pytest.approx(value - low)
    assert (high - low) / 2 / value > 1.96 * ONE_STEP_SHARE
    assert "one step" in basis(assess(t_s, 25 - 0.02 * amps, amps).by_scale[1.0])


def test_two_steps_are_scattered_by_students_t() -> None:
    # Drops per ampere of 19 and 21 mΩ: mean 20, s = √2, s/√2 = 1 mΩ; t(1) = 12.706 (JCGM 100 table G.2)
    steps = [Step(0.0, 10.0, 0.19, 0.0), Step(9.0, 10.0, 0.21, 0.0)]
    value, u = from_steps(steps, 0.0)
    assert value == pytest.approx(0.020)
    assert 1.96 * u == pytest.approx(12.706e-3, rel=1e-3)


@pytest.mark.parametrize("amps", [0.0, 12.0])
def test_a_steady_current_tells_no_resistance(amps: float) -> None:
    t_s = np.arange(0, 100, 0.05)
    result = assess(t_s, np.full(len(t_s), 24.5), np.full(len(t_s), amps))
    for estimate in (*result.by_scale.values(), result.open_circuit_v):
        assert [reason.code for reason in estimate.reasons] == ["current_hardly_changes"]


@pytest.mark.parametrize("count", [0, 1, 2, 3, 5])
def test_tiny_runs_are_refused_not_raised(count: int) -> None:
    t_s = np.arange(count) * 0.01
    result = assess_resistance(t_s, 25 - t_s, 10 * t_s, np.zeros(max(count - 1, 0), bool), SensorError(), SensorError())
    estimates: list[Estimate] = [*result.by_scale.values(), result.open_circuit_v]
    assert all(estimate.is_refused for estimate in estimates)


def test_current_gain_error_moves_resistance_by_its_share() -> None:
    t_s = np.arange(0, 60, 0.05)
    amps = np.where(t_s % 10 < 5, 0.0, 30.0)
    plain = assess(t_s, 25 - 0.02 * amps, amps).by_scale[1.0]
    gain = assess_resistance(
        t_s, 25 - 0.02 * amps, amps, no_gaps(t_s), SensorError(0, 0.05, 0, 0), SensorError(0, 0.0, 0, 0)
    ).by_scale[1.0]
    assert sides(gain)[2] - value_of(gain) == pytest.approx(
        math.hypot(sides(plain)[2] - value_of(plain), 1.96 * 0.05 * 0.02), rel=1e-6
    )


def test_what_lies_behind_a_gap_is_forgotten_before_it_is_fitted() -> None:
    # In the gap 80 A flowed that nobody saw; the lagged current is wrong for a while after it.
    rng = np.random.default_rng(8)
    circuit = Circuit(0.02, [(0.01, 3.0)], 25.0)
    t_s, amps = drive(rng, 600, 0.02)
    amps = np.where((t_s > 300) & (t_s < 330), 80.0, amps)
    volts = circuit.volts(t_s, amps)
    seen = (t_s <= 300) | (t_s >= 330)
    t_s, amps, volts = t_s[seen], amps[seen], volts[seen]
    gap = np.diff(t_s) > 1
    fit = fit_voltage(t_s, volts, amps, gap, 0.0)
    assert not isinstance(fit, str)
    assert fit.resistance_ohm[10.0][0] == pytest.approx(circuit.after(10.0), rel=0.02)


def test_two_filters_delay_by_different_times_and_that_counts_as_skew() -> None:
    # A first-order filter delays what changes slowly by τ = 1/(2πf) (textbook); a doubt of known ends and no shape has
    # 1 σ of half its width over √3: JCGM 100 4.3.7, references.md UN4 (M).
    rng = np.random.default_rng(5)
    t_s, amps = drive(rng, 200.0, 0.01)
    volts = 25.0 - 0.02 * amps
    # 20 and 150 Hz: 7.958 and 1.061 ms, 6.897 ms apart, over √3 3.982 ms.
    slow, fast = SensorError(bandwidth_hz=20.0), SensorError(bandwidth_hz=150.0)
    declared = SensorError(delay_u=3.982e-3)
    alike = assess_resistance(t_s, volts, amps, no_gaps(t_s), fast, fast)
    filters = assess_resistance(t_s, volts, amps, no_gaps(t_s), slow, fast)
    same = assess_resistance(t_s, volts, amps, no_gaps(t_s), declared, SensorError())
    for scale in (0.1, 1.0):
        assert width_of(filters.by_scale[scale]) > width_of(alike.by_scale[scale])
        assert width_of(filters.by_scale[scale]) == pytest.approx(width_of(same.by_scale[scale]), rel=1e-3)
