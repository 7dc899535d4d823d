"""Everything a run says, in one place: computes each part once and gives the fixed JSON of docs/json.md."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.charge_left import ChargeLeft, Start, assess_charge, driven_part, refused_remaining, start_charge
from analysis.contributions import Contribution, main_contributions
from analysis.current import Current, assess_current
from analysis.energy import Energy, energy_used
from analysis.estimate import Estimate, estimate, refuse
from analysis.finding import Finding
from analysis.fuse import FuseResult, FuseSpec, assess_fuse
from analysis.fuse_curve import fuse_table, opening_times_s, rated_after_s
from analysis.integrals import bridged
from analysis.laps import Laps, assess_laps
from analysis.ledger import ledger_charge
from analysis.observations import observe
from analysis.path import PathResult, assess_paths
from analysis.run import Run
from analysis.sag import Sag, assess_sag
from analysis.sampling_findings import judge_sampling
from analysis.state_of_charge import told_charge, told_rest_h
from analysis.suspicion import suspect

SCHEMA = 1
LEADS = ("battery", "left", "right")
PLACES = ("main", "left", "right")
_SEVERITY = {"danger": 0, "caution": 1, "note": 2}


@dataclass(frozen=True, slots=True)
class Report:
    """One run, computed."""

    run: Run
    energy: Energy
    currents: dict[str, Current]
    """battery, left, right."""
    fuses: dict[str, FuseResult]
    """main, left, right: those the machine file names."""
    paths: dict[str, PathResult]
    """Likewise for wires."""
    sag: Sag
    charge: ChargeLeft
    laps: Laps
    laps_per_charge: Estimate
    laps_remaining: Estimate
    findings: tuple[Finding, ...]
    """Gravest first."""
    uncertainty: tuple[Contribution, ...]
    """What the intervals of the main results rest on, by result."""

    def as_json(self) -> dict[str, Any]:
        """The report of docs/json.md: every key present, no NaN or infinity."""
        return {
            "schema": SCHEMA,
            "run": _run_json(self.run),
            "energy": _energy_json(self.energy),
            "current": {lead: _current_json(current) for lead, current in self.currents.items()},
            "fuse": {place: fuse.as_json() for place, fuse in self.fuses.items()},
            "wire": {place: path.wire.as_json() for place, path in self.paths.items()},
            "battery": _battery_json(self.sag, self.charge.state_of_charge),
            "remaining": self.charge.remaining.as_json(),
            "laps": {
                **self.laps.as_json(),
                "per_charge": self.laps_per_charge.as_json(),
                "remaining": self.laps_remaining.as_json(),
            },
            "findings": [finding.as_json() for finding in self.findings],
            "uncertainty": [contribution.as_json() for contribution in self.uncertainty],
        }


def _run_json(run: Run) -> dict[str, Any]:
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


def _energy_json(energy: Energy) -> dict[str, Any]:
    names = (
        "discharged_wh", "recovered_wh", "net_wh", "discharged_ah", "recovered_ah", "net_ah",
        "mean_power_w", "peak_power_w",
    )  # fmt: skip
    return {
        **{name: getattr(energy, name).as_json() for name in names},
        "by_channel": {
            side: {"net_ah": ah.as_json(), "net_wh": wh.as_json()} for side, (ah, wh) in energy.by_channel.items()
        },
    }


def _current_json(current: Current) -> dict[str, Any]:
    return {
        "peak_a": current.peak_a.as_json(),
        "mean_a": current.mean_a.as_json(),
        "rms_a": {window: value.as_json() for window, value in current.rms_a.items()},
        "exposure": [list(point) for point in current.exposure],
    }


def _battery_json(sag: Sag, state_of_charge: Estimate) -> dict[str, Any]:
    return {
        "rest_voltage_v": sag.rest_voltage_v.as_json(),
        "min_voltage_v": sag.min_voltage_v.as_json(),
        "worst_sag_v": sag.worst_sag_v.as_json(),
        "worst_sag_at_s": sag.worst_sag_at_s,
        "resistance_ohm": {f"{scale:g}": value.as_json() for scale, value in sag.resistance.by_scale.items()},
        "open_circuit_v": sag.resistance.open_circuit_v.as_json(),
        "block_imbalance_v": sag.block_imbalance_v.as_json(),
        "weak_block": sag.weak_block,
        "state_of_charge": state_of_charge.as_json(),
        "receiver_min_v": sag.receiver_min_v.as_json(),
        "balance_residual_a": sag.balance_residual_a.as_json(),
    }


def fuse_specs(run: Run) -> dict[str, FuseSpec]:
    """The fuses that the machine file names, main first."""
    machine = run.machine
    if machine is None:
        return {}
    sensed = machine.controller.sensed if machine.controller else None
    return {
        place: FuseSpec(place, fuse.family, fuse.rating_a, fuse.ambient_c, fuse.position, sensed)
        for place in PLACES
        if (fuse := machine.fuses.get(place)) is not None
    }


def build_report(
    run: Run, *, rested_h: float | None = None, fraction: float | None = None, with_ledger: bool = True
) -> Report:
    """Compute everything. `rested_h` and `fraction` (start charge) override what was said when recording.

    Without `with_ledger` the other runs of the folder are left alone, and the start charge is what this run says.
    """
    specs = fuse_specs(run)
    named = ((spec.family, spec.rating_a) for spec in specs.values())
    tables = [table for family, rating in named if family and rating and (table := fuse_table(family, rating))]
    times = sorted({time for table in tables for time in opening_times_s(table)})
    after = sorted({rated_after_s(table) for table in tables})
    currents = {lead: assess_current(run, lead, times, after) for lead in LEADS}
    lead_of = {"main": "battery", "left": "left", "right": "right"}
    fuses = {}
    for place, spec in specs.items():
        current = currents[lead_of[place]]
        corner = run.sensor(f"{lead_of[place]}_current_a").bandwidth_hz
        fuses[place] = assess_fuse(spec, current.prepared, current.error, corner)
    paths = assess_paths(run, {place: currents[lead] for place, lead in lead_of.items()})
    sag = assess_sag(run)
    energy = energy_used(run)
    mismatch = run.arrangement_mismatch()
    rested = told_rest_h(run.metadata.rested_h) if rested_h is None else rested_h
    stated = told_charge(run.metadata.start_charge) if fraction is None else fraction
    laps = assess_laps(run)
    if mismatch is not None:
        reason = f"the machine description does not fit the measured voltage: {mismatch}"
        none = refuse("", reason)
        charge = ChargeLeft(Start(none, (none,), "none"), none, refused_remaining(reason), refused_remaining(reason))
    else:
        start = start_charge(run, sag, rested, stated, None)
        if start.source == "none" and with_ledger:
            start = start_charge(run, sag, rested, stated, ledger_charge(run))
        drawn = energy.net_ah if run.start_row == 0 else None
        charge = assess_charge(run, sag, currents["battery"], start, speed(run, laps), drawn)
    per_charge, left = laps.in_charge(charge.full.charge_ah, charge.remaining.charge_ah)
    found = [
        *(finding for fuse in fuses.values() for finding in fuse.findings),
        *(finding for path in paths.values() for finding in path.findings),
        *sag.findings,
        *laps.findings,
        *suspect(run),
        *judge_sampling(currents),
        *observe(run, currents, sag, charge, mismatch),
    ]
    findings = tuple(sorted(found, key=lambda finding: _SEVERITY[finding.severity]))
    rests_on = main_contributions(energy, currents, fuses, sag, charge.remaining, per_charge)
    return Report(run, energy, currents, fuses, paths, sag, charge, laps, per_charge, left, findings, rests_on)


def _driven_s(run: Run) -> tuple[float, float]:
    """Run times of the first and the last load; the whole run where they are not known."""
    current = run.smooth("battery_current_a")
    if current is None or len(current.time_s) < 2:
        return run.start_s, run.end_s
    stretch = current.time_s[driven_part(run, current)]
    return float(stretch[0]), float(stretch[-1])


def speed(run: Run, laps: Laps) -> Estimate | None:
    """Mean speed of the driven part [m/s], from wheel counts, else from laps of known length; None without either."""
    machine = run.machine
    if machine is None:
        return None
    names = [f"{side}_wheel_count" for side in ("left", "right")]
    if machine.wheel_counts_per_rev and machine.wheel_diameter_m and all(run.has(name) for name in names):
        per_count = np.pi * machine.wheel_diameter_m / machine.wheel_counts_per_rev
        begin, end = _driven_s(run)
        counts = 0.0
        for part in (part for name in names for part in run.stretches(name)):
            first, last = np.searchsorted(part.time_s, begin), np.searchsorted(part.time_s, end, "right")
            counts += float(np.maximum(np.diff(part.value[first:last]), 0).sum())
        metres, seconds = counts / 2 * per_count, end - begin
        if seconds > 0 and metres > 0:
            terms: dict[str, float | None] = {
                "wheel diameter under load": 0.02 * metres / seconds,
                "one count": per_count / seconds,
            }
            return estimate(metres / seconds, "m/s", terms, note="from wheel counts, without slip")
    if machine.lap and machine.lap.length_m and laps.each:
        metres = machine.lap.length_m * len(laps.each)
        seconds = sum(lap.end_s - lap.start_s for lap in laps.each)
        return estimate(metres / seconds, "m/s", {"lap length": 0.02 * metres / seconds}, note="from laps")
    return None
