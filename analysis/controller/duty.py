"""Duty of a motor controller's bridge, estimated from commands or from wheel speed. docs/methods.md, Duty.

A bridge joins the motor to its supply for the share `d` of each switching period. The motor's current goes on
meanwhile, so the supply carries it for the share d: a mean of d·I, and at the bridge an RMS of √d·I.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.controller.command import Commands, read_commands
from amptally.analysis.controller.pulses import changes_of, course_of, held
from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Floats, Run

RAMP_S = 0.5
"""Maximum delay of a command where controller.ramp_s is not given. Our own choice."""
RIPPLE_SHARE = 0.3
"""Part of the bridge's ripple that capacitors in the controller may leave to the battery's side. Our own choice."""
LIMITING_SHARE = 0.9
"""From this share of controller.peak_a on the controller may hold the duty below the command. Our own choice."""
SHEET_U = 0.1
"""1 σ, relative, of speed constant and resistance from a motor's sheet: common practice, no source."""
SPEED_HALF_WINDOW_S = 0.25
DISAGREE = 0.15
"""Median difference of both estimates above which neither is trusted alone. Our own choice."""


@dataclass(frozen=True, slots=True)
class Duty:
    """Signed duty at the times of a current, shape (n,) each; its size lies between those of `least` and `greatest`."""

    likely: Floats
    minimum: Floats
    maximum: Floats
    how: Reason
    """What it rests on."""
    signed: bool
    """Its sign is known; else it is taken as positive."""
    variants: tuple[Floats, ...] = ()
    """Duties over the whole run, each from one way in which a controller may follow its command; empty if unknown."""

    def sizes(self) -> tuple[Floats, Floats, Floats]:
        """|d|: likely, minimum, maximum; the minimum is 0 where the sign may have changed."""
        high = np.maximum(np.abs(self.minimum), np.abs(self.maximum))
        low = np.where(self.minimum * self.maximum <= 0, 0.0, np.minimum(np.abs(self.minimum), np.abs(self.maximum)))
        return np.abs(self.likely), low, high


def fuse_rms_a(motor_a: Floats, duty: Floats, ripple: float) -> Floats:
    """RMS in a supply leg of a bridge that carries `motor_a` at `duty`, both shape (n,).

    The pulse train has the mean d·I and a ripple of I·√(d − d²) about it; `ripple` is the share of the ripple that
    passes this place: 0 behind large capacitors, 1 between capacitors and bridge, where √((dI)² + I²(d − d²)) = √d·I.
    """
    return np.asarray(np.abs(motor_a) * np.sqrt(duty**2 + ripple**2 * (duty - duty**2)))


def estimate_duty(run: Run, side: str, time_s: Floats, motor_a: Floats) -> Duty | Reason:
    """Duty of one side at the times of its motor-lead current [A]; or why there is no estimate."""
    by_command = _from_command(run, side, time_s, motor_a)
    by_speed = _from_speed(run, side, time_s, motor_a)
    if isinstance(by_command, Reason):
        return by_command if isinstance(by_speed, Reason) else by_speed
    if isinstance(by_speed, Reason):
        return by_command
    driven = np.abs(by_command.likely) > 0.1
    if not driven.any():
        return by_command
    apart = float(np.median(np.abs(np.abs(by_command.likely) - by_speed.likely)[driven]))
    how = Reason("duty_compared", command=by_command.how, median_apart=apart, both_possible=apart > DISAGREE)
    if apart <= DISAGREE:
        return replace(by_command, how=how)
    likely, minimum, most = by_command.sizes()
    sign = np.where(by_command.likely < 0, -1.0, 1.0)
    low, high = sign * np.minimum(minimum, by_speed.minimum), sign * np.maximum(most, by_speed.maximum)
    return Duty(sign * likely, np.minimum(low, high), np.maximum(low, high), how, True)


def _from_command(run: Run, side: str, time_s: Floats, motor_a: Floats) -> Duty | Reason:
    """duty = command, as far as the command has had time to arrive."""
    controller = run.machine.controller if run.machine else None
    sets = controller.command_sets if controller else None
    if sets in ("current", "unknown"):
        return Reason("command_sets_no_duty", command_sets=sets)
    commands = read_commands(run)
    if isinstance(commands, Reason):
        return commands
    assert controller is not None
    back_s = RAMP_S if controller.ramp_s is None else controller.ramp_s
    likely = commands.at(side, time_s)
    minimum, maximum = commands.envelope(side, time_s, back_s)
    minimum, maximum = np.clip(minimum - commands.doubt, -1, 1), np.clip(maximum + commands.doubt, -1, 1)
    if controller.peak_a is not None:
        limiting = np.abs(motor_a) >= LIMITING_SHARE * controller.peak_a
        minimum, maximum = (
            np.where(limiting & (minimum > 0), 0, minimum),
            np.where(limiting & (maximum < 0), 0, maximum),
        )
    assumed = _assumed(commands, controller.ramp_s, sets)
    how = Reason("duty_from_command", half_width=commands.doubt, delay_s=back_s, assumed_fields=assumed)
    return Duty(likely, minimum, maximum, how, True, _variants(commands, side, time_s, back_s))


def _variants(commands: Commands, side: str, time_s: Floats, back_s: float) -> tuple[Floats, ...]:
    """Late by up to half the ramp, as a controller of limited slope is on the whole; dead band cut out or closed up."""
    found = []
    for late_s in (0.0, back_s / 4, back_s / 2):
        asked = commands.at(side, time_s - late_s if late_s else time_s)
        size = np.abs(asked)
        closed = np.sign(asked) * np.maximum(size - commands.dead, 0) / (1 - commands.dead)
        found += [asked, closed] if commands.assumed_dead else [asked]
    return tuple(found)


def _assumed(commands: Commands, ramp_s: float | None, sets: str | None) -> tuple[str, ...]:
    """Fields of the machine file that are not given and have been assumed."""
    fields = {"dead_band_us": commands.assumed_dead, "ramp_s": ramp_s is None, "command_sets": sets is None}
    return tuple(f"controller.{name}" for name, absent in fields.items() if absent)


def _from_speed(run: Run, side: str, time_s: Floats, motor_a: Floats) -> Duty | Reason:
    """d = (K ω + |I| R)/V while driving, (K ω − |I| R)/V while braking: V = I R + K ω of a motor, d V at its leads.

    Which of the two is not known, as pickups have no direction: both count. `likely` is driving.
    """
    machine, counts = run.machine, changes_of(run, f"{side}_wheel_count")
    motor = machine.motor if machine else None
    if machine is None or motor is None or counts is None:
        return Reason("no_duty_source")
    named = (motor.rpm, motor.rated_voltage_v, motor.resistance_ohm, machine.gear_ratio, machine.wheel_counts_per_rev)
    rpm, rated_v, ohm, gear, per_rev = (value or 0.0 for value in named)
    if not all((rpm, rated_v, ohm, gear, per_rev)):
        return Reason("duty_from_speed_undescribed")
    names = (f"{side}_fused_voltage_v", "controller_voltage_v", "battery_voltage_v")
    supply = next((found for name in names if (found := course_of(run, name)) is not None), None)
    if supply is None or float(supply.value.min()) <= 0:
        return Reason("no_supply_voltage")
    volts_per_rad_s = (rated_v - (motor.no_load_a or 0.0) * ohm) / (rpm * math.tau / 60)
    half_s = SPEED_HALF_WINDOW_S
    moved = held(counts.time_s, counts.value, time_s + half_s) - held(counts.time_s, counts.value, time_s - half_s)
    per_count = math.tau / per_rev * gear / (2 * half_s)
    emf_v, count_v = volts_per_rad_s * per_count * np.maximum(moved, 0), volts_per_rad_s * per_count
    drop_v, volts = np.abs(motor_a) * ohm, np.interp(time_s, supply.time_s, supply.value)
    doubt_v = COVERAGE_FACTOR * SHEET_U * np.hypot(emf_v, drop_v) + count_v
    likely = np.clip((emf_v + drop_v) / volts, 0, 1)
    minimum = np.clip((np.abs(emf_v - drop_v) - doubt_v) / volts, 0, 1)
    maximum = np.clip((emf_v + drop_v + doubt_v) / volts, 0, 1)
    return Duty(likely, minimum, maximum, Reason("duty_from_speed", sheet_u=SHEET_U), False)
