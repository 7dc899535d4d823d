"""The battery's ledger: charge counted across the runs of one battery id in a folder. docs/methods.md, Charge left.

It starts at the last run whose charge was stated, and subtracts what each later run drew. It cannot see a charge or a
discharge between runs that was not recorded, and says so.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from amptally.analysis.battery.state_of_charge import coulomb_count, stated_charge, valid_fraction
from amptally.analysis.forecast.data_sheet import SHEET_U
from amptally.analysis.integrals.energy import run_net_charge
from amptally.analysis.quality.screening import judge_battery
from amptally.analysis.results.estimate import Estimate, estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.folder import sibling_runs
from amptally.analysis.runs.run import Run

MAX_RUNS = 50


def ledger_charge(run: Run) -> Estimate | None:
    """Fraction at the start of `run`; None where its battery has no id or no earlier run has a stated charge.

    Refused where an earlier run cannot be read or counted.
    """
    battery = run.machine.battery if run.machine else None
    rated_ah = battery.whole_capacity_ah if battery else None
    started = _moment(run.metadata.start_utc)
    if battery is None or not battery.id or rated_ah is None or started is None:
        return None
    earlier = [
        (begun, path)
        for path, metadata, other in sibling_runs(run.path)
        if other == battery.id and (begun := _moment(metadata.start_utc)) is not None and begun < started
    ]
    return _counted([path for _, path in sorted(earlier)][-MAX_RUNS:], rated_ah)


def _moment(start_utc: str | None) -> datetime | None:
    """The time of a start; None where there is none with a time zone."""
    try:
        moment = datetime.fromisoformat(start_utc or "")
    except ValueError:
        return None
    return moment if moment.tzinfo else None


def _counted(paths: list[Path], rated_ah: float) -> Estimate | None:
    """Stated charge minus what was drawn since."""
    charge: Estimate | None = None
    drawn: list[Estimate] = []
    for path in paths:
        try:
            run = Run.open(path)
        except ValueError:
            return refuse("", Reason("ledger_run_unreadable", file=path.name))
        fraction = valid_fraction(run.metadata.start_charge)
        if fraction is not None:
            charge, drawn = stated_charge(fraction), []
        if charge is None:
            continue
        net = judge_battery(run).hold(run_net_charge(run, "battery_current_a"), ("battery_current_a", "net"))
        if net.value is None:
            return refuse("", Reason("ledger_stops", run=run.metadata.run_id), *net.reasons)
        drawn.append(net)
    if charge is None:
        return None
    charge = coulomb_count(charge, _sum(drawn), estimate(rated_ah, "Ah", {"sheet": SHEET_U * rated_ah}))
    if charge.value is None:
        return charge
    note = Reason("from_ledger", runs=len(drawn))
    return Estimate(charge.value, charge.low, charge.high, "", charge.bound, reasons=(note,))


def _sum(parts: list[Estimate]) -> Estimate:
    """Sum of charges [Ah] that share one sensor's errors: sides add, and one open side opens that of the sum."""
    value = sum(part.value for part in parts if part.value is not None)
    lows, highs = [part.low for part in parts], [part.high for part in parts]
    low = None if None in lows else sum(low for low in lows if low is not None)
    high = None if None in highs else sum(high for high in highs if high is not None)
    return Estimate(value, low, high, "Ah", "at_least" if high is None else "at_most" if low is None else "estimate")
