"""What the machine file says of a channel's sensor, and what it makes of the samples."""

from __future__ import annotations

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

    The RMS, least and greatest current of an interval come from their lead's sensor unless they have their own.
    """
    sensors = machine.sensors if machine else {}
    name = _section(channel)
    lead, found, _ = name.partition("_current_")
    return sensors.get(name) or (sensors.get(f"{lead}_current") if found else None) or Sensor()


def sensor_error(said: Sensor, board: Mapping[str, Any] | None, channel: Channel) -> SensorError:
    """Declared errors of a channel's sensor; full scale and filter corner also as the board tells."""
    full_scale, corner_hz = board_terms(board, channel.name, channel.si_per_step)
    terms = said.offset_u, said.gain_u, said.delay_u, said.noise, said.resolution
    return SensorError(*terms, said.full_scale or full_scale, said.bandwidth_hz or corner_hz)


def squares(machine: Machine | None, channel: Channel, said: Sensor) -> bool:
    """The channel is an RMS that shares its lead's section: it loses the offset as squares do."""
    own = machine is not None and _section(channel) in machine.sensors
    return bool(said.offset) and not own and channel.si_name.endswith("_rms_a")


def corrected_rms(rms: Floats, mean: pl.Series | None, per_step: float, said: Sensor) -> Floats:
    """√(rms² − 2 · offset · mean + offset²) / (1 + gain), `mean` being the stored current of the same intervals.

    Where the mean is not known the RMS loses nothing.
    """
    offset = said.offset or 0.0
    mean_a = np.full(len(rms), offset / 2)
    if mean is not None:
        mean_a = np.where(mean.is_not_null().to_numpy(), in_units(mean.fill_null(0), per_step), mean_a)
    squared = np.maximum(rms**2 - 2 * offset * mean_a + offset**2, 0.0)
    return np.asarray(np.sqrt(squared) / (1.0 + (said.gain or 0.0)))


def drift_beyond_ppm(clock: dict[str, float | None]) -> float | None:
    """Drift that no oscillator has, and for which times are not corrected; None within the limit."""
    drift = clock.get("drift_ppm")
    return None if drift is None or abs(drift) <= DRIFT_LIMIT_PPM else drift


def usable_drift_ppm(clock: dict[str, float | None]) -> float | None:
    """Drift to correct for: known, within the limit, and larger than what the fit cannot tell."""
    drift, rate_u = clock.get("drift_ppm"), clock.get("rate_u")
    if drift is None or rate_u is None or not 2e6 * rate_u <= abs(drift) <= DRIFT_LIMIT_PPM:
        return None
    return drift
