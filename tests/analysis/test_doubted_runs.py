"""What bad data do to the report: refused with the reason, limited or widened, and nothing beside.

The drives are simulated (logger/simulator); which value rests on which channel is docs/methods.md, Bad data.
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.quality import doubts
from amptally.analysis.report.answers import answers
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.report.text_page import render
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import basis, refusal
from amptally.analysis.wording.uncertainty import words_of
from tests.analysis.build_runs import write_run
from tests.analysis.test_report import checked
from tests.studies import defects
from tests.studies.defects import BATTERY, CART, LEFT, RIGHT, VOLTS, Record

RNG = np.random.default_rng(5)
LAP_FIGURES = ("net_ah", "net_wh", "peak_a", "min_voltage_v", "sag_v", "left_ah", "right_ah")
MACHINE = CART.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def record() -> Record:
    return defects.drawn(4)


@pytest.fixture(scope="module")
def plain(record: Record, tmp_path_factory: pytest.TempPathFactory) -> Report:
    return report_of(record, tmp_path_factory.mktemp("plain"))


def report_of(record: Record, folder: Path, machine: str = MACHINE) -> Report:
    channels = {name: value for name, value in record.items() if name != "t_s"}
    path = write_run(folder / "run.parquet", record["t_s"], channels, machine=machine)
    return build_report(Run.open(path), fraction=1.0)


def codes(report: Report) -> set[str]:
    known = {code.split("/")[0] for code in doubts.EFFECTS}
    return {finding.code for finding in report.findings if finding.code in known}


def leaves(found: Any, path: str = "") -> dict[str, dict[str, Any]]:
    """The E objects of a report by path."""
    if not isinstance(found, dict):
        return {}
    if "refused" in found and "bound" in found:
        return {path: found}
    return {p: e for key, inner in found.items() for p, e in leaves(inner, f"{path}.{key}".strip(".")).items()}


def changed(plain: Report, bad: Report, act: str) -> set[str]:
    """Paths that were given before and are refused now, or have another bound, or a wider interval."""
    before, after = leaves(checked(plain)), leaves(checked(bad))
    found = set()
    for path, each in after.items():
        was = before[path]
        if was["refused"] is not None:
            continue
        refused = each["refused"] is not None
        if (act == "refused" and refused) or (act == each["bound"] and not refused and was["bound"] != act):
            found.add(path)
    return found


def under(paths: set[str], *patterns: str) -> set[str]:
    return {path for path in paths if any(fnmatchcase(path, pattern) for pattern in patterns)}


def test_a_good_drive_is_left_alone(plain: Report) -> None:
    assert codes(plain) == set()
    assert refusal(plain.energy.net_wh) is None
    assert plain.fuses["left"].verdict != "unknown"


def test_a_turned_current_leaves_what_its_size_tells(plain: Report, record: Record, tmp_path: Path) -> None:
    report = report_of(defects.scaled(BATTERY, -1)(record, RNG), tmp_path)
    assert "current_sign" in codes(report)
    refused = changed(plain, report, "refused")
    assert {"energy.net_wh", "energy.discharged_ah", "remaining.runtime_s", "battery.state_of_charge",
            "laps.per_charge", "current.battery.mean_a"} <= refused  # fmt: skip
    assert report.laps.each
    assert all(lap.net_ah is None and lap.net_wh is None for lap in report.laps.each)
    # |i|: peaks and margins stay as they were.
    assert not under(refused, "fuse.*", "current.battery.peak_a", "current.battery.rms_a.*", "energy.by_channel.*")
    assert report.fuses["main"].margin.value == pytest.approx(plain.fuses["main"].margin.value, rel=1e-6)
    text = render(report, width=200)
    assert "not given: the sign of the battery current looks reversed (finding current_sign)" in text
    assert "laps per charge not given" in " ".join(answer.text for answer in answers(report))


def test_channels_that_add_up_to_a_turned_battery_are_turned_too(plain: Report, record: Record, tmp_path: Path) -> None:
    turned = {name: -record[name] for name in (BATTERY, LEFT, RIGHT)}
    report = report_of(record | turned, tmp_path)
    assert codes(report) == {"current_sign"}
    refused = changed(plain, report, "refused")
    assert {"energy.net_ah", "energy.by_channel.left.net_ah", "energy.by_channel.right.net_ah"} <= refused
    assert refusal(report.fuses["right"].margin) is None


def test_a_filled_in_current_is_an_assumption(plain: Report, record: Record, tmp_path: Path) -> None:
    report = report_of(defects.filled(1)(record, RNG), tmp_path)
    assert "current_filled_in" in codes(report)
    refused = changed(plain, report, "refused")
    for pattern in ("energy.*", "battery.resistance_ohm.*", "current.battery.*", "fuse.main.*", "remaining.*"):
        assert under(refused, pattern) == {
            path for path, each in leaves(checked(plain)).items() if fnmatchcase(path, pattern) and not each["refused"]
            and "by_channel" not in path
        }, pattern  # fmt: skip
    assert refusal(report.energy.net_ah) == (
        "the current has no part in what the battery's voltage does (finding current_filled_in)"
    )
    assert report.fuses["main"].verdict == "unknown"
    assert report.fuses["left"].margin == plain.fuses["left"].margin
    assert report.currents["battery"].exposure == ()


def test_cut_tops_are_lower_limits(plain: Report, record: Record, tmp_path: Path) -> None:
    report = report_of(defects.cut(LEFT, 0.6)(record, RNG), tmp_path)
    assert "cut_top" in codes(report)
    lower, upper = changed(plain, report, "at_least"), changed(plain, report, "at_most")
    assert {"current.left.rms_a.1", "fuse.left.continuous_fraction", "energy.by_channel.left.net_ah"} <= lower
    assert {"fuse.left.margin", "wire.left.margin"} <= upper
    assert report.currents["left"].peak_a.bound == "at_least"
    assert not under(lower | upper, "*right*", "*main*", "*battery*")
    margin = report.fuses["left"].margin
    true = plain.fuses["left"].margin.value
    assert margin.value is not None
    assert true is not None
    assert margin.value > true, "the cut run alone would have promised more than there was"
    assert report.fuses["left"].verdict in ("unknown", "inside", "past")


def test_a_voltage_from_elsewhere_takes_no_charge_away(plain: Report, record: Record, tmp_path: Path) -> None:
    report = report_of(defects.elsewhere(0.003)(record, RNG), tmp_path)
    assert "voltage_unanswering" in codes(report)
    refused = changed(plain, report, "refused")
    assert {"energy.net_wh", "energy.peak_power_w", "battery.worst_sag_v", "battery.rest_voltage_v"} <= refused
    assert report.energy.net_ah == plain.energy.net_ah
    assert report.fuses["left"].margin == plain.fuses["left"].margin
    assert report.charge.remaining.runtime_s.bound == "at_most"
    assert report.sag.worst_sag_at_s is None


def test_one_channel_on_a_wrong_scale(plain: Report, record: Record, tmp_path: Path) -> None:
    report = report_of(defects.scaled(LEFT, 10)(record, RNG), tmp_path)
    assert codes(report) - {"sensor_clipped"} == {"channels_disagree"}
    (finding,) = (each for each in report.findings if each.code == "channels_disagree")
    assert "the left channel reads 10 times what it should" in told(finding).what
    refused = changed(plain, report, "refused")
    assert under(refused, "*left*") == refused
    assert {"fuse.left.margin", "energy.by_channel.left.net_ah", "wire.left.margin"} <= refused
    assert report.fuses["left"].verdict == "unknown"
    # It was measured, and is refused: nothing says that it is missing.
    assert not {"fuse_past", "fuse_inside", "fuse_near", "fuse_current_missing"} & {
        f.code for f in report.fuses["left"].findings
    }
    assert report.sag.balance_residual_a.value is not None, "it stays as evidence"
    assert report.energy.net_wh == plain.energy.net_wh


@pytest.mark.parametrize("factor", [1.18, 2.0])
def test_a_battery_lead_that_carries_another_sum(plain: Report, record: Record, tmp_path: Path, factor: float) -> None:
    report = report_of(defects.scaled(BATTERY, factor)(record, RNG), tmp_path)
    assert codes(report) - {"sensor_clipped"} == {"channels_disagree"}
    net, true = report.energy.net_ah, plain.energy.net_ah.value
    assert true is not None
    if factor > 1.5:
        assert refusal(net) is not None
        assert report.fuses["left"].verdict == report.fuses["main"].verdict == "unknown"
    else:
        assert net.low is not None
        assert net.high is not None
        assert net.low < true < net.value < net.high if net.value is not None else False
        margin, right = report.fuses["right"].margin, plain.fuses["right"].margin
        assert margin.low is not None
        assert right.low is not None
        assert margin.low < right.low


def test_a_zero_that_moved_widens_by_its_time(plain: Report, record: Record, tmp_path: Path) -> None:
    report = report_of(defects.shifted(BATTERY, 1.0)(record, RNG), tmp_path)
    assert codes(report) == {"zero_shift"}
    net, true = report.energy.net_ah, plain.energy.net_ah
    assert net.low is not None
    assert net.high is not None
    assert true.value is not None
    assert net.low < true.value < net.high
    # 1 A over the whole run on both sides, beside what there was.
    assert true.low is not None
    assert true.high is not None
    width = true.high - true.low + 2 * 1.0 * report.run.duration_s / 3600
    assert net.high - net.low == pytest.approx(width, rel=0.03)
    assert report.fuses["left"].margin == plain.fuses["left"].margin
    assert basis(report.currents["battery"].mean_a).startswith("the current sensor's zero moved")
    # What the interval rests on most is the finding, and it is to be settled first.
    top = next(each for each in report.uncertainty if each.value == "energy.net_ah")
    assert top.source["finding"] == "zero_shift"
    assert top.share is not None
    assert top.share > 0.9
    assert words_of(top.source, top.declared).next.startswith("Settle this finding first")


def test_two_clocks_refuse_what_needs_one(plain: Report, record: Record, tmp_path: Path) -> None:
    report = report_of(defects.on_clock((VOLTS,), 2.0)(record, RNG), tmp_path)
    assert codes(report) == {"time_bases_differ"}
    refused = changed(plain, report, "refused")
    assert under(refused, "battery.resistance_ohm.*")
    assert "energy.peak_power_w" in refused
    energy, true = report.energy.net_wh, plain.energy.net_wh
    assert energy.low is not None
    assert energy.high is not None
    assert true.value is not None
    assert energy.low < true.value < energy.high
    assert report.energy.net_ah == plain.energy.net_ah


def test_a_channel_null_in_half_of_the_run(plain: Report, record: Record, tmp_path: Path) -> None:
    half = record[BATTERY].copy()
    half[: len(half) // 2] = np.nan
    report = report_of(record | {BATTERY: half}, tmp_path)
    assert codes(report) == {"channel_partial"}
    assert report.fuses["main"].margin.bound == "at_most"
    assert report.currents["battery"].rms_a["1"].bound == "at_least"
    assert report.energy.discharged_ah.bound == "at_least"
    assert report.charge.remaining.charge_ah.bound == "at_most"
    assert plain.fuses["main"].margin.bound == "estimate"


def test_a_stuck_channel_is_refused_with_the_part_that_lives(record: Record, tmp_path: Path) -> None:
    report = report_of(defects.held(BATTERY, 20.0)(record, np.random.default_rng(3)), tmp_path)
    assert codes(report) == {"channel_stuck"}
    (finding,) = (each for each in report.findings if each.code == "channel_stuck")
    assert "--to " in told(finding).next
    assert refusal(report.energy.net_ah) is not None
    assert report.fuses["main"].verdict == "unknown"


def test_a_supply_above_the_controllers_greatest(record: Record, tmp_path: Path) -> None:
    most = float(record["controller_voltage_v"].max())
    machine = MACHINE.replace("maximum_v = 34", f"maximum_v = {most - 0.05:.3f}")
    found = {each.code: each for each in report_of(record, tmp_path, machine).findings}
    assert found["controller_above_maximum"].severity == "danger"
    assert f"{most:.2f} V" in told(found["controller_above_maximum"]).evidence
    kept = MACHINE.replace("maximum_v = 34", f"maximum_v = {most + 0.05:.3f}")
    (tmp_path / "run.parquet").unlink()
    assert "controller_above_maximum" not in {each.code for each in report_of(record, tmp_path, kept).findings}
