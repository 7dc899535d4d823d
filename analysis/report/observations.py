"""Findings about the run as a whole, beside those that each computation makes itself. docs/json.md."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from amptally.analysis.battery.sag import Sag
from amptally.analysis.forecast.capacity import LEAD_ACID
from amptally.analysis.forecast.charge_forecast import ChargeForecast, battery_air_c
from amptally.analysis.results.reason import SEVERITIES, Reason, gravest
from amptally.analysis.runs.corrections import drift_beyond_ppm
from amptally.analysis.runs.run import Run
from amptally.logger.machine.description import ArrangementMismatch

RECEIVER_NEAR_SHARE = 0.1
"""A receiver supply within this share of its minimum is worth a caution. Our own choice."""
MIN_COVERAGE = 0.99
"""With a smaller part of the run sampled, its gaps are worth a caution. Our own choice."""
COLD_C = 15.0
"""Below it a lead-acid battery gives at least 5 % less than at 25 °C (a battery maker's table)."""


def observe(run: Run, sag: Sag, charge: ChargeForecast, mismatch: ArrangementMismatch | None) -> list[Reason]:
    """All of them, in no order. `mismatch`: why the machine description does not fit the measured voltage."""
    return [
        *_description(run, mismatch),
        *_recording(run),
        *_receiver(run, sag),
        *_controller(run),
        *_cold(run),
        *([] if mismatch else [*_count(charge), *_capacity(charge)]),
        *_alarms(run),
    ]


def _alarms(run: Run) -> list[Reason]:
    """The alarms raised while recording, one finding for each code; times are the recorder's."""
    by_code: dict[str, list[dict[str, Any]]] = {}
    for alarm in run.metadata.alarms:
        code, text, at_s = alarm.get("code"), alarm.get("text"), alarm.get("at_s")
        if isinstance(code, str) and isinstance(text, str) and isinstance(at_s, int | float):
            by_code.setdefault(code, []).append(alarm)
    found = []
    for code, alarms in by_code.items():
        severities = [alarm["severity"] for alarm in alarms if alarm.get("severity") in SEVERITIES]
        severity = gravest(severities) if severities else "caution"
        first = alarms[0]
        found.append(
            Reason("alarm", severity, alarm=code, text=first["text"], first_at_s=first["at_s"], alarms=len(alarms))
        )
    return found


def _description(run: Run, mismatch: ArrangementMismatch | None) -> list[Reason]:
    if run.machine is None:
        return [Reason("no_machine")]
    found = []
    if mismatch is not None:
        found.append(Reason("arrangement_mismatch", "danger", **asdict(mismatch)))
    channels = ("battery_current_a", "battery_voltage_v", "left_current_a", "right_current_a")
    undeclared = tuple(name for name in channels if run.has(name) and run.sensor(name).gain_u is None)
    if undeclared:
        found.append(Reason("sensor_undeclared", channels=undeclared))
    return found


def _recording(run: Run) -> list[Reason]:
    found = [] if run.file.proof is not None else [Reason("no_checksums")]
    gaps = run.gaps()
    lost_s = sum(gap.end_s - gap.start_s for gap in gaps if gap.end_s is not None)
    if gaps:
        grave = run.duration_s > 0 and lost_s > (1 - MIN_COVERAGE) * run.duration_s
        kinds = tuple(sorted({gap.kind for gap in gaps}))
        found.append(
            Reason(
                "gaps",
                "caution" if grave else "note",
                gaps=len(gaps),
                kinds=kinds,
                lost_s=lost_s,
                duration_s=run.duration_s,
            )
        )
    faults = tuple((kind, count) for kind, count in run.metadata.faults.items() if count)
    if faults:
        found.append(Reason("faults", counts=faults))
    drift_ppm = drift_beyond_ppm(run.metadata.clock)
    if drift_ppm is not None:
        found.append(Reason("clock_not_real_time", rate=1 + drift_ppm / 1e6))
    jitter_us = run.metadata.clock.get("arrival_jitter_us")
    if jitter_us is not None:
        jitter_s = jitter_us * 1e-6
        grave = run.interval_s is not None and jitter_s > run.interval_s
        found.append(
            Reason("arrival_times", "caution" if grave else "note", jitter_s=jitter_s, unsure_below_s=10 * jitter_s)
        )
    return found


def _receiver(run: Run, sag: Sag) -> list[Reason]:
    lowest_v = sag.receiver_min_v.value
    minimum_v = run.machine.receiver.minimum_v if run.machine and run.machine.receiver else None
    if lowest_v is None or minimum_v is None or lowest_v > (1 + RECEIVER_NEAR_SHARE) * minimum_v:
        return []
    if lowest_v < minimum_v:
        found = Reason(
            "receiver_below_minimum", "danger", lowest_v=lowest_v, at_s=sag.receiver_min_at_s, minimum_v=minimum_v
        )
    else:
        found = Reason(
            "receiver_near_minimum", "caution", lowest_v=lowest_v, at_s=sag.receiver_min_at_s, minimum_v=minimum_v
        )
    return [found]


def _controller(run: Run) -> list[Reason]:
    """Its supply against the limits of its sheet, from its own voltage or else the battery's."""
    controller = run.machine.controller if run.machine else None
    supply = run.extremes("controller_voltage_v") or run.extremes("battery_voltage_v")
    if controller is None or supply is None:
        return []
    found = []
    minimum_v, maximum_v = controller.minimum_v, controller.maximum_v
    if minimum_v is not None and supply.minimum < minimum_v:
        found.append(Reason("controller_below_minimum", "caution", lowest_v=supply.minimum, minimum_v=minimum_v))
    if maximum_v is not None and supply.maximum > maximum_v:
        at_s = supply.maximum_at_s
        found.append(
            Reason(
                "controller_above_maximum",
                "danger",
                highest_v=supply.maximum,
                at_s=at_s,
                recovered_a=_recovered_a(run, at_s),
                maximum_v=maximum_v,
            )
        )
    return found


def _recovered_a(run: Run, at_s: float) -> float | None:
    """The current into the battery at that moment [A]; None where none flowed or it was not measured."""
    current = run.smooth("battery_current_a")
    amps = None if current is None else float(np.interp(at_s, current.time_s, current.value))
    return -amps if amps is not None and amps < 0 else None


def _count(charge: ChargeForecast) -> list[Reason]:
    if charge.start.source != "none":
        return []
    return [Reason("start_charge_unknown", why=charge.start.whole.reasons)]


def _capacity(charge: ChargeForecast) -> list[Reason]:
    left = charge.remaining
    if left.charge_ah.value is None or left.capacity_measured:
        return []
    evidence = left.evidence
    low_ah, high_ah = left.charge_ah.low, left.charge_ah.high
    if low_ah is not None and high_ah is not None:
        evidence = (*evidence, Reason("charge_between", low_ah=low_ah, high_ah=high_ah))
    return [Reason("capacity_unmeasured", evidence=evidence)]


def _cold(run: Run) -> list[Reason]:
    air_c = battery_air_c(run)
    chemistry = run.machine.battery.chemistry if run.machine and run.machine.battery else None
    if air_c is None or air_c >= COLD_C or chemistry not in LEAD_ACID:
        return []
    return [Reason("battery_cold", air_c=air_c)]
