"""Charge and energy of a channel's supply leg, estimated from its motor-lead current. docs/methods.md, Duty."""

from __future__ import annotations

import numpy as np

from amptally.analysis.controller.duty import Duty, estimate_duty
from amptally.analysis.controller.pulses import course_of
from amptally.analysis.results.estimate import Estimate, estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Floats, Run, SensorError, Series
from amptally.analysis.signals.curve_integrals import integrate

HOUR = 3600.0
OTHER_SIDE = 0.5
"""Share of the doubt on one side that counts on the other too: controllers do not follow as simply as the models tried.
Our own choice; without it 86 % of intervals held the truth of drawn machines (docs/methods.md, Duty)."""
DUTY_U = 0.03
"""1 σ, relative, of duty against command at full command: centre, travel of the stick. Our own choice."""


def charge_through_duty(run: Run, side: str, voltage: str | None) -> tuple[Estimate, Estimate]:
    """Net charge [Ah] and energy [Wh] of a channel's supply leg from its motor-lead current, as estimates.

    Supply current = signed duty × motor current; energy with the channel `voltage`. Which sign of the sensor means
    forward is taken from the run: on the whole a machine drives in the commanded direction. Doubt about the duty: the
    spread over the ways in which a controller may follow its command, each over the whole run; where those are not
    known, the bounds of every moment at once.
    """
    current, sensor = course_of(run, f"{side}_current_a"), run.sensor(f"{side}_current_a")
    assert current is not None
    duty = estimate_duty(run, side, current.time_s, current.value)
    if isinstance(duty, Reason) or not duty.signed or current.gap_after.all():
        if isinstance(duty, Reason):
            why = duty
        else:
            why = Reason("no_time_covered") if duty.signed else Reason("duty_without_direction", duty=duty.how)
        in_motor_lead = Reason("in_motor_lead", lead=side, why=why)
        return refuse("Ah", in_motor_lead), refuse("Wh", in_motor_lead)
    amps = current.value if float((duty.likely * current.value).sum()) >= 0 else -current.value
    volts = None if voltage is None else course_of(run, voltage)
    note = Reason("estimated_from_duty", duty=duty.how)
    charge = _between(current, amps, duty, np.ones(len(amps)), sensor, "Ah", note)
    if volts is None or len(volts.time_s) < 2:
        return charge, refuse("Wh", Reason("not_measured", channel="battery_voltage_v"))
    return charge, _between(
        current, amps, duty, np.interp(current.time_s, volts.time_s, volts.value), sensor, "Wh", note
    )


def _between(
    current: Series, amps: Floats, duty: Duty, weight: Floats, sensor: SensorError, unit: str, note: Reason
) -> Estimate:
    """∫ duty · current · weight dt / 3600, with the duty's own bounds as doubt."""

    def total(product: Floats) -> float:
        return integrate(current.time_s, product * weight, current.gap_after).net / HOUR

    value = total(duty.likely * amps)
    if duty.variants:
        sums = [total(each * amps) for each in duty.variants]
    else:
        sums = [total(side(duty.minimum * amps, duty.maximum * amps)) for side in (np.minimum, np.maximum)]
    low, high = min(sums), max(sums)
    seconds_h = current.sampled_s / HOUR
    offset = None if sensor.offset_u is None else sensor.offset_u * seconds_h * float(weight.mean())
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * value,
        "current offset": offset,
        "duty": DUTY_U * value,
    }
    below, above = max(value - low, 0.0), max(high - value, 0.0)
    doubts = {"doubt_low": max(below, OTHER_SIDE * above), "doubt_high": max(above, OTHER_SIDE * below)}
    return estimate(value, unit, terms, **doubts, doubt="how the duty follows the command", note=note)
