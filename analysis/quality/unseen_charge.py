"""A battery at a voltage that only a charger gives, while its current says otherwise. docs/methods.md, Charging."""

from __future__ import annotations

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.charging import MIN_CHARGE_S, on_charger
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import run_rest_threshold_a
from amptally.analysis.signals.series import Flags, Floats, together

ABOVE_REST = {
    **dict.fromkeys(("agm", "gel", "flooded"), (1.11, 1.15)),
    "lfp": (1.08, 1.10),
}
"""Voltage over nominal that a full battery does not have while it is drawn from, and not for minutes without current:
13.3 and 13.8 V a lead block, 3.46 and 3.52 V an LFP cell. A full lead block rests at 13.2 V at most (a vehicle maker's
owner manual), an LFP cell near 3.4 V (common practice, no source). The distance from there is our own choice."""
RISE = 0.015
"""Share by which the voltage rises under a steady current out of it. Our own choice."""
STEADY_SHARE = 0.1
LOADED_SHARE = 0.5
"""A steady current of less than this share of the run's largest may follow a load, from which a battery recovers."""
MIN_RISE_S = 600.0
PARTS = 16


def unseen_charge(run: Run) -> Doubt | None:
    """The doubt that the battery was charged although its current is no current into it; None where nothing shows it.

    `reversed`: current flowed, as if drawn, so its sign is turned; else the charger is connected past the sensor.
    """
    current, voltage = run.smooth("battery_current_a"), run.smooth("battery_voltage_v")
    # Where the current shows a charger, its last stage with hardly any current is no riddle.
    if current is None or voltage is None or on_charger(run) is not None:
        return None
    time_s, amps, volts, gap_after = together(current, voltage)
    if len(time_s) < 2:
        return None
    threshold_a = run_rest_threshold_a(run)
    out = amps > threshold_a
    found = _above_rest(run, time_s, amps, volts, gap_after, threshold_a)
    found_s = found if found is not None else _rising(time_s, amps, volts, gap_after, out)
    if found_s is None:
        return None
    inside = (time_s >= found_s[0]) & (time_s <= found_s[1])
    drawn_a = float(np.median(amps[inside]))
    measured = run.battery_current_from == "measured"
    reason = Reason(
        "charger_unseen",
        "caution",
        reversed=measured and drawn_a > threshold_a,
        from_s=found_s[0],
        to_s=found_s[1],
        highest_v=float(volts[inside].max()),
        current_a=drawn_a,
    )
    return Doubt(reason, ("battery_current_a", "battery_voltage_v"))


def _above_rest(
    run: Run, time_s: Floats, amps: Floats, volts: Floats, gap_after: Flags, threshold_a: float
) -> tuple[float, float] | None:
    """First and last moment of at least `MIN_CHARGE_S` above what the battery can have by itself."""
    battery = run.machine.battery if run.machine else None
    limits = ABOVE_REST.get(battery.chemistry or "") if battery else None
    if battery is None or battery.nominal_voltage_v is None or limits is None:
        return None
    drawn, still = (share * battery.nominal_voltage_v for share in limits)
    above = ((amps > threshold_a) & (volts > drawn)) | ((amps > -threshold_a) & (volts > still))
    lasted_s = np.where(above[:-1] & above[1:] & ~gap_after, np.diff(time_s), 0.0)
    if float(lasted_s.sum()) < MIN_CHARGE_S:
        return None
    at = np.flatnonzero(above)
    return float(time_s[at[0]]), float(time_s[at[-1]])


def _rising(time_s: Floats, amps: Floats, volts: Floats, gap_after: Flags, out: Flags) -> tuple[float, float] | None:
    """The longest stretch with a current out of the battery, where the voltage rises while that current is steady."""
    going = np.concatenate(([False], out[:-1] & out[1:] & ~gap_after, [False]))
    edges = np.flatnonzero(going[1:] != going[:-1])
    if not len(edges):
        return None
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(time_s[stops] - time_s[starts]))
    begin, end = int(starts[longest]), int(stops[longest]) + 1
    if time_s[end - 1] - time_s[begin] < MIN_RISE_S or end - begin < 4 * PARTS:
        return None
    means_a, means_v = (
        np.array([float(part.mean()) for part in np.array_split(each[begin:end], PARTS)]) for each in (amps, volts)
    )
    if means_a[0] < LOADED_SHARE * float(amps.max()):
        return None
    steady = np.flatnonzero(np.abs(means_a - means_a[0]) > STEADY_SHARE * means_a[0])
    last = int(steady[0]) - 1 if len(steady) else PARTS - 1
    rises = last >= 2 and means_v[last] > (1 + RISE) * means_v[0]
    return (float(time_s[begin]), float(time_s[end - 1])) if rises else None
