"""Whether a current sensor sees the pulses of the controller's bridge or only their mean. docs/methods.md, Ripple.

Between the controller's capacitors and its bridge the supply current is a pulse train: at duty d with pulses of I its
mean is d·I and its RMS √d·I, greater by 1/√d. Before the capacitors it is smoothed, and in a motor lead the winding
keeps it going. Which of them a sensor sees is the machine file's to say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from amptally.analysis.results.finding import Finding
from amptally.analysis.results.leads import PLACE_OF
from amptally.analysis.results.sensor_terms import lag_s
from amptally.analysis.runs.run import Run

CORNERS = 10.0
"""A filter this many times as fast as the bridge shows RMS at half duty to 1.6 % (`pulses_seen`). Our own choice."""
SAMPLES = 20.0
"""Samples in one period of the bridge that show its pulses. Our own choice."""
SLOWEST_HZ = 1000.0
"""No bridge of a drive this size switches more slowly (from memory); taken where the file does not say."""


@dataclass(frozen=True, slots=True)
class Unseen:
    """Pulses that a current's samples do not show."""

    why: str
    """For the basis of what becomes one-sided."""
    finding: Finding


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


def unseen(run: Run, lead: str, interval_s: float, interval_rms: bool) -> Unseen | None:
    """What the samples of `battery`, `left` or `right` cannot show of the bridge's pulses; None where nothing says so.

    Only a lead that the machine file puts between capacitors and bridge (`fuse.*.capacitors` on the battery's side, or
    said to be unknown) is doubted. `interval_rms`: its RMS comes from the board's own, faster conversions.
    """
    machine = run.machine
    fuse = machine.fuses.get(PLACE_OF[lead]) if machine else None
    if machine is None or fuse is None or fuse.capacitors not in ("battery_side", "unknown"):
        return None
    controller = machine.controller
    if lead != "battery" and run.sides_leg == "motor_lead":
        return None
    said_hz = controller.switching_hz if controller else None
    bridge_hz = said_hz or SLOWEST_HZ
    corner_hz = run.sensor(f"{lead}_current_{'rms_' if interval_rms else ''}a").bandwidth_hz
    slow_filter = corner_hz is not None and corner_hz < CORNERS * bridge_hz
    slow_samples = not interval_rms and interval_s > 1 / (SAMPLES * bridge_hz)
    if not slow_filter and not slow_samples:
        return None
    known = f"{said_hz / 1000:g} kHz" if said_hz else "not given, 1 kHz or more"
    seen = f"samples every {1e3 * interval_s:.3g} ms" if slow_samples else "the board's interval RMS"
    behind = f", behind a filter of {corner_hz:g} Hz" if corner_hz is not None else ""
    where = "may sit" if fuse.capacitors == "unknown" else "sits"
    return Unseen(
        f"the bridge's pulses are not seen: RMS up to 1/√duty greater (bridge {known})",
        Finding(
            "caution",
            "ripple_unseen",
            f"The {lead} current sensor {where} between the controller's capacitors and its bridge, and does not show "
            "the pulses there: RMS is at least, margins are at most what is given.",
            f"{seen}{behind}; bridge {known}; RMS is 1/√duty times the mean: 1.4 times at half duty, 3.2 at a tenth",
            f"Send the RMS of each interval from {SAMPLES * bridge_hz / 1000:.3g} thousand conversions a second or "
            f"more behind a filter of {CORNERS * bridge_hz / 1000:.3g} kHz or more, or move the sensor to the "
            f"battery's side of the capacitors, and write fuse.{PLACE_OF[lead]}.capacitors and "
            "controller.switching_hz.",
        ),
    )
