"""The report as the JSON document of docs/json.md: every key present, no NaN or infinity; sentences beside reasons."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from amptally.analysis.battery.sag import Sag
from amptally.analysis.battery.voltage_recovery import Recovery
from amptally.analysis.driving.driving import CommandBin, DriveUse
from amptally.analysis.exposure.current import Current
from amptally.analysis.forecast.charge_forecast import ChargeForecast
from amptally.analysis.forecast.remaining import UNITS, Remaining
from amptally.analysis.integrals.energy import Energy
from amptally.analysis.laps.laps import Laps
from amptally.analysis.laps.table import Lap
from amptally.analysis.protection.fuse_advice import Candidate, judged, judgement
from amptally.analysis.protection.fuse_leads import FuseLead
from amptally.analysis.protection.wire import WireResult
from amptally.analysis.report.uncertainty_budget import Contribution
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.curve_integrals import bridged
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.of_protection import conductor
from amptally.analysis.wording.results import basis, phrase, phrases, refusal, sentences
from amptally.analysis.wording.uncertainty import words_of

if TYPE_CHECKING:
    from amptally.analysis.report.build import Report

SCHEMA = 1


def report_json(report: Report) -> dict[str, Any]:
    """The whole document."""
    return {
        "schema": SCHEMA,
        "run": _run(report.run),
        "energy": _energy(report.energy),
        "current": {lead: _current(current) for lead, current in report.currents.items()},
        "fuse": {place: fuse_json(lead) for place, lead in report.fuse_leads.items()},
        "wire": {place: wire_json(path.wire) for place, path in report.paths.items()},
        "battery": _battery(report.sag, report.recovery, report.charge),
        "remaining": remaining_json(report.charge.remaining),
        "laps": {
            **laps_json(report.laps),
            "per_charge": estimate_json(report.laps_per_charge),
            "remaining": estimate_json(report.laps_remaining),
        },
        "drive": _drive(report.drive),
        "findings": [finding_json(finding) for finding in report.findings],
        "uncertainty": [uncertainty_json(each) for each in report.uncertainty],
    }


def estimate_json(result: Estimate) -> dict[str, object]:
    """An E object."""
    return {
        "value": result.value,
        "low": result.low,
        "high": result.high,
        "unit": result.unit,
        "bound": result.bound,
        "refused": refusal(result),
        "basis": basis(result),
        "reasons": [reason.as_json() for reason in result.reasons],
    }


def _all(results: Mapping[str, Estimate]) -> dict[str, object]:
    return {name: estimate_json(result) for name, result in results.items()}


def finding_json(finding: Reason) -> dict[str, str]:
    """One entry of `findings`."""
    words = told(finding)
    return {
        "severity": finding.severity,
        "code": finding.code,
        "what": words.what,
        "evidence": words.evidence,
        "next": words.next,
    }


def uncertainty_json(each: Contribution) -> dict[str, object]:
    """One entry of `uncertainty`."""
    words = words_of(each.source, each.declared)
    return {"value": each.value, "what": words.what, "share": each.share, "next": words.next}


def _run(run: Run) -> dict[str, Any]:
    machine = run.machine
    interval = run.interval_s
    gaps = run.gaps()
    missing = sum(gap.end_s - gap.start_s for gap in gaps if gap.end_s is not None)
    duration = run.duration_s
    return {
        "id": run.metadata.run_id,
        "machine": machine.name if machine else None,
        "arrangement": machine.battery.arrangement if machine and machine.battery else None,
        "started_utc": run.metadata.start_utc,
        "duration_s": duration,
        "samples": run.rows,
        "rate_hz": 1.0 / interval if interval else None,
        "coverage": (duration - missing) / duration if duration > 0 else None,
        "gaps": [
            {"start_s": gap.start_s, "end_s": gap.end_s, "kind": gap.kind, "bridged_ah": bridged_ah}
            for gap, bridged_ah in zip(gaps, _bridged_ah(run, [(gap.start_s, gap.end_s) for gap in gaps]), strict=True)
        ],
    }


def _bridged_ah(run: Run, gaps_s: list[tuple[float, float | None]]) -> list[float | None]:
    """Trapezoid of the battery current across each gap; None where it, or the gap's end, is not known."""
    late_s = run.declared("battery_current_a").delay_s or 0.0
    found: list[float | None] = [None] * len(gaps_s)
    for part in run.stretches("battery_current_a") if gaps_s else ():
        for gap, (start, end) in enumerate(gaps_s):
            place = int(np.searchsorted(part.time_s, start - late_s + 1e-9, "right")) - 1
            if end is not None and 0 <= place < len(part.gap_after):
                pair = slice(place, place + 2)
                out, back = bridged(part.time_s[pair], part.value[pair], np.array([True]))
                found[gap] = (out - back) / 3600
    return found


def _energy(energy: Energy) -> dict[str, object]:
    names = (
        "discharged_wh", "recovered_wh", "net_wh", "discharged_ah", "recovered_ah", "net_ah",
        "mean_power_w", "peak_power_w",
    )  # fmt: skip
    sides = {side: _all({"net_ah": ah, "net_wh": wh}) for side, (ah, wh) in energy.by_channel.items()}
    figures = _all({name: getattr(energy, name) for name in names})
    return {**figures, "by_channel": sides, "current_from": energy.current_from}


def _current(current: Current) -> dict[str, object]:
    return {
        "peak_a": estimate_json(current.peak_a),
        "mean_a": estimate_json(current.mean_a),
        "rms_a": _all(current.rms_a),
        "exposure": [list(point) for point in current.exposure],
    }


def fuse_json(lead: FuseLead) -> dict[str, object]:
    """One entry of `fuse`."""
    fuse, advice = lead.result, lead.advice
    return {
        "rating_a": fuse.rating_a,
        "derated_a": fuse.derated_a,
        "family": fuse.family,
        "margin": estimate_json(fuse.margin),
        "margin_latest": estimate_json(fuse.margin_latest),
        "tightest_window_s": fuse.tightest_window_s,
        "tightest_at_s": fuse.tightest_at_s,
        "seconds_above_rating": estimate_json(fuse.seconds_above_rating),
        "continuous_fraction": estimate_json(fuse.continuous_fraction),
        "verdict": fuse.verdict,
        "rule": sentences(fuse.rule),
        "current_from": fuse.current_from,
        "protects_wire": {
            "holds": lead.protects.holds,
            "weakest_s": lead.protects.weakest_s,
            "why": sentences(lead.protects.why),
        },
        "stall_opens_s": None if lead.stall_opens_s is None else list(lead.stall_opens_s),
        "advice": {
            "next_up_a": advice.next_up_a,
            "next_down_a": advice.next_down_a,
            "fits_a": list(advice.fits_a),
            "why": sentences((*advice.why, *judged(advice))),
            "each": [_candidate(each) for each in advice.each],
        },
    }


def _candidate(each: Candidate) -> dict[str, object]:
    """One entry of `advice.each`."""
    return {
        "rating_a": each.rating_a,
        "margin": estimate_json(each.margin),
        "suits": each.suits,
        "why": sentences((judgement(each),)),
    }


def wire_json(wire: WireResult) -> dict[str, object]:
    """One entry of `wire`."""
    return {
        "conductor": conductor(wire.conductor),
        "ampacity_a": wire.ampacity_a,
        "ampacity_basis": phrase(wire.ampacity_basis),
        "margin": estimate_json(wire.margin),
        "adiabatic_margin": estimate_json(wire.adiabatic_margin),
        "drop_v": estimate_json(wire.drop_v),
        "loss_w": estimate_json(wire.loss_w),
        "verdict": wire.verdict,
        "rule": phrases(wire.rule),
    }


def _battery(sag: Sag, recovery: Recovery, charge: ChargeForecast) -> dict[str, object]:
    return {
        "rest_voltage_v": estimate_json(sag.rest_voltage_v),
        "min_voltage_v": estimate_json(sag.min_voltage_v),
        "worst_sag_v": estimate_json(sag.worst_sag_v),
        "worst_sag_at_s": sag.worst_sag_at_s,
        "load_drop_v": estimate_json(sag.load_drop_v),
        "load_drop_at_s": sag.load_drop_at_s,
        "resistance_ohm": _all({f"{scale:g}": value for scale, value in sag.resistance.by_scale.items()}),
        "open_circuit_v": estimate_json(sag.resistance.open_circuit_v),
        "recovered_v": estimate_json(recovery.recovered_v),
        "settled_v": estimate_json(recovery.settled_v),
        "block_imbalance_v": estimate_json(sag.block_imbalance_v),
        "weak_block": sag.weak_block,
        "state_of_charge": estimate_json(charge.state_of_charge),
        "block_charge": [estimate_json(each) for each in charge.block_charge],
        "receiver_min_v": estimate_json(sag.receiver_min_v),
        "balance_residual_a": estimate_json(sag.balance_residual_a),
    }


def remaining_json(left: Remaining) -> dict[str, object]:
    """The entry `remaining`."""
    values = _all({name: getattr(left, name) for name in UNITS})
    touches = [
        {
            "ends_by": touch.by,
            "limit_v": touch.limit_v,
            "at_peaks_s": estimate_json(touch.at_peaks_s),
            "at_mean_s": estimate_json(touch.at_mean_s),
        }
        for touch in left.touches
    ]
    return {**values, "ends_by": left.ends_by, "evidence": phrases(left.evidence) or None, "touches": touches}


def laps_json(laps: Laps) -> dict[str, object]:
    """method, found, each."""
    return {"method": laps.method, "found": len(laps.each), "each": [lap_json(lap) for lap in laps.each]}


def lap_json(lap: Lap) -> dict[str, float | None]:
    """One entry of `laps.each`."""
    return {
        "start_s": lap.start_s,
        "end_s": lap.end_s,
        "duration_s": lap.duration_s,
        "net_wh": lap.net_wh,
        "net_ah": lap.net_ah,
        "peak_a": lap.peak_a,
    }


def _drive(use: DriveUse) -> dict[str, object]:
    return {
        "stall_s": estimate_json(use.stall_s),
        "stalls": [{"side": stall.side, "start_s": stall.start_s, "end_s": stall.end_s} for stall in use.stalls],
        "reversing_s": estimate_json(use.reversing_s),
        "reversing_fraction": estimate_json(use.reversing_fraction),
        "regenerated_ah": estimate_json(use.regenerated_ah),
        "regenerated_fraction": estimate_json(use.regenerated_fraction),
        "peak_recovered_a": estimate_json(use.peak_recovered_a),
        "peak_recovered_at_s": use.peak_recovered_at_s,
        "left_share": estimate_json(use.left_share),
        "laps_left_share": list(use.laps_left_share),
        "command_map": [_command_bin(each) for each in use.command_map],
        "command_map_refused": None if use.command_map_refused is None else phrase(use.command_map_refused),
    }


def _command_bin(each: CommandBin) -> dict[str, str | int | float]:
    return {
        "side": each.side,
        "from": each.from_share,
        "to": each.to_share,
        "samples": each.samples,
        "seconds": each.seconds,
        "mean_a": each.mean_a,
        "median_a": each.median_a,
    }
