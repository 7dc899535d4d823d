"""How a battery's voltage recovers in the rest after the last load. docs/methods.md, Recovery."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.battery.rest import voltage_terms
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import Estimate, estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part
from amptally.analysis.signals.series import Floats

SKIPPED_S = 1.0
"""After the last load: until then the ohmic part of the drop recovers."""
MIN_REST_S = 10.0
WINDOWS = ((0.1, 0.3), (0.4, 0.6), (0.7, 0.9))
"""Parts of the rest whose means are compared; equally spaced."""


@dataclass(frozen=True, slots=True)
class Recovery:
    """The rest after the last load."""

    recovered_v: Estimate
    """Rise from 1 s after the load to the last tenth of the rest [V]."""
    settled_v: Estimate
    """What the voltage is heading for [V], a lower bound: recovery slower than the rest can show goes on."""
    rested_s: float
    """Length of the rest [s]; 0 without one."""


def no_recovery(*reasons: Reason) -> Recovery:
    """Without a rest after a load."""
    return Recovery(refuse("V", *reasons), refuse("V", *reasons), 0.0)


def settling_v(time_s: Floats, volts: Floats) -> tuple[float, float]:
    """(voltage a rest is heading for, how far that lies above the mean of its last tenth), both [V].

    `time_s` [s], rising, and `volts` [V], shape (n,). From the means of three equally spaced windows, with rises d₁ and
    d₂ between them: V + d₂²/(d₁ − d₂) (Aitken's delta-squared, from memory). Exact for one exponential, too low for a
    sum of several. Nothing is added where the rises do not shrink by more than their scatter.
    """
    last = float(volts[time_s >= time_s[0] + 0.9 * (time_s[-1] - time_s[0])].mean())
    means, scatter = [], []
    for begin, end in WINDOWS:
        inside = volts[slice(*np.searchsorted(time_s, time_s[0] + (time_s[-1] - time_s[0]) * np.array([begin, end])))]
        if len(inside) < 2:
            return last, 0.0
        means.append(float(inside.mean()))
        # Differences of neighbours: the rise itself is no scatter.
        scatter.append(float(np.std(np.diff(inside))) / math.sqrt(2 * len(inside)))
    early, late = means[1] - means[0], means[2] - means[1]
    u_v = math.hypot(*scatter)
    if late <= 3 * u_v or early - late <= 3 * u_v:
        return last, 0.0
    settled = means[2] + late**2 / (early - late)
    return max(settled, last), max(settled - last, 0.0)


def assess_recovery(run: Run, doubts: Doubts) -> Recovery:
    """Recovery in the rest that ends the run; refused without 10 s of it after a load."""
    recovery = _recovery(run)
    recovered, settled = (
        doubts.hold(value, ("battery_voltage_v", "recovery")) for value in (recovery.recovered_v, recovery.settled_v)
    )
    return Recovery(recovered, settled, recovery.rested_s)


def _recovery(run: Run) -> Recovery:
    current, voltage = run.smooth("battery_current_a"), run.smooth("battery_voltage_v")
    if current is None or voltage is None or len(current.time_s) < 2:
        return no_recovery(Reason("recovery_needs_both"))
    part = driven_part(run, current)
    if part.stop is None:
        return no_recovery(Reason("no_load_to_recover_from"))
    begin_s, end_s = float(current.time_s[min(part.stop, len(current.time_s)) - 1]), float(current.time_s[-1])
    if end_s - begin_s < MIN_REST_S + SKIPPED_S:
        return no_recovery(Reason("no_rest_after_load", needed_s=MIN_REST_S))
    inside = (voltage.time_s >= begin_s + SKIPPED_S) & (voltage.time_s <= end_s)
    time_s, volts = voltage.time_s[inside], voltage.value[inside]
    if len(volts) < 10:
        return no_recovery(Reason("few_voltages_after_load"))
    tenth = max(len(volts) // 10, 1)
    settled, extrapolated = settling_v(time_s, volts)
    last = float(volts[-tenth:].mean())
    sensor = run.sensor("battery_voltage_v")
    # An offset cancels in a rise; the first reading is a single one.
    first = float(np.interp(time_s[0], time_s, volts))
    rise = voltage_terms(sensor, last - first, 1) | {"voltage offset": 0.0}
    note = Reason("rest_after_load", length_s=end_s - begin_s)
    recovered = estimate(last - first, "V", rise, note=note)
    level = estimate(
        settled, "V", voltage_terms(sensor, settled, tenth), doubt_low=extrapolated, doubt="extrapolation", note=note
    )
    return Recovery(recovered, level.bounded("at_least", Reason("slower_recovery")), end_s - begin_s)
