"""The air at the fuses: measured before stated before assumed, and bodies whose derating nobody publishes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.protection.fuse_air import measured_air_c
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import basis, sentences
from tests.analysis.build_runs import CART, doubted, write_run

T_S = np.arange(0, 60, 0.01)
SENSOR = "[sensors.fuse_temp]\noffset_u = 0.5\n"


def report_of(folder: Path, machine: str, **channels: Any) -> Report:
    values = {"battery_current_a": 20.0, "battery_voltage_v": 25.0, "left_current_a": 20.0, **channels}
    path = write_run(folder / f"r{len(list(folder.iterdir()))}.parquet", T_S, values, machine=machine)
    return build_report(Run.open(path), with_ledger=False)


# Second-hand, a maker's data sheet p 3: 40 A of the large blade up to 20 °C, 34 A at 65, 30 A at 85 °C
def test_measured_air_counts_before_stated_and_assumed_air(tmp_path: Path) -> None:
    stated = CART.replace("rating_a = 40", "rating_a = 40\nambient_c = 30")
    hot = 45 + 19.02 * np.sin(T_S / 40)
    for machine in (CART, stated):
        report = report_of(tmp_path, machine + SENSOR, fuse_temp_c=np.where(T_S > 59, 64.02, hot))
        fuse = report.fuses["left"]
        # 64.02 °C at its hottest and 1.96 · 0.5 K of the sensor: 65 °C
        assert fuse.derated_a == pytest.approx(34.0, abs=0.01)
        assert "fuse_ambient_assumed" not in {finding.code for finding in report.findings}
        assert "measured: 65.0 °C" in sentences(fuse.rule)
        # The wire's air is that at its fuse: √((105 − 65)/(105 − 30)) of 60 A (33 CFR 183.425 Table 5)
        assert report.paths["left"].wire.ampacity_a == pytest.approx(60 * (40 / 75) ** 0.5, rel=1e-3)
        # It cools no fuse: what flows before it opens is that of 40 A.
        assert report.fuse_leads["left"].protects.why[0]["rating_a"] == 40


def test_without_a_measurement_the_file_counts_then_room_temperature(tmp_path: Path) -> None:
    stated = CART.replace("rating_a = 40", "rating_a = 40\nambient_c = 65")
    assert report_of(tmp_path, stated).fuses["left"].derated_a == pytest.approx(34.0)
    assert report_of(tmp_path, CART).fuses["left"].derated_a == pytest.approx(40 - 6 * 5 / 45)


def test_a_doubted_thermometer_is_not_believed(tmp_path: Path) -> None:
    path = write_run(tmp_path / "r.parquet", T_S, {"left_current_a": 20.0, "fuse_temp_c": 5.0}, machine=CART)
    run = Run.open(path)
    assert measured_air_c(run, Doubts()) == pytest.approx(5.0)
    assert measured_air_c(run, doubted("channel_stuck", "fuse_temp_c")) is None
    assert measured_air_c(run, doubted("channel_stuck", "left_current_a")) == pytest.approx(5.0)


# The steepest stretch of the known table, 0.5 %/K, from 20 °C
def test_a_body_without_a_table_takes_the_steepest_slope_as_the_most_it_can_carry(tmp_path: Path) -> None:
    medium = CART.replace("blade_large", "blade_medium").replace("rating_a = 40", "rating_a = 40\nambient_c = 60")
    report = report_of(tmp_path, medium)
    fuse = report.fuses["left"]
    assert fuse.derated_a == pytest.approx(40 * 0.8)
    assert (fuse.margin.bound, fuse.margin.low, fuse.verdict) == ("at_most", None, "unknown")
    assert "usable rating at most 32 A of 40 A in air of 60 °C" in basis(fuse.margin)
    (finding,) = (each for each in report.findings if each.code == "fuse_derating_missing")
    assert finding["place"] == "left"  # type: ignore[index]
    assert "0.5 %/K above 20 °C" in told(finding).evidence


def test_at_room_temperature_its_margin_stays_an_estimate(tmp_path: Path) -> None:
    report = report_of(tmp_path, CART.replace("blade_large", "blade_medium"))
    fuse = report.fuses["left"]
    assert fuse.derated_a == pytest.approx(40 * 0.975)
    assert fuse.margin.low is not None
    cool = CART.replace("blade_large", "blade_medium").replace("rating_a = 40", "rating_a = 40\nambient_c = 15")
    report = report_of(tmp_path, cool)
    assert report.fuses["left"].derated_a == 40
    assert "fuse_derating_missing" not in {finding.code for finding in report.findings}


def test_hotter_than_any_table_nothing_is_said(tmp_path: Path) -> None:
    medium = CART.replace("blade_large", "blade_medium").replace("rating_a = 40", "rating_a = 40\nambient_c = 130")
    fuse = report_of(tmp_path, medium).fuses["left"]
    assert (fuse.derated_a, fuse.margin.reasons[0].code) == (None, "fuse_ambient_beyond")
