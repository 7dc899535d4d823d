"""The whole report: its fixed keys, what any small run may do to it, and runs that are bad in one way each."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from amptally.analysis.errors import RunContentError
from amptally.analysis.integrals.gap_doubt import bridge_u
from amptally.analysis.report.answers import answers
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.report.text_page import render
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run, Series
from amptally.analysis.wording.findings import told
from amptally.logger.channels import BY_SI_NAME
from amptally.logger.storage.metadata import Gap
from tests.analysis.build_runs import CART, Floats, consistent, measured, value_of, write_run
from tests.strategies import examples

E = {"value", "low", "high", "unit", "bound", "refused", "basis", "reasons"}
PERCENT = ("0.1", "1", "10", "60", "600")
CURRENT = {"peak_a": E, "mean_a": E, "rms_a": dict.fromkeys(PERCENT, E), "exposure": list}
FUSE = {
    "rating_a": None, "derated_a": None, "family": None, "margin": E, "margin_latest": E, "tightest_window_s": None,
    "tightest_at_s": None, "seconds_above_rating": E, "continuous_fraction": E, "verdict": None, "rule": None,
    "current_from": None, "protects_wire": {"holds": None, "weakest_s": None, "why": None},
    "stall_opens_s": None,
    "advice": {"next_up_a": None, "next_down_a": None, "fits_a": list, "why": None, "each": list},
}  # fmt: skip
WIRE = {
    "conductor": None, "ampacity_a": None, "ampacity_basis": None, "margin": E, "adiabatic_margin": E, "drop_v": E,
    "loss_w": E, "verdict": None, "rule": None,
}  # fmt: skip
SIDE = {"net_ah": E, "net_wh": E}
# ../shared/design.md, Report JSON [fixed]
TREE: dict[str, Any] = {
    "schema": None,
    "run": {
        "id": None, "machine": None, "arrangement": None, "started_utc": None, "duration_s": None, "samples": None,
        "rate_hz": None, "coverage": None, "gaps": list,
    },
    "energy": {
        "discharged_wh": E, "recovered_wh": E, "net_wh": E, "discharged_ah": E, "recovered_ah": E, "net_ah": E,
        "mean_power_w": E, "peak_power_w": E, "by_channel": {"left": SIDE, "right": SIDE},
        "current_from": None,
    },
    "current": {"battery": CURRENT, "left": CURRENT, "right": CURRENT},
    "battery": {
        "rest_voltage_v": E, "min_voltage_v": E, "worst_sag_v": E, "worst_sag_at_s": None,
        "load_drop_v": E, "load_drop_at_s": None,
        "resistance_ohm": {"0.1": E, "1": E, "10": E}, "open_circuit_v": E, "recovered_v": E,
        "settled_v": E, "block_imbalance_v": E,
        "weak_block": None, "state_of_charge": E, "block_charge": list, "receiver_min_v": E, "balance_residual_a": E,
    },
    "remaining": {
        "charge_ah": E, "energy_wh": E, "runtime_s": E, "distance_m": E, "ends_by": None, "evidence": None,
        "touches": list,
    },
    "laps": {"method": None, "found": None, "each": list, "per_charge": E, "remaining": E},
    "drive": {
        "stall_s": E, "stalls": list, "reversing_s": E, "reversing_fraction": E, "regenerated_ah": E,
        "regenerated_fraction": E, "peak_recovered_a": E, "peak_recovered_at_s": None, "left_share": E,
        "laps_left_share": list, "command_map": list, "command_map_refused": None,
    },
    "findings": list,
    "uncertainty": list,
}  # fmt: skip
SHAPES = {
    "block_charge": E,
    "gaps": {"start_s", "end_s", "kind", "bridged_ah"},
    ".advice.each": {"rating_a", "margin", "suits", "why"},
    "laps.each": {"start_s", "end_s", "duration_s", "net_wh", "net_ah", "peak_a"},
    "findings": {"severity", "code", "what", "evidence", "next"},
    "stalls": {"side", "start_s", "end_s"},
    "command_map": {"side", "from", "to", "samples", "seconds", "mean_a", "median_a"},
    "uncertainty": {"value", "what", "share", "next"},
}
# docs/nomenclature.md, Units
UNITS = {"_rating": "s", "_a": "A", "_v": "V", "_w": "W", "_ah": "Ah", "_wh": "Wh", "_s": "s", "_m": "m"}

T_S = np.arange(0, 60, 0.05)
AMPS = np.where(T_S < 10, 0.0, np.where(T_S % 4 < 2, 40.0, 10.0))
DRIVE: dict[str, Any] = {
    "battery_current_a": AMPS,
    "battery_voltage_v": 25.4 - 0.03 * AMPS,
    "left_current_a": 0.6 * AMPS,
    "right_current_a": 0.4 * AMPS,
    "receiver_voltage_v": 5.0,
    "pulse_a_us": 1800.0,
    "pulse_b_us": 1500.0,
}


def report_of(folder: Path, channels: dict[str, Any], t_s: Floats = T_S, **options: Any) -> Report:
    """Report of a run written as the next file of a folder; from_s, to_s, rested_h, fraction go where they belong."""
    part = {name: options.pop(name) for name in ("from_s", "to_s") if name in options}
    told = {name: options.pop(name) for name in ("rested_h", "fraction") if name in options}
    path = write_run(
        folder / f"run{len(list(folder.iterdir()))}.parquet", t_s, channels, **{"machine": CART, **options}
    )
    return build_report(Run.open(path, **part), **told)


def check_tree(found: Any, tree: Any, path: str) -> None:
    """The keys are exactly those of the contract, and values are what JSON and the contract allow."""
    if tree is E:
        assert set(found) == E, path
        numbers = {name: found[name] for name in ("value", "low", "high", "unit", "bound")}
        consistent(Estimate(**numbers, reasons=(Reason("not_finite"),)))
        assert (found["refused"] is None) == (found["value"] is not None), path
        assert all({"code", "severity"} <= set(reason) for reason in found["reasons"]), path
        name = path.rsplit(".", 1)[-1]
        unit = (
            "ohm" if "resistance_ohm" in path else "A" if "rms_a" in path else UNITS.get("_" + name.split("_")[-1], "")
        )
        assert found["refused"] is not None or found["unit"] == unit, path
    elif isinstance(tree, dict):
        assert set(found) == set(tree), path
        for key, inner in tree.items():
            check_tree(found[key], inner, f"{path}.{key}")
    elif tree is list:
        assert isinstance(found, list), path
        for entry in found:
            shape = next((keys for name, keys in SHAPES.items() if path.endswith(name)), None)
            if shape is not None:
                assert set(entry) == shape, path


def checked(report: Report) -> dict[str, Any]:
    """The JSON of a report after every check that holds of all reports."""
    found = report.as_json()
    again = json.loads(json.dumps(found, allow_nan=False))
    fuses, wires = again.pop("fuse"), again.pop("wire")
    check_tree(again, TREE, "")
    for place, tree, each in ((p, t, e) for t, group in ((FUSE, fuses), (WIRE, wires)) for p, e in group.items()):
        assert place in ("main", "left", "right")
        check_tree(each, tree, f".{place}")
    assert {fuse["verdict"] for fuse in fuses.values()} <= {"past", "inside", "near", "below", "unknown"}
    assert {wire["verdict"] for wire in wires.values()} <= {"under", "over", "unknown"}
    assert again["laps"]["found"] == len(again["laps"]["each"])
    assert all(gap["kind"] in ("link", "unplugged", "reset", "source") for gap in again["run"]["gaps"])
    severities = [finding["severity"] for finding in again["findings"]]
    assert severities == sorted(severities, key=["danger", "caution", "note"].index)
    for current in again["current"].values():
        windows = [window for window, _ in current["exposure"]]
        assert windows == sorted(windows)
        if windows:
            assert windows[-1] <= again["run"]["duration_s"] * (1 + 1e-6)
    for text in [*texts(again), render(report, width=80), *(answer.text for answer in answers(report))]:
        assert not re.search(r"\b(nan|inf|None)\b", text), text
        # ../shared/design.md, Fuse margin: never "safe" or "OK"
        assert not re.search(r"\b(safe|safely|OK|okay)\b", text), text
    return found


def texts(found: Any) -> Iterator[str]:
    if isinstance(found, dict):
        found = list(found.values())
    if isinstance(found, list):
        for each in found:
            yield from texts(each)
    elif isinstance(found, str):
        yield found


def codes(report: Report) -> set[str]:
    return {finding.code for finding in report.findings}


def test_a_full_drive_has_the_contract_s_keys_and_answers(tmp_path: Path) -> None:
    report = report_of(tmp_path, DRIVE, start_charge=1.0, start_utc="2026-05-01T10:00:00+00:00")
    found = checked(report)
    assert found["schema"] == 1
    assert set(found["fuse"]) == {"left"}
    assert set(found["wire"]) == {"left"}
    run = found["run"]
    assert (run["machine"], run["arrangement"], run["samples"]) == ("Bench cart", "series", 1200)
    assert (run["duration_s"], run["rate_hz"], run["coverage"]) == pytest.approx((59.95, 20.0, 1.0))
    assert run["started_utc"] == "2026-05-01T10:00:00+00:00"
    assert found["remaining"]["ends_by"] in ("block_a", "block_b", "controller")
    assert [answer.topic for answer in answers(report)] == ["fuse", "sag", "receiver", "charge"]


def test_without_a_machine_there_are_no_fuses_and_no_wires(tmp_path: Path) -> None:
    report = report_of(tmp_path, DRIVE, machine=None)
    found = checked(report)
    assert (found["fuse"], found["wire"], found["run"]["machine"]) == ({}, {}, None)
    assert found["energy"]["net_wh"]["value"] is not None
    assert "no_machine" in codes(report)


cells = st.sampled_from(["constant", "zero", "noise", "steps", "ramp", "tiny"])
kinds = st.sampled_from(["even", "uneven", "gaps", "crowded"])


@st.composite
def small_runs(draw: st.DrawFn) -> tuple[Floats, dict[str, Any], dict[str, Any]]:
    """Times, channels and metadata of a run that nobody would wish for."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.sampled_from([1, 2, 3, 4, 5, 7, 12, 40, 120, 300]))
    step = draw(st.sampled_from([1e-6, 0.001, 0.01, 0.1, 1.0, 60.0]))
    spread = {
        "even": np.full(count, step),
        "uneven": rng.uniform(0.2, 2, count) * step,
        "gaps": np.where(rng.random(count) < 0.1, 50 * step, step),
        "crowded": rng.exponential(step, count),
    }[draw(kinds)]
    us = np.unique(np.maximum(np.rint(np.cumsum(spread) * 1e6), 1))
    t_s = (us - us[0]) / 1e6
    channels = {}
    likely = st.sampled_from(["battery_current_a", "battery_voltage_v", "left_current_a", "midpoint_voltage_v"])
    for name in draw(st.lists(st.one_of(likely, st.sampled_from(sorted(BY_SI_NAME))), max_size=10, unique=True)):
        size = {"A": 40.0, "V": 25.0, "µs": 1500.0, "": 50.0, "°C": 30.0}[BY_SI_NAME[name].si_unit]
        values = {
            "constant": np.full(len(t_s), size),
            "zero": np.zeros(len(t_s)),
            "noise": np.abs(rng.normal(size, size, len(t_s))) * (1 if name != "battery_current_a" else -1),
            "steps": np.repeat(np.abs(rng.normal(0, size, len(t_s) // 10 + 1)), 10)[: len(t_s)],
            "ramp": np.linspace(0, size, len(t_s)),
            "tiny": np.abs(rng.normal(0, 1e-5 * size, len(t_s))),
        }[draw(cells)]
        channels[name] = np.where(rng.random(len(t_s)) < draw(st.sampled_from([0.0, 0.1, 0.9])), np.nan, values)
    sensors = (
        f"[sensors.battery_current]\noffset = 0.1\ngain_u = 0.01\ndelay_s = {min(3 * step, 10)}\nfull_scale = 50\n"
    )
    metadata: dict[str, Any] = {
        "machine": draw(st.sampled_from([None, CART, CART + sensors, "[fuse.main]\nrating_a = 60\n"])),
        "start_charge": draw(st.sampled_from([None, 1.0, 0.3, 7.0])),
        "rested_h": draw(st.sampled_from([None, 24.0, -1.0])),
        "max_gap_s": draw(st.sampled_from([None, None, None, step / 2, 3 * step])),
        "clock": draw(st.sampled_from([{}, {"drift_ppm": 80.0, "rate_u": 1e-7}, {"drift_ppm": 9e5, "rate_u": 1e-7}])),
    }
    if draw(st.booleans()):
        at = float(rng.choice(t_s))
        metadata["gaps"] = (Gap(at, draw(st.sampled_from([None, float(t_s[-1])])), "reset"),)
    return t_s, channels, metadata


@given(small_runs(), st.sampled_from([None, 0.3]))
@examples(0.6, suppress_health_check=[HealthCheck.too_slow])
def test_any_small_run_gives_a_report_with_every_key_and_no_nonsense(
    tmp_path_factory: pytest.TempPathFactory, run: tuple[Floats, dict[str, Any], dict[str, Any]], start: float | None
) -> None:
    t_s, channels, metadata = run
    options = {} if start is None else {"from_s": float(t_s[int(start * len(t_s))])}
    checked(report_of(tmp_path_factory.mktemp("any"), channels, t_s, **metadata, **options))


def test_pack_set(tmp_path: Path) -> None:
    # ../shared/data/README.md: tester counters 55.30 Ah and 1253.75 Wh (0.2 % asked for), rest 24.83 V, end 19.94 V
    t_s, amps, volts = measured("pack_24v_65a_discharge.csv")
    report = report_of(tmp_path, {"battery_current_a": amps, "battery_voltage_v": volts}, t_s, machine=None)
    found = checked(report)
    assert found["energy"]["net_wh"]["value"] == pytest.approx(1253.75, rel=0.002)
    assert found["energy"]["net_ah"]["value"] == pytest.approx(55.30, rel=0.002)
    assert found["battery"]["rest_voltage_v"]["value"] == pytest.approx(24.83, abs=0.0005)
    assert found["battery"]["min_voltage_v"]["value"] == pytest.approx(19.94, abs=0.005)
    assert found["battery"]["resistance_ohm"]["1"]["value"] == pytest.approx((24.83 - 24.467) / 65, rel=0.02)
    assert found["current"]["battery"]["rms_a"]["600"]["value"] == pytest.approx(65.0, rel=1e-3)
    assert found["run"]["coverage"] == 1.0


def test_lead_acid_set(tmp_path: Path) -> None:
    # ../shared/data/README.md: about 19.3 Ah; rows at 60 s cannot support a 1 s RMS
    t_s, amps, volts = measured("lead_acid_12v_1p5a_discharge.csv")
    found = checked(report_of(tmp_path, {"battery_current_a": amps, "battery_voltage_v": volts}, t_s, machine=None))
    assert found["energy"]["discharged_ah"]["value"] == pytest.approx(19.3, abs=0.05)
    assert found["battery"]["rest_voltage_v"]["value"] == pytest.approx(13.3, abs=0.05)
    assert "shorter than two sample intervals of 60 s" in found["current"]["battery"]["rms_a"]["1"]["refused"]
    assert "cannot show what happens" in found["battery"]["resistance_ohm"]["1"]["refused"]
    # 600 s steps at rest beside 60 s steps under load are no gaps.
    assert found["run"]["gaps"] == []


def test_gaps_are_listed_with_what_they_may_hold(tmp_path: Path) -> None:
    t_s = np.where(T_S >= 30, T_S + 20, T_S)
    report = report_of(tmp_path, DRIVE, t_s, gaps=(Gap(29.95, 50.0, "link"),))
    found = checked(report)
    (gap,) = found["run"]["gaps"]
    across = 0.5 * (AMPS[T_S < 30][-1] + AMPS[T_S >= 30][0]) * 20.05 / 3600
    assert (gap["start_s"], gap["end_s"], gap["kind"]) == (pytest.approx(29.95), pytest.approx(50.0), "link")
    assert gap["bridged_ah"] == pytest.approx(across, rel=1e-6)
    assert found["run"]["coverage"] == pytest.approx(59.9 / 79.95, rel=1e-6)
    # The doubt on the charge is what the gaps list, once, and what such trapezoids are off by.
    plain = checked(report_of(tmp_path, DRIVE))["energy"]["net_ah"]
    net = found["energy"]["net_ah"]
    off = COVERAGE_FACTOR * bridge_u(Series(t_s, AMPS, np.diff(t_s) > 1)) / 3600
    assert off > 0.1 * across
    assert (net["high"] - net["value"]) - (plain["high"] - plain["value"]) == pytest.approx(across + off, rel=0.05)
    assert net["low"] == pytest.approx(net["value"] - (plain["value"] - plain["low"]), abs=0.01 * across)
    assert "gaps" in codes(report)


@pytest.mark.parametrize("delay_s", [0.0, 0.3])
def test_a_gap_without_an_end_is_null_in_the_json(tmp_path: Path, delay_s: float) -> None:
    machine = CART + f"[sensors.battery_current]\ndelay_s = {delay_s}\n"
    report = report_of(tmp_path, DRIVE, gaps=(Gap(30.0, None, "reset"),), machine=machine, start_charge=1.0)
    found = checked(report)
    (gap,) = found["run"]["gaps"]
    assert (gap["end_s"], gap["bridged_ah"], gap["kind"]) == (None, None, "reset")
    assert found["energy"]["net_ah"]["bound"] == "at_least"
    assert found["battery"]["state_of_charge"]["bound"] == "at_most"
    assert found["remaining"]["runtime_s"]["bound"] == "at_most"
    assert "from here at most" in answers(report)[-1].text


def test_max_gap_of_the_import(tmp_path: Path) -> None:
    t_s = np.where(T_S >= 30, T_S + 0.3, T_S)
    assert len(checked(report_of(tmp_path, DRIVE, t_s, max_gap_s=0.2))["run"]["gaps"]) == 1
    assert checked(report_of(tmp_path, DRIVE, t_s))["run"]["gaps"] == []


def test_an_empty_run_is_refused(tmp_path: Path) -> None:
    path = write_run(tmp_path / "r.parquet", [], {"battery_current_a": []})
    with pytest.raises(RunContentError, match="holds no samples"):
        Run.open(path)


def test_a_machine_given_for_another_arrangement_is_refused(tmp_path: Path) -> None:
    machine = tmp_path / "cart.toml"
    machine.write_text(CART, encoding="utf-8")
    path = write_run(tmp_path / "r.parquet", T_S, {**DRIVE, "battery_voltage_v": 12.7})
    with pytest.raises(RunContentError, match="does not fit this run"):
        Run.open(path, machine=machine)


def test_an_embedded_machine_of_another_arrangement_is_a_danger_and_stops_the_count(tmp_path: Path) -> None:
    report = report_of(tmp_path, {**DRIVE, "battery_voltage_v": 12.7}, start_charge=1.0)
    found = checked(report)
    assert found["findings"][0]["severity"] == "danger"
    assert "arrangement_mismatch" in codes(report)
    assert "start_charge_unknown" not in codes(report)
    for result in (
        found["battery"]["state_of_charge"],
        *(found["remaining"][key] for key in ("charge_ah", "runtime_s")),
    ):
        assert "does not fit the measured voltage" in result["refused"]
    assert found["energy"]["net_ah"]["value"] is not None


@pytest.mark.parametrize("name", sorted(BY_SI_NAME))
def test_one_channel_alone(tmp_path: Path, name: str) -> None:
    checked(report_of(tmp_path, {name: DRIVE.get(name, 5.0)}))


@pytest.mark.parametrize("missing", ["battery_voltage_v", "battery_current_a", "left_current_a"])
def test_one_channel_missing(tmp_path: Path, missing: str) -> None:
    found = checked(report_of(tmp_path, {name: each for name, each in DRIVE.items() if name != missing}, fraction=1.0))
    refused = {
        "battery_voltage_v": found["energy"]["net_wh"],
        "battery_current_a": found["battery"]["balance_residual_a"],
        "left_current_a": found["fuse"]["left"]["margin"],
    }[missing]
    assert "measured" in refused["refused"]


def test_a_run_of_three_seconds(tmp_path: Path) -> None:
    t_s = np.arange(0, 3, 0.01)
    found = checked(report_of(tmp_path, {"battery_current_a": 20.0, "battery_voltage_v": 24.0}, t_s, fraction=1.0))
    assert found["energy"]["net_wh"]["value"] == pytest.approx(20 * 24 * 2.99 / 3600, rel=1e-6)
    assert found["laps"]["found"] == 0
    assert "shorter than this window" in found["current"]["battery"]["rms_a"]["10"]["refused"]


def test_a_single_sample(tmp_path: Path) -> None:
    found = checked(report_of(tmp_path, {"battery_current_a": 20.0, "battery_voltage_v": 24.0}, np.zeros(1)))
    assert (found["run"]["duration_s"], found["run"]["rate_hz"], found["run"]["coverage"]) == (0.0, None, None)
    assert found["battery"]["min_voltage_v"]["value"] == pytest.approx(24.0)


MOTOR_LEAD = CART.replace('sensed = "supply_leg"', 'sensed = "motor_lead"')


def test_currents_in_motor_leads(tmp_path: Path) -> None:
    report = report_of(tmp_path, {**DRIVE, "right_current_a": -0.4 * AMPS}, machine=MOTOR_LEAD)
    found = checked(report)
    # Throttle 1800 µs: a command of 0.6 on both sides, whatever the sign of the right sensor.
    for side, share in (("left", 0.6), ("right", 0.4)):
        charge = found["energy"]["by_channel"][side]["net_ah"]
        assert charge["value"] == pytest.approx(0.6 * share * np.trapezoid(AMPS, T_S) / 3600, rel=1e-3)
        assert "estimated" in charge["basis"]
    assert "supply leg" in found["battery"]["balance_residual_a"]["refused"]
    # The fuse sits in the supply leg, the sensor does not, and samples 50 ms apart may miss greater currents.
    left = found["fuse"]["left"]
    assert left["current_from"] == "estimated"
    assert (left["margin"]["bound"], left["verdict"]) == ("at_most", "unknown")
    assert "not measured, it is estimated" in left["rule"]
    assert "fuse_place_differs" in codes(report)
    assert "estimated through the controller's duty, not measured" in answers(report)[0].text
    assert found["current"]["right"]["peak_a"]["value"] == pytest.approx(16.0)


def test_currents_in_motor_leads_without_commands_are_bounds(tmp_path: Path) -> None:
    t_s = np.arange(0, 60, 0.01)
    amps = np.where(t_s < 10, 0.0, np.where(t_s % 4 < 2, 40.0, 10.0))
    channels = {"left_current_a": 0.6 * amps, "battery_current_a": amps, "battery_voltage_v": 25.4 - 0.03 * amps}
    report = report_of(tmp_path, channels, t_s, machine=MOTOR_LEAD)
    found = checked(report)
    assert found["fuse"]["left"]["current_from"] == "bounded"
    assert found["fuse"]["left"]["margin"]["bound"] == "at_least"
    assert "so a bound alone" in answers(report)[0].text
    assert "no command pulses" in found["energy"]["by_channel"]["left"]["net_ah"]["refused"]


def test_a_part_keeps_rest_and_count_of_the_whole(tmp_path: Path) -> None:
    whole = checked(report_of(tmp_path, DRIVE, start_charge=1.0))
    part = checked(report_of(tmp_path, DRIVE, start_charge=1.0, from_s=30.0, to_s=60.0))
    assert part["battery"]["rest_voltage_v"]["value"] == whole["battery"]["rest_voltage_v"]["value"]
    assert part["battery"]["state_of_charge"]["value"] == pytest.approx(
        whole["battery"]["state_of_charge"]["value"], abs=1e-6
    )
    assert part["energy"]["net_ah"]["value"] < whole["energy"]["net_ah"]["value"]
    assert part["run"]["duration_s"] == pytest.approx(29.95)
    assert part["fuse"]["left"]["tightest_at_s"] >= 30.0


def test_start_charge_said_now_overrides_what_was_said_then(tmp_path: Path) -> None:
    said_then = checked(report_of(tmp_path, DRIVE, start_charge=0.5))["battery"]["state_of_charge"]["value"]
    said_now = checked(report_of(tmp_path, DRIVE, start_charge=0.5, fraction=1.0))["battery"]["state_of_charge"][
        "value"
    ]
    assert said_now - said_then == pytest.approx(0.5, abs=1e-9)


def test_the_ledger_of_the_folder_is_used_when_nothing_is_said(tmp_path: Path) -> None:
    report_of(tmp_path, DRIVE, start_charge=1.0, start_utc="2026-05-01T10:00:00+00:00")
    for rested_h in (None, 0.5):  # too short a rest says nothing either
        report = report_of(tmp_path, DRIVE, start_utc="2026-05-01T12:00:00+00:00", rested_h=rested_h)
        assert report.charge.start.source == "ledger"
        assert 0.9 < value_of(report.charge.state_of_charge) < 1.0
    alone = report_of(tmp_path, DRIVE, start_utc="2026-04-01T12:00:00+00:00")
    assert alone.charge.start.source == "none"
    assert "start_charge_unknown" in codes(alone)


def test_speed_is_that_of_the_driven_part(tmp_path: Path) -> None:
    # 24 counts a turn of π × 0.254 m: 30 counts/s for 50 s of driving after 10 s of rest
    counts = np.floor(np.maximum(T_S - 10, 0) * 30)
    channels = {**DRIVE, "left_wheel_count": counts, "right_wheel_count": counts}
    found = checked(report_of(tmp_path, channels, fraction=1.0))
    speed = found["remaining"]["distance_m"]["value"] / found["remaining"]["runtime_s"]["value"]
    assert speed == pytest.approx(30 / 24 * np.pi * 0.254, rel=0.01)


@pytest.mark.parametrize(
    ("volts", "code"), [(3.9, "receiver_below_minimum"), (4.3, "receiver_near_minimum"), (5.0, "")]
)
def test_the_receiver_supply_is_held_against_its_minimum(tmp_path: Path, volts: float, code: str) -> None:
    supply = np.full(len(T_S), 5.2)
    supply[600] = volts
    report = report_of(tmp_path, {**DRIVE, "receiver_voltage_v": supply})
    checked(report)
    assert {each for each in codes(report) if each.startswith("receiver")} == ({code} if code else set())
    text = next(answer.text for answer in answers(report) if answer.topic == "receiver")
    assert "30.0 s" in text
    assert "its minimum is 4 V" in text


def test_a_clipped_sensor_is_a_danger(tmp_path: Path) -> None:
    machine = CART + "[sensors.left_current]\nfull_scale = 24\n"
    report = report_of(tmp_path, DRIVE, machine=machine)
    checked(report)
    assert report.findings[0].severity == "danger"
    assert "sensor_clipped" in codes(report)


def test_faults_and_a_foreign_clock_are_told(tmp_path: Path) -> None:
    report = report_of(tmp_path, DRIVE, faults={"crc": 3, "cobs": 0}, clock={"drift_ppm": 9e6, "rate_u": 1e-6})
    checked(report)
    assert {"faults", "clock_not_real_time"} <= codes(report)
    evidence = next(told(finding).evidence for finding in report.findings if finding.code == "faults")
    assert evidence == "crc 3"


def test_nothing_from_a_file_steers_the_terminal(tmp_path: Path) -> None:
    hostile = "\x1b[2J\x07loud\u009b31m"
    report = report_of(
        tmp_path,
        DRIVE,
        notes=(hostile,),
        start_utc=hostile,
        faults={hostile: 3},
    )
    text = render(report)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]", text)
    assert "\x1b[31m" not in text
    assert "\x1b[1m" in render(report, colour=True)


@pytest.mark.parametrize("width", [40, 80, 110])
def test_the_page_keeps_its_width_and_leads_with_the_answers(tmp_path: Path, width: int) -> None:
    lines = render(report_of(tmp_path, DRIVE, fraction=1.0), width=width).splitlines()
    assert lines.index("Answers") < 8
    assert lines[lines.index("Answers") + 1].startswith("• left fuse: worst 18 A for ")
    assert max(map(len, lines)) <= max(width, 64)  # three columns of figures need so much
    order = [
        "Answers",
        "Energy",
        "Currents",
        "Fuses",
        "Wires",
        "Remaining charge",
        "Findings",
        "Cautions",
    ]
    places = [next(k for k, line in enumerate(lines) if line.startswith(head)) for head in order]
    assert places == sorted(places)


def test_the_tightest_fuse_stands_first_and_says_what_was_done(tmp_path: Path) -> None:
    machine = CART + '[fuse.right]\nfamily = "blade_large"\nrating_a = 20\nposition = "supply_leg"\n'
    report = report_of(tmp_path, DRIVE, machine=machine)
    checked(report)
    first, second = answers(report)[:2]
    # 0.4 and 0.6 of an RMS of √((40² + 10²) / 2) A over the driven part: 12 A on 20 A, 18 A on 40 A
    assert first.text.startswith("right fuse: worst 12 A")
    assert second.text.startswith("left fuse: worst 18 A")
    assert "while driving straight ahead" in first.text
    assert re.search(r"; it could have carried at most [\d.]+ times as much before it may open", first.text)


def test_a_margin_known_from_above_only_is_said_so(tmp_path: Path) -> None:
    t_s = np.arange(0, 600, 0.5)  # too slow for the fuse's shortest published opening time
    channels = {"left_current_a": np.where(t_s % 4 < 2, 30.0, 10.0), "battery_voltage_v": 25.0}
    report = report_of(tmp_path, channels, t_s)
    checked(report)
    assert report.fuses["left"].margin.bound == "at_most"
    # It starts at 30 A: with that for ever before, the last row promises 39.33/30.
    told = "it could have carried at most 1.98 times as much before it may open (its published times alone allow 1.31)"
    assert told in answers(report)[0].text
