"""The first page: short whatever the run, every danger on it, nothing said twice, no margin rounded up."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.report.build import Report, build_report
from amptally.analysis.report.first_page import MAX_COLUMNS, MAX_LINES, as_text, first_page, joined
from amptally.analysis.report.html_page import sheet
from amptally.analysis.report.pictures import pictures
from amptally.analysis.report.text_page import render_first
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.formatting import beyond, carried, lasting, moment
from tests.analysis.build_runs import CART as BENCH
from tests.analysis.build_runs import write_run
from tests.dashboard.made_runs import CART, short_drive

SAMPLES = Path(__file__).parents[2] / "sample_runs"


def page_of(report: Report, width: int = MAX_COLUMNS) -> list[str]:
    return [text for text, _ in as_text(first_page(report), width)]


def made(folder: Path, channels: tuple[str, ...] | None = None, **metadata: Any) -> Report:
    time_s, values = short_drive()
    kept = {name: values[name] for name in channels or values}
    metadata = {"machine": CART, "start_charge": 1.0, **metadata}
    return build_report(Run.open(write_run(folder / "made.parquet", time_s, kept, **metadata)))


@pytest.fixture(scope="module")
def demo() -> Report:
    return build_report(Run.open(SAMPLES / "nine-laps-marked.parquet"))


def test_the_demo_on_one_screen(demo: Report) -> None:
    lines = page_of(demo)
    text = "\n".join(lines)
    assert len(lines) <= MAX_LINES
    assert max(map(len, lines)) <= MAX_COLUMNS
    for label in (
        "Left fuse 40 A",
        "Main fuse 80 A",
        "Wires",
        "Battery",
        "Receiver supply",
        "Charge",
        "Energy",
        "Laps",
    ):
        assert sum(line[3:].startswith(label) for line in lines) == 1
    # The danger of three fuses stands once, before everything else.
    assert text.count("short circuit") == 1
    assert next(line for line in lines if line.startswith(("!", "?", "  "))).startswith("!! Danger")
    assert "Main, left and right fuse: a short circuit" in text


def test_findings_stand_with_what_they_are_about(demo: Report) -> None:
    page = first_page(demo)
    assert any("insulation" in line.text for line in page.groups["protection"] if line.label == "Caution")
    assert any("stood still" in line.text for line in page.groups["driving"] if line.label == "Caution")
    # What the line of a fuse says itself is no second line.
    assert not any("close to its limits" in line.text for lines in page.groups.values() for line in lines)
    near = next(line for line in page.groups["protection"] if line.label.startswith("Left fuse"))
    assert near.tone == "caution"
    assert "close" in near.text
    assert near.more


@pytest.mark.parametrize(
    "channels",
    [
        ("battery_voltage_v",), ("battery_current_a",), ("left_current_a", "right_current_a"), ("pulse_a_us",),
        ("left_current_a", "battery_voltage_v"), ("battery_current_a", "battery_voltage_v"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("machine", [None, BENCH, CART])
def test_what_is_missing_is_counted_by_its_reason(
    tmp_path: Path, channels: tuple[str, ...], machine: str | None
) -> None:
    time_s, values = short_drive(60)
    values["pulse_a_us"] = np.full(len(time_s), 1500.0)
    path = write_run(tmp_path / "made.parquet", time_s, {name: values[name] for name in channels}, machine=machine)
    report = build_report(Run.open(path))
    lines, page = page_of(report), first_page(report)
    assert len(lines) <= MAX_LINES
    assert page.missing
    named = {line[3:].split("  ")[0] for line in lines}
    assert ("Fuses and wires" in named) == (machine is None)
    assert ("Left wire" in named) >= (machine == BENCH)  # one wire alone
    assert not any("left " in line and "times as much before" in line for line in lines if machine == BENCH)
    assert len(set(page.missing)) == len(page.missing)
    assert all(re.search(r": \d+ figures?$", each) for each in page.missing)
    counts = [int(each.rpartition(": ")[2].split()[0]) for each in page.missing]
    assert counts == sorted(counts, reverse=True)
    for label in ("Energy", "Peak current"):
        assert sum(line[3:].startswith(label) for line in lines) == 1


def test_what_is_graver_for_one_fuse_is_not_said_less_gravely_with_the_others(demo: Report) -> None:
    facts = next(finding for finding in demo.findings if finding.code == "fuse_limit_unverified").facts
    made = [
        Reason("fuse_limit_unverified", severity, **{**dict(facts), "place": place})
        for place, severity in (("left", "danger"), ("right", "caution"))
    ]
    lines = [line for group in first_page(replace(demo, findings=tuple(made))).groups.values() for line in group]
    assert [line.text.split(":")[0] for line in lines if line.label == "Danger"] == ["Left fuse"]
    assert [line.text.split(":")[0] for line in lines if line.label == "Caution"] == ["Right fuse"]


@pytest.mark.parametrize("width", [40, 60, 80, 100, 300])
def test_the_page_keeps_its_width(demo: Report, width: int) -> None:
    lines = render_first(demo, width).splitlines()
    assert max(map(len, lines)) <= max(min(width, MAX_COLUMNS), 45)


def test_no_danger_is_left_out_however_many_cautions_there_are(demo: Report) -> None:
    more = tuple(Reason("alarm", "caution", alarm=f"made_{k}", text="x", first_at_s=1.0, alarms=2) for k in range(40))
    lines = page_of(replace(demo, findings=(*demo.findings, *more)))
    assert len(lines) <= MAX_LINES
    assert sum(line.startswith("!! Danger") for line in lines) == 1
    assert any(re.search(r"4\d on the full report", line) for line in lines)


def test_steering_characters_of_a_file_reach_no_terminal(tmp_path: Path) -> None:
    alarm = {"code": "\x1b[31mred\u202e", "severity": "danger", "text": "x", "at_s": 1.0}
    text = render_first(made(tmp_path, alarms=(alarm,)))
    assert "[31mred" in text
    assert "\x1b" not in text
    assert "\u202e" not in text


@given(st.floats(0.011, 90))
def test_a_margin_is_never_rounded_to_the_better_side(margin: float) -> None:
    assert float(carried(margin)) <= margin + 1e-9
    assert float(beyond(margin)) >= 1 / margin - 1e-9


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(12.34, "12.3 s"), (59.94, "59.9 s"), (59.96, "1:00"), (156.4, "2:36"), (3599.6, "1 h 00 min")],
)
def test_times_in_one_notation(seconds: float, text: str) -> None:
    assert moment(seconds) == text


def test_long_times_have_no_false_digits() -> None:
    assert lasting(Estimate(4101.0, 3045.0, 6544.0, "s")) == "1 h 08 min (51 min to 1 h 49 min)"
    assert lasting(Estimate(4101.0, None, 6544.0, "s", "at_most")) == "at most 1 h 49 min"
    assert lasting(Estimate(4101.0, 3045.0, None, "s", "at_least")) == "at least 51 min"


def test_places_in_the_order_of_the_machine() -> None:
    assert joined(["right", "main", "left", "left"]) == "main, left and right"
    assert joined(["right"]) == "right"


def test_pictures_show_peaks_and_are_the_same_each_time(demo: Report) -> None:
    first, second = pictures(demo), pictures(demo)
    assert [each.title for each in first] == ["The drive", "Left fuse", "Laps"]
    assert first == second
    for each in first:
        assert each.svg.startswith("<svg ")
        assert "<script" not in each.svg
        assert 'href="http' not in each.svg
    assert "may open" in first[1].svg


def test_pictures_of_runs_that_lack_something(tmp_path: Path) -> None:
    assert [each.title for each in pictures(made(tmp_path, ("battery_voltage_v",)))] == ["The drive"]
    time_s = np.arange(0, 30, 0.1)
    path = write_run(tmp_path / "pulse.parquet", time_s, {"pulse_a_us": np.full(300, 1500)})
    assert pictures(build_report(Run.open(path))) == []


def test_the_sheet_holds_page_pictures_and_every_figure(demo: Report) -> None:
    text = sheet(demo).document()
    assert text.count("<svg ") == 3
    assert (
        text.index("Left fuse 40 A")
        < text.index("<svg ")
        < text.index("<details>")
        < text.index("Sources of uncertainty")
    )
    assert "<script" not in text
