"""A whole simulated drive in memory: the true quantities and what the board measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.logger.channels import BY_SI_NAME, TIME_COLUMN
from amptally.logger.simulator.parameters import Scenario
from amptally.logger.simulator.plant import STEPS_PER_TICK, Plant
from amptally.logger.simulator.sensors import SI_NAMES, SensorBank, codes_to_stored, combine
from amptally.logger.simulator.truth import COUNTED, Columns, EnergyLedger, add_energy, columns

CHUNK_MS = 200
"""The drive always advances in chunks of this length, so that results do not depend on the caller."""
STEP_US = 1000
"""One conversion."""
STUCK_M_S = 0.15
"""A cart that is slower than this over the whole drive will not arrive: its battery is empty."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """CHUNK_MS of the drive."""

    truth: Columns
    """True quantities by name, one value per millisecond."""
    codes: npt.NDArray[np.int64]
    """Converter codes, shape (CHUNK_MS, channels on the wire)."""
    over_range: tuple[str, ...]
    """Channels whose converter was at its limit."""


class Cart:
    """The cart with its sensors: `advance` gives the next chunk, without end."""

    def __init__(self, seed: int, scenario: Scenario) -> None:
        self.scenario = scenario
        self._plant = Plant(scenario, seed)
        self._bank = SensorBank(seed, CHUNK_MS)

    def advance(self) -> Chunk:
        """Advance by CHUNK_MS."""
        truth = columns(self._plant.run(CHUNK_MS // STEPS_PER_TICK), self.scenario.cart)
        return Chunk(truth, self._bank.convert(truth), self._bank.over_range)

    @property
    def parked(self) -> bool:
        """Whether the drive is over and the cart is parked."""
        return self._plant.driver.parked and self._plant.still

    @property
    def crossings_s(self) -> tuple[float, ...]:
        """True times at which the cart crossed the start line so far."""
        return tuple(self._plant.driver.crossed_at_s)


@dataclass(frozen=True, slots=True)
class Drive:
    """A finished drive; every array has one value per sample, which spans t ≤ time < t + interval."""

    seed: int
    scenario: Scenario
    interval_us: int
    """Between samples."""
    true: Mapping[str, npt.NDArray[np.float64]]
    """Means over the sample intervals (last values of counts), channels under their SI names and more besides."""
    stored: Mapping[str, npt.NDArray[np.int64]]
    """Run-file columns, t_us first, as a recorder would store them."""
    measured: Mapping[str, npt.NDArray[np.float64]]
    """The same in SI units, t_s first."""
    crossings_s: tuple[float, ...]
    """True times at the start line; n of them make n − 1 laps."""
    energy: EnergyLedger
    """Where the battery's energy went."""

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample [s]."""
        return float(self.measured["t_s"][-1])


def check_interval(interval_us: int) -> int:
    """Conversions per sample. Raises ValueError unless the interval is whole milliseconds that divide CHUNK_MS."""
    rows, rest = divmod(interval_us, STEP_US)
    if rest or rows < 1 or CHUNK_MS % rows:
        raise ValueError(
            f"a sample interval of {interval_us} µs is not possible: use whole milliseconds that divide {CHUNK_MS} ms"
        )
    return rows


def simulate(
    seed: int, seconds: float | None = None, *, scenario: Scenario | None = None, interval_us: int = 2000
) -> Drive:
    """Drive `scenario` (the demo's by default) for `seconds`, or until the cart has been parked for the rest time (or
    is stuck with an empty battery).

    Deterministic for given arguments. Raises ValueError for an interval that the board cannot do.
    """
    rows = check_interval(interval_us)
    scenario = scenario or Scenario()
    cart = Cart(seed, scenario)
    codes: list[npt.NDArray[np.int64]] = []
    parts: list[Columns] = []
    energy = EnergyLedger()
    at_rest_ms = 0
    course_m = (scenario.drive.laps + 1) * scenario.drive.course.length_m
    patience_ms = 1000.0 * (2.0 * scenario.drive.rest_s + course_m / STUCK_M_S)
    while True:
        chunk = cart.advance()
        codes.append(combine(chunk.codes, rows))
        parts.append({name: _condense(name, values, rows) for name, values in chunk.truth.items()})
        energy = add_energy(energy, chunk.truth, scenario.cart)
        at_rest_ms += CHUNK_MS if cart.parked else 0
        if seconds is None:
            if at_rest_ms >= 1000.0 * scenario.drive.rest_s or len(codes) * CHUNK_MS > patience_ms:
                break
        elif len(codes) * CHUNK_MS >= 1000.0 * seconds:
            break
    table = codes_to_stored(np.concatenate(codes))
    keep = len(table) if seconds is None else min(len(table), round(seconds * 1e6 / interval_us))
    times = np.arange(keep, dtype=np.int64) * interval_us
    stored = {TIME_COLUMN: times}
    measured: Columns = {"t_s": times.astype(np.float64) * 1e-6}
    for place, name in enumerate(SI_NAMES):
        channel = BY_SI_NAME[name]
        stored[channel.name] = table[:keep, place]
        measured[name] = table[:keep, place].astype(np.float64) * channel.si_per_step
    true = {name: np.concatenate([part[name] for part in parts])[:keep] for name in parts[0]}
    return Drive(seed, scenario, interval_us, true, stored, measured, cart.crossings_s, energy)


def _condense(name: str, values: npt.NDArray[np.float64], rows: int) -> npt.NDArray[np.float64]:
    grouped = values.reshape(-1, rows)
    return grouped[:, -1].copy() if name in COUNTED else grouped.mean(axis=1)
