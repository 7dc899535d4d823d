"""Every file that a released schema ever wrote is read by this version, and says the same as on the day it was made."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.logger.recording.recovery import recover
from amptally.logger.storage.journal import Damage, JournalReader, Record
from amptally.logger.storage.metadata import SCHEMA
from tests.faults.checks import sound
from tests.frozen.findings import findings

FOLDER = Path(__file__).parent
FROZEN = sorted(FOLDER.glob("schema-*.json"))


def same(found: Any, frozen: Any, where: str = "") -> None:
    """Everything frozen is there and equal; keys that came later may stand beside it. Fits are equal to 1e-9."""
    if isinstance(frozen, dict):
        assert isinstance(found, dict), where
        for key, value in frozen.items():
            assert key in found, f"{where}.{key} is gone"
            same(found[key], value, f"{where}.{key}")
    elif isinstance(frozen, list):
        assert len(found) == len(frozen), where
        for place, (one, other) in enumerate(zip(found, frozen, strict=True)):
            same(one, other, f"{where}[{place}]")
    elif isinstance(frozen, float):
        assert found == pytest.approx(frozen, rel=1e-9, abs=1e-9), where
    else:
        assert found == frozen, where


def test_there_is_one_for_each_schema() -> None:
    assert [path.stem for path in FROZEN] == [f"schema-{number}" for number in range(1, SCHEMA + 1)]


@pytest.mark.parametrize("path", FROZEN, ids=lambda path: path.stem)
def test_run_and_machine_file_say_the_same(path: Path) -> None:
    frozen = json.loads(path.read_text(encoding="utf-8"))
    same(findings(path.with_suffix(".parquet"), path.with_suffix(".toml")), frozen)


@pytest.mark.parametrize("path", FROZEN, ids=lambda path: path.stem)
def test_the_journal_becomes_the_same_run(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    frozen = json.loads(path.read_text(encoding="utf-8"))
    journal = tmp_path / path.with_suffix(".journal").name
    shutil.copy(path.with_suffix(".journal"), journal)
    found = list(JournalReader(journal))
    assert sum(isinstance(item, Record) for item in found) > 1000
    assert not any(isinstance(item, Damage) for item in found)
    run, _ = recover(journal, None)
    sound(run)
    same(findings(run, path.with_suffix(".toml")), frozen)


@pytest.mark.parametrize("path", FROZEN, ids=lambda path: path.stem)
def test_the_analysis_computes_from_it(path: Path) -> None:
    """Numbers that follow from how the files were made (build.py); the analysis may get better, not different."""
    report = build_report(Run.open(path.with_suffix(".parquet"), machine=path.with_suffix(".toml"))).as_json()
    assert report["run"]["samples"] == json.loads(path.read_text(encoding="utf-8"))["rows"]
    assert report["current"]["battery"]["peak_a"]["value"] == pytest.approx(55.0, abs=0.1)  # from the extremes frames
    assert report["battery"]["min_voltage_v"]["value"] == pytest.approx(25.2 - 0.02 * 42, abs=0.01)
    assert {gap["kind"] for gap in report["run"]["gaps"]} >= {"reset"}
