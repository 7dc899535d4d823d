"""Findings about the recording itself."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame

ALARM = {"at_s": 3.25, "code": "receiver", "severity": "danger", "text": "Receiver supply 3.9 V", "value": 3.9}


def findings(tmp_path: Path, **said: object) -> dict[str, tuple[str, str]]:
    """Code → severity and evidence of a minute at 5 A with these metadata."""
    frame = pl.DataFrame(
        {
            "t_us": pl.Series(np.arange(600) * 100_000, dtype=pl.Int64),
            "battery_current_ua": pl.Series(np.full(600, 5_000_000), dtype=pl.Int32),
        }
    )
    path = tmp_path / "run.parquet"
    write_frame(path, frame, replace(Metadata(run_id="x"), **said))  # type: ignore[arg-type]
    found = build_report(Run.open(path)).findings
    return {finding.code: (finding.severity, told(finding).evidence) for finding in found}


def test_recorded_alarms_are_told_once_for_each_kind(tmp_path: Path) -> None:
    later = {**ALARM, "at_s": 9.0}
    found = findings(tmp_path, alarms=(ALARM, later))
    assert found["alarm"] == ("danger", "Receiver supply 3.9 V at 3.2 s, and 1 more")


@pytest.mark.parametrize(
    ("severities", "told"),
    [
        (("note",), "note"),
        (("note", "caution"), "caution"),
        (("caution", "danger", "note"), "danger"),
        # A file that does not say it, or in words of its own, is not taken for harmless.
        ((None,), "caution"),
        (("dreadful",), "caution"),
    ],
)
def test_a_recorded_alarm_is_as_grave_in_the_report_as_it_was(
    tmp_path: Path, severities: tuple[str | None, ...], told: str
) -> None:
    alarms = tuple({**ALARM, "severity": severity} for severity in severities)
    assert findings(tmp_path, alarms=alarms)["alarm"][0] == told


def test_no_alarm_no_finding(tmp_path: Path) -> None:
    assert "alarm" not in findings(tmp_path)


@pytest.mark.parametrize("hostile", [{}, {"code": 3, "text": "x", "at_s": 1}, {"code": "x", "text": "y", "at_s": "z"}])
def test_alarms_of_the_wrong_kind_are_passed_over(tmp_path: Path, hostile: dict[str, object]) -> None:
    assert "alarm" not in findings(tmp_path, alarms=(hostile,))


def test_a_source_faster_than_real_time_is_told_in_plain_words(tmp_path: Path) -> None:
    found = findings(tmp_path, clock={"rate": 20.0, "rate_u": 1e-4, "residual_us": 9.0, "drift_ppm": 1.9e7})
    assert found["clock_not_real_time"] == ("note", "it runs 20 times as fast")


def test_a_clock_within_its_limit_is_no_finding(tmp_path: Path) -> None:
    found = findings(tmp_path, clock={"drift_ppm": 12.0, "rate_u": 1e-6})
    assert not {"clock_not_real_time", "arrival_times"} & found.keys()


def test_times_of_arrival_are_a_finding_with_their_jitter(tmp_path: Path) -> None:
    found = findings(tmp_path, clock={"arrival_jitter_us": 12_000.0})["arrival_times"]
    assert "19 of 20 lines arrived within 0.012 s of their turn" in found[1]
    assert "over less than 0.12 s" in found[1]
