"""The dual motor controller: two command pulses → two duty cycles; heating of its bridges and of the fuses."""

from __future__ import annotations

from amptally.logger.simulator.parameters import ControllerParameters, FuseParameters

COLD_C = 20.0
"""Temperature at which a fuse element's cold resistance is stated."""


def _stick(pulse_us: float, parameters: ControllerParameters) -> float:
    """One pulse as −1 to 1, zero inside the dead band."""
    value = (pulse_us - parameters.neutral_us) / parameters.span_us
    if abs(value) < parameters.deadband:
        return 0.0
    return max(-1.0, min(1.0, value))


def mix(throttle_us: float, steering_us: float, parameters: ControllerParameters) -> tuple[float, float]:
    """Commanded duty cycles of the left and right channel: L = t + s, R = t − s, clipped (references section 3)."""
    throttle, steering = _stick(throttle_us, parameters), _stick(steering_us, parameters)
    left, right = throttle + steering, throttle - steering
    return max(-1.0, min(1.0, left)), max(-1.0, min(1.0, right))


class Bridge:
    """One channel's switches: their resistance grows as they warm up."""

    def __init__(self, parameters: ControllerParameters) -> None:
        self._p = parameters
        self.rise_k = 0.0
        self.resistance_ohm = parameters.on_resistance_ohm

    def tick(self, current_squared_a2: float, seconds: float) -> None:
        """Warm up under a mean square motor current for a short time."""
        p = self._p
        heat_w = current_squared_a2 * self.resistance_ohm
        self.rise_k += seconds / p.bridge_s * (heat_w * p.bridge_k_w - self.rise_k)
        self.resistance_ohm = p.on_resistance_ohm * (1.0 + p.on_per_k * self.rise_k)


class Fuse:
    """A blade fuse in its holder: the element warms up and the contact degrades. It never opens here."""

    def __init__(self, parameters: FuseParameters) -> None:
        self._p = parameters
        self._holder_ohm = parameters.holder_ohm
        self.rise_k = 0.0
        self.resistance_ohm = 0.0
        self.tick(0.0, 0.0, COLD_C)

    def tick(self, current_squared_a2: float, seconds: float, air_c: float) -> None:
        """Warm up under a mean square supply current for a short time."""
        p = self._p
        element_ohm = p.cold_ohm * (1.0 + p.per_k * (air_c - COLD_C + self.rise_k))
        self.rise_k += seconds / p.heat_s * (current_squared_a2 * element_ohm * p.k_w - self.rise_k)
        self._holder_ohm += p.growth_ohm_per_a2s * current_squared_a2 * seconds
        self.resistance_ohm = element_ohm + self._holder_ohm
