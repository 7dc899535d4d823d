"""State of charge from rest voltage and by count, against published charts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.battery.state_of_charge import charge_from_rest_voltage, coulomb_count, stated_charge
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.results import basis, refusal
from amptally.tables.battery_cells import CELL_V, cells_in_block
from amptally.tables.battery_rest_voltage import SETTLING_H, TABLES, chart_v


def volts(value: float, half: float = 0.0) -> Estimate:
    return Estimate(value, value - half, value + half, "V")


def read(value: float, chemistry: str, half: float = 0.0, block_v: float = 12.0) -> Estimate:
    return charge_from_rest_voltage(volts(value, half), chemistry, block_v, rested_h=24.0)


# BCI as credited in studylib.net/doc/18054160, second-hand, flooded at 26.7 °C
@pytest.mark.parametrize(("v", "charge"), [(12.65, 1.0), (12.45, 0.75), (12.24, 0.5), (12.06, 0.25), (11.89, 0.0)])
def test_flooded_rows(v: float, charge: float) -> None:
    assert read(v, "flooded").value == pytest.approx(charge)


# RV1: linear interpolation of the same; 30 mV of uncertainty is 3.6 % of charge (own arithmetic)
def test_RV1_interpolation_and_slope() -> None:
    assert read(12.345, "flooded").value == pytest.approx(0.625, abs=5e-4)
    up, down = read(12.345 + 0.030, "flooded").value, read(12.345 - 0.030, "flooded").value
    assert up is not None
    assert down is not None
    assert (up - down) / 2 == pytest.approx(0.036, abs=5e-4)


# RV2: Larminie & Lowry's line (from memory), n 6, depth 0.5 gives 12.450 V; both charts' intervals must hold it
@pytest.mark.parametrize("chemistry", ["flooded", "agm"])
def test_RV2_the_line_of_six_cells_is_inside(chemistry: str) -> None:
    line_v = 6 * (2.15 - 0.5 * (2.15 - 2.00))
    assert line_v == pytest.approx(12.450, abs=1e-3)
    result = read(line_v, chemistry)
    assert result.low is not None
    assert result.high is not None
    assert result.low < 0.5 < result.high


# a vehicle maker's owner manual, AGM bands: 12.8-13.2 V full, 12.6, 12.3, 12.0
@pytest.mark.parametrize(("v", "charge"), [(13.2, 1.0), (12.8, 1.0), (12.6, 0.75), (12.3, 0.5), (12.0, 0.25)])
def test_agm_bands(v: float, charge: float) -> None:
    assert read(v, "agm").value == pytest.approx(charge)


# trap 11: 12.30 V is 70 % (learnmetrics.com), 50 % (owner manual), 45 % (diyelectriccar.com)
@pytest.mark.parametrize("chart", [0.70, 0.50, 0.45])
def test_the_agm_interval_holds_all_three_published_charts(chart: float) -> None:
    result = read(12.30, "agm")
    assert result.low is not None
    assert result.high is not None
    assert result.low < chart < result.high


# gel: from memory, unverified, and said so
def test_gel_is_labelled_unverified() -> None:
    result = read(12.35, "gel")
    assert result.value == pytest.approx(0.5)
    assert "unverified" in basis(result)


# LFP 4S: one public chart puts 13.2 V at 40 %, another at 70 %; 13.0 and 13.4 V bound the unusable range
@pytest.mark.parametrize("v", [13.0, 13.1, 13.2, 13.4])
def test_lfp_on_the_plateau_is_refused(v: float) -> None:
    result = read(v, "lfp", block_v=12.8)
    assert result.value is None
    assert "13 and 13.4 V" in (refusal(result) or "")


def test_lfp_whose_interval_reaches_the_plateau_is_refused() -> None:
    assert read(12.95, "lfp", half=0.06, block_v=12.8).is_refused
    assert read(12.8, "lfp", half=0.06, block_v=12.8).value == pytest.approx(0.20)


# simulated slow discharge, PyBaMM 26.10.1.1, LFP Prada2013, 4S at C/100: off the plateau the interval holds it
@pytest.mark.parametrize(("v", "charge"), [(12.669, 0.20), (11.906, 0.10)])
def test_lfp_below_the_plateau_holds_the_simulation(v: float, charge: float) -> None:
    result = read(v, "lfp", block_v=12.8)
    assert result.low is not None
    assert result.high is not None
    assert result.low < charge < result.high


# simulated slow discharge, PyBaMM 26.10.1.1, Sulzer2019 LOQS lead-acid at C/200
@pytest.mark.parametrize("chemistry", ["agm", "flooded"])
@pytest.mark.parametrize(("v", "charge"), [(12.688, 0.80), (12.378, 0.60), (12.218, 0.50), (12.051, 0.40)])
def test_charts_hold_the_simulated_lead_acid(v: float, charge: float, chemistry: str) -> None:
    result = read(v, chemistry)
    assert result.low is not None
    assert result.high is not None
    assert result.low < charge < result.high


@pytest.mark.parametrize(("chemistry", "reason"), [("li_ion", "lithium-ion"), ("nimh", "NiMH"), ("zinc", "zinc")])
def test_chemistries_without_a_table_are_refused(chemistry: str, reason: str) -> None:
    result = read(12.0, chemistry)
    assert result.value is None
    assert reason in (refusal(result) or "")


@pytest.mark.parametrize(
    ("chemistry", "block_v", "cells"),
    [("agm", 6, 3), ("agm", 12, 6), ("flooded", 8, 4), ("lfp", 12.8, 4), ("lfp", 25.6, 8)],
)
def test_cells_of_a_block(chemistry: str, block_v: float, cells: int) -> None:
    assert cells_in_block(chemistry, block_v) == cells


def test_a_six_volt_block_reads_like_half_of_a_twelve_volt_one() -> None:
    assert read(6.15, "agm", block_v=6.0).value == pytest.approx(read(12.3, "agm").value)


# common practice, no source: lead-acid advice runs from 4 to 24 h
@pytest.mark.parametrize("chemistry", ["agm", "gel", "flooded"])
def test_an_unrested_battery_is_refused(chemistry: str) -> None:
    needed = SETTLING_H[chemistry]
    assert 4 <= needed <= 24
    assert "rested" in (refusal(charge_from_rest_voltage(volts(12.5), chemistry, 12.0, needed - 0.1)) or "")
    assert "not stated" in (refusal(charge_from_rest_voltage(volts(12.5), chemistry, 12.0, None)) or "")
    assert charge_from_rest_voltage(volts(12.5), chemistry, 12.0, needed).value is not None


def test_a_voltage_of_another_battery_is_refused() -> None:
    assert "arrangement" in (refusal(read(25.0, "agm")) or "")
    assert "arrangement" in (refusal(read(3.0, "agm")) or "")


def test_an_unmeasured_rest_voltage_passes_its_reason_on() -> None:
    missing = refuse("V", Reason("no_rest", needed_s=2.0))
    assert charge_from_rest_voltage(missing, "agm", 12.0, 24.0).reasons == missing.reasons


@given(chemistry=st.sampled_from(sorted(TABLES)), fraction=st.floats(0.0, 1.0))
def test_the_chart_read_backwards_comes_back(chemistry: str, fraction: float) -> None:
    nominal = CELL_V[chemistry] * TABLES[chemistry].cells
    v = float(chart_v(chemistry, nominal, np.array(fraction)))
    result = read(v, chemistry, block_v=nominal)
    if not result.is_refused:
        assert result.value == pytest.approx(fraction, abs=1e-6)
    else:
        assert chemistry == "lfp"
        assert 0.29 < fraction < 0.91


@given(v=st.floats(11.0, 14.0), half=st.floats(0.0, 0.3), chemistry=st.sampled_from(["agm", "gel", "flooded"]))
def test_the_interval_stays_in_0_to_1_around_the_value(v: float, half: float, chemistry: str) -> None:
    result = read(v, chemistry, half)
    assert result.value is not None
    assert result.low is not None
    assert result.high is not None
    assert 0 <= result.low <= result.value <= result.high <= 1


def test_stated_start_charge() -> None:
    full = stated_charge(1.0)
    assert (full.value, full.high) == (1.0, 1.0)
    assert full.low == pytest.approx(1 - 1.96 * 0.02)
    assert stated_charge(0.5).low == pytest.approx(0.5 - 1.96 * 0.03)
    assert "--start-charge" in (refusal(stated_charge(None)) or "")
    with pytest.raises(ValueError, match="fraction"):
        stated_charge(80.0)


def capacity(value: float, half: float = 0.0) -> Estimate:
    return Estimate(value, value - half, value + half, "Ah")


# UN5: an offset of 0.05 A over 1 h is 0.05 Ah, a gain of 1 % of 20 Ah is 0.2 Ah; of 40 Ah that is 0.125 % and 0.5 %
def test_count_carries_the_sensor_error_over() -> None:
    for half_ah, share in ((0.05, 0.00125), (0.2, 0.005)):
        result = coulomb_count(
            Estimate(1.0, 1.0, 1.0, ""), Estimate(20.0, 20 - half_ah, 20 + half_ah, "Ah"), capacity(40.0)
        )
        assert result.value == pytest.approx(0.5)
        assert result.low == pytest.approx(0.5 - share)
        assert result.high == pytest.approx(0.5 + share)


def test_count_by_hand_with_all_three_intervals() -> None:
    result = coulomb_count(stated_charge(0.9), Estimate(10.0, 9.8, 10.2, "Ah"), capacity(40.0, 4.0))
    assert result.value == pytest.approx(0.65)
    # sides: start 1.96 × 0.03, count 0.2/40, capacity 10 (1/36 − 1/40) down and 10 (1/40 − 1/44) up
    assert result.low == pytest.approx(0.65 - (0.0588**2 + 0.005**2 + (10 / 360) ** 2) ** 0.5, abs=1e-6)
    assert result.high == pytest.approx(0.65 + (0.0588**2 + 0.005**2 + (10 / 440) ** 2) ** 0.5, abs=1e-6)


def test_count_refuses_what_cannot_be() -> None:
    assert "must be wrong" in (refusal(coulomb_count(stated_charge(0.3), capacity(30.0), capacity(40.0))) or "")
    assert coulomb_count(stated_charge(None), capacity(1.0), capacity(40.0)).reasons == stated_charge(None).reasons
    assert coulomb_count(stated_charge(1.0), capacity(1.0), capacity(4.0, 4.0)).is_refused
    missing = refuse("Ah", Reason("not_measured", channel="battery_current_a"))
    assert coulomb_count(stated_charge(1.0), missing, capacity(4.0)).reasons == missing.reasons


def test_a_start_known_from_one_side_stays_one_sided() -> None:
    result = coulomb_count(stated_charge(0.8).bounded("at_most"), capacity(10.0), capacity(40.0))
    assert (result.bound, result.low) == ("at_most", None)
    assert result.value == pytest.approx(0.55)


@given(start=st.floats(0.3, 1.0), net=st.floats(-2.0, 8.0))
def test_a_run_charges_by_what_it_counts(start: float, net: float) -> None:
    result = coulomb_count(Estimate(start, start, start, ""), Estimate(net, net, net, "Ah"), capacity(40.0))
    if not result.is_refused:
        assert result.value == pytest.approx(min(start - net / 40.0, 1.0), abs=1e-9)
    else:
        assert start - net / 40.0 > 1
