"""What a lead carried whose own current was not measured, from the current on the other side of the controller.

docs/methods.md, Duty. Everything here is an estimate or a bound, and is called so wherever it is shown.
"""

from __future__ import annotations

from dataclasses import dataclass

from amptally.analysis.controller.duty import RIPPLE_SHARE, Duty, estimate_duty, fuse_rms_a
from amptally.analysis.exposure.current import Current
from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Floats, Run, Series
from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import Motor
from amptally.tables.battery_rest_voltage import FULL_TO_NOMINAL

RIPPLE: dict[str, tuple[float, float, Reason]] = {
    "battery_side": (1.0, 1.0, Reason("fuse_behind_capacitors")),
    "unknown": (0.0, 1.0, Reason("capacitors_place_unknown")),
    "load_side": (0.0, RIPPLE_SHARE, Reason("fuse_before_capacitors", ripple_share=RIPPLE_SHARE)),
}
"""By the place of the controller's input capacitors, seen from the fuse: the share of the bridge's ripple that the
fuse's lead carries, likely and at most, and what that says."""


REVERSED = 2.0
"""A motor driven backwards at full speed: V + Kω, at most 2 V, over its resistance."""


@dataclass(frozen=True, slots=True)
class Translated:
    """The current of the fuse's lead, as far as the other lead's current tells it."""

    likely: Exposure
    lower: Exposure | None
    """None where nothing bounds it from below: margins are then `at_least`."""
    upper: Exposure | None
    """None where nothing bounds it from above: margins are then `at_most`."""
    how: tuple[Reason, ...]
    """What it rests on."""


def translate(run: Run, spec: FuseSpec, current: Current) -> Translated | None:
    """The current of a fuse's own lead, supply leg or motor lead, from that of the other lead.

    None where the sensor sees the fuse's current, where its place is not known, or where nothing was measured.
    """
    at, exposure = spec.sensor, current.prepared
    if exposure is None or at.code != "differs":
        return None
    if at.position == "motor_lead":
        return Translated(exposure, exposure, None, (Reason("motor_carries_at_least_supply"),))
    duty: Duty | Reason = Reason("run_too_long_for_duty")
    if not run.long:
        series = _series(run, spec.lead, exposure)
        duty = estimate_duty(run, spec.lead, series.time_s, series.value)
    if isinstance(duty, Reason):
        how = Reason("supply_carries_at_most_motor", why=duty)
        return Translated(exposure, None, exposure, (how,))
    likely_d, least_d, most_d = duty.sizes()
    ripple, may_ripple, where = RIPPLE[spec.capacitors or "load_side"]

    def carried(duty_of: Floats, share: float) -> Exposure:
        build = Exposure.from_interval_rms if exposure.interval_rms else Exposure.prepare
        return build(series.time_s, fuse_rms_a(series.value, duty_of, share), series.gap_after)

    return Translated(
        carried(likely_d, ripple),
        carried(least_d, ripple),
        carried(most_d, may_ripple),
        (duty.how, where),
    )


def most_possible_a(run: Run, spec: FuseSpec) -> float | None:
    """What a fuse's lead can carry at most, by the motor's stall current and controller.peak_a; None without either.

    Stall current by motor.stall_a at its voltage, else by Ohm's law of motor.resistance_ohm alone, which leads and
    battery only lower; it grows with the battery's voltage. Reversed at speed, the motor's own voltage adds to the
    battery's: twice as much may flow, in the supply leg too. The main lead feeds both motors.
    """
    machine = run.machine
    if machine is None:
        return None
    controller = machine.controller
    limits = [] if controller is None or controller.peak_a is None else [controller.peak_a]
    stall_a = highest_stall_a(run)
    if stall_a is not None:
        limits.append(REVERSED * stall_a)
    if not limits:
        return None
    return min(limits) if spec.place != "main" else len(SIDES) * min(limits)


def highest_stall_a(run: Run) -> float | None:
    """Stall current of one motor at full duty and the highest battery voltage [A]; None where it is not known."""
    machine = run.machine
    if machine is None or machine.motor is None:
        return None
    return _stall_a(machine.motor, _highest_v(run, machine))


def _highest_v(run: Run, machine: Machine) -> float | None:
    """The highest battery voltage [V]: as measured, else of a full battery; None where neither is known."""
    volts = run.extremes("battery_voltage_v")
    if volts is not None:
        return volts.maximum
    nominal_v = machine.battery.nominal_voltage_v if machine.battery else None
    return None if nominal_v is None else FULL_TO_NOMINAL * nominal_v


def _stall_a(motor: Motor, highest_v: float | None) -> float | None:
    """Stall current of one motor at the highest voltage, never less than its sheet says; None where not known."""
    if motor.stall_a is not None:
        rated_v = motor.rated_voltage_v
        return motor.stall_a * (1.0 if highest_v is None or not rated_v else max(1.0, highest_v / rated_v))
    return None if highest_v is None or not motor.resistance_ohm else highest_v / motor.resistance_ohm


def _series(run: Run, side: str, exposure: Exposure) -> Series:
    """The samples that the exposure was made from."""
    series = run.series(f"{side}_current_rms_a" if exposure.interval_rms else f"{side}_current_a")
    assert series is not None
    return series
