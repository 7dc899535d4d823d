"""The battery's ledger: charge counted across the runs of one battery id in a folder. docs/methods.md, Charge left.

It starts at the last run whose charge was stated, and takes off what each later run drew. It cannot see a charge or a
discharge between runs that was not recorded, and says so.
"""

from __future__ import annotations

from pathlib import Path

from analysis.capacity import SHEET_U
from analysis.energy import charge_estimates
from analysis.estimate import Estimate, estimate, refuse
from analysis.run import Run, sibling_runs
from analysis.state_of_charge import by_count, stated

MOST_RUNS = 50


def ledger_charge(run: Run) -> Estimate | None:
    """Fraction at the start of `run`; None where its battery has no id or no earlier run has a stated charge."""
    battery = run.machine.battery if run.machine else None
    rated = battery.whole_capacity_ah if battery else None
    started = run.metadata.start_utc
    if battery is None or not battery.id or rated is None or started is None:
        return None
    earlier = [
        path
        for path, metadata, other in sibling_runs(run.path)
        if other == battery.id and metadata.start_utc is not None and metadata.start_utc < started
    ]
    return _counted(earlier[-MOST_RUNS:], rated)


def _counted(paths: list[Path], rated_ah: float) -> Estimate | None:
    charge: Estimate | None = None
    counted = 0
    capacity = estimate(rated_ah, "Ah", {"sheet": SHEET_U * rated_ah})
    for path in paths:
        run = Run.open(path)
        said = run.metadata.start_charge
        if said is not None:
            charge, counted = stated(said), 0
        if charge is None:
            continue
        current = run.series("battery_current_a")
        if current is None or len(current.time_s) < 2:
            return refuse("", f"run {run.metadata.run_id} of this battery has no battery current: its ledger is broken")
        net = charge_estimates(current, run.sensor("battery_current_a"))[2]
        charge = by_count(charge, net, capacity)
        counted += 1
        if charge.value is None:
            return charge
    if charge is None:
        return None
    note = f"ledger over {counted} earlier run{'s' if counted != 1 else ''}; charging between runs is not seen"
    return Estimate(charge.value, charge.low, charge.high, "", charge.bound, basis=note)
