"""How far voltages fall under load, and whether the currents add up. docs/methods.md, Sag."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from amptally.analysis.battery.block_share import uneven_blocks
from amptally.analysis.battery.resistance import Resistance, assess_resistance
from amptally.analysis.battery.resistance_fit import LONGEST_FIT_S, busiest_stretch
from amptally.analysis.battery.rest import Rest, block_imbalance, rest_samples, rest_voltage, run_rest, voltage_terms
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, estimate, refuse
from amptally.analysis.results.leads import CURRENTS
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_terms import white_u
from amptally.analysis.runs.charging import on_charger
from amptally.analysis.runs.run import Run, Series, together
from amptally.analysis.signals.curve_integrals import dot, sampling_error, steps_s, weights_s

BUSY_SHARE = 0.9
"""Blocks are compared over the samples in the highest tenth of current."""
WEAK_RATIO = 1.3
"""A block that drops this many times as far as the other is called weak. Our own choice."""
SHEET_OHM_U = 0.25
"""1 σ, relative, of a sheet's resistance, which is that of a new block at 25 °C. Our own choice."""
CURRENT, VOLTAGE = "battery_current_a", "battery_voltage_v"


@dataclass(frozen=True, slots=True)
class Sag:
    """Voltages of a run at rest and under load."""

    rest: Rest
    rest_voltage_v: Estimate
    min_voltage_v: Estimate
    min_voltage_at_s: float | None
    """Run time [s] of it; None where it is refused. Likewise for the others."""
    worst_sag_v: Estimate
    worst_sag_at_s: float | None
    load_drop_v: Estimate
    """Greatest drop against the open-circuit voltage at the charge of that moment [V]: what the load alone does."""
    load_drop_at_s: float | None
    resistance: Resistance
    block_imbalance_v: Estimate
    weak_block: Literal["lower", "upper", "a", "b"] | None
    """In series the one that drops further, in parallel the one that carries less."""
    receiver_min_v: Estimate
    receiver_min_at_s: float | None
    balance_residual_a: Estimate
    """Not held against any doubt: it is the evidence of one."""
    findings: tuple[Reason, ...]


def minimum_voltage(run: Run, si_name: str) -> tuple[Estimate, float | None]:
    """Minimum of the samples [V], an upper bound of the minimum voltage, and its run time [s]."""
    extremes = run.extremes(si_name)
    if extremes is None:
        return refuse("V", Reason("not_measured", channel=si_name)), None
    terms = voltage_terms(run.sensor(si_name), extremes.minimum, extreme_of=extremes.samples)
    minimum = estimate(extremes.minimum, "V", terms)
    return minimum.bounded("at_most", Reason("minimum_of_samples")), extremes.minimum_at_s


def _worst_sag(run: Run, rest: Rest, resting: Estimate) -> tuple[Estimate, float | None]:
    """Rest voltage minus minimum voltage [V]; the sensor's offset cancels between the two."""
    extremes = run.extremes(VOLTAGE)
    if extremes is None:
        return refuse("V", Reason("not_measured", channel=VOLTAGE)), None
    if resting.value is None:
        return refuse("V", Reason("no_rest_voltage"), *resting.reasons), None
    drop = resting.value - extremes.minimum
    terms = voltage_terms(run.sensor(VOLTAGE), drop, extreme_of=extremes.samples) | {"voltage offset": 0.0}
    sag = estimate(drop, "V", terms, note=Reason("below_rest", from_s=rest.start_s, to_s=rest.end_s))
    return sag.bounded("at_least", Reason("from_minimum_of_samples")), extremes.minimum_at_s


def run_resistance(run: Run) -> Resistance:
    """Resistance, open-circuit voltage and drop under load of the busiest half hour, computed once for a run.

    Where the minimum voltage lies outside it, the half hour around that moment may show a greater drop.
    """
    found = run.cache.get(("resistance", ""))
    if not isinstance(found, Resistance):
        lowest = run.extremes(VOLTAGE)
        at_s = None if lowest is None else lowest.minimum_at_s
        found = run.cache["resistance", ""] = _resistance(run, at_s)
    return found


def resting_voltage(run: Run) -> Estimate:
    """Rest voltage [V], with what a standing machine draws taken into account by the run's or the sheet's resistance.

    The longest time scale counts, as the machine had stood for longer still.
    """
    rest = run_rest(run)
    if not rest.standing_a:
        return rest_voltage(run, rest)
    known = [ohm for ohm in run_resistance(run).by_scale.values() if ohm.value is not None]
    battery = run.machine.battery if run.machine else None
    sheet_ohm = battery.whole_resistance_ohm if battery else None
    of_sheet = None if sheet_ohm is None else estimate(sheet_ohm, "ohm", {"sheet": SHEET_OHM_U * sheet_ohm})
    return rest_voltage(run, rest, known[-1] if known else of_sheet)


def _resistance(run: Run, minimum_at_s: float | None) -> Resistance:
    """The same, not cached."""
    smooth = run.smooth(CURRENT)
    if smooth is None or len(smooth.value) < 2:
        return _resistance_of(run)
    # Resistance moves with charge and temperature: in a long run the most informative stretch is used.
    stretch = busiest_stretch(smooth.time_s, smooth.value)
    if stretch == slice(None):
        return _resistance_of(run)
    from_s, to_s = smooth.time_s[stretch][[0, -1]].tolist()
    busiest = _resistance_of(run.part(from_s, to_s))
    if minimum_at_s is None or from_s <= minimum_at_s <= to_s:
        return busiest
    begin_s = min(max(minimum_at_s - 0.5 * LONGEST_FIT_S, run.start_s), max(run.end_s - LONGEST_FIT_S, run.start_s))
    lowest = _resistance_of(run.part(begin_s, min(begin_s + LONGEST_FIT_S, run.end_s)))
    if (lowest.load_drop_v.value or 0.0) <= (busiest.load_drop_v.value or 0.0):
        return busiest
    return replace(busiest, load_drop_v=lowest.load_drop_v, load_drop_at_s=lowest.load_drop_at_s)


def _resistance_of(run: Run) -> Resistance:
    """The same of every sample of a run, or of a part."""
    current, voltage = run.series(CURRENT), run.series(VOLTAGE)
    if current is None or voltage is None:
        return Resistance.refused(Reason("not_measured", channel=CURRENT if current is None else VOLTAGE))
    time_s, amps, volts, gap_after = together(current, voltage)
    return assess_resistance(time_s, volts, amps, gap_after, run.sensor(CURRENT), run.sensor(VOLTAGE))


def balance_residual(run: Run) -> Estimate:
    """Mean of battery − left − right [A] over sampled time, where both channels are measured in supply legs."""
    if run.battery_current_from == "left_plus_right":
        return refuse("A", Reason("battery_is_the_sum"))
    measured = {name: series for name in CURRENTS if (series := run.smooth(name)) is not None}
    for name in CURRENTS:
        if name not in measured:
            return refuse("A", Reason("not_measured", channel=name))
    if run.sides_leg != "supply_leg":
        return refuse("A", Reason("sides_not_in_supply_legs"))
    battery, left, right = (measured[name] for name in CURRENTS)
    time_s, first, second, gap_after = together(battery, left)
    time_s, first, third, gap_after = together(Series(time_s, first - second, gap_after), right)
    length_s = steps_s(time_s, gap_after)
    seconds = float(length_s.sum())
    if seconds <= 0:
        return refuse("A", Reason("currents_never_together"))
    weight_s = weights_s(length_s)
    residual = first - third
    mean = dot(weight_s, residual) / seconds
    terms: dict[str, float | None] = {"sampling": sampling_error(time_s, residual, gap_after) / seconds}
    noise = []
    for name, series in measured.items():
        sensor = run.sensor(name)
        noise.append(white_u(sensor) / math.sqrt(len(series.value)))
        # The same times have the same gaps.
        own_s = weight_s if series.time_s is time_s else weights_s(steps_s(series.time_s, series.gap_after))
        level = abs(dot(own_s, series.value)) / max(series.sampled_s, 1e-9)
        label = run.label(name).lower()
        terms[f"{label} offset"] = sensor.offset_u
        terms[f"{label} gain"] = None if sensor.gain_u is None else sensor.gain_u * level
    terms["noise and resolution"] = math.hypot(*noise)
    return estimate(mean, "A", terms, note=Reason("residual_sign"))


def _weak_block(run: Run, rest: Rest) -> Reason | None:
    """The finding that one block drops clearly further than the other under the same current, two in series."""
    middle, whole, current = (run.smooth(name) for name in ("midpoint_voltage_v", VOLTAGE, CURRENT))
    resting_middle = rest_samples(run, rest, "midpoint_voltage_v")
    resting_whole = rest_samples(run, rest, VOLTAGE)
    if middle is None or whole is None or current is None:
        return None
    if isinstance(resting_middle, Reason) or isinstance(resting_whole, Reason):
        return None
    time_s, lower, total, _ = together(middle, whole)
    if len(time_s) < 20:
        return None
    amps = np.interp(time_s, current.time_s, current.value)
    busy = amps >= np.quantile(amps, BUSY_SHARE)
    rest_lower, rest_total = float(np.median(resting_middle)), float(np.median(resting_whole))
    lower_drop = rest_lower - float(lower[busy].mean())
    upper_drop = (rest_total - rest_lower) - float((total - lower)[busy].mean())
    half_v = COVERAGE_FACTOR * math.hypot(
        (run.sensor("midpoint_voltage_v").gain_u or 0.0) * 2 * abs(lower_drop),
        (run.sensor(VOLTAGE).gain_u or 0.0) * abs(lower_drop + upper_drop),
    )
    smaller, larger = sorted((lower_drop, upper_drop))
    if smaller <= 0 or larger < WEAK_RATIO * smaller or larger - smaller <= half_v + 0.02:
        return None
    return Reason(
        "weak_block",
        "caution",
        block="lower" if lower_drop > upper_drop else "upper",
        ratio=larger / smaller,
        mean_a=float(amps[busy].mean()),
        lower_drop_v=lower_drop,
        upper_drop_v=upper_drop,
    )


def assess_sag(run: Run, doubts: Doubts) -> Sag:
    """Rest voltage, minimum, sag, resistance, blocks and receiver supply of a run."""
    rest = run_rest(run)
    resting = resting_voltage(run)
    minimum, minimum_at = minimum_voltage(run, VOLTAGE)
    sag, sag_at = _worst_sag(run, rest, resting)
    receiver, receiver_at = minimum_voltage(run, "receiver_voltage_v")
    minimum, sag = doubts.hold(minimum, (VOLTAGE, "minimum")), doubts.hold(sag, (VOLTAGE, "sag"))
    resistance = run_resistance(run)
    by_scale = {
        scale: doubts.hold(value, (CURRENT, "resistance"), (VOLTAGE, "resistance"))
        for scale, value in resistance.by_scale.items()
    }
    load_drop = doubts.hold(resistance.load_drop_v, (CURRENT, "open_circuit"), (VOLTAGE, "open_circuit"))
    charger = on_charger(run)
    if charger is not None and charger["alone"]:
        load_drop = refuse("V", charger)
    open_circuit = doubts.hold(resistance.open_circuit_v, (CURRENT, "open_circuit"), (VOLTAGE, "open_circuit"))
    against_blocks = doubts.against((CURRENT, "weak_block"), (VOLTAGE, "weak_block"))
    weak = _weak_block(run, rest) if against_blocks is None else None
    uneven = uneven_blocks(run, doubts)
    named: Literal["lower", "upper", "a", "b"] | None = None
    if weak is not None:
        named = "lower" if weak["block"] == "lower" else "upper"
    elif uneven is not None:
        named = "b" if uneven["harder"] == "block_a" else "a"
    return Sag(
        rest=rest,
        rest_voltage_v=doubts.hold(resting, (VOLTAGE, "rest")),
        min_voltage_v=minimum,
        min_voltage_at_s=None if minimum.is_refused else minimum_at,
        worst_sag_v=sag,
        worst_sag_at_s=None if sag.is_refused else sag_at,
        load_drop_v=load_drop,
        load_drop_at_s=None if load_drop.is_refused else resistance.load_drop_at_s,
        resistance=replace(resistance, by_scale=by_scale, open_circuit_v=open_circuit),
        block_imbalance_v=doubts.hold(block_imbalance(run, rest), (VOLTAGE, "blocks")),
        weak_block=named,
        receiver_min_v=receiver,
        receiver_min_at_s=receiver_at,
        balance_residual_a=balance_residual(run),
        findings=tuple(finding for finding in (weak, uneven) if finding is not None),
    )
