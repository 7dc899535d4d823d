"""How a battery's voltage comes back in the rest after the last load. docs/methods.md, Recovery."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.battery.rest import voltage_terms
from amptally.analysis.results.estimate import Estimate, estimate, refuse
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part
from amptally.analysis.signals.series import Floats

SKIPPED_S = 1.0
"""After the last load: until then the ohmic part comes back."""
LEAST_REST_S = 10.0
WINDOWS = ((0.1, 0.3), (0.4, 0.6), (0.7, 0.9))
"""Parts of the rest whose means are compared; equally far apart."""


@dataclass(frozen=True, slots=True)
class Recovery:
    """The rest after the last load."""

    recovered_v: Estimate
    """Rise from 1 s after the load to the last tenth of the rest [V]."""
    settled_v: Estimate
    """What the voltage is heading for [V], a lower bound: slower recovery than the rest shows goes on."""
    rested_s: float
    """Length of the rest [s]; 0 without one."""


def none_seen(reason: str) -> Recovery:
    """No recovery to tell of."""
    return Recovery(refuse("V", reason), refuse("V", reason), 0.0)


def settling_v(time_s: Floats, volts: Floats) -> tuple[float, float]:
    """(voltage it is heading for, how far above the last tenth's mean) of a rest; times rising, shapes (n,).

    From three equally spaced means, V + d₂²/(d₁ − d₂), d the two rises between them (Aitken's delta-squared, from
    memory): exact for one exponential, too low for several. Where the rises do not shrink beyond their scatter nothing
    is added.
    """
    last = float(volts[time_s >= time_s[0] + 0.9 * (time_s[-1] - time_s[0])].mean())
    means, doubts = [], []
    for begin, end in WINDOWS:
        inside = volts[slice(*np.searchsorted(time_s, time_s[0] + (time_s[-1] - time_s[0]) * np.array([begin, end])))]
        if len(inside) < 2:
            return last, 0.0
        means.append(float(inside.mean()))
        # Neighbouring differences: the rise itself is no scatter.
        doubts.append(float(np.std(np.diff(inside))) / math.sqrt(2 * len(inside)))
    early, late = means[1] - means[0], means[2] - means[1]
    doubt = math.hypot(*doubts)
    if late <= 3 * doubt or early - late <= 3 * doubt:
        return last, 0.0
    settled = means[2] + late**2 / (early - late)
    return max(settled, last), max(settled - last, 0.0)


def assess_recovery(run: Run) -> Recovery:
    """Of the rest that ends the run."""
    current, voltage = run.smooth("battery_current_a"), run.smooth("battery_voltage_v")
    if current is None or voltage is None or len(current.time_s) < 2:
        return none_seen("battery current and voltage are both needed to see a recovery")
    part = driven_part(run, current)
    if part.stop is None:
        return none_seen("the run holds no load to recover from")
    begin_s, end_s = float(current.time_s[min(part.stop, len(current.time_s)) - 1]), float(current.time_s[-1])
    if end_s - begin_s < LEAST_REST_S + SKIPPED_S:
        return none_seen(f"less than {LEAST_REST_S:g} s of rest after the last load")
    inside = (voltage.time_s >= begin_s + SKIPPED_S) & (voltage.time_s <= end_s)
    time_s, volts = voltage.time_s[inside], voltage.value[inside]
    if len(volts) < 10:
        return none_seen("too few voltage samples in the rest after the last load")
    tenth = max(len(volts) // 10, 1)
    settled, ahead = settling_v(time_s, volts)
    last = float(volts[-tenth:].mean())
    sensor = run.sensor("battery_voltage_v")
    # An offset cancels in a rise; the first reading stands alone.
    first = float(np.interp(time_s[0], time_s, volts))
    rise = voltage_terms(sensor, last - first, 1) | {"voltage offset": 0.0}
    note = f"rest of {end_s - begin_s:.0f} s after the last load"
    recovered = estimate(last - first, "V", rise, note=note)
    level = estimate(
        settled, "V", voltage_terms(sensor, settled, tenth), doubt_low=ahead, doubt="extrapolation", note=note
    )
    return Recovery(recovered, level.bounded("at_least", "slower recovery goes on"), end_s - begin_s)
