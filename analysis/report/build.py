"""The whole report of a run: computes each section once and gives the fixed JSON of docs/json.md."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

from amptally.analysis.battery.management import judge_management
from amptally.analysis.battery.sag import Sag, assess_sag
from amptally.analysis.battery.voltage_recovery import Recovery, assess_recovery
from amptally.analysis.controller.pulse_widths import judge_pulses
from amptally.analysis.driving.driving import DriveUse, assess_drive
from amptally.analysis.driving.speed import mean_speed
from amptally.analysis.exposure.current import Current, assess_current
from amptally.analysis.exposure.exposure import window_list
from amptally.analysis.exposure.sampling_findings import judge_sampling
from amptally.analysis.forecast.charge_forecast import ChargeForecast, forecast_charge
from amptally.analysis.integrals.energy import Energy, energy_used
from amptally.analysis.laps.laps import Laps, assess_laps, laps_per_charge
from amptally.analysis.protection.breaking import Source, assess_breaking
from amptally.analysis.protection.drive_parts import overloads
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.protection.fuse_air import measured_air_c
from amptally.analysis.protection.fuse_eligibility import fuse_specs
from amptally.analysis.protection.fuse_leads import FuseLead, assess_fuses
from amptally.analysis.protection.path import PathResult, assess_paths
from amptally.analysis.quality.screening import judge
from amptally.analysis.report.json_form import report_json
from amptally.analysis.report.machine_file import findings_of_file
from amptally.analysis.report.observations import observe
from amptally.analysis.report.single_pass import single_pass
from amptally.analysis.report.uncertainty_budget import Contribution, main_contributions
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.leads import LEADS
from amptally.analysis.results.reason import Reason, gravest_first
from amptally.analysis.runs.run import Run
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
    findings: tuple[Reason, ...]
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
    sag = assess_sag(run, doubts)
    measured = Source.of((sag.resistance.open_circuit_v, sag.rest_voltage_v), sag.resistance.by_scale)
    breaking = assess_breaking(run.machine, measured, description_fits=mismatch is None)
    air_c = measured_air_c(run, doubts)
    specs = fuse_specs(run.machine, air_c)
    fuses = assess_fuses(run, specs, currents, doubts, breaking=breaking, description_fits=mismatch is None)
    paths = assess_paths(run, currents, doubts, measured_c=air_c, description_fits=mismatch is None)
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
        speed_m_s=mean_speed(run, laps),
        net_ah=energy.net_ah if run.start_row == 0 else None,
    )
    full_ah, left_ah, growth = charge.full.charge_ah, charge.before_doubts.charge_ah, charge.full.load_growth
    per_charge, left = laps_per_charge(laps, full_ah, left_ah, growth, doubts)
    drive = assess_drive(run, energy, laps, doubts)
    found: list[Reason] = [
        *(finding for lead in fuses.values() for finding in lead.findings),
        *(finding for path in paths.values() for finding in path.findings),
        *sag.findings,
        *judge_management(run, currents["battery"]),
        *charge.findings,
        *laps.findings,
        *drive.findings,
        *doubts.reasons,
        *judge_pulses(run),
        *judge_sampling(currents),
        *observe(run, sag, charge, mismatch),
    ]
    found += [*breaking.values(), *overloads(run, currents, doubts)]
    found += findings_of_file(run.machine, found)
    findings = gravest_first(found)
    recovery = assess_recovery(run, doubts)
    results = {place: lead.result for place, lead in fuses.items()}
    rests_on = main_contributions(energy, currents, results, sag, charge.remaining, per_charge)
    return Report(
        run, energy, currents, fuses, paths, sag, recovery, charge, laps, per_charge, left, drive, findings, rests_on
    )
