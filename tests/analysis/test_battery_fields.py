"""Every field about the battery is used or named: none is read and then ignored. And the management's current."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.battery.management import judge_management
from amptally.analysis.exposure.current import assess_current
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.report.build import build_report
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.logger.machine.fields import SECTIONS
from tests.analysis.build_runs import CART, doubted, write_run

T_S = np.arange(0, 120, 0.2)
AMPS = np.where(T_S < 20, 0.0, np.where(T_S % 20 < 8, 22.0, np.where(T_S % 20 < 14, 8.0, 1.0)))
CHANNELS: dict[str, Any] = {"battery_current_a": AMPS, "battery_voltage_v": 25.6 - 0.02 * AMPS}
VALUES: dict[str, dict[str, Any]] = {
    section: {name: spec.example for name, spec in SECTIONS[section].specs.items()} for section in ("battery", "bms")
}
VALUES["controller"] = {"minimum_v": 18.0, "maximum_v": 34.0, "cutoff_v": 19.0}
ELSEWHERE = {("battery", "id"): "names the battery of the ledger: test_ledger.py"}
"""What the report of one run does not show, and where it is used."""


def machine_text(values: dict[str, dict[str, Any]]) -> str:
    lines = []
    for section, fields in values.items():
        lines += [f"[{section}]", *(f"{name} = {json.dumps(value)}" for name, value in fields.items())]
    return "\n".join(lines)


def told_of(folder: Path, values: dict[str, dict[str, Any]], channels: dict[str, Any]) -> str:
    path = write_run(folder / "run.parquet", T_S, channels, machine=machine_text(values))
    found = build_report(Run.open(path), fraction=1.0, with_ledger=False).to_json()
    path.unlink()
    return found


def others(section: str, name: str, value: Any) -> list[Any]:
    """Other values that the field allows."""
    spec = SECTIONS[section].specs[name]
    if spec.kind == "choice":
        return [word for word in spec.words if word != value]
    if spec.kind == "integer":
        return [value + 1]
    return [value * by for by in (0.9, 1.3, 0.3) if spec.low <= value * by <= spec.high]


@pytest.mark.parametrize(
    ("section", "name"),
    [(section, name) for section, fields in VALUES.items() for name in fields if (section, name) not in ELSEWHERE],
)
def test_every_field_about_the_battery_changes_the_report(tmp_path: Path, section: str, name: str) -> None:
    # A sheet's resistance counts where none is measured, its capacity where none was tested.
    values = {key: dict(fields) for key, fields in VALUES.items()}
    channels = dict(CHANNELS)
    if name == "resistance_ohm":
        channels["battery_current_a"] = 10.0 + 0.05 * np.sin(T_S)
        channels["battery_voltage_v"] = 25.4 - 0.002 * T_S
        values["controller"]["cutoff_v"] = 24.0
    if name in ("capacity_ah", "capacity_hours", "second_capacity_ah", "second_hours"):
        del values["battery"]["measured_capacity_ah"], values["battery"]["measured_hours"]
    if name == "minimum_v":
        del values["controller"]["cutoff_v"]
    if name == "maximum_v":
        channels["battery_voltage_v"] = 33.0 - 0.02 * AMPS
    before = told_of(tmp_path, values, channels)
    for other in others(section, name, values[section][name]):
        values[section][name] = other
        if told_of(tmp_path, values, channels) != before:
            return
    pytest.fail(f"{section}.{name} changes nothing")


def findings(folder: Path, amps: Any, cutoff_a: float, doubts: Doubts | None = None) -> tuple[Reason, ...]:
    doubts = doubts or Doubts()
    channels = {"battery_voltage_v": 25.0} if amps is None else {"battery_current_a": amps}
    machine = CART + f"[bms]\ncutoff_a = {cutoff_a}\n"
    path = write_run(folder / f"m{len(list(folder.iterdir()))}.parquet", T_S, channels, machine=machine)
    run = Run.open(path)
    return judge_management(run, assess_current(run, "battery", [], [], doubts))


def test_the_current_at_which_the_management_opens(tmp_path: Path) -> None:
    (reached,) = findings(tmp_path, AMPS, 21.0)
    assert (reached.code, reached.severity, reached["peak_a"]) == ("management_current_reached", "danger", 22.0)
    assert "opens" in told(reached).what
    (near,) = findings(tmp_path, AMPS, 25.0)
    assert (near.code, near.severity) == ("management_current_near", "caution")
    assert findings(tmp_path, AMPS, 30.0) == ()
    (unchecked,) = findings(tmp_path, None, 30.0)
    assert unchecked.code == "management_current_unchecked"
    # A current that is doubted shows no peak.
    (doubtful,) = findings(tmp_path, AMPS, 21.0, doubted("channel_stuck", "battery_current_a"))
    assert doubtful.code == "management_current_unchecked"
