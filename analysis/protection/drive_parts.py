"""Motors and controller against what their sheets let them carry. docs/methods.md, Ratings that suit."""

from __future__ import annotations

import math

from amptally.analysis.exposure.current import Current
from amptally.analysis.protection.peak_rise import peak_rise, tightest_window
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run


def sheet_constant_s(continuous_a: float, higher_a: float, time_s: float) -> float:
    """One time constant τ = −t/ln(1 − (In/Ip)²) [s] of a part that carries In for good and Ip for a time from cold.

    IEC 60255-149's cold curve solved for τ. ValueError unless Ip is above In.
    """
    if not higher_a > continuous_a > 0:
        raise ValueError(f"{higher_a:g} A for a time are not above {continuous_a:g} A for good")
    return -time_s / math.log1p(-((continuous_a / higher_a) ** 2))


def overloads(run: Run, currents: dict[str, Current], doubts: Doubts) -> tuple[Reason, ...]:
    """Findings on motors and controller channels that carried more than their sheets allow; `currents` by lead.

    Only where the sheet gives a continuous current and a time at a higher one. A current measured in the supply leg is
    the least that motor and channel carried, so that a part it overloads was overloaded.
    """
    machine, found = run.machine, []
    if machine is None or run.sides_leg == "unknown":
        return ()
    motor, controller = machine.motor, machine.controller
    sheets = {
        "motor": (motor.rated_a, motor.peak_a, motor.peak_s) if motor else (None,) * 3,
        "controller": (controller.continuous_a, controller.peak_a, controller.peak_s) if controller else (None,) * 3,
    }
    for side in SIDES:
        exposure, channel = currents[side].prepared, f"{side}_current_a"
        for part, (continuous_a, higher_a, time_s) in sheets.items():
            if exposure is None or doubts.against((channel, "margin")) is not None:
                continue
            if continuous_a is None or higher_a is None or time_s is None or higher_a <= continuous_a:
                continue
            network = Network.single(sheet_constant_s(continuous_a, higher_a, time_s))
            peak = peak_rise(exposure, network)
            if peak.steady_a <= continuous_a:
                continue
            found.append(
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
                    measured=run.sides_leg == "motor_lead",
                )
            )
    return tuple(found)
