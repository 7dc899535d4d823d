"""Charge left and runtime, against published discharges and against a battery model the analysis does not know."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.battery.state_of_charge import stated_charge
from amptally.analysis.forecast.data_sheet import DataSheet, MeasuredCapacity
from amptally.analysis.forecast.end_of_discharge import first_below
from amptally.analysis.forecast.inputs import BatteryData, BlockState, Demand
from amptally.analysis.forecast.load_profile import LoadProfile, load_profile, steady
from amptally.analysis.forecast.peukert import peukert_law, used_ah
from amptally.analysis.forecast.remaining import Remaining, forecast
from amptally.analysis.forecast.voltage_curve import VoltageKnee
from amptally.analysis.report.json_form import remaining_json
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.results import phrases, refusal
from tests.strategies import examples

# T1: maker's data sheet, generic 12 V 40 Ah sealed lead-acid, 25 °C: hours and Ah
T1_H, T1_AH = (20.0, 10.0, 5.0, 1.0), (40.0, 37.2, 34.0, 24.0)
# Simulated discharges to 10.5 V, PyBaMM 26.10.1.1, Sulzer2019 lead-acid, 294.85 K: amperes → (h, Ah)
SULZER_FULL = {0.85: (25.6006, 21.761), 1.7: (12.5291, 21.299), 3.4: (6.0657, 20.623), 17.0: (1.0314, 17.533)}
SULZER_LOQS = {0.85: (25.7924, 21.924), 1.7: (12.7028, 21.595), 3.4: (6.2221, 21.155), 17.0: (1.1510, 19.567)}


def exactly(value: float, unit: str) -> Estimate:
    return Estimate(value, value, value, unit)


def one_block(sheet: DataSheet, temperature_c: float | None = 25.0) -> BatteryData:
    return BatteryData(sheet, "agm", 12.0, in_series=False, temperature_c=temperature_c)


def demand_of(amps: float, volts: float = 12.0) -> Demand:
    return Demand(amps, amps, amps, exactly(amps * volts, "W"))


def from_full(sheet: DataSheet, amps: float, start: Estimate | None = None) -> Remaining:
    block = BlockState("block_a", start or stated_charge(1.0), steady(amps))
    return forecast(one_block(sheet), [block], demand_of(amps))


def ends(result: Estimate) -> tuple[float, float, float]:
    assert result.value is not None
    assert result.low is not None
    assert result.high is not None
    return result.low, result.value, result.high


# T1, each rate forecast from two others, extrapolations included: the interval holds the sheet's own time
@pytest.mark.parametrize("chosen", [(0, 1), (0, 2), (0, 3), (1, 3)])
@pytest.mark.parametrize("at", range(4))
def test_runtime_from_full_holds_the_rest_of_the_sheet(chosen: tuple[int, int], at: int) -> None:
    first, second = chosen
    sheet = DataSheet(T1_AH[first], T1_H[first], T1_AH[second], T1_H[second])
    result = from_full(sheet, T1_AH[at] / T1_H[at])
    low, value, high = ends(result.runtime_s)
    assert low < 3600 * T1_H[at] < high
    # Of the wear to 80 % nothing is in the value: it stays within 12 % of the sheet even extrapolated.
    assert value == pytest.approx(3600 * T1_H[at], rel=0.12)
    assert result.extrapolated == (at > max(chosen) or at < min(chosen))
    assert ends(result.charge_ah)[0] < T1_AH[at] < ends(result.charge_ah)[2]


@pytest.mark.parametrize("cell", [SULZER_FULL, SULZER_LOQS])
@pytest.mark.parametrize("amps", [0.85, 1.7, 3.4, 17.0])
@pytest.mark.parametrize("chosen", [(0.85, 17.0), (0.85, 1.7), (0.85, 3.4)])
def test_runtime_from_full_holds_a_simulated_cell(
    cell: dict[float, tuple[float, float]], amps: float, chosen: tuple[float, float]
) -> None:
    (hours, ah), (second_h, second_ah) = (cell[each] for each in chosen)
    low, _, high = ends(from_full(DataSheet(ah, hours, second_ah, second_h), amps).runtime_s)
    assert low < 3600 * cell[amps][0] < high


def test_each_model_alone_is_kept_beside_the_answer() -> None:
    result = from_full(DataSheet(40.0, 20.0, 24.0, 1.0), 6.8)
    names = [each.model for each in result.by_model]
    assert names[0] == "peukert"
    assert len(names) > 2
    # PK5's pair 20-1 h: k 1.2056, t = 20 (40/(6.8 × 20))^k
    assert result.by_model[0].runtime_s.value == pytest.approx(3600 * 20 * (40 / 136) ** 1.2056, rel=1e-3)
    for each in result.by_model:
        assert ends(result.runtime_s)[0] <= ends(each.runtime_s)[0]
        assert ends(result.runtime_s)[2] >= ends(each.runtime_s)[1]


Floats = npt.NDArray[np.float64]


class Ladder:
    """A battery unlike both models: charge diffuses through ten cells of a ladder, and the end is a voltage.

    The voltage falls with the logarithm of what is left at the surface, and with an ohmic drop.
    """

    STEP_H = 20.0 / 3600

    def __init__(self, full_ah: float, charge: float = 1.0, flow_per_h: float = 60.0) -> None:
        self.full_ah, self.flow_per_h = full_ah, flow_per_h
        self.level = np.full(10, charge)
        self.per_cell_ah = full_ah / 10

    def volts(self, amps: float) -> float:
        surface = max(float(self.level[0]), 1e-6)
        return 11.9 + 0.9 * float(self.level[0]) + 0.15 * math.log(surface) - 0.4 / self.full_ah * amps

    def step(self, amps: float) -> float:
        for _ in range(4):
            h = self.STEP_H / 4
            flow = self.flow_per_h * np.diff(self.level) * h
            self.level[:-1] += flow
            self.level[1:] -= flow
            self.level[0] -= amps * h / self.per_cell_ah
        return self.volts(amps)

    def hours_until(self, currents: Floats, end_v: float = 10.5) -> float:
        for count, amps in enumerate(currents):
            if self.step(float(amps)) < end_v:
                return count * self.STEP_H
        raise AssertionError("the profile was too short to empty the ladder")

    @classmethod
    def sheet(cls, full_ah: float, flow_per_h: float, slow_h: float, fast_h: float) -> DataSheet:
        """What its maker would print: capacities at two discharge times, found by trial."""
        given = []
        for hours in (slow_h, fast_h):
            low, high = 0.05 * full_ah, full_ah
            for _ in range(12):
                ah = (low + high) / 2
                steps = np.full(int(1.3 * hours / cls.STEP_H), ah / hours)
                battery = cls(full_ah, 1.0, flow_per_h)
                low, high = (ah, high) if battery.hours_until(np.append(steps, [1e3] * 50)) > hours else (low, ah)
            given.append(round(low, 1))
        return DataSheet(given[0], slow_h, given[1], fast_h)


def laps(rng: np.random.Generator, mean_a: float, steps: int) -> Floats:
    """A load that repeats by laps, with starts, pauses and a slow drift."""
    lap = np.clip(rng.gamma(1.5, 1.0, 12), 0.0, 4.0)
    lap[rng.integers(0, 12, 3)] = 0.1
    drift = 1 + 0.1 * np.sin(np.linspace(0, rng.uniform(2, 12), steps))
    load = np.resize(lap, steps) * drift * rng.lognormal(0.0, 0.15, steps)
    return load * mean_a / float(np.mean(load))


def drive(seed: int, sheet: DataSheet, flow_per_h: float, nameplate_ah: float) -> tuple[Remaining, float]:
    """(forecast at the end of a partial run, the truth by the ladder) of one random machine and run."""
    rng = np.random.default_rng(seed)
    worn = rng.uniform(0.82, 1.04)
    charge = rng.uniform(0.97, 1.0)
    rated_a = nameplate_ah / 20
    mean_a = rated_a * math.exp(rng.uniform(math.log(1.5), math.log(14.0)))
    whole = laps(rng, mean_a, 12_000)
    life_h = Ladder(nameplate_ah * worn, charge, flow_per_h).hours_until(whole)
    run = int(rng.uniform(0.15, 0.8) * life_h / Ladder.STEP_H) + 24
    truth_h = life_h - run * Ladder.STEP_H
    profile = load_profile(whole[:run], np.full(run, 3600 * Ladder.STEP_H))
    block = BlockState("block_a", stated_charge(1.0), profile, profile, drawn_u_ah=0.005 * profile.charge_ah)
    demand = Demand(profile.mean_a, 2 * profile.mean_a, 3 * profile.mean_a, exactly(12 * profile.mean_a, "W"))
    return forecast(one_block(sheet), [block], demand), 3600 * max(truth_h, 0.0)


# The issue's check: simulated truth by a battery model other than the analysis' own. The low end may exceed the truth
# in at most one run of twenty; the blocks are worn by up to 18 %, which no one tells the forecast.
@pytest.mark.parametrize(("flow_per_h", "fast_h"), [(25.0, 1.0), (60.0, 5.0)])
def test_forecast_against_a_diffusion_ladder(flow_per_h: float, fast_h: float) -> None:
    sheet = Ladder.sheet(42.0, flow_per_h, 20.0, fast_h)
    outcomes = [drive(seed, sheet, flow_per_h, 42.0) for seed in range(20)]
    promised = [ends(result.runtime_s)[0] > truth_s for result, truth_s in outcomes]
    held = [ends(result.runtime_s)[0] <= truth_s <= ends(result.runtime_s)[2] for result, truth_s in outcomes]
    assert sum(promised) <= 1
    assert sum(held) >= 19


# A sheet without effect of rate leaves plain division, so that limits can be reckoned by hand: 40 Ah, 10 A.
EVEN = DataSheet(40.0, 20.0, 40.0, 1.0)


def series_of(*blocks: BlockState, **limits: object) -> Remaining:
    battery = BatteryData(EVEN, "flooded", 12.0, in_series=True, temperature_c=25.0)
    return forecast(replace(battery, **limits), blocks, demand_of(10.0, 24.0))  # type: ignore[arg-type]


def block(name: str, start: float = 1.0, amps: float = 10.0, ohm: float | None = 0.02) -> BlockState:
    resistance = None if ohm is None else exactly(ohm, "Ω")
    state = exactly(start, "")
    return BlockState(name, state, steady(amps), resistance_ohm=resistance)  # type: ignore[arg-type]


def hours(result: Remaining) -> float:
    assert result.runtime_s.value is not None
    return result.runtime_s.value / 3600


def test_plain_division_by_hand() -> None:
    result = series_of(block("block_a"), block("block_b"))
    assert hours(result) == pytest.approx(4.0, rel=1e-9)
    assert result.charge_ah.value == pytest.approx(40.0)
    assert result.energy_wh.value == pytest.approx(960.0)
    assert result.ends_by == "block_a"
    assert result.distance_m.is_refused


def test_the_first_block_at_its_limit_ends_the_run() -> None:
    lower = series_of(block("block_a"), block("block_b", start=0.6))
    assert (lower.ends_by, hours(lower)) == ("block_b", pytest.approx(2.4))
    # A receiver supply of 1 A on the lower block: that block gives out after 40/11 h, the battery lead saw 10 A.
    fed = series_of(block("block_a", amps=11.0), block("block_b"))
    assert (fed.ends_by, hours(fed)) == ("block_a", pytest.approx(40 / 11))
    assert fed.charge_ah.value == pytest.approx(400 / 11)


def test_two_blocks_in_parallel_share_unequally() -> None:
    battery = BatteryData(EVEN, "flooded", 12.0, in_series=False, temperature_c=25.0)
    result = forecast(battery, [block("block_a", amps=4.0), block("block_b", amps=6.0)], demand_of(10.0))
    assert (result.ends_by, hours(result)) == ("block_b", pytest.approx(40 / 6))
    assert result.charge_ah.value == pytest.approx(400 / 6)


def test_depth_of_discharge_is_where_the_owner_stops() -> None:
    result = series_of(block("block_a"), block("block_b"), depth_of_discharge=0.5)
    assert hours(result) == pytest.approx(2.0)


# At half charge a flooded block rests at 12.24 V (BCI, second-hand): less 10 A × 0.02 Ω it stands at 12.04 V.
def test_cut_off_voltages_by_hand() -> None:
    pair = (block("block_a"), block("block_b"))
    by_bms = series_of(*pair, bms_cutoff_v=2 * 12.04)
    assert (by_bms.ends_by, hours(by_bms)) == ("bms", pytest.approx(2.0, rel=1e-6))
    by_controller = series_of(*pair, controller_cutoff_v=2 * 12.04)
    assert (by_controller.ends_by, hours(by_controller)) == ("controller", pytest.approx(2.0, rel=1e-6))
    by_block = series_of(*pair, cutoff_v=12.04)
    assert (by_block.ends_by, hours(by_block)) == ("block_a", pytest.approx(2.0, rel=1e-6))
    both = series_of(*pair, bms_cutoff_v=2 * 12.04, controller_cutoff_v=2 * (12.06 - 0.2))
    assert both.ends_by == "bms"
    never = series_of(*pair, cutoff_v=10.5, bms_cutoff_v=20.0, controller_cutoff_v=21.0)
    assert (never.ends_by, hours(never)) == ("block_a", pytest.approx(4.0))


def test_a_cut_off_is_touched_at_peaks_before_the_mean_reaches_it() -> None:
    # BCI (second-hand) puts half a charge at 12.24 V: at 10 A through 0.02 Ω the block stands at 12.04 V after 2 h, by
    # hand. At 20 A it stands there where it rests at 12.44 V: 0.738 of the charge (12.24 V 50 %, 12.45 V 75 %).
    demand = replace(demand_of(10.0, 24.0), rms_10s_a=15.0, rms_1s_a=20.0)
    battery = BatteryData(EVEN, "flooded", 12.0, in_series=True, temperature_c=25.0, cutoff_v=12.04)
    result = forecast(battery, [block("block_a"), block("block_b")], demand)
    first = result.touches[0]
    assert (first.by, first.limit_v) == ("block_a", 12.04)
    assert first.at_mean_s.value == pytest.approx(7200, rel=1e-6)
    share = 0.5 + 0.25 * (12.44 - 12.24) / (12.45 - 12.24)
    assert first.at_peaks_s.value == pytest.approx(3600 * 4 * (1 - share), rel=1e-6)
    # The runtime goes by the mean for a sheet's end of discharge.
    assert hours(result) == pytest.approx(2.0, rel=1e-6)
    # 10.5 V is below the chart's empty, 11.89 V, less 0.2 V: the charge ends first, at peaks as well.
    never = forecast(replace(battery, cutoff_v=10.5), [block("block_a"), block("block_b")], demand).touches[0]
    assert [reason.code for reason in never.at_peaks_s.reasons] == ["charge_ends_before_cutoff"]


def test_resistance_rises_towards_empty() -> None:
    # At a quarter of its charge a flooded block rests at 12.06 V (BCI, second-hand). 0.02 Ω doubles from half a charge
    # to empty (common practice, no source), so 0.03 Ω take off 0.3 V at 10 A: 11.76 V is reached there, not at 11.86 V.
    battery = BatteryData(EVEN, "flooded", 12.0, in_series=True, temperature_c=25.0, cutoff_v=11.76)
    result = forecast(battery, [block("block_a"), block("block_b")], demand_of(10.0, 24.0))
    assert hours(result) == pytest.approx(3.0, rel=1e-6)
    assert "resistance_rises" in [reason.code for reason in result.runtime_s.reasons]


def test_leads_to_the_controller_bring_its_cut_off_forward() -> None:
    battery = BatteryData(EVEN, "flooded", 12.0, in_series=False, temperature_c=25.0, controller_cutoff_v=11.94)
    demand = replace(demand_of(10.0), lead_ohm=0.01)
    assert hours(forecast(battery, [block("block_a")], demand)) == pytest.approx(2.0, rel=1e-6)


def test_a_harder_pull_trips_earlier_only_at_the_low_end() -> None:
    pair = (block("block_a"), block("block_b"))
    battery = BatteryData(EVEN, "flooded", 12.0, in_series=True, temperature_c=25.0, bms_cutoff_v=23.0)
    even, pulled = (
        forecast(battery, pair, replace(demand_of(10.0, 24.0), rms_1s_a=amps)).runtime_s for amps in (10.0, 60.0)
    )
    assert ends(pulled)[0] < ends(even)[0]
    assert ends(pulled)[1] == ends(even)[1]


def test_a_cut_off_that_cannot_be_examined_leaves_the_low_end_open() -> None:
    pair = (block("block_a", ohm=None), block("block_b", ohm=None))
    result = series_of(*pair, controller_cutoff_v=21.0)
    assert (result.runtime_s.bound, result.runtime_s.low) == ("at_most", None)
    assert (result.charge_ah.bound, result.energy_wh.bound) == ("at_most", "at_most")
    assert "cutoff_without_resistance" in [reason.code for reason in result.runtime_s.reasons]
    assert series_of(*pair, cutoff_v=10.5).runtime_s.bound == "estimate"
    lithium = BatteryData(EVEN, "li_ion", 11.1, in_series=False, temperature_c=25.0, bms_cutoff_v=9.0)
    assert forecast(lithium, [block("block_a")], demand_of(10.0)).runtime_s.bound == "at_most"


def test_what_was_drawn_counts_and_a_hard_run_leaves_less_than_a_gentle_one() -> None:
    sheet = DataSheet(40.0, 20.0, 24.0, 1.0)
    hard = BlockState("block_a", exactly(1.0, ""), steady(5.0), steady(20.0, 0.5))
    gentle = replace(hard, drawn=steady(2.0, 5.0))
    after_hard, after_gentle = (forecast(one_block(sheet), [each], demand_of(5.0)) for each in (hard, gentle))
    assert hours(after_hard) < hours(after_gentle)
    for each in (after_hard, after_gentle):
        assert hours(each) < hours(from_full(sheet, 5.0, exactly(1.0, "")))
    plain = BlockState("block_a", exactly(1.0, ""), steady(10.0), steady(10.0, 1.0))
    result = forecast(one_block(EVEN), [plain], demand_of(10.0))
    assert hours(result) == pytest.approx(3.0)


def test_an_exhausted_battery_has_nothing_left() -> None:
    spent = BlockState("block_a", exactly(1.0, ""), steady(10.0), steady(10.0, 4.5))
    result = forecast(one_block(EVEN), [spent], demand_of(10.0))
    assert (result.runtime_s.low, result.runtime_s.value, result.ends_by) == (0.0, 0.0, "block_a")


def test_a_capacity_test_narrows_the_low_side() -> None:
    worn, tested = (
        series_of(block("block_a"), block("block_b")),
        series_of(block("block_a"), block("block_b"), worn_to=1.0),
    )
    assert ends(tested.runtime_s)[0] > ends(worn.runtime_s)[0]
    assert ends(tested.runtime_s)[1:] == ends(worn.runtime_s)[1:]


def test_the_case_of_the_methods_document() -> None:
    """docs/methods.md, Charge left and runtime: half an hour at 12 A, block_a 12.5 A because it feeds the receiver."""
    sheet = DataSheet(35.0, 20.0, 21.0, 1.0)
    battery = BatteryData(sheet, "agm", 12.0, in_series=True, temperature_c=25.0, depth_of_discharge=0.8)
    first = BlockState("block_a", stated_charge(1.0), steady(12.5), steady(12.5, 0.5))
    second = BlockState("block_b", stated_charge(1.0), steady(12.0), steady(12.0, 0.5))
    result = forecast(battery, [first, second], demand_of(12.0, 24.5))
    assert [each / 3600 for each in ends(result.runtime_s)] == pytest.approx([0.59, 1.08, 1.52], abs=0.006)
    assert ends(result.charge_ah) == pytest.approx((7.4, 13.0, 17.6), abs=0.06)
    assert result.ends_by == "block_a"
    assert result.runtime_s.reasons[0] == Reason("low_end_from", terms=("wear", "load to come", "capacity"))
    # 1.369 h to empty, half an hour run: 0.8 × 1.869 − 0.5 h by the rate law
    assert result.by_model[0].runtime_s.value == pytest.approx(3600 * 0.995, rel=0.005)


def test_a_measured_capacity_takes_the_sheet_s_place() -> None:
    battery = one_block(DataSheet(40.0, 20.0, 40.0, 1.0))
    measured = forecast(replace(battery, measured=MeasuredCapacity(30.0, 3.0)), [block("block_a")], demand_of(10.0))
    low, value, high = ends(measured.charge_ah)
    assert value == pytest.approx(30.0, rel=1e-6)
    # 3.5 % (1 σ) of the capacity, 2 % of "full" and 3 % (1 σ, twice for a profile of one piece) of the load.
    assert low > 0.86 * value
    assert high < 1.1 * value
    assert measured.capacity_measured
    assert "the measured capacity" in phrases(measured.evidence)


def test_a_capacity_measured_cold_is_no_smaller_than_it_was() -> None:
    # references.md RV5, a battery maker's page: 10 °C takes 10 % off a discharge of more than an hour.
    battery = one_block(DataSheet(40.0, 20.0, 40.0, 1.0), 10.0)
    cold = replace(battery, measured=MeasuredCapacity(30.0, 3.0, 10.0, "block_b"))
    unsaid = replace(battery, measured=MeasuredCapacity(30.0, 3.0))
    same, less = (forecast(each, [block("block_a")], demand_of(10.0)) for each in (cold, unsaid))
    assert same.charge_ah.value == pytest.approx(30.0, rel=1e-3)
    assert less.charge_ah.value == pytest.approx(27.0, rel=0.01)
    warm = forecast(replace(cold, temperature_c=25.0), [block("block_a")], demand_of(10.0))
    assert warm.charge_ah.value == pytest.approx(30.0 / 0.9, rel=1e-3)
    assert "of block B, the other taken to be like it, at 10 °C" in phrases(same.charge_ah.reasons)
    assert "25 °C assumed" in phrases(less.charge_ah.reasons)


def test_a_load_of_constant_power_lasts_shorter() -> None:
    same = forecast(one_block(EVEN), [block("block_a")], demand_of(10.0))
    grows = forecast(one_block(EVEN), [block("block_a")], replace(demand_of(10.0), current_growth=1.21))
    assert ends(grows.runtime_s)[1] == pytest.approx(ends(same.runtime_s)[1] / 1.1, rel=1e-6)
    assert ends(grows.runtime_s)[0] < ends(same.runtime_s)[0] / 1.04
    # The current may also stay as it is: the high end still holds the answer for that.
    assert ends(same.runtime_s)[1] < ends(grows.runtime_s)[2] < ends(same.runtime_s)[2]
    assert grows.load_growth == pytest.approx(1.1)


def test_the_knee_only_takes_away() -> None:
    plain = forecast(one_block(EVEN), [block("block_a")], demand_of(10.0))
    late = forecast(one_block(EVEN), [block("block_a")], replace(demand_of(10.0), knee=VoltageKnee(1.4, 4.0, 12.0)))
    assert ends(late.charge_ah) == pytest.approx((2.0, 4.0, 12.0))
    assert ends(late.runtime_s) == pytest.approx((720.0, 1440.0, 4320.0))
    assert late.evidence == (Reason("knee_contradicts_count", bend=1.4),)
    bound = forecast(one_block(EVEN), [block("block_a")], replace(demand_of(10.0), knee=VoltageKnee(1.2, 22.0, 45.0)))
    assert ends(bound.charge_ah) == (*ends(plain.charge_ah)[:2], 45.0)
    far = forecast(one_block(EVEN), [block("block_a")], replace(demand_of(10.0), knee=VoltageKnee(1.2, 60.0, 200.0)))
    assert far == plain


def test_a_management_that_opens_no_sooner_than_the_sheet_ends_leaves_the_low_end() -> None:
    battery = BatteryData(EVEN, "li_ion", 24.0, in_series=False, temperature_c=25.0, cutoff_v=18.0)
    for bms_v, bound in ((18.0, "estimate"), (20.0, "at_most")):
        result = forecast(replace(battery, bms_cutoff_v=bms_v), [block("block_a")], demand_of(10.0))
        assert result.runtime_s.bound == bound


def test_distance_goes_with_speed() -> None:
    demand = replace(demand_of(10.0), speed_m_s=Estimate(0.5, 0.45, 0.55, "m/s"))
    result = forecast(one_block(EVEN), [block("block_a")], demand)
    assert result.distance_m.value == pytest.approx(4 * 3600 * 0.5)
    low, value, high = ends(result.distance_m)
    assert low < 0.9 * value
    assert high > 1.1 * value


@pytest.mark.parametrize(
    ("battery", "state", "reason"),
    [
        (one_block(EVEN), BlockState("block_a", stated_charge(None), steady(5.0)), "--start-charge"),
        (one_block(DataSheet(35.0, None, None, None)), block("block_a"), "capacity_hours"),
        (one_block(DataSheet(None, None, None, None)), block("block_a"), "capacity_ah"),
        (one_block(DataSheet(35.0, 20.0, 37.0, 1.0)), block("block_a"), "rate exponent below 1"),
        (one_block(EVEN, -25.0), block("block_a"), "outside the table"),
        (one_block(EVEN), block("block_a", amps=-1.0), "no net current"),
        (one_block(EVEN), block("block_a", amps=1e-9), "too small"),
    ],
)
def test_refusals_carry_their_reason(battery: BatteryData, state: BlockState, reason: str) -> None:
    result = forecast(battery, [state], demand_of(5.0))
    assert result.ends_by is None
    for each in (result.charge_ah, result.energy_wh, result.runtime_s, result.distance_m):
        assert each.value is None
        assert reason in (refusal(each) or "")
    keys = {"charge_ah", "energy_wh", "runtime_s", "distance_m", "ends_by", "evidence", "touches"}
    assert set(remaining_json(result)) == keys


def test_a_start_charge_known_from_above_gives_at_most() -> None:
    state = BlockState("block_a", stated_charge(0.9).bounded("at_most"), steady(5.0))
    assert forecast(one_block(EVEN), [state], demand_of(5.0)).runtime_s.bound == "at_most"


@examples(0.15)
@given(
    amps=st.floats(0.5, 40.0),
    start=st.floats(0.2, 1.0),
    drawn_h=st.floats(0.0, 1.0),
    second_ah=st.floats(15.0, 40.0),
    bms_v=st.one_of(st.none(), st.floats(9.0, 12.5)),
)
def test_intervals_are_ordered_and_finite(
    amps: float, start: float, drawn_h: float, second_ah: float, bms_v: float | None
) -> None:
    battery = replace(one_block(DataSheet(40.0, 20.0, second_ah, 1.0)), bms_cutoff_v=bms_v)
    state = replace(block("block_a", start, amps), drawn=steady(amps, drawn_h + 0.01))
    result = forecast(battery, [state], demand_of(amps))
    for each in (result.charge_ah, result.energy_wh, result.runtime_s):
        low, value, high = ends(each)
        assert 0 <= low <= value <= high < math.inf
    more = forecast(battery, [replace(state, start_charge=exactly(min(start + 0.1, 1.0), ""))], demand_of(amps))
    assert (more.runtime_s.value or 0.0) >= (result.runtime_s.value or 0.0) - 1e-6


def test_load_profile_keeps_charge_and_time() -> None:
    rng = np.random.default_rng(4)
    current, interval = rng.normal(8.0, 5.0, 10_000), rng.uniform(0.01, 0.2, 10_000)
    profile = load_profile(current, interval)
    assert profile.current_a.size == round(float(np.sum(interval)) / 10)
    assert profile.charge_ah == pytest.approx(float(np.sum(current * interval)) / 3600)
    assert profile.hours == pytest.approx(float(np.sum(interval)) / 3600)
    assert load_profile(np.array([3.0]), np.array([7200.0])).mean_a == pytest.approx(3.0)


def test_the_same_laps_recorded_longer_are_the_same_load() -> None:
    # Peukert's law weighs pieces by their current: pieces of one recording must not be smoother than those of another.
    lap = np.concatenate((np.full(200, 30.0), np.full(200, 2.0)))  # 20 s and 20 s at 10 Hz
    law = peukert_law(DataSheet(40.0, 20.0, 24.0, 1.0))
    rates = []
    for laps in (3, 30, 300):
        load = load_profile(np.tile(lap, laps), np.full(laps * 400, 0.1))
        rates.append(float(used_ah(law, load.current_a, load.duration_h)) / load.hours)
    assert rates == pytest.approx([rates[0]] * 3, rel=1e-3)


@pytest.mark.parametrize("amps", [5.0, 20.0])
@pytest.mark.parametrize("depth", [0.5, 0.8])
def test_depth_of_discharge_is_a_share_of_what_the_load_gets(amps: float, depth: float) -> None:
    # Machine file: the share that may be used of the charge available at this load.
    whole = one_block(DataSheet(40.0, 20.0, 24.0, 1.0))
    full = BlockState("block_a", exactly(1.0, ""), steady(amps))
    all_of_it = forecast(whole, [full], demand_of(amps))
    part = forecast(replace(whole, depth_of_discharge=depth), [full], demand_of(amps))
    assert part.charge_ah.value == pytest.approx(depth * ends(all_of_it.charge_ah)[1])
    # What was drawn already comes off the share that may be used.
    drawn = replace(full, drawn=steady(amps, 0.2))
    later = forecast(replace(whole, depth_of_discharge=depth), [drawn], demand_of(amps))
    left = forecast(whole, [drawn], demand_of(amps))
    expected = depth * (ends(left.charge_ah)[1] + 0.2 * amps) - 0.2 * amps
    assert later.charge_ah.value == pytest.approx(expected)
    assert part.ends_by == "block_a"


def test_nothing_is_left_below_the_depth_of_discharge() -> None:
    battery = replace(one_block(DataSheet(40.0, 20.0, 24.0, 1.0)), depth_of_discharge=0.5)
    assert from_full_of(battery, exactly(0.45, "")).charge_ah.value == 0.0


def from_full_of(battery: BatteryData, start: Estimate) -> Remaining:
    return forecast(battery, [BlockState("block_a", start, steady(8.0))], demand_of(8.0))


def test_two_slow_points_are_no_bolder_than_the_chemistry() -> None:
    # A flat pair at 20 and 10 h (k 1.02) and a load of about the 1 h rate. With one point alone the low end would take
    # the upper exponent of AGM, 1.28 (tables/battery_rate_exponent.py); the pair must not promise more from 10 h on.
    pair = DataSheet(40.0, 20.0, 39.45, 10.0)
    law = peukert_law(pair)
    amps = 24.0
    low_ah = ends(from_full(pair, amps).charge_ah)[0]
    at_upper_ah = law.available_ah(law.fast_a) * (law.fast_a / amps) ** 0.28
    assert low_ah < at_upper_ah


def test_a_battery_is_taken_to_be_worn_where_nobody_measured_it() -> None:
    battery = one_block(DataSheet(40.0, 20.0, 40.0, 1.0))
    new, worn = (
        forecast(replace(battery, likely_left=left), [block("block_a")], demand_of(10.0)) for left in (1.0, 0.9)
    )
    assert worn.charge_ah.value == pytest.approx(0.9 * ends(new.charge_ah)[1], rel=1e-6)
    # A new one is not ruled out: the high end stays.
    assert ends(worn.charge_ah)[2] == pytest.approx(ends(new.charge_ah)[2], rel=0.02)
    assert "90 % of it assumed" in phrases(worn.charge_ah.reasons)
    measured = replace(battery, likely_left=0.9, measured=MeasuredCapacity(40.0, 4.0))
    assert forecast(measured, [block("block_a")], demand_of(10.0)).charge_ah.value == pytest.approx(40.0, rel=1e-6)


def test_an_uneven_load_is_a_less_certain_forecast() -> None:
    even = LoadProfile(np.full(40, 10.0), np.full(40, 0.1))
    growing = LoadProfile(np.linspace(2.0, 18.0, 40), np.full(40, 0.1))
    assert even.relative_u == pytest.approx(0.03)
    assert growing.relative_u > 3 * even.relative_u


@pytest.mark.parametrize(
    ("current", "interval"), [([1.0], [0.0]), ([math.nan], [1.0]), ([1.0, 2.0], [1.0]), ([1.0], [-1.0])]
)
def test_a_load_profile_of_nothing_is_a_misuse(current: list[float], interval: list[float]) -> None:
    with pytest.raises(ValueError, match=r"load|rows"):
        load_profile(np.array(current), np.array(interval))


@pytest.mark.parametrize("power", [1.0, 3.0])
def test_where_limits_are_reached(power: float) -> None:
    ends_h = np.array([[0.0, 1e-6, 0.7, 1.0], [3.0, 12.5, 1000.0, 2.0**20 + 1]])
    found = first_below(lambda hours: ends_h**power - hours**power, np.full_like(ends_h, np.inf))
    assert found[:, :3] == pytest.approx(ends_h[:, :3], rel=1e-11)
    assert found[:, 3].tolist() == [pytest.approx(1.0), np.inf]  # beyond 120 years nothing ends


def test_limits_that_rise_first_or_lie_beyond_the_horizon() -> None:
    humped = first_below(lambda hours: 1 + hours - hours**2, np.array([np.inf]))
    assert humped == pytest.approx((1 + math.sqrt(5)) / 2, rel=1e-11)
    horizon_h = np.array([5.0, 5.0, 0.0, 0.0])
    held = first_below(lambda hours: np.array([4.999, 5.001, 1.0, -1.0]) - hours, horizon_h)
    assert held == pytest.approx([4.999, np.inf, np.inf, 0.0])


def test_blocks_that_are_alike_add_their_voltages() -> None:
    # Four blocks in series: at half charge each rests at 12.24 V (BCI, second-hand) and loses 10 A × 0.02 Ω.
    four = (replace(block("block_a"), count=3), block("block_b"))
    result = series_of(*four, bms_cutoff_v=4 * 12.04)
    assert (result.ends_by, hours(result)) == ("bms", pytest.approx(2.0, rel=1e-6))
    assert "4 blocks" in phrases(result.charge_ah.reasons)
    # A cut-off of the management that the sheet's own end comes before needs no check: four blocks end at 42 V.
    unknown = [replace(each, resistance_ohm=None) for each in four]
    assert series_of(*unknown, cutoff_v=10.5, bms_cutoff_v=42.0).runtime_s.bound == "estimate"
    assert series_of(*unknown, cutoff_v=10.5, bms_cutoff_v=43.0).runtime_s.bound == "at_most"


def test_three_blocks_in_parallel_share_by_their_number() -> None:
    # 12 A on three blocks of 40 Ah, 6 A of it through block B: 40/6 h; block B alone is at its limit.
    battery = BatteryData(EVEN, "flooded", 12.0, in_series=False, temperature_c=25.0, cutoff_v=10.5)
    states = [replace(block("block_a", amps=3.0), count=2), block("block_b", amps=6.0)]
    result = forecast(battery, states, demand_of(12.0))
    assert (result.ends_by, hours(result)) == ("block_b", pytest.approx(40 / 6))
    # The voltage under load is that of its own 6 A of 12: at half charge 12.24 − 6 × 0.02 V.
    at_half = forecast(replace(battery, cutoff_v=12.12), states, demand_of(12.0))
    assert hours(at_half) == pytest.approx(20 / 6, rel=1e-6)
