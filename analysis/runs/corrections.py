"""What the machine file declares about a channel's sensor, and the correction of samples by it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from amptally.analysis.results.sensor_error import SensorError, board_terms
from amptally.analysis.runs.columns import in_units
from amptally.analysis.signals.series import Floats
from amptally.logger.channels import Channel
from amptally.logger.clock import DRIFT_LIMIT_PPM
from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import Sensor


def _section(channel: Channel) -> str:
    """Name of the channel's [sensors.*] section: its column without the unit."""
    return channel.name.rsplit("_", 1)[0] if channel.si_unit else channel.name


def declared(machine: Machine | None, channel: Channel) -> Sensor:
    """The machine file's section on a channel's sensor, empty without one.

    The RMS, minimum and maximum of an interval come from their lead's sensor unless they have a section of their own.
    """
    sensors = machine.sensors if machine else {}
    name = _section(channel)
    lead, found, _ = name.partition("_current_")
    return sensors.get(name) or (sensors.get(f"{lead}_current") if found else None) or Sensor()


def sensor_error(sensor: Sensor, board: Mapping[str, Any] | None, channel: Channel) -> SensorError:
    """Declared errors of a channel's sensor; full scale and filter corner also from the board's descriptor.

    A board's currents are means over its intervals, as the channel is defined, unless the machine file denies it; of a
    file that was imported this is known only where the machine file says so.
    """
    full_scale, corner_hz = board_terms(board, channel.name, channel.si_per_step)
    terms = sensor.offset_u, sensor.gain_u, sensor.delay_u, sensor.noise, sensor.resolution
    averages = board is not None if sensor.averages is None else sensor.averages
    return SensorError(*terms, sensor.full_scale or full_scale, sensor.bandwidth_hz or corner_hz, averages)


def sum_error(left: SensorError, right: SensorError) -> SensorError:
    """Errors of the sum of two channels.

    Offsets and noise are independent. Gains may be off alike, as of two sensors of one make: the larger one counts for
    all of the sum. What one of the two does not declare is not declared of the sum.
    """

    def both(one: float | None, other: float | None) -> float | None:
        return None if one is None or other is None else math.hypot(one, other)

    def larger(one: float | None, other: float | None) -> float | None:
        return None if one is None or other is None else max(one, other)

    steps = [each.resolution for each in (left, right) if each.resolution is not None]
    noises = [each.noise for each in (left, right) if each.noise is not None]
    corners = [each.bandwidth_hz for each in (left, right) if each.bandwidth_hz]
    return SensorError(
        both(left.offset_u, right.offset_u),
        larger(left.gain_u, right.gain_u),
        larger(left.delay_u, right.delay_u),
        math.hypot(*noises) if noises else None,
        math.hypot(*steps) if steps else None,
        None,
        min(corners) if corners else None,
        left.averages and right.averages,
    )


def offset_in_squares(machine: Machine | None, channel: Channel, sensor: Sensor) -> bool:
    """The channel is an RMS that shares its lead's section: its offset is taken off in squares."""
    own = machine is not None and _section(channel) in machine.sensors
    return bool(sensor.offset) and not own and channel.si_name.endswith("_rms_a")


def corrected_rms(rms: Floats, mean: pl.Series | None, per_step: float, sensor: Sensor) -> Floats:
    """√(rms² − 2 · offset · mean + offset²) / (1 + gain), `mean` being the stored current of the same intervals.

    Where the mean is not known, the RMS is left as it is.
    """
    offset = sensor.offset or 0.0
    mean_a = np.full(len(rms), offset / 2)
    if mean is not None:
        mean_a = np.where(mean.is_not_null().to_numpy(), in_units(mean.fill_null(0), per_step), mean_a)
    squared = np.maximum(rms**2 - 2 * offset * mean_a + offset**2, 0.0)
    return np.asarray(np.sqrt(squared) / (1.0 + (sensor.gain or 0.0)))


def drift_beyond_ppm(clock: dict[str, float | None]) -> float | None:
    """Drift that no oscillator has, and for which times are not corrected; None within the limit."""
    drift = clock.get("drift_ppm")
    return None if drift is None or abs(drift) <= DRIFT_LIMIT_PPM else drift


def usable_drift_ppm(clock: dict[str, float | None]) -> float | None:
    """Drift to correct for: known, within the limit, and larger than twice the uncertainty of the fit."""
    drift, rate_u = clock.get("drift_ppm"), clock.get("rate_u")
    if drift is None or rate_u is None or not 2e6 * rate_u <= abs(drift) <= DRIFT_LIMIT_PPM:
        return None
    return drift
