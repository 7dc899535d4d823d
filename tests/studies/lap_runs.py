"""Where a simulated cart truly was lap by lap, and signals that hold no laps at all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.analysis.laps.signal import SignalLaps
from amptally.logger.channels import BY_SI_NAME
from amptally.logger.simulator import Drive

Floats = npt.NDArray[np.float64]
COMPLETE = 0.02


@dataclass(frozen=True, slots=True)
class Truth:
    """Where the cart was."""

    time_s: Floats
    laps: Floats
    """Distance along the loop in laps, growing from lap to lap."""

    @classmethod
    def of(cls, drive: Drive) -> Truth:
        """From a simulated drive."""
        length = drive.scenario.drive.course.length_m
        around = drive.true["course_m"] / length
        return cls(drive.measured["t_s"], around + np.concatenate(([0], np.cumsum(np.diff(around) < -0.5))))

    def complete(self, from_s: float, to_s: float) -> int:
        """Complete laps between two moments: floor(T + 0.02), T the distance in true laps."""
        begin, end = np.interp([from_s, to_s], self.time_s, self.laps)
        return int(np.floor(end - begin + COMPLETE))

    def error(self, parts: tuple[tuple[float, ...], ...]) -> float | None:
        """Greatest error of a boundary in median laps, each compared with the true passage of their common place."""
        if not parts:
            return None
        at = np.interp(np.concatenate(parts), self.time_s, self.laps)
        place = at[0] + float(np.median(at - at[0] - np.round(at - at[0])))
        passed = np.maximum.accumulate(self.laps) + 1e-9 * np.arange(len(self.laps))
        worst, laps = 0.0, []
        for part in parts:
            number = np.round(np.interp(part, self.time_s, self.laps) - place)
            true_s = np.interp(place + number, passed, self.time_s)
            laps += np.diff(true_s).tolist()
            worst = max(worst, float(np.abs(np.array(part) - true_s).max()))
        return worst / float(np.median(laps))


def count(found: SignalLaps) -> int:
    """Complete laps."""
    return sum(len(part) - 1 for part in found.boundaries_s)


NOTHING_S = 300.0
NOTHING_HZ = 50.0
TABLE = ("battery_current_a", "left_current_a", "right_current_a", "battery_voltage_v")


def stored(values: Floats) -> dict[str, npt.NDArray[np.int64]]:
    """Run-file columns of battery, left and right current and battery voltage."""
    out = {"t_us": (np.arange(values.shape[1]) * 1e6 / NOTHING_HZ).astype(np.int64)}
    for name, row in zip(TABLE, values, strict=False):
        out[BY_SI_NAME[name].name] = np.rint(row / BY_SI_NAME[name].si_per_step).astype(np.int64)
    return out


def _size() -> int:
    return int(NOTHING_S * NOTHING_HZ)


def white_noise(rng: np.random.Generator) -> Floats:
    """Independent noise on four channels."""
    return np.array([[20.0], [10.0], [10.0], [25.0]]) + rng.normal(size=(4, _size()))


def random_walk(rng: np.random.Generator) -> Floats:
    """Independent random walks on four channels."""
    return np.asarray(20.0 + 0.05 * np.cumsum(rng.normal(size=(4, _size())), axis=1))


def one_random_walk(rng: np.random.Generator) -> Floats:
    """A random walk of the battery current, nothing else."""
    return np.asarray(20.0 + 0.05 * np.cumsum(rng.normal(size=(1, _size())), axis=1))


def constant_current(rng: np.random.Generator) -> Floats:
    """A bench load: constant current, falling voltage, sensor noise."""
    noise = rng.normal(size=(4, _size())) * np.array([[0.06], [0.05], [0.05], [0.0025]])
    fall = np.linspace(25.4, 24.9, _size())
    return noise + np.stack([np.full(_size(), 12.0), np.full(_size(), 6.0), np.full(_size(), 6.0), fall])


def _driven(on: Floats, rng: np.random.Generator) -> Floats:
    """Currents and voltage of a machine that is on or off."""
    lag = np.exp(-np.arange(150) / (0.8 * NOTHING_HZ))
    start = np.exp(-np.arange(100) / (0.5 * NOTHING_HZ))
    smooth = np.convolve(on, lag / lag.sum())[: len(on)]
    rush = np.convolve(np.maximum(np.diff(on, prepend=0.0), 0.0), start)[: len(on)]
    amps = 20 * smooth + 25 * rush
    table = np.stack([amps, 0.52 * amps, 0.48 * amps, 25.5 - 0.02 * amps])
    return np.asarray(table + rng.normal(size=table.shape) * np.array([[0.3], [0.3], [0.3], [0.01]]))


def _switched(rng: np.random.Generator, run_s: Callable[[], float]) -> Floats:
    on, at = np.zeros(_size()), int(10 * NOTHING_HZ)
    while at < len(on) - 10 * NOTHING_HZ:
        until = at + int(run_s() * NOTHING_HZ)
        on[at:until] = 1.0
        at = until + int((1.0 + rng.exponential(8.0)) * NOTHING_HZ)
    return on


def stop_and_go(rng: np.random.Generator) -> Floats:
    """Runs of 2 to 15 s with pauses of random length."""
    return _driven(_switched(rng, lambda: float(rng.uniform(2.0, 15.0))), rng)


def equal_bursts(rng: np.random.Generator) -> Floats:
    """Runs of exactly 6 s, all alike, with pauses of random length."""
    return _driven(_switched(rng, lambda: 6.0), rng)


NOTHINGS: dict[str, Callable[[np.random.Generator], Floats]] = {
    "white noise": white_noise,
    "random walks": random_walk,
    "one random walk": one_random_walk,
    "constant current": constant_current,
    "stop and go": stop_and_go,
    "equal bursts, random pauses": equal_bursts,
}
