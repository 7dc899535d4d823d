"""Whether a current sensor sees the pulses of the controller's bridge or only their mean. docs/methods.md, Ripple.

Between the controller's capacitors and its bridge the supply current is a pulse train: at duty d with pulses of I its
mean is d·I and its RMS √d·I, greater by 1/√d. Before the capacitors it is smoothed, and in a motor lead the winding
keeps it going. Which of them a sensor sees is declared in the machine file.
"""

from __future__ import annotations

import math

from amptally.analysis.results.leads import PLACE_OF
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_terms import lag_s
from amptally.analysis.runs.run import Run

CORNERS = 10.0
"""A filter this many times as fast as the bridge shows RMS at half duty to 1.6 % (`pulses_seen`). Our own choice."""
SAMPLES = 20.0
"""Samples in one period of the bridge that show its pulses. Our own choice."""
SLOWEST_HZ = 1000.0
"""No bridge of a drive this size switches more slowly (from memory); assumed where the file does not declare it."""


def pulses_seen(duty: float, switching_hz: float, corner_hz: float) -> float:
    """Share of a pulse train's RMS left behind a first-order filter, in the steady state.

    With a and b the lengths of pulse and pause over τ, the answer rises to y₁ = (1 − e^(−a))/(1 − e^(−a−b)) and falls
    to y₀ = y₁ e^(−b). Squares over one period: a − 2 (1 − y₀)(1 − e^(−a)) + (1 − y₀)² (1 − e^(−2a))/2 in the pulse,
    y₁² (1 − e^(−2b))/2 in the pause; the pulse train itself holds a.
    """
    period = 1 / (switching_hz * lag_s(corner_hz))
    a, b = duty * period, (1 - duty) * period
    peak = math.expm1(-a) / math.expm1(-period)
    below = 1 - peak * math.exp(-b)
    held = a + 2 * below * math.expm1(-a) - below**2 * math.expm1(-2 * a) / 2 - peak**2 * math.expm1(-2 * b) / 2
    return math.sqrt(max(held, 0.0) / a)


def ripple_unseen(run: Run, lead: str, interval_s: float, interval_rms: bool) -> Reason | None:
    """What the samples of `battery`, `left` or `right` cannot show of the bridge's pulses; None where none is missing.

    Only a lead that the machine file puts between capacitors and bridge (`fuse.*.capacitors` on the battery's side, or
    declared as unknown) is doubted. `interval_rms`: its RMS comes from the board's own, faster conversions.
    """
    machine = run.machine
    fuse = machine.fuses.get(PLACE_OF[lead]) if machine else None
    if machine is None or fuse is None or fuse.capacitors not in ("battery_side", "unknown"):
        return None
    if lead != "battery" and run.sides_leg == "motor_lead":
        return None
    declared_hz = machine.controller.switching_hz if machine.controller else None
    bridge_hz = declared_hz or SLOWEST_HZ
    corner_hz = run.sensor(f"{lead}_current_{'rms_' if interval_rms else ''}a").bandwidth_hz
    slow_filter = corner_hz is not None and corner_hz < CORNERS * bridge_hz
    slow_samples = not interval_rms and interval_s > 1 / (SAMPLES * bridge_hz)
    if not slow_filter and not slow_samples:
        return None
    return Reason(
        "ripple_unseen",
        "caution",
        lead=lead,
        place=PLACE_OF[lead],
        capacitors=fuse.capacitors,
        switching_hz=declared_hz,
        slow_interval_s=interval_s if slow_samples else None,
        corner_hz=corner_hz,
        needed_rate_hz=SAMPLES * bridge_hz,
        needed_corner_hz=CORNERS * bridge_hz,
    )
