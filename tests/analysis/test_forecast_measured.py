"""Forecasts from part of a measured discharge against its real end, and what a bent voltage curve says of the end."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.forecast.capacity_models import capacity_models
from amptally.analysis.forecast.data_sheet import DataSheet, DataSheetError, MeasuredCapacity
from amptally.analysis.forecast.peukert import peukert_law
from amptally.analysis.forecast.voltage_curve import KNEE_ROWS, detect_knee
from amptally.analysis.report.build import build_report
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats
from amptally.analysis.wording.results import basis, phrase, phrases
from amptally.tables.battery_rate_exponent import TYPICAL_K
from tests.analysis.build_runs import sides, write_run
from tests.studies import forecasts
from tests.studies.forecasts import SETS, Battery, Score, discharge

HALF = 0.5


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, float, str], Score]:
    folder = tmp_path_factory.mktemp("forecast")
    return {
        (score.file.split("_")[0], score.part, score.capacity): score
        for battery in SETS
        for score in forecasts.scores(battery, folder, (HALF, 0.8, 0.95))
    }


# ../shared/data/README.md: the pack's tester counted 55.30 Ah at 65 A; the lead-acid battery ran 44 401 s to 10.8 V
def test_the_truth_of_the_measured_sets() -> None:
    pack, lead = (discharge(battery) for battery in SETS)
    assert pack[0][pack[4]] - pack[0][pack[3]] == pytest.approx(3083.0 - 20.1, abs=2)
    assert lead[0][lead[4]] - lead[0][lead[3]] == pytest.approx(44_401, abs=120)


@pytest.mark.parametrize("name", ["pack", "lead"])
def test_from_half_with_the_measured_capacity_within_ten_percent(
    found: dict[tuple[str, float, str], Score], name: str
) -> None:
    score = found[name, HALF, "measured"]
    assert abs(score.error) < 0.10
    assert score.holds
    assert "the measured capacity" in (score.evidence or "")


@pytest.mark.parametrize("name", ["pack", "lead"])
def test_from_half_with_the_nameplate_the_interval_holds_the_end(
    found: dict[tuple[str, float, str], Score], name: str
) -> None:
    score = found[name, HALF, "nameplate"]
    assert score.holds
    assert score.low_s is not None
    assert 0 < score.low_s < score.truth_s
    assert "capacity, which nobody measured" in (score.evidence or "")


def test_no_forecast_promises_more_at_its_low_end_than_came(found: dict[tuple[str, float, str], Score]) -> None:
    assert all(score.holds for score in found.values())
    assert all((score.low_s or 0) <= score.truth_s for score in found.values())


def test_a_straight_line_promises_far_more(found: dict[tuple[str, float, str], Score]) -> None:
    # The plain baseline carries the voltage on to the cut-off: both sets end in a knee that it does not see.
    for score in found.values():
        assert score.line_s > 1.5 * score.truth_s
        if score.capacity == "measured":
            assert abs(score.error) < 0.1 * (score.line_s / score.truth_s - 1)


@pytest.mark.parametrize("measured", [False, True])
def test_the_note_says_whose_capacity_it_is(tmp_path: Path, measured: bool) -> None:
    t_s = np.arange(0, 1200, 1.0)
    channels = {"battery_current_a": np.where(t_s < 20, 0.0, 8.0), "battery_voltage_v": 12.6 - t_s / 4000}
    told = "capacity_ah = 20\ncapacity_hours = 20\n"
    told += "measured_capacity_ah = 14.0\nmeasured_hours = 1.75\n" if measured else ""
    machine = f'[battery]\nchemistry = "agm"\nblocks = 1\narrangement = "single"\nblock_voltage_v = 12\n{told}'
    report = build_report(Run.open(write_run(tmp_path / "r.parquet", t_s, channels, machine=machine)), fraction=1.0)
    codes = {finding.code for finding in report.findings}
    assert ("capacity_unmeasured" in codes) is not measured
    left = report.charge.remaining
    low, value, high = sides(left.charge_ah)
    if measured:
        # 14 Ah were measured at this very load: 8 A for 1180 s are gone.
        assert value == pytest.approx(14.0 - 8 * 1180 / 3600, abs=0.05)
        assert "14 Ah in 1.75 h" in basis(left.charge_ah)
    else:
        assert "no second data-sheet point: rate exponent 1.02 to 1.28 assumed" in basis(left.charge_ah)
        assert (high - low) / value > 0.7
    assert report.as_json()["remaining"]["evidence"] == phrases(left.evidence)


def test_one_point_gives_exactly_its_capacity_at_its_own_current() -> None:
    models = capacity_models(DataSheet(55.3, 0.85, None, None), "li_ion", 65.06)
    assert [each.available_ah(65.06) for each in models.laws] == pytest.approx([55.3] * 3, rel=1e-3)
    assert models.assumed is not None
    assert models.assumed.code == "exponent_assumed"


@pytest.mark.parametrize("chemistry", sorted(TYPICAL_K))
@pytest.mark.parametrize("times", [0.2, 1.0, 3.0, 15.0])
def test_an_assumed_exponent_spans_what_the_chemistry_does(chemistry: str, times: float) -> None:
    sheet = DataSheet(40.0, 20.0, None, None)
    models = capacity_models(sheet, chemistry, 2.0 * times)
    least, likely, most = (each.extrapolated_ah(2.0 * times, 1.0) for each in models.laws)
    assert least <= likely <= most
    if times > 1:
        k_low, k, k_high = TYPICAL_K[chemistry]
        # Rate form: C (I_n/I)^(k − 1)
        assert [least, likely, most] == pytest.approx([40 * times ** (1 - each) for each in (k_high, k, k_low)])


# T1 (../shared/references.md section 5), sheet of an AGM type: 37.2, 34, 24 Ah at 3.72, 6.8, 24 A of 40 Ah in 20 h
@pytest.mark.parametrize(("amps", "given_ah"), [(3.72, 37.2), (6.8, 34.0), (24.0, 24.0)])
def test_the_assumed_range_holds_the_sheet_of_a_real_battery(amps: float, given_ah: float) -> None:
    models = capacity_models(DataSheet(40.0, 20.0, None, None), "agm", amps)
    assert models.law(-1).available_ah(amps) <= given_ah <= models.law(1).available_ah(amps)


def test_a_measured_point_moves_the_pair_s_law_and_keeps_its_exponent() -> None:
    sheet = DataSheet(40.0, 20.0, 24.0, 1.0)
    models = capacity_models(sheet, "agm", 10.0, MeasuredCapacity(26.0, 2.6))
    assert models.likely.k == pytest.approx(peukert_law(sheet).k)
    assert models.likely.available_ah(10.0) == pytest.approx(26.0)
    for well in models.kinetic:
        assert well.capacity_ah(20.0 * models.likely.capacity_ah / 40.0) == pytest.approx(
            models.likely.capacity_ah, rel=1e-3
        )
    with pytest.raises(ValueError, match="above 0"):
        MeasuredCapacity(0.0, 1.0)


def test_a_contradictory_pair_is_flagged_and_its_exponent_not_printed() -> None:
    with pytest.raises(DataSheetError) as error:
        capacity_models(DataSheet(35.0, 20.0, 36.0, 1.0), "agm", 5.0)
    assert error.value.reason == Reason("exponent_below_one")
    assert "below 1" in phrase(error.value.reason)


def curves() -> Iterator[tuple[Battery, Floats, Floats, Floats, Floats]]:
    for battery in SETS:
        time_s, amps, volts, begin, end = discharge(battery)
        part = slice(begin, end + 1)
        charge = np.concatenate(([0.0], np.cumsum(np.diff(time_s[part]) * amps[part][1:]))) / 3600
        yield battery, time_s[part], amps[part], volts[part], charge


@pytest.mark.parametrize("drawn", [0.3, 0.4, 0.5, 0.6, 0.7])
def test_no_knee_is_seen_before_there_is_one(drawn: float) -> None:
    for battery, time_s, amps, volts, charge in curves():
        seen = charge <= drawn * charge[-1]
        args = time_s[seen], amps[seen], volts[seen], 0.0
        assert detect_knee(*args, battery.block_voltage_v, battery.cutoff_v) is None


@pytest.mark.parametrize("drawn", [0.93, 0.95, 0.97])
def test_the_knee_bounds_what_is_left(drawn: float) -> None:
    for battery, time_s, amps, volts, charge in curves():
        seen = charge <= drawn * charge[-1]
        knee = detect_knee(time_s[seen], amps[seen], volts[seen], 0.0, battery.block_voltage_v, battery.cutoff_v)
        assert knee is not None
        left = (1 - drawn) * charge[-1]
        assert left < knee.remaining_max_ah < 0.3 * charge[-1]
        assert knee.remaining_ah == pytest.approx(left, rel=1.0)
        assert knee.bend > KNEE_ROWS[0][0]


def test_an_uneven_load_is_brought_to_its_mean_before_the_curve_is_read() -> None:
    rng = np.random.default_rng(2)
    t_s = np.arange(0, 7200, 1.0)
    amps = np.repeat(rng.uniform(2, 30, 720), 10)
    charge = np.cumsum(amps) / 3600
    share = charge / charge[-1] * 0.96
    # A curve of our own: falls by 1.2 V in a straight line, and in a knee of 0.03/(1 − share) V.
    volts = 12.9 - 1.2 * share - 0.03 / (1 - share) - 0.02 * amps
    knee = detect_knee(t_s, amps, volts, 0.02, 12.0)
    assert knee is not None
    assert detect_knee(t_s, amps, volts, 0.0, 12.0) is None or knee.bend > 1.3
    assert detect_knee(t_s[:5000], amps[:5000], volts[:5000], 0.02, 12.0) is None


def test_a_short_or_charging_curve_has_no_knee() -> None:
    t_s = np.arange(0, 60, 1.0)
    assert detect_knee(t_s, np.full(60, 5.0), 12 - t_s, 0.0, 12.0) is None
    long = np.arange(0, 3600, 1.0)
    assert detect_knee(long, np.full(3600, -5.0), 12 + long / 3600, 0.0, 13.5) is None
    assert detect_knee(long, np.full(3600, 5.0), np.full(3600, 11.0), 0.0, 12.0) is None


def test_the_count_gives_way_to_the_knee(tmp_path: Path) -> None:
    """A nameplate twice what the battery has: at 95 % of the discharge the curve knows better than the count."""
    lead = dataclasses.replace(SETS[1], nameplate="capacity_ah = 36\ncapacity_hours = 20")
    (_, score) = forecasts.scores(lead, tmp_path, (0.95,))
    assert score.evidence is not None
    assert score.evidence.startswith("voltage under load: its knee has begun")
    assert score.holds
    assert score.value_s < 3 * score.truth_s
    assert math.isfinite(score.line_s)
