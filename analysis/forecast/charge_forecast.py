"""From a run to the charge its battery holds at the end, and what that is good for. docs/methods.md, Charge left.

Where the count starts is never guessed: a stated charge, a stated rest with its voltage, or the battery's ledger.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from amptally.analysis.battery.sag import SHEET_OHM_U, Sag
from amptally.analysis.battery.state_of_charge import (
    charge_from_rest_voltage,
    coulomb_count,
    stated_charge,
    valid_fraction,
    valid_hours,
)
from amptally.analysis.exposure.current import Current
from amptally.analysis.forecast.capacity import LEAD_ACID
from amptally.analysis.forecast.data_sheet import (
    LIKELY_LEFT,
    MEASURED_U,
    SHEET_ABOVE,
    SHEET_U,
    WORN_TO,
    DataSheet,
    MeasuredCapacity,
)
from amptally.analysis.forecast.inputs import BatteryData, BlockState, Demand
from amptally.analysis.forecast.ledger import ledger_charge
from amptally.analysis.forecast.limit_reached import LimitReached, limit_reached
from amptally.analysis.forecast.load_profile import LoadProfile, load_profile
from amptally.analysis.forecast.remaining import Remaining, forecast, refused_remaining
from amptally.analysis.forecast.voltage_curve import VoltageKnee, detect_knee
from amptally.analysis.integrals.energy import energy_estimates, run_net_charge
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, estimate, refuse
from amptally.analysis.results.propagation import product
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part
from amptally.analysis.signals.curve_integrals import dot
from amptally.analysis.signals.series import Series, cut, together

HOTTEST_C = 40.0
"""End of the capacity tables: no measured air above it stands for the battery's."""
STEADY_SHARE = 0.005
"""A current that stays within this share of itself while the voltage falls by four times as much is held constant."""
DESCRIPTION_DOUBTED = Reason("description_doubted", "danger", finding="arrangement_mismatch")
"""Why nothing is counted where the machine description does not fit the measured voltage."""
_NOT_DRIVEN = Reason("not_driven")
_NO_CURRENT = Reason("not_measured", channel="battery_current_a")
_BLOCK_NAMES: tuple[Literal["block_a", "block_b"], ...] = ("block_a", "block_b")
StartSource: TypeAlias = Literal["stated", "rest", "ledger", "none"]


@dataclass(frozen=True, slots=True)
class StartCharge:
    """Charge at the start of the run, as fractions of rated capacity, and where it comes from."""

    whole: Estimate
    blocks: tuple[Estimate, ...]
    """block_a (the lower one in series), then block_b where there are two."""
    source: StartSource


@dataclass(frozen=True, slots=True)
class ChargeForecast:
    """Charge at the end of a run and the forecast from there."""

    start: StartCharge
    state_of_charge: Estimate
    """At the end of the run, a fraction."""
    block_charge: tuple[Estimate, ...]
    """The same of block_a and block_b, each by its own current; empty for one block, and where nothing is counted."""
    remaining: Remaining
    """The forecast from there."""
    before_doubts: Remaining
    """The same before any doubt acts on it: laps are made from it, and a doubt acts once on their number."""
    full: Remaining
    """The forecast from a full charge at the same load, likewise before any doubt."""
    findings: tuple[Reason, ...] = ()


def forecast_charge(
    run: Run,
    sag: Sag,
    battery_current: Current,
    doubts: Doubts,
    *,
    description_fits: bool = True,
    rested_h: float | None = None,
    start_fraction: float | None = None,
    with_ledger: bool = True,
    speed_m_s: Estimate | None = None,
    net_ah: Estimate | None = None,
) -> ChargeForecast:
    """State of charge at the end, and the forecasts from there and from full.

    `sag` and `net_ah` (net charge drawn by the whole run, where known already) are as the doubts leave them.
    `description_fits`: whether the measured voltage fits the machine description; where not, nothing is counted.
    `rested_h` [h] and `start_fraction` (0..1) override what the run's metadata say. Without `with_ledger` the other
    runs of the folder are not read. Raises ValueError for a `start_fraction` outside 0..1.
    """
    if not description_fits:
        none = refuse("", DESCRIPTION_DOUBTED)
        charge = _refused_forecast(StartCharge(none, (none,), "none"), none, DESCRIPTION_DOUBTED)
    else:
        rested = valid_hours(run.metadata.rested_h) if rested_h is None else rested_h
        stated = valid_fraction(run.metadata.start_charge) if start_fraction is None else start_fraction
        start = start_charge(run, sag, rested, stated, None)
        if start.source == "none" and with_ledger:
            start = start_charge(run, sag, rested, stated, ledger_charge(run))
        charge = count_from(run, sag, battery_current, start, speed_m_s, net_ah)
        if doubts.against(("battery_voltage_v", "minimum")) is None:
            charge = _ended(charge, limit_reached(run))
    return replace(
        charge,
        state_of_charge=doubts.hold(charge.state_of_charge, ("battery_current_a", "state_of_charge")),
        block_charge=tuple(doubts.hold(each, ("battery_current_a", "state_of_charge")) for each in charge.block_charge),
        remaining=charge.before_doubts.held(doubts),
    )


def _ended(charge: ChargeForecast, reached: LimitReached | None) -> ChargeForecast:
    """The same where the run itself reached the end of discharge."""
    if reached is None:
        return charge
    if not reached.recharged:
        left = charge.before_doubts.emptied(reached.ends_by, Reason("limit_already_reached", at_s=reached.at_s))
        charge = replace(charge, remaining=left, before_doubts=left)
    return replace(charge, findings=(reached.finding,))


def start_charge(
    run: Run, sag: Sag, rested_h: float | None, fraction: float | None, ledger: Estimate | None
) -> StartCharge:
    """Stated fraction first, then the rest voltage after a stated rest [h], then the ledger."""
    battery = run.machine.battery if run.machine else None
    count = len(_counts(run))
    if fraction is not None:
        stated = stated_charge(fraction)
        return StartCharge(stated, (stated,) * count, "stated")
    if rested_h is not None and battery and battery.chemistry and battery.block_voltage_v:
        blocks = tuple(
            charge_from_rest_voltage(volts, battery.chemistry, battery.block_voltage_v, rested_h)
            for volts in _block_voltages(run, sag)
        )
        lowest = min(blocks, key=lambda block: -1.0 if block.value is None else block.value)
        if lowest.value is not None or ledger is None:
            return StartCharge(lowest, blocks, "rest" if lowest.value is not None else "none")
    if ledger is not None:
        return StartCharge(ledger, (ledger,) * count, "ledger" if ledger.value is not None else "none")
    none = stated_charge(None)
    return StartCharge(none, (none,) * count, "none")


def _block_voltages(run: Run, sag: Sag) -> list[Estimate]:
    """Rest voltage of each block: each its own where the midpoint is measured, else equal shares of the whole."""
    battery = run.machine.battery if run.machine else None
    whole = sag.rest_voltage_v
    series = battery.in_series if battery else None
    if series is None or whole.value is None:
        unknown = refuse("V", Reason("connection_of_blocks_unknown"))
        return [whole if whole.value is None else unknown]
    imbalance = sag.block_imbalance_v
    if series == 2 and imbalance.value is not None and imbalance.low is not None and imbalance.high is not None:
        half = 0.5 * (imbalance.high - imbalance.value) + 0.5 * ((whole.high or whole.value) - whole.value)
        lower, upper = (0.5 * (whole.value + sign * imbalance.value) for sign in (1, -1))
        return [Estimate(volts, volts - half, volts + half, "V", reasons=whole.reasons) for volts in (lower, upper)]
    share = [None if part is None else part / series for part in (whole.value, whole.low, whole.high)]
    one = Estimate(share[0], share[1], share[2], "V", reasons=whole.reasons)
    return [one] * len(_counts(run))


def measured_capacity(run: Run) -> MeasuredCapacity | None:
    """The full discharge of one block that the machine file holds; None without one."""
    battery = run.machine.battery if run.machine else None
    if battery is None or battery.measured_capacity_ah is None or battery.measured_hours is None:
        return None
    return MeasuredCapacity(
        battery.measured_capacity_ah, battery.measured_hours, battery.measured_c, battery.measured_block
    )


def rated_capacity(run: Run) -> Estimate:
    """Capacity of the whole battery [Ah]: as measured, else at its rated time; then wear to 80 % is not ruled out."""
    battery = run.machine.battery if run.machine else None
    measured = measured_capacity(run)
    if measured is not None and battery is not None and battery.in_parallel is not None:
        whole = measured.charge_ah * battery.in_parallel
        note = Reason("measured_over", hours=measured.hours)
        return estimate(whole, "Ah", {"measured capacity": MEASURED_U * whole}, note=note)
    rated = battery.whole_capacity_ah if battery else None
    if rated is None:
        return refuse("Ah", Reason("rated_capacity_unknown"))
    nameplate = Reason("capacity_from_nameplate", relative_u=SHEET_U, above=SHEET_ABOVE, worn_to=WORN_TO)
    return Estimate(rated, WORN_TO * rated, rated * (1 + SHEET_ABOVE), "Ah", reasons=(nameplate,))


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


def count_from(
    run: Run,
    sag: Sag,
    battery_current: Current,
    start: StartCharge,
    speed_m_s: Estimate | None,
    net_ah: Estimate | None = None,
) -> ChargeForecast:
    """State of charge at the end, and the forecasts, for a known start charge; doubts are not yet applied.

    `start` holds at the start of the run: what was drawn counts from there, also where `run` is a later part of it.
    `net_ah` is that charge where it is known already.
    """
    net = run_net_charge(run.from_start(), "battery_current_a") if net_ah is None else net_ah
    charge = coulomb_count(start.whole, net, rated_capacity(run))
    battery = _battery_data(run)
    if isinstance(battery, Reason):
        return _refused_forecast(start, charge, battery)
    current = run.smooth("battery_current_a")
    if current is None or len(current.value) < 2:
        return _refused_forecast(start, charge, _NO_CURRENT)
    part = driven_part(run, current)
    driven = _profile(current, part)
    if driven is None:
        return _refused_forecast(start, charge, _NOT_DRIVEN)
    demand = _demand(run, _cut(current, part), driven, battery_current, speed_m_s, sag)
    blocks = _blocks(run, current, part, driven, start, net, sag)
    if isinstance(blocks, Reason):
        return _refused_forecast(start, charge, blocks)
    full = [replace(block, start_charge=stated_charge(1.0), drawn=None, drawn_u_ah=0.0) for block in blocks]
    remaining = forecast(battery, blocks, demand)
    if net.high is None:
        remaining = remaining.at_most(Reason("more_drawn_than_measured"))
    # The run's knee is that of the charge it drew, not of the next one; and of a whole charge the run was a part.
    seen = _share_seen(charge, rated_capacity(run), remaining)
    whole = replace(
        demand,
        knee=None,
        current_growth=seen + (1 - seen) * demand.current_growth,
        voltage_share=seen + (1 - seen) * demand.voltage_share,
    )
    from_full = forecast(battery, full, whole)
    of_blocks = tuple(_block_charge(run, block) for block in blocks) if len(blocks) > 1 else ()
    return ChargeForecast(start, charge, of_blocks, remaining, remaining, from_full)


def _block_charge(run: Run, block: BlockState) -> Estimate:
    """Charge of one block at the end of the run, a fraction, by its own current."""
    battery = run.machine.battery if run.machine else None
    assert battery is not None
    assert block.drawn is not None
    drawn = estimate(block.drawn.charge_ah, "Ah", {"charge drawn": block.drawn_u_ah})
    one = estimate(1 / (battery.in_parallel or 1), "", {})
    return coulomb_count(block.start_charge, drawn, product(rated_capacity(run), one, "Ah"))


def _share_seen(at_end: Estimate, rated_ah: Estimate, remaining: Remaining) -> float:
    """Charge drawn since full over that of a whole charge at this load, 0..1."""
    left_ah = remaining.charge_ah.value
    if at_end.value is None or rated_ah.value is None or left_ah is None:
        return 0.0
    used_ah = (1 - at_end.value) * rated_ah.value
    return used_ah / (used_ah + left_ah) if used_ah > 0 else 0.0


def _refused_forecast(start: StartCharge, state_of_charge: Estimate, reason: Reason) -> ChargeForecast:
    none = refused_remaining(reason)
    return ChargeForecast(start, state_of_charge, (), none, none, none)


def battery_air_c(run: Run) -> float | None:
    """Air around the battery [°C]: from the machine file, else the median of the ambient sensor; None without."""
    battery = run.machine.battery if run.machine else None
    if battery is not None and battery.ambient_c is not None:
        return battery.ambient_c
    measured = run.smooth("ambient_temp_c")
    celsius = None if measured is None else float(np.median(measured.value))
    # A sensor in the sun is not the battery; one in the frost may well be.
    return None if celsius is None or celsius > HOTTEST_C else celsius


def _battery_data(run: Run) -> BatteryData | Reason:
    battery = run.machine.battery if run.machine else None
    if run.machine is None or battery is None:
        return Reason("no_battery_description")
    if battery.chemistry is None or battery.block_voltage_v is None or battery.in_series is None:
        return Reason("battery_description_incomplete")
    sheet = DataSheet(battery.capacity_ah, battery.capacity_hours, battery.second_capacity_ah, battery.second_hours)
    bms, controller = run.machine.bms, run.machine.controller
    return BatteryData(
        sheet,
        battery.chemistry,
        battery.block_voltage_v,
        battery.in_series > 1,
        battery_air_c(run),
        battery.depth_of_discharge,
        likely_left=LIKELY_LEFT,
        sheet_above=SHEET_ABOVE if battery.chemistry in LEAD_ACID else COVERAGE_FACTOR * SHEET_U,
        measured=measured_capacity(run),
        cutoff_v=battery.cutoff_v,
        bms_cutoff_v=bms.cutoff_v if bms else None,
        shares_measured=battery.in_parallel in (None, 1) or run.has("block_b_current_a"),
        controller_cutoff_v=(controller.cutoff_v or controller.minimum_v) if controller else None,
    )


def _demand(
    run: Run, current: Series, driven: LoadProfile, battery_current: Current, speed_m_s: Estimate | None, sag: Sag
) -> Demand:
    """The load of the driven part; `current` is the current of that part."""
    levels = [battery_current.rms_a[window].value for window in ("10", "1")]
    peak = battery_current.peak_a.value or driven.mean_a
    power = refuse("W", Reason("not_measured", channel="battery_voltage_v"))
    voltage = run.smooth("battery_voltage_v")
    if voltage is not None:
        sensors = run.sensor("battery_current_a"), run.sensor("battery_voltage_v")
        power = energy_estimates(current, voltage, *sensors)[3]
    voltage_share, steady = _voltage_to_come(run, current)
    return Demand(
        mean_a=driven.mean_a,
        rms_10s_a=driven.mean_a if levels[0] is None else levels[0],
        rms_1s_a=peak if levels[1] is None else levels[1],
        mean_power_w=power,
        speed_m_s=speed_m_s,
        lead_ohm=_lead_ohm(run),
        voltage_share=voltage_share,
        current_growth=1.0 if steady else 1 / voltage_share,
        knee=_knee(run, sag),
    )


def _end_voltage_v(run: Run) -> float | None:
    """Highest voltage of the whole battery at which something ends the run [V]; None where none is given."""
    machine = run.machine
    if machine is None:
        return None
    controller = (machine.controller.cutoff_v or machine.controller.minimum_v) if machine.controller else None
    of_sheet = machine.battery.whole_cutoff_v if machine.battery else None
    of_bms = machine.bms.cutoff_v if machine.bms else None
    return max((limit for limit in (of_sheet, of_bms, controller) if limit is not None), default=None)


def _voltage_to_come(run: Run, current: Series) -> tuple[float, bool]:
    """(mean voltage still to come over that of the run, whether the current stayed constant while the voltage fell).

    Discharge curves mostly lie above the straight line to their end: two thirds of the way up is taken as their mean.
    """
    voltage = run.smooth("battery_voltage_v")
    if voltage is None or len(current.time_s) < 16:
        return 1.0, False
    volts = np.interp(current.time_s, voltage.time_s, voltage.value)
    late = slice(-(len(volts) // 8), None)
    # Weighted by the charge drawn: recovered charge would take the mean outside the range of the voltages.
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
    limit_v = _end_voltage_v(run)
    limit_v = 0.85 * mean_v if limit_v is None else min(limit_v, end_v)
    return min((end_v - (end_v - limit_v) / 3) / mean_v, 1.0), bool(steady)


def _knee(run: Run, sag: Sag) -> VoltageKnee | None:
    """Knee of the discharge since the run began. Without a cut-off only lead-acid is known to bend late."""
    whole, battery = run.from_start(), run.machine.battery if run.machine else None
    current, voltage = whole.smooth("battery_current_a"), whole.smooth("battery_voltage_v")
    nominal_v, cutoff_v = (battery.nominal_voltage_v if battery else None), _end_voltage_v(run)
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
    return detect_knee(time_s, amps, volts, ohm or 0.0, nominal_v, cutoff_v)


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
    run: Run, current: Series, part: slice, driven: LoadProfile, start: StartCharge, net: Estimate, sag: Sag
) -> list[BlockState] | Reason:
    side = net.low if net.high is None else net.high
    drawn_u = 0.0 if side is None or net.value is None else abs(side - net.value) / COVERAGE_FACTOR
    whole = run.from_start()
    measured = whole.smooth("battery_current_a")
    if measured is None:
        return _NO_CURRENT
    shares, since, counts = _shares(run, current), _shares(whole, measured), _counts(run)
    states: list[BlockState] = []
    load: LoadProfile | None = None
    drawn: LoadProfile | None = None
    for name, series, all_of_it, charge, count in zip(_BLOCK_NAMES, shares, since, start.blocks, counts, strict=False):
        if not states or series is not shares[0] or all_of_it is not since[0]:  # blocks in series carry the same
            load = driven if series is current else _profile(series, part)
            drawn = _profile(all_of_it, slice(None))
        if load is None or drawn is None:
            return _NOT_DRIVEN
        ohm = _block_ohm(run, sag)
        # A share is as uncertain as the whole, relative to it; in series the whole is each block's.
        share = min(abs(drawn.charge_ah / net.value), 1.0) if net.value else 1.0
        states.append(BlockState(name, charge, load, drawn, drawn_u * share, ohm, count))
    return states


def _counts(run: Run) -> tuple[int, ...]:
    """How many blocks block_a and block_b stand for: block_b for itself, block_a for all others alike."""
    battery = run.machine.battery if run.machine else None
    blocks = (battery.blocks or 1) if battery else 1
    return (1,) if blocks == 1 else (blocks - 1, 1)


def _shares(run: Run, current: Series) -> list[Series]:
    """Current of one block of each kind: all of it in series; in parallel block_b's own lead where measured, and equal
    shares of the rest."""
    battery = run.machine.battery if run.machine else None
    counts = _counts(run)
    if battery is None or battery.in_parallel in (None, 1):
        return [current] * len(counts)
    own = run.smooth("block_b_current_a")
    second = current.value / sum(counts) if own is None else np.interp(current.time_s, own.time_s, own.value)
    return [replace(current, value=(current.value - second) / counts[0]), replace(current, value=second)]


def _block_ohm(run: Run, sag: Sag) -> Estimate | None:
    """Resistance of one block about 10 s after a step [Ω]: its share of the measured one, else the sheet's."""
    battery = run.machine.battery if run.machine else None
    series = battery.in_series if battery else None
    measured = next((sag.resistance.by_scale[s] for s in (10.0, 1.0) if sag.resistance.by_scale[s].value), None)
    if battery is not None and measured is not None and measured.value is not None and series is not None:
        factor = estimate((battery.in_parallel or 1) / series, "", {})
        return product(measured, factor, "ohm")
    if battery and battery.resistance_ohm:
        return estimate(battery.resistance_ohm, "ohm", {"sheet": SHEET_OHM_U * battery.resistance_ohm})
    return None
