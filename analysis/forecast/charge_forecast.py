"""From a run to the charge its battery holds at the end, and what that is good for. docs/methods.md, Charge left.

Where the count starts is asked, not guessed: a stated charge, a stated rest with its voltage, or the battery's ledger.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from amptally.analysis.battery.sag import Sag
from amptally.analysis.battery.state_of_charge import by_count, from_rest_voltage, stated
from amptally.analysis.exposure.current import Current
from amptally.analysis.forecast.battery_facts import BatteryFacts, BlockState, Use
from amptally.analysis.forecast.capacity import LEAD_ACID, MEASURED_U, SHEET_ABOVE, SHEET_U, WORN_TO, DataSheet
from amptally.analysis.forecast.load_profile import LoadProfile, load_profile
from amptally.analysis.forecast.peukert import MeasuredCapacity
from amptally.analysis.forecast.remaining import UNITS, Remaining, forecast
from amptally.analysis.forecast.voltage_curve import Knee, find_knee
from amptally.analysis.integrals.energy import energy_estimates, run_net_charge
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, as_reasons, estimate, refuse
from amptally.analysis.results.propagation import product
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part
from amptally.analysis.signals.curve_integrals import dot
from amptally.analysis.signals.series import Series, cut, together

HOTTEST_C = 40.0
"""End of the capacity tables: no measured air above it stands for the battery's."""
STEADY_SHARE = 0.005
"""A current that keeps within this part of itself while the voltage falls by four times as much is held there."""
NOT_DRIVEN = "the run holds no driven stretch"
_BLOCK_NAMES: tuple[Literal["block_a", "block_b"], ...] = ("block_a", "block_b")


@dataclass(frozen=True, slots=True)
class Start:
    """Charge at the start of the run, as fractions of rated capacity, and who says so."""

    whole: Estimate
    blocks: tuple[Estimate, ...]
    """block_a (the lower one in series), then block_b where there are two."""
    source: str
    """stated, rest, ledger or none."""


@dataclass(frozen=True, slots=True)
class ChargeLeft:
    """Charge at the end of a run and the forecast from there."""

    start: Start
    state_of_charge: Estimate
    remaining: Remaining
    full: Remaining
    """The forecast from a full charge at the same load."""


def refused_remaining(reason: str) -> Remaining:
    """A forecast that cannot be made."""
    charge, energy, runtime, distance = (refuse(unit, reason) for unit in UNITS.values())
    return Remaining(charge, energy, runtime, distance, None)


def start_charge(run: Run, sag: Sag, rested_h: float | None, fraction: float | None, ledger: Estimate | None) -> Start:
    """Stated fraction first, then rest voltage after a stated rest, then the ledger."""
    battery = run.machine.battery if run.machine else None
    count = 2 if battery and battery.blocks == 2 else 1
    if fraction is not None:
        told = stated(fraction)
        return Start(told, (told,) * count, "stated")
    if rested_h is not None and battery and battery.chemistry and battery.block_voltage_v:
        blocks = tuple(
            from_rest_voltage(volts, battery.chemistry, battery.block_voltage_v, rested_h)
            for volts in _block_voltages(run, sag)
        )
        lowest = min(blocks, key=lambda block: -1.0 if block.value is None else block.value)
        if lowest.value is not None or ledger is None:
            return Start(lowest, blocks, "rest" if lowest.value is not None else "none")
    if ledger is not None:
        return Start(ledger, (ledger,) * count, "ledger" if ledger.value is not None else "none")
    none = stated(None)
    return Start(none, (none,) * count, "none")


def _block_voltages(run: Run, sag: Sag) -> list[Estimate]:
    """Rest voltage of each block: each its own where the midpoint is measured, else equal shares of the whole."""
    battery = run.machine.battery if run.machine else None
    whole = sag.rest_voltage_v
    series = battery.in_series if battery else None
    if series is None or whole.value is None:
        unknown = refuse("V", "the machine file does not say how the blocks are joined")
        return [whole if whole.value is None else unknown]
    imbalance = sag.block_imbalance_v
    if series == 2 and imbalance.value is not None and imbalance.low is not None and imbalance.high is not None:
        half = 0.5 * (imbalance.high - imbalance.value) + 0.5 * ((whole.high or whole.value) - whole.value)
        lower, upper = (0.5 * (whole.value + sign * imbalance.value) for sign in (1, -1))
        return [Estimate(volts, volts - half, volts + half, "V", reasons=whole.reasons) for volts in (lower, upper)]
    share = [None if part is None else part / series for part in (whole.value, whole.low, whole.high)]
    one = Estimate(share[0], share[1], share[2], "V", reasons=whole.reasons)
    return [one] * (2 if battery and battery.blocks == 2 else 1)


def measured_capacity(run: Run) -> MeasuredCapacity | None:
    """A full discharge of one block that the machine file tells of."""
    battery = run.machine.battery if run.machine else None
    if battery is None or battery.measured_capacity_ah is None or battery.measured_hours is None:
        return None
    return MeasuredCapacity(battery.measured_capacity_ah, battery.measured_hours)


def rated_capacity(run: Run) -> Estimate:
    """Capacity of the whole battery [Ah]: as measured, else at its rated time; then wear to 80 % is not ruled out."""
    battery = run.machine.battery if run.machine else None
    measured = measured_capacity(run)
    if measured is not None and battery is not None and battery.in_parallel is not None:
        whole = measured.charge_ah * battery.in_parallel
        return estimate(whole, "Ah", {"measured capacity": MEASURED_U * whole}, note=f"in {measured.hours:.3g} h")
    rated = battery.whole_capacity_ah if battery else None
    if rated is None:
        return refuse("Ah", "the machine file gives no capacity_ah with blocks and arrangement")
    open_sides = f"wear down to {100 * WORN_TO:.0f} % and {100 * SHEET_ABOVE:.0f} % more not ruled out"
    basis = f"nameplate ±{100 * SHEET_U:.0f} % (1 σ), {open_sides}"
    return Estimate(rated, WORN_TO * rated, rated * (1 + SHEET_ABOVE), "Ah", reasons=as_reasons(basis))


def _cut(series: Series, part: slice) -> Series:
    """The samples of a stretch."""
    return cut(series, *part.indices(len(series.value))[:2])


def _profile(series: Series, part: slice) -> LoadProfile | None:
    driven = _cut(series, part)
    keep = ~driven.gap_after
    if not keep.any():
        return None
    mean = 0.5 * (driven.value[:-1] + driven.value[1:])
    steps = np.diff(driven.time_s)
    return load_profile(mean, steps) if keep.all() else load_profile(mean[keep], steps[keep])


def assess_charge(
    run: Run,
    sag: Sag,
    battery_current: Current,
    start: Start,
    speed_m_s: Estimate | None,
    drawn: Estimate | None = None,
) -> ChargeLeft:
    """State of charge at the end, and the forecasts from there and from full.

    `start` holds at the start of the run: what was drawn counts from there, also where `run` is a later part of it.
    `drawn` is that charge where it is known already.
    """
    net = run_net_charge(run.from_start(), "battery_current_a") if drawn is None else drawn
    charge = by_count(start.whole, net, rated_capacity(run))
    current = run.smooth("battery_current_a")
    facts = _facts(run)
    if isinstance(facts, str):
        none = refused_remaining(facts)
        return ChargeLeft(start, charge, none, none)
    if current is None or len(current.value) < 2:
        none = refused_remaining("no battery current was measured")
        return ChargeLeft(start, charge, none, none)
    part = driven_part(run, current)
    driven = _profile(current, part)
    if driven is None:
        none = refused_remaining(NOT_DRIVEN)
        return ChargeLeft(start, charge, none, none)
    use = _use(run, _cut(current, part), driven, battery_current, speed_m_s, sag)
    blocks = _blocks(run, current, part, driven, start, net, sag)
    if isinstance(blocks, str):
        return ChargeLeft(start, charge, refused_remaining(blocks), refused_remaining(blocks))
    full = [replace(block, start_charge=stated(1.0), drawn=None, drawn_u_ah=0.0) for block in blocks]
    left = forecast(facts, blocks, use)
    if net.high is None:
        left = _at_most(left, "more may have been drawn than was measured")
    # The run's knee is that of the charge it drew, not of the next one.
    return ChargeLeft(start, charge, left, forecast(facts, full, replace(use, knee=None)))


def _at_most(left: Remaining, why: str) -> Remaining:
    charge, energy, runtime, distance = (
        part if part.bound == "at_most" else part.bounded("at_most", why)
        for part in (left.charge_ah, left.energy_wh, left.runtime_s, left.distance_m)
    )
    return replace(left, charge_ah=charge, energy_wh=energy, runtime_s=runtime, distance_m=distance)


def battery_air_c(run: Run) -> float | None:
    """Air around the battery [°C]: as the machine file says, else the median of the ambient sensor; None without."""
    battery = run.machine.battery if run.machine else None
    if battery is not None and battery.ambient_c is not None:
        return battery.ambient_c
    measured = run.smooth("ambient_temp_c")
    celsius = None if measured is None else float(np.median(measured.value))
    # A sensor in the sun is not the battery; one in the frost may well be.
    return None if celsius is None or celsius > HOTTEST_C else celsius


def _facts(run: Run) -> BatteryFacts | str:
    battery = run.machine.battery if run.machine else None
    if run.machine is None or battery is None:
        return "no machine description with a [battery] section: import or report with --machine FILE"
    if battery.chemistry is None or battery.block_voltage_v is None or battery.in_series is None:
        return "the machine file lacks chemistry, block_voltage_v, blocks or arrangement of the battery"
    sheet = DataSheet(battery.capacity_ah, battery.capacity_hours, battery.second_capacity_ah, battery.second_hours)
    bms, controller = run.machine.bms, run.machine.controller
    return BatteryFacts(
        sheet,
        battery.chemistry,
        battery.block_voltage_v,
        battery.in_series == 2,
        battery_air_c(run),
        battery.depth_of_discharge,
        measured=measured_capacity(run),
        cutoff_v=battery.cutoff_v,
        bms_cutoff_v=bms.cutoff_v if bms else None,
        controller_cutoff_v=(controller.cutoff_v or controller.minimum_v) if controller else None,
    )


def _use(
    run: Run, current: Series, driven: LoadProfile, battery_current: Current, speed_m_s: Estimate | None, sag: Sag
) -> Use:
    """What the driven part asked for; `current` is that part's."""
    levels = [battery_current.rms_a[window].value for window in ("10", "1")]
    peak = battery_current.peak_a.value or driven.mean_a
    power = refuse("W", "no battery voltage was measured")
    voltage = run.smooth("battery_voltage_v")
    if voltage is not None:
        sensors = run.sensor("battery_current_a"), run.sensor("battery_voltage_v")
        power = energy_estimates(current, voltage, *sensors)[3]
    voltage_share, steady = _voltage_to_come(run, current)
    return Use(
        mean_a=driven.mean_a,
        sustained_a=driven.mean_a if levels[0] is None else levels[0],
        brief_a=peak if levels[1] is None else levels[1],
        mean_power_w=power,
        speed_m_s=speed_m_s,
        lead_ohm=_lead_ohm(run),
        voltage_share=voltage_share,
        power_growth=1.0 if steady else 1 / voltage_share,
        knee=_knee(run, sag),
    )


def _least_voltage_v(run: Run) -> float | None:
    """The highest of the voltages of the whole battery at which something ends the run; None where none is given."""
    machine = run.machine
    if machine is None:
        return None
    controller = (machine.controller.cutoff_v or machine.controller.minimum_v) if machine.controller else None
    of_sheet = machine.battery.whole_cutoff_v if machine.battery else None
    of_bms = machine.bms.cutoff_v if machine.bms else None
    return max((limit for limit in (of_sheet, of_bms, controller) if limit is not None), default=None)


def _voltage_to_come(run: Run, current: Series) -> tuple[float, bool]:
    """(mean voltage of what is left over the run's, whether the current plainly kept while the voltage fell).

    Discharge curves mostly lie above the straight line to their end: two thirds of the way up is taken as their mean.
    """
    voltage = run.smooth("battery_voltage_v")
    if voltage is None or len(current.time_s) < 16:
        return 1.0, False
    volts = np.interp(current.time_s, voltage.time_s, voltage.value)
    late = slice(-(len(volts) // 8), None)
    # Weighed by what was drawn: returned current would take the mean out of the range of the voltages.
    out = np.maximum(current.value, 0.0)
    charge, late_charge = float(out.sum()), float(out[late].sum())
    if charge <= 0 or late_charge <= 0:
        return 1.0, False
    drawn, falling = (
        np.array([part.mean() for part in np.array_split(values, 8)])[1:] for values in (current.value, volts)
    )
    steady = np.ptp(drawn) < STEADY_SHARE * drawn.mean() and np.ptp(falling) > 4 * STEADY_SHARE * falling.mean()
    mean_v, end_v = dot(out, volts) / charge, dot(out[late], volts[late]) / late_charge
    if mean_v <= 0 or end_v <= 0:
        return 1.0, False
    least_v = _least_voltage_v(run)
    least_v = 0.85 * mean_v if least_v is None else min(least_v, end_v)
    return min((end_v - (end_v - least_v) / 3) / mean_v, 1.0), bool(steady)


def _knee(run: Run, sag: Sag) -> Knee | None:
    """The knee of the discharge since the run began. Only lead-acid is known to bend late without a cut-off given."""
    whole, battery = run.from_start(), run.machine.battery if run.machine else None
    current, voltage = whole.smooth("battery_current_a"), whole.smooth("battery_voltage_v")
    nominal_v, cutoff_v = (battery.nominal_voltage_v if battery else None), _least_voltage_v(run)
    if current is None or voltage is None or battery is None or nominal_v is None:
        return None
    if cutoff_v is None and battery.chemistry not in LEAD_ACID:
        return None
    time_s, amps, volts, gap_after = together(_cut(current, driven_part(run=whole, current=current)), voltage)
    if gap_after.any():
        return None  # what was drawn in a gap is not known
    ohm = next(
        (value for s in (10.0, 1.0) if (value := sag.resistance.by_scale[s].value)), battery.whole_resistance_ohm
    )
    return find_knee(time_s, amps, volts, ohm or 0.0, nominal_v, cutoff_v)


def _lead_ohm(run: Run) -> float:
    """Resistance between battery and controller terminals, from the drop at the highest tenth of current; else 0."""
    current, battery, controller = (
        run.smooth(name) for name in ("battery_current_a", "battery_voltage_v", "controller_voltage_v")
    )
    if current is None or battery is None or controller is None:
        return 0.0
    amps = current.value
    busy = amps >= max(float(np.quantile(amps, 0.9)), 1.0)
    if not busy.any():
        return 0.0
    moments = current.time_s[busy]
    drop = np.interp(moments, battery.time_s, battery.value) - np.interp(moments, controller.time_s, controller.value)
    return max(float((drop * amps[busy]).sum() / (amps[busy] ** 2).sum()), 0.0)


def _blocks(
    run: Run, current: Series, part: slice, driven: LoadProfile, start: Start, net: Estimate, sag: Sag
) -> list[BlockState] | str:
    battery = run.machine.battery if run.machine else None
    if battery is None or (battery.blocks or 1) > 2:
        return "charge left is computed for one or two blocks"
    side = net.low if net.high is None else net.high
    drawn_u = 0.0 if side is None or net.value is None else abs(side - net.value) / COVERAGE_FACTOR
    whole = run.from_start()
    measured = whole.smooth("battery_current_a")
    if measured is None:
        return "no battery current was measured"
    shares, since = _shares(run, current), _shares(whole, measured)
    states: list[BlockState] = []
    load: LoadProfile | None = None
    drawn: LoadProfile | None = None
    for name, series, all_of_it, charge in zip(_BLOCK_NAMES, shares, since, start.blocks, strict=False):
        if not states or series is not shares[0] or all_of_it is not since[0]:  # blocks in series carry the same
            load = driven if series is current else _profile(series, part)
            drawn = _profile(all_of_it, slice(None))
        if load is None or drawn is None:
            return NOT_DRIVEN
        ohm = _block_ohm(run, sag, len(shares))
        states.append(BlockState(name, charge, load, drawn, drawn_u / len(shares), ohm))
    return states


def _shares(run: Run, current: Series) -> list[Series]:
    """What each block carries: all of it in series; in parallel its own lead where measured, else half each."""
    battery = run.machine.battery if run.machine else None
    if battery is None or battery.blocks != 2:
        return [current]
    if battery.in_series == 2:
        return [current, current]
    own = run.smooth("block_b_current_a")
    second = 0.5 * current.value if own is None else np.interp(current.time_s, own.time_s, own.value)
    return [replace(current, value=current.value - second), replace(current, value=second)]


def _block_ohm(run: Run, sag: Sag, blocks: int) -> Estimate | None:
    """Resistance of one block about 10 s after a step: its share of what was measured, else the sheet's."""
    battery = run.machine.battery if run.machine else None
    series = battery.in_series if battery else None
    measured = next((sag.resistance.by_scale[s] for s in (10.0, 1.0) if sag.resistance.by_scale[s].value), None)
    if measured is not None and measured.value is not None and series is not None:
        factor = estimate(1 / series if series > 1 else float(blocks), "", {})
        return product(measured, factor, "ohm")
    if battery and battery.resistance_ohm:
        return estimate(battery.resistance_ohm, "ohm", {"sheet": 0.25 * battery.resistance_ohm})
    return None
