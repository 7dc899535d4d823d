"""True values → converter codes: offset, gain, nonlinearity, filter corner, skew, noise, quantisation.

The board converts every channel once per millisecond and reports means over its sample interval. The errors of each
board are drawn with the 1 σ values of `SENSORS`, so a machine file that repeats the table is correct.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.logger.channels import BY_SI_NAME
from amptally.logger.simulator.plant import STEP_S
from amptally.logger.simulator.truth import COUNTED, Columns
from amptally.logger.wire.frames import WireChannel

BOW = 5.0e-4
"""Nonlinearity of an analogue channel, relative, at full scale; no machine file declares it."""
WANDER = 0.15
"""Slow drift of an offset, in units of its declared 1 σ."""
WANDER_S = 400.0
REFERENCE_INTERVAL_S = 0.002
"""Sample interval for which `noise` is declared."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """One analogue channel, everything in the channel's SI unit."""

    si_name: str
    full_scale: float
    """Greatest magnitude."""
    numerator: int
    """Storage units per converter step, over `denominator`."""
    denominator: int
    offset_u: float
    """1 σ of the offset."""
    gain_u: float
    """1 σ of the relative gain error."""
    noise: float
    """1 σ of the white noise of one sample at 2 ms."""
    bandwidth_hz: float
    """Corner of the one-pole filter before the converter."""
    delay_s: float
    """Skew against the currents, without that of the filter."""
    delay_u: float
    """1 σ of that skew."""

    @property
    def resolution(self) -> float:
        """One converter step."""
        return self.numerator / self.denominator * BY_SI_NAME[self.si_name].si_per_step

    def wire(self) -> WireChannel:
        """The same for the wire format's describe frame."""
        channel = BY_SI_NAME[self.si_name]
        full_scale = round(self.full_scale / channel.si_per_step)
        corner = round(1000.0 * self.bandwidth_hz)
        return WireChannel(channel.wire_id, 16, self.numerator, self.denominator, 0, full_scale, corner)


def _current(si_name: str, noise_a: float) -> Sensor:
    return Sensor(si_name, 200.0, 200_000_000, 32_768, 0.05, 0.005, noise_a, 150.0, 0.0, 0.0001)


def _voltage(si_name: str, full_scale_v: float, offset_u_v: float, gain_u: float, noise_v: float) -> Sensor:
    step = round(full_scale_v * 1e6 / 32_768)
    return Sensor(si_name, full_scale_v, step, 1, offset_u_v, gain_u, noise_v, 120.0, 0.0004, 0.0001)


SENSORS: tuple[Sensor, ...] = (
    _current("battery_current_a", 0.06),
    _current("left_current_a", 0.05),
    _current("right_current_a", 0.05),
    _voltage("battery_voltage_v", 40.96, 0.006, 0.001, 0.0025),
    _voltage("midpoint_voltage_v", 20.48, 0.004, 0.001, 0.0015),
    _voltage("controller_voltage_v", 40.96, 0.006, 0.001, 0.0025),
    _voltage("left_fused_voltage_v", 40.96, 0.006, 0.001, 0.0025),
    _voltage("right_fused_voltage_v", 40.96, 0.006, 0.001, 0.0025),
    _voltage("receiver_voltage_v", 8.192, 0.004, 0.002, 0.0020),
    Sensor("ambient_temp_c", 125.0, 625, 100, 0.5, 0.0, 0.02, 1.0, 0.0, 0.0),
    Sensor("fuse_temp_c", 125.0, 625, 100, 0.5, 0.0, 0.02, 1.0, 0.0, 0.0),
)
"""The analogue channels in wire order."""
LONG_COUNTS = ("pulse_a_count", "pulse_b_count", "left_wheel_count", "right_wheel_count")
SI_NAMES = tuple(sensor.si_name for sensor in SENSORS) + COUNTED
"""Every channel on the wire, in its order."""
WIRE: tuple[WireChannel, ...] = tuple(sensor.wire() for sensor in SENSORS) + tuple(
    WireChannel(BY_SI_NAME[name].wire_id, 32 if name in LONG_COUNTS else 16, 1, 1, 0, 0, 0) for name in COUNTED
)
CODE_LIMIT = 32_767
"""The lowest code is not used: on the wire it means "not measured"."""


def codes_to_stored(codes: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Storage integers of the channel table from codes, shape (n, len(WIRE)), rounded half up as the format says."""
    numerator = np.array([channel.numerator for channel in WIRE])
    denominator = np.array([channel.denominator for channel in WIRE])
    stored: npt.NDArray[np.int64] = (codes * numerator + denominator // 2) // denominator
    return stored


def combine(codes: npt.NDArray[np.int64], rows: int) -> npt.NDArray[np.int64]:
    """Codes of samples that each span `rows` conversions: means of analogue channels, last values of counts."""
    grouped = codes.reshape(-1, rows, codes.shape[1])
    out = grouped[:, -1, :].copy()
    analogue = len(SENSORS)
    out[:, :analogue] = (2 * grouped[:, :, :analogue].sum(axis=1) + rows) // (2 * rows)
    return out


class SensorBank:
    """The sensors of one board: its errors are drawn once; then true values are converted to codes."""

    def __init__(self, seed: int, steps: int) -> None:
        """`steps`: conversions per call of `convert`."""
        errors, noise = np.random.SeedSequence([seed, 2]).spawn(2)
        draw = np.random.default_rng(errors)
        self._noise = np.random.default_rng(noise)
        count = len(SENSORS)

        def of(name: str) -> npt.NDArray[np.float64]:
            return np.array([getattr(sensor, name) for sensor in SENSORS], np.float64)

        self.offsets = of("offset_u") * draw.standard_normal(count)
        self.gains = of("gain_u") * draw.standard_normal(count)
        self._wander = of("offset_u") * WANDER
        self._phase = draw.uniform(0.0, math.tau, count)
        self._bow = BOW * draw.standard_normal(count) / of("full_scale")
        delay = of("delay_s") + of("delay_u") * draw.standard_normal(count)
        self._skew = np.clip(delay / STEP_S, 0.0, 1.0)
        self._sigma = of("noise") * math.sqrt(REFERENCE_INTERVAL_S / STEP_S)
        self._per_step = 1.0 / of("resolution")
        decay = np.exp(-math.tau * of("bandwidth_hz") * STEP_S)
        power = np.arange(steps)
        self._groups = []
        for corner in np.unique(decay):
            lag = power[:, None] - power[None, :]
            kernel = np.where(lag >= 0, (1.0 - corner) * corner ** np.maximum(lag, 0), 0.0)
            self._groups.append((np.flatnonzero(decay == corner), kernel, corner ** (power + 1.0)))
        self._last_input: npt.NDArray[np.float64] | None = None
        self._settled = np.zeros(count)
        self._steps = steps
        self._done = 0
        self.over_range: tuple[str, ...] = ()
        """Channels that were clipped in the last call of `convert`."""

    def convert(self, truth: Columns) -> npt.NDArray[np.int64]:
        """Codes, shape (steps, len(WIRE)), one row per millisecond."""
        true = np.stack([truth[sensor.si_name] for sensor in SENSORS], axis=1)
        if self._last_input is None:
            self._last_input = true[0]
            self._settled = true[0].copy()
        before = np.vstack([self._last_input, true[:-1]])
        self._last_input = true[-1]
        signal = true + self._skew * (before - true)
        filtered = np.empty_like(signal)
        for members, kernel, tail in self._groups:
            filtered[:, members] = kernel @ signal[:, members] + tail[:, None] * self._settled[members]
        self._settled = filtered[-1].copy()
        time_s = (self._done + np.arange(self._steps))[:, None] * STEP_S
        self._done += self._steps
        offset = self.offsets + self._wander * np.sin(math.tau * time_s / WANDER_S + self._phase)
        reading = filtered * (1.0 + self.gains) + self._bow * filtered * np.abs(filtered) + offset
        reading += self._sigma * self._noise.standard_normal(reading.shape)
        analogue = np.floor(reading * self._per_step + 0.5)
        largest = np.abs(analogue).max(axis=0)
        self.over_range = tuple(SENSORS[place].si_name for place in np.flatnonzero(largest > CODE_LIMIT))
        out = np.empty((self._steps, len(WIRE)), np.int64)
        out[:, : len(SENSORS)] = np.clip(analogue, -CODE_LIMIT, CODE_LIMIT)
        for place, name in enumerate(COUNTED, len(SENSORS)):
            out[:, place] = truth[name]
        return out
