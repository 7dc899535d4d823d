"""One brushed motor: winding, brushes, magnets, rotor friction, winding and case temperature.

The two `*_step` functions are called for each motor once per millisecond, so they take and return plain floats.
Letters as in V = I R + K w + L dI/dt, T = K I (references section 10).
"""

from __future__ import annotations

import math

from amptally.logger.simulator.parameters import MotorParameters

REFERENCE_C = 25.0
"""Temperature at which the resistance parameters are given."""
STILL_RAD_S = 4.0
"""Below about this speed friction falls to zero, as a substitute for static friction."""
BRUSH_KNEE_A = 2.0
"""Current at which brushes and dead time drop half of their maximum voltage."""


def winding_step(
    current_a: float, volts: float, resistance_ohm: float, seconds_per_henry: float
) -> tuple[float, float]:
    """Current at the end of a step and its mean over the step, for a constant net voltage `volts` (V − K w).

    Exact solution of L dI/dt + R I = volts, with `seconds_per_henry` = step / L.
    """
    x = resistance_ohm * seconds_per_henry
    left = math.exp(-x)
    settled = volts / resistance_ohm
    gap = current_a - settled
    return settled + gap * left, settled + gap * (1.0 - left) / x


def rotor_step(
    speed_rad_s: float,
    drive_nm: float,
    load_nm: float,
    coulomb_nm: float,
    viscous_nm_s: float,
    gear_loss: float,
    step_per_inertia: float,
) -> tuple[float, float]:
    """Rotor speed at the end of a step and the friction power during it [W].

    `load_nm` is the torque of the gear at the rotor; the fraction `gear_loss` of it is added as friction both ways.
    """
    direction = speed_rad_s / (abs(speed_rad_s) + STILL_RAD_S)
    drag = (coulomb_nm + gear_loss * abs(load_nm)) * direction + viscous_nm_s * speed_rad_s
    speed = speed_rad_s + step_per_inertia * (drive_nm - load_nm - drag)
    return speed, drag * 0.5 * (speed_rad_s + speed)


class MotorHeat:
    """Winding and case temperature, and the resistance and K that follow from them."""

    def __init__(self, parameters: MotorParameters, ambient_c: float) -> None:
        self._p = parameters
        self._ambient_c = ambient_c
        self.winding_c = ambient_c
        self.case_c = ambient_c
        self._derive()

    def _derive(self) -> None:
        p = self._p
        self.resistance_ohm = p.resistance_ohm * (1.0 + p.copper_per_k * (self.winding_c - REFERENCE_C))
        self.constant_nm_a = p.torque_constant_nm_a * (1.0 + p.magnet_per_k * (self.case_c - REFERENCE_C))

    def tick(self, current_squared_a2: float, seconds: float) -> None:
        """Warm up under a mean square current for a short time."""
        p = self._p
        crossing_w = p.copper_to_case_w_k * (self.winding_c - self.case_c)
        heat_w = current_squared_a2 * self.resistance_ohm
        self.winding_c += seconds * (heat_w - crossing_w) / p.copper_heat_j_k
        self.case_c += seconds * (crossing_w - p.case_to_air_w_k * (self.case_c - self._ambient_c)) / p.case_heat_j_k
        self._derive()
