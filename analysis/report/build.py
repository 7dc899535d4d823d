"""Everything a run says, in one place: computes each part once and gives the fixed JSON of docs/json.md."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from amptally.analysis.battery.sag import Sag, assess_sag
from amptally.analysis.battery.state_of_charge import told_charge, told_rest_h
from amptally.analysis.battery.voltage_recovery import Recovery, assess_recovery
from amptally.analysis.driving.driving import DriveUse, assess_drive
from amptally.analysis.exposure.current import Current, assess_current
from amptally.analysis.exposure.exposure import window_list
from amptally.analysis.exposure.sampling_findings import judge_sampling
from amptally.analysis.forecast.charge_forecast import ChargeLeft, Start, assess_charge, refused_remaining, start_charge
from amptally.analysis.integrals.energy import Energy, energy_used
from amptally.analysis.laps.laps import Laps, assess_laps
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_leads import FuseLead, assess_fuses, settled
from amptally.analysis.protection.path import PathResult, assess_paths, withdrawn
from amptally.analysis.quality.screening import suspect
from amptally.analysis.report.ledger import ledger_charge
from amptally.analysis.report.observations import clipping, observe
from amptally.analysis.report.single_pass import survey
from amptally.analysis.report.trust import Trust
from amptally.analysis.report.uncertainty_budget import Contribution, main_contributions
from amptally.analysis.results.estimate import Estimate, estimate, refuse
from amptally.analysis.results.finding import Finding, gravest_first
from amptally.analysis.results.leads import LEAD_OF, LEADS, PLACES, SIDES
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part
from amptally.analysis.signals.curve_integrals import bridged
from amptally.tables.fuse_families import fuse_table
from amptally.tables.fuse_opening_times import opening_times_s, rated_after_s

SCHEMA = 1


@dataclass(frozen=True, slots=True)
class Report:
    """One run, computed."""

    run: Run
    energy: Energy
    currents: dict[str, Current]
    """battery, left, right."""
    fuse_leads: dict[str, FuseLead]
    """main, left, right: those the machine file names."""
    paths: dict[str, PathResult]
    """Likewise for wires."""
    sag: Sag
    recovery: Recovery
    charge: ChargeLeft
    laps: Laps
    laps_per_charge: Estimate
    laps_remaining: Estimate
    drive: DriveUse
    findings: tuple[Finding, ...]
    """Gravest first."""
    uncertainty: tuple[Contribution, ...]
    """What the intervals of the main results rest on, by result."""

    @property
    def fuses(self) -> dict[str, FuseResult]:
        """The comparison of each fuse, without the advice."""
        return {place: lead.result for place, lead in self.fuse_leads.items()}

    def as_json(self) -> dict[str, Any]:
        """The report of docs/json.md: every key present, no NaN or infinity."""
        return {
            "schema": SCHEMA,
            "run": _run_json(self.run),
            "energy": _energy_json(self.energy),
            "current": {lead: _current_json(current) for lead, current in self.currents.items()},
            "fuse": {place: lead.as_json() for place, lead in self.fuse_leads.items()},
            "wire": {place: path.wire.as_json() for place, path in self.paths.items()},
            "battery": _battery_json(self.sag, self.recovery, self.charge.state_of_charge),
            "remaining": self.charge.remaining.as_json(),
            "laps": {
                **self.laps.as_json(),
                "per_charge": self.laps_per_charge.as_json(),
                "remaining": self.laps_remaining.as_json(),
            },
            "drive": self.drive.as_json(),
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


def _battery_json(sag: Sag, recovery: Recovery, state_of_charge: Estimate) -> dict[str, Any]:
    return {
        "rest_voltage_v": sag.rest_voltage_v.as_json(),
        "min_voltage_v": sag.min_voltage_v.as_json(),
        "worst_sag_v": sag.worst_sag_v.as_json(),
        "worst_sag_at_s": sag.worst_sag_at_s,
        "resistance_ohm": {f"{scale:g}": value.as_json() for scale, value in sag.resistance.by_scale.items()},
        "open_circuit_v": sag.resistance.open_circuit_v.as_json(),
        "recovered_v": recovery.recovered_v.as_json(),
        "settled_v": recovery.settled_v.as_json(),
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
    return {
        place: FuseSpec(place, fuse.family, fuse.rating_a, fuse.ambient_c, fuse.position, run.sensed, fuse.capacitors)
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
    survey(run, window_list(run.duration_s, run.interval_s or math.inf, times, after).tolist())
    currents = {lead: assess_current(run, lead, times, after) for lead in LEADS}
    fuses = assess_fuses(run, specs, currents)
    paths = assess_paths(run, {place: currents[lead] for place, lead in LEAD_OF.items()})
    doubts = [*suspect(run), *clipping(run, currents)]
    trust = Trust.under(doubts)
    # Where the count starts and what lies ahead are drawn from what is left of the voltages.
    sag = trust.of("battery", assess_sag(run))
    energy = trust.of("energy", energy_used(run))
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
    per_charge, left = laps.in_charge(charge.full.charge_ah, charge.remaining.charge_ah, charge.full.load_growth)
    fuses = settled(fuses, trust.fuses({place: lead.result for place, lead in fuses.items()}), mismatch)
    currents, paths = trust.of("current", currents), withdrawn(trust.paths(paths), mismatch)
    charge = replace(
        charge,
        state_of_charge=trust.of("battery", {"state_of_charge": charge.state_of_charge})["state_of_charge"],
        remaining=trust.of("remaining", charge.remaining),
    )
    laps, ahead = trust.of("laps", laps), trust.of("laps", {"per_charge": per_charge, "remaining": left})
    drive = trust.drive(assess_drive(run, energy, laps))
    found = [
        *(finding for lead in fuses.values() for finding in lead.findings),
        *(finding for path in paths.values() for finding in path.findings),
        *sag.findings,
        *laps.findings,
        *drive.findings,
        *doubts,
        *judge_sampling(currents),
        *observe(run, sag, charge, mismatch),
    ]
    findings = gravest_first(found)
    per_charge, left = ahead["per_charge"], ahead["remaining"]
    recovery = trust.of("battery", assess_recovery(run))
    results = {place: lead.result for place, lead in fuses.items()}
    rests_on = main_contributions(energy, currents, results, sag, charge.remaining, per_charge)
    return Report(
        run, energy, currents, fuses, paths, sag, recovery, charge, laps, per_charge, left, drive, findings, rests_on
    )


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
    names = [f"{side}_wheel_count" for side in SIDES]
    per_count = machine.metres_per_count
    if per_count is not None and all(run.has(name) for name in names):
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
