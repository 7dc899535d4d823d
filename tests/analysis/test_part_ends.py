"""Parts of a run whose ends lie in a gap: the gap belongs to the part, and what it may hide is not called nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from tests.analysis.build_runs import CART, write_run


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """20 A at 100 Hz for 100 s, nothing from 50 to 60 s."""
    time_s = np.concatenate((np.arange(0, 50, 0.01), np.arange(60, 100, 0.01)))
    channels = {"left_current_a": 20.0, "battery_current_a": 20.0, "battery_voltage_v": 25.0}
    return write_run(tmp_path / "run.parquet", time_s, channels, machine=CART)


@pytest.mark.parametrize(("from_s", "to_s"), [(40.0, 55.0), (50.0, 65.0), (55.0, 70.0), (40.0, 65.0)])
def test_a_gap_at_an_end_is_a_gap(path: Path, from_s: float, to_s: float) -> None:
    run = Run.open(path, from_s=from_s, to_s=to_s)
    (gap,) = run.gaps()
    assert (gap.start_s, gap.end_s) == (pytest.approx(49.99), pytest.approx(60.0))
    report = build_report(run)
    assert report.as_json()["run"]["coverage"] < 0.7
    # As much is said of it as of the same gap in the whole run.
    whole = build_report(Run.open(path)).fuses["left"]
    assert (report.fuses["left"].verdict, report.fuses["left"].margin.bound) == (whole.verdict, whole.margin.bound)
    assert "gaps" in [finding.code for finding in report.findings]


@pytest.mark.parametrize(("from_s", "to_s"), [(10.0, 40.0), (10.005, 49.99), (60.0, 80.0), (0.0, 49.995)])
def test_an_end_between_samples_is_none(path: Path, from_s: float, to_s: float) -> None:
    run = Run.open(path, from_s=from_s, to_s=to_s)
    assert run.gaps() == [] or run.gaps() == ()
    assert run.start_s >= from_s
    assert run.end_s <= to_s


def test_the_drop_of_a_charge_is_not_one_under_load(tmp_path: Path) -> None:
    time_s = np.arange(0, 7200, 1.0)
    amps = -5 * np.exp(-np.maximum(time_s - 3600, 0) / 1800)
    channels = {"battery_current_a": amps, "battery_voltage_v": np.minimum(25 + time_s / 1500, 28.8)}
    report = build_report(Run.open(write_run(tmp_path / "charge.parquet", time_s, channels, machine=CART)))
    assert [reason.code for reason in report.sag.load_drop_v.reasons] == ["battery_charged"]
    assert report.sag.load_drop_at_s is None
