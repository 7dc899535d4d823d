"""The whole report of a run: computes each section once and gives the fixed JSON of docs/json.md."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from amptally.analysis.battery.sag import Sag, assess_sag
from amptally.analysis.battery.voltage_recovery import Recovery, assess_recovery
from amptally.analysis.driving.driving import DriveUse, assess_drive
from amptally.analysis.exposure.current import Current, assess_current
from amptally.analysis.exposure.exposure import window_list
from amptally.analysis.exposure.sampling_findings import judge_sampling
from amptally.analysis.forecast.charge_forecast import ChargeForecast, forecast_charge
from amptally.analysis.integrals.energy import Energy, energy_used
from amptally.analysis.laps.laps import Laps, assess_laps, laps_per_charge
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.protection.fuse_eligibility import fuse_specs
from amptally.analysis.protection.fuse_leads import FuseLead, assess_fuses
from amptally.analysis.protection.path import PathResult, assess_paths
from amptally.analysis.quality.screening import judge
from amptally.analysis.report.json_form import report_json
from amptally.analysis.report.observations import observe
from amptally.analysis.report.single_pass import single_pass
from amptally.analysis.report.uncertainty_budget import Contribution, main_contributions
from amptally.analysis.results.estimate import Estimate, estimate
from amptally.analysis.results.leads import LEADS, SIDES
from amptally.analysis.results.reason import SEVERITIES, Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part
from amptally.analysis.wording.findings import Finding
from amptally.tables.fuse_families import fuse_table
from amptally.tables.fuse_opening_times import opening_times_s, rated_after_s


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
    charge: ChargeForecast
    laps: Laps
    laps_per_charge: Estimate
    laps_remaining: Estimate
    drive: DriveUse
    findings: tuple[Finding, ...]
    """Gravest first."""
    uncertainty: tuple[Contribution, ...]
    """Contributions to the intervals of the main results."""

    @property
    def fuses(self) -> dict[str, FuseResult]:
        """The comparison of each fuse, without the advice."""
        return {place: lead.result for place, lead in self.fuse_leads.items()}

    def as_json(self) -> dict[str, Any]:
        """The report of docs/json.md: every key present, no NaN or infinity."""
        return report_json(self)

    def to_json(self) -> str:
        """The same as JSON text."""
        return json.dumps(self.as_json(), allow_nan=False)


def build_report(
    run: Run, *, rested_h: float | None = None, fraction: float | None = None, with_ledger: bool = True
) -> Report:
    """Compute everything. `rested_h` and `fraction` (start charge) override what was given when recording.

    Without `with_ledger` the other runs of the folder are not read, and the start charge comes from this run alone.
    """
    specs = fuse_specs(run.machine)
    named = ((spec.family, spec.rating_a) for spec in specs.values())
    tables = [table for family, rating in named if family and rating and (table := fuse_table(family, rating))]
    times = sorted({time for table in tables for time in opening_times_s(table)})
    after = sorted({rated_after_s(table) for table in tables})
    single_pass(run, window_list(run.duration_s, run.interval_s or math.inf, times, after).tolist())
    doubts = judge(run)
    currents = {lead: assess_current(run, lead, times, after, doubts) for lead in LEADS}
    mismatch = run.arrangement_mismatch()
    fuses = assess_fuses(run, specs, currents, doubts, description_fits=mismatch is None)
    paths = assess_paths(run.machine, currents, doubts, description_fits=mismatch is None)
    sag = assess_sag(run, doubts)
    energy = energy_used(run, doubts)
    laps = assess_laps(run, doubts)
    charge = forecast_charge(
        run,
        sag,
        currents["battery"],
        doubts,
        description_fits=mismatch is None,
        rested_h=rested_h,
        start_fraction=fraction,
        with_ledger=with_ledger,
        speed_m_s=speed(run, laps),
        net_ah=energy.net_ah if run.start_row == 0 else None,
    )
    full_ah, left_ah, growth = charge.full.charge_ah, charge.before_doubts.charge_ah, charge.full.load_growth
    per_charge, left = laps_per_charge(laps, full_ah, left_ah, growth, doubts)
    drive = assess_drive(run, energy, laps, doubts)
    found: list[Finding] = [
        *(finding for lead in fuses.values() for finding in lead.findings),
        *(finding for path in paths.values() for finding in path.findings),
        *sag.findings,
        *laps.findings,
        *drive.findings,
        *doubts.reasons,
        *judge_sampling(currents),
        *observe(run, sag, charge, mismatch),
    ]
    findings = tuple(sorted(found, key=lambda finding: SEVERITIES.index(finding.severity)))
    recovery = assess_recovery(run, doubts)
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
            return estimate(metres / seconds, "m/s", terms, note=Reason("speed_by_wheels"))
    if machine.lap and machine.lap.length_m and laps.each:
        metres = machine.lap.length_m * len(laps.each)
        seconds = sum(lap.end_s - lap.start_s for lap in laps.each)
        return estimate(metres / seconds, "m/s", {"lap length": 0.02 * metres / seconds}, note=Reason("speed_by_laps"))
    return None
