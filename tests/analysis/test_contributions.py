"""What the intervals of the main results rest on: shares by hand, and that doing what is said narrows by as much."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.report.build import Report, build_report
from amptally.analysis.report.html_page import write_sheet
from amptally.analysis.report.text_page import render
from amptally.analysis.report.uncertainty_budget import Contribution, by_source
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.uncertainty import SourceWords, share_of, words_of
from tests.analysis.build_runs import CART, sides, write_run

SAMPLE = Path(__file__).parents[2] / "sample_runs" / "nine-laps-marked.parquet"


def sensors(**declared: str) -> str:
    return CART + "".join(f"[sensors.{name}]\n{text}\n" for name, text in declared.items())


def bench(folder: Path, machine: str, **channels: Any) -> Report:
    """20 A for an hour, 24 V, one sample a second; rest before it."""
    time_s = np.arange(0, 3600, 1.0)
    measured = {"battery_current_a": 20.0, "battery_voltage_v": 24.0, **channels}
    return build_report(
        Run.open(write_run(folder / f"run{len(list(folder.iterdir()))}.parquet", time_s, measured, machine=machine))
    )


def words(each: Contribution) -> SourceWords:
    return words_of(each.source, each.declared)


def of(report: Report, value: str) -> list[Contribution]:
    return [each for each in report.uncertainty if each.value == value]


# references UN5: offset 0.05 A for 1 h is 0.05 Ah, gain 1 % of 20 Ah is 0.2 Ah. 0.2²/(0.2² + 0.05²) = 94.1 %.
def test_shares_of_a_counted_charge_by_hand(tmp_path: Path) -> None:
    report = bench(tmp_path, sensors(battery_current="offset_u = 0.05\ngain_u = 0.01"))
    [top] = of(report, "energy.net_ah")
    assert (words(top).what, top.share) == ("gain of the battery current sensor", pytest.approx(0.9412, abs=2e-4))
    assert words(top).next == (
        "Compare it with a meter at a steady 20 A and write gain and gain_u under [sensors.battery_current]."
    )
    even = bench(tmp_path, sensors(battery_current="offset_u = 0.2\ngain_u = 0.01"))
    assert [(words(each).what, each.share) for each in of(even, "energy.net_ah")] == [
        ("gain of the battery current sensor", pytest.approx(0.5, abs=1e-3)),
        ("zero of the battery current sensor", pytest.approx(0.5, abs=1e-3)),
    ]
    assert "everything switched off" in words(of(even, "energy.net_ah")[1]).next


def test_doing_what_is_said_narrows_the_interval_by_as_much(tmp_path: Path) -> None:
    before = bench(tmp_path, sensors(battery_current="offset_u = 0.2\ngain_u = 0.01", battery_voltage="gain_u = 0.004"))
    after = bench(tmp_path, sensors(battery_current="offset_u = 0.2\ngain_u = 0", battery_voltage="gain_u = 0.004"))
    [top, *_] = of(before, "energy.net_wh")
    assert words(top).what == "gain of the battery current sensor"
    assert top.share is not None
    wide, narrow = (sides(report.energy.net_wh) for report in (before, after))
    assert (narrow[2] - narrow[0]) / (wide[2] - wide[0]) == pytest.approx(math.sqrt(1 - top.share), rel=1e-3)


def test_what_is_not_declared_is_named_and_has_no_share(tmp_path: Path) -> None:
    found = of(bench(tmp_path, sensors(battery_current="offset_u = 0.05")), "energy.net_ah")
    assert [(words(each).what, each.share) for each in found] == [
        ("zero of the battery current sensor", pytest.approx(1.0)),
        ("gain of the battery current sensor, which is not declared and not counted", None),
    ]
    # Of a run whose machine says nothing of any sensor, too.
    silent = of(bench(tmp_path, CART), "energy.net_wh")
    assert [each.share for each in silent] == [None]


def test_a_voltage_is_compared_at_the_meter_s_voltage_not_at_amperes(tmp_path: Path) -> None:
    declared = sensors(receiver_voltage="offset_u = 0.02\ngain_u = 0.01", battery_current="gain_u = 0.01")
    report = bench(tmp_path, declared, receiver_voltage_v=5.0)
    [top] = of(report, "battery.receiver_min_v")
    # 1 % of 5 V is 50 mV beside 20 mV: 86.2 %.
    assert (words(top).what, top.share) == ("gain of the receiver voltage sensor", pytest.approx(0.862, abs=1e-3))
    assert " A " not in words(top).next
    assert "[sensors.receiver_voltage]" in words(top).next


def test_every_main_result_of_the_demo_drive_is_explained() -> None:
    report = build_report(Run.open(SAMPLE), fraction=1.0)
    found = report.as_json()
    for entry in found["uncertainty"]:
        value: Any = found
        *keys, last = entry["value"].split(".")
        if keys[-1:] == ["resistance_ohm"]:
            value = found["battery"]["resistance_ohm"][last]
        else:
            for key in (*keys, last):
                value = value[key]
        assert value["value"] is not None, entry
        assert entry["next"].endswith(".")
        assert "No calibration" not in entry["next"], entry
        assert entry["share"] is None or 0 < entry["share"] <= 1
    named = {entry["value"] for entry in found["uncertainty"]}
    assert named == {
        "energy.net_wh", "energy.net_ah", "fuse.main.margin", "fuse.left.margin", "fuse.right.margin",
        "battery.worst_sag_v", "battery.resistance_ohm.1", "battery.receiver_min_v", "remaining.runtime_s",
        "laps.per_charge",
    }  # fmt: skip
    for value in named:
        assert sum(each.share or 0.0 for each in of(report, value)) <= 1 + 1e-9
    # The cart's current sensor has 0.5 % and 0.05 A: at some 20 A the gain leads.
    assert words(of(report, "energy.net_wh")[0]).what == "gain of the battery current sensor"


def test_one_thing_to_do_is_said_once_for_all_results_it_helps(tmp_path: Path) -> None:
    report = build_report(Run.open(SAMPLE), fraction=1.0)
    # What the published rows leave open of a fuse leads in the three margins; the first to calibrate is a sensor.
    first = next(each for each in by_source(report.uncertainty) if words(each[0]).what.startswith("gain"))
    what, following = words(first[0]).what, words(first[0]).next
    shares = [share_of(each.value, each.share) for each in first]
    assert what == "gain of the battery current sensor"
    assert [share.rsplit(" ", 2)[0] for share in shares] == ["net energy", "net charge"]
    text = " ".join(render(report, width=100).split())
    assert f"{what}: {', '.join(shares)} {following}" in text
    write_sheet(tmp_path / "sheet.html", report)
    assert f'<p class="note">{following}</p>' in (tmp_path / "sheet.html").read_text(encoding="utf-8")


def test_a_run_without_anything_to_explain_has_no_section(tmp_path: Path) -> None:
    path = write_run(tmp_path / "run.parquet", np.arange(5.0), {"pulse_a_us": 1500.0})
    report = build_report(Run.open(path))
    assert report.as_json()["uncertainty"] == []
    assert "Sources of uncertainty" not in render(report)
