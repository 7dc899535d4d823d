"""Findings about the recording and the voltages, beside those that each computation makes itself. docs/json.md."""

from __future__ import annotations

from typing import Any

import numpy as np

from amptally.analysis.battery.sag import Sag
from amptally.analysis.forecast.capacity import LEAD_ACID
from amptally.analysis.forecast.charge_forecast import ChargeForecast, battery_air_c
from amptally.analysis.results.estimate import UNDECLARED
from amptally.analysis.results.finding import SEVERITIES, Finding, gravest
from amptally.analysis.runs.corrections import drift_beyond_ppm
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.results import phrases

RECEIVER_NEAR_SHARE = 0.1
"""A receiver supply within this share of its minimum is worth a caution. Our own choice."""
LEAST_COVERAGE = 0.99
COLD_C = 15.0
"""Below it a lead-acid battery gives at least 5 % less than at 25 °C (a battery maker's table)."""


def _alarms(run: Run) -> list[Finding]:
    """What was told while recording, one finding for each code; times are the recorder's."""
    told: dict[str, list[dict[str, Any]]] = {}
    for alarm in run.metadata.alarms:
        code, text, at_s = alarm.get("code"), alarm.get("text"), alarm.get("at_s")
        if isinstance(code, str) and isinstance(text, str) and isinstance(at_s, int | float):
            told.setdefault(code, []).append(alarm)
    found = []
    for code, alarms in told.items():
        severities = [alarm["severity"] for alarm in alarms if alarm.get("severity") in SEVERITIES]
        more = "" if len(alarms) == 1 else f", and {len(alarms) - 1} more"
        found.append(
            Finding(
                gravest(severities) if severities else "caution",
                "alarm",
                f"While recording, an alarm was raised: {code}.",
                f"{alarms[0]['text']} at {alarms[0]['at_s']:.1f} s{more}",
                "Look at that moment in the run; docs/methods.md, Alarms while recording, says what raises it.",
            )
        )
    return found


def observe(run: Run, sag: Sag, charge: ChargeForecast, mismatch: str | None) -> list[Finding]:
    """All of them, in no order."""
    return [
        *_description(run, mismatch),
        *_recording(run),
        *_receiver(run, sag),
        *_controller(run),
        *_cold(run),
        *([] if mismatch else [*_count(charge), *_capacity(charge)]),
        *_alarms(run),
    ]


def _description(run: Run, mismatch: str | None) -> list[Finding]:
    if run.machine is None:
        return [
            Finding(
                "note",
                "no_machine",
                "No machine description: fuses, wires and charge left cannot be judged.",
                "the run file holds none",
                "Write one with: amptally machine new cart.toml, then report with --machine cart.toml",
            )
        ]
    found = []
    if mismatch is not None:
        found.append(
            Finding(
                "danger",
                "arrangement_mismatch",
                "The machine description does not fit the measured voltage.",
                mismatch,
                "Report with the description of this machine: --machine FILE.",
            )
        )
    undeclared = [
        name
        for name in ("battery_current_a", "battery_voltage_v", "left_current_a", "right_current_a")
        if run.has(name) and run.sensor(name).gain_u is None
    ]
    if undeclared:
        found.append(
            Finding(
                "note",
                "sensor_undeclared",
                "Sensor errors are not declared: intervals hold only what the data themselves show.",
                f"{UNDECLARED} for {', '.join(undeclared)}",
                "Compare the sensor with a meter and write offset_u and gain_u under [sensors] in the machine file.",
            )
        )
    return found


def _recording(run: Run) -> list[Finding]:
    found = []
    gaps = run.gaps()
    lost = sum(gap.end_s - gap.start_s for gap in gaps if gap.end_s is not None)
    if gaps:
        grave = run.duration_s > 0 and lost > (1 - LEAST_COVERAGE) * run.duration_s
        kinds = ", ".join(sorted({gap.kind for gap in gaps}))
        found.append(
            Finding(
                "caution" if grave else "note",
                "gaps",
                "Samples are missing: peaks, charge and energy inside the gaps are not known.",
                f"{len(gaps)} gaps ({kinds}), {lost:.1f} s in all of {run.duration_s:.1f} s",
                "Check cable, connectors and radio link, and record again where the gap matters.",
            )
        )
    faults = {kind: count for kind, count in run.metadata.faults.items() if count}
    if faults:
        found.append(
            Finding(
                "note",
                "faults",
                "Damage was met while receiving or importing, counted and left out.",
                ", ".join(f"{kind} {count}" for kind, count in faults.items()),
                "A few are normal on a noisy link; many ask for a better cable, or a lower rate.",
            )
        )
    drift = drift_beyond_ppm(run.metadata.clock)
    if drift is not None:
        found.append(
            Finding(
                "note",
                "clock_not_real_time",
                "The board's clock does not follow the computer's: board time is used as it is.",
                f"it runs {1 + drift / 1e6:.4g} times as fast",
                "Expected for a simulated or replayed board; on a real one check its oscillator.",
            )
        )
    return found


def _receiver(run: Run, sag: Sag) -> list[Finding]:
    least = sag.receiver_min_v.value
    wanted = run.machine.receiver.minimum_v if run.machine and run.machine.receiver else None
    if least is None or wanted is None or least > (1 + RECEIVER_NEAR_SHARE) * wanted:
        return []
    under = least < wanted
    at = f" at {sag.receiver_min_at_s:.1f} s" if sag.receiver_min_at_s is not None else ""
    return [
        Finding(
            "danger" if under else "caution",
            "receiver_below_minimum" if under else "receiver_near_minimum",
            "The receiver supply fell below its minimum: control may have dropped out."
            if under
            else "The receiver supply came close to its minimum.",
            f"at most {least:.2f} V{at}, minimum {wanted:g} V",
            "Test with the wheels off the ground; feed the receiver from a supply that does not sag with the motors.",
        )
    ]


def _controller(run: Run) -> list[Finding]:
    """Its supply against the limits of its sheet, from its own voltage or else the battery's."""
    controller = run.machine.controller if run.machine else None
    supply = run.extremes("controller_voltage_v") or run.extremes("battery_voltage_v")
    if controller is None or supply is None:
        return []
    found = []
    if controller.minimum_v is not None and supply.minimum < controller.minimum_v:
        found.append(
            Finding(
                "caution",
                "controller_below_minimum",
                "The controller's supply fell below the least voltage of its sheet.",
                f"{supply.minimum:.2f} V, minimum {controller.minimum_v:g} V",
                "Charge the battery, or look for a weak block or a poor connection.",
            )
        )
    if controller.maximum_v is not None and supply.maximum > controller.maximum_v:
        at_s, most_v = supply.maximum_at_s, controller.maximum_v
        found.append(
            Finding(
                "danger",
                "controller_above_maximum",
                "The controller's supply rose above the greatest voltage of its sheet.",
                f"{supply.maximum:.2f} V or more at {at_s:.1f} s, {_returned(run, at_s)}maximum {most_v:g} V",
                "Braking into a full battery does this: brake more gently or start below full charge; else look for a "
                "loose battery lead, or a charger that was on.",
            )
        )
    return found


def _returned(run: Run, at_s: float) -> str:
    """What flowed back into the battery at that moment, in words."""
    current = run.smooth("battery_current_a")
    amps = None if current is None else float(np.interp(at_s, current.time_s, current.value))
    return f"{-amps:.1f} A flowing back, " if amps is not None and amps < 0 else ""


def _count(charge: ChargeForecast) -> list[Finding]:
    if charge.start.source != "none":
        return []
    return [
        Finding(
            "note",
            "start_charge_unknown",
            "Charge left and runtime are not given: how full the battery was at the start is not known.",
            charge.start.whole.refused or "",
            "Report again with --start-charge full (or a fraction), or with --rested HOURS after a long rest.",
        )
    ]


def _capacity(charge: ChargeForecast) -> list[Finding]:
    left = charge.remaining
    if left.charge_ah.value is None or left.capacity_measured:
        return []
    low, high = left.charge_ah.low, left.charge_ah.high
    open_ah = f", {low:.3g} to {high:.3g} Ah left" if low is not None and high is not None else ""
    return [
        Finding(
            "note",
            "capacity_unmeasured",
            "Charge left and runtime rest on the nameplate: the capacity is the doubt.",
            f"{phrases(left.evidence)}{open_ah}",
            "Discharge the battery once from full, and write measured_capacity_ah and measured_hours into the machine "
            "file: that takes most of the doubt away.",
        )
    ]


def _cold(run: Run) -> list[Finding]:
    air_c = battery_air_c(run)
    chemistry = run.machine.battery.chemistry if run.machine and run.machine.battery else None
    if air_c is None or air_c >= COLD_C or chemistry not in LEAD_ACID:
        return []
    return [
        Finding(
            "note",
            "battery_cold",
            "The battery was cold: its resistance and sag are higher, and it gives less, than in a warm room.",
            f"{air_c:.0f} °C around it; the forecast counts with that temperature",
            "Compare resistances only between runs at about the same temperature.",
        )
    ]
