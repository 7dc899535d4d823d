"""Motors, controller and management board against what their sheets say. docs/methods.md, Ratings that suit."""

from __future__ import annotations

import math

from amptally.analysis.exposure.current import Current
from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.fuse_margin import CONTINUOUS_WINDOW_S
from amptally.analysis.protection.peak_rise import peak_rise, tightest_window
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run

LIMIT_PASSED = 1.05
"""A current this much above the controller's declared maximum was not limited by it. Our own choice."""


def sheet_constant_s(continuous_a: float, higher_a: float, time_s: float) -> float:
    """One time constant τ = −t/ln(1 − (In/Ip)²) [s] of a part that carries In for good and Ip for a time from cold.

    IEC 60255-149's cold curve solved for τ. ValueError unless Ip is above In.
    """
    if not higher_a > continuous_a > 0:
        raise ValueError(f"{higher_a:g} A for a time are not above {continuous_a:g} A for good")
    return -time_s / math.log1p(-((continuous_a / higher_a) ** 2))


def overloads(run: Run, currents: dict[str, Current], doubts: Doubts) -> tuple[Reason, ...]:
    """Findings on motors and controller channels that carried more than their sheets allow.

    `currents` by lead. A current measured in the supply leg is the least that motor and channel carried, so that a part
    it overloads was overloaded.
    """
    machine = run.machine
    found: list[Reason] = []
    if machine is None:
        return ()
    motor, controller = machine.motor, machine.controller
    sheets = {
        "motor": (motor.rated_a, motor.peak_a, motor.peak_s) if motor else (None,) * 3,
        "controller": (controller.continuous_a, controller.peak_a, controller.peak_s) if controller else (None,) * 3,
    }
    for side in SIDES if run.sides_leg != "unknown" else ():
        exposure = currents[side].prepared
        if exposure is None or doubts.against((f"{side}_current_a", "margin")) is not None:
            continue
        measured = run.sides_leg == "motor_lead"
        for part, (continuous_a, higher_a, time_s) in sheets.items():
            if continuous_a is None:
                continue
            if higher_a is None or time_s is None or higher_a <= continuous_a:
                found += _for_good(side, part, exposure, continuous_a, measured=measured)
            else:
                found += _by_memory(side, part, exposure, (continuous_a, higher_a, time_s), measured=measured)
        limit_a = controller.peak_a if controller else None
        if limit_a is not None and exposure.peak_a > LIMIT_PASSED * limit_a:
            found.append(
                Reason("controller_limit_passed", "caution", side=side, peak_a=exposure.peak_a, limit_a=limit_a)
            )
    return tuple(found)


def _for_good(side: str, part: str, exposure: Exposure, continuous_a: float, *, measured: bool) -> tuple[Reason, ...]:
    """A part whose sheet gives no time at a higher current: ten minutes count as for good."""
    if exposure.refusal(CONTINUOUS_WINDOW_S) is not None:
        return ()
    window = exposure.worst(CONTINUOUS_WINDOW_S)
    if window.rms_a <= continuous_a:
        return ()
    return (
        Reason(
            "part_above_continuous",
            "caution",
            side=side,
            part=part,
            rms_a=window.rms_a,
            window_s=window.window_s,
            at_s=window.end_s,
            continuous_a=continuous_a,
            measured=measured,
        ),
    )


def _by_memory(
    side: str, part: str, exposure: Exposure, sheet: tuple[float, float, float], *, measured: bool
) -> tuple[Reason, ...]:
    """A part by its thermal memory; `sheet`: what it carries for good [A], a higher current [A] and its time [s]."""
    continuous_a, higher_a, time_s = sheet
    network = Network.single(sheet_constant_s(*sheet))
    peak = peak_rise(exposure, network)
    if peak.steady_a <= continuous_a:
        return ()
    return (
        Reason(
            "part_overloaded",
            "caution",
            side=side,
            part=part,
            rise=(peak.steady_a / continuous_a) ** 2,
            at_s=exposure.start_s + peak.axis_s,
            window_s=tightest_window(exposure, network, peak).window_s,
            continuous_a=continuous_a,
            higher_a=higher_a,
            time_s=time_s,
            constant_s=network.constants_s[0],
            measured=measured,
        ),
    )
