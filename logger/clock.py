"""Board clock → run time, and the fit of the board clock to the host's.

Run time is board time counted from the first sample. Across a reset it continues by host time at the fitted rate.
Bytes arrive late, never early, so the line is fitted to the earliest arrivals.
"""

from __future__ import annotations

from dataclasses import dataclass
from operator import sub

import numpy as np
import numpy.typing as npt

from amptally.logger.wire.blocks import CLOCK_WRAP, LONGEST_US

MAX_PAIRS = 4096
JUMP_US = 60_000_000
"""The host's clock jumped if it went on by more than this between samples that follow one another."""
FOLLOW_FACTOR = 10
"""Samples follow one another if they are at most this many intervals apart."""
MAX_JUMPS = 100
DRIFT_LIMIT_PPM = 1000.0
"""Beyond this the source does not run in real time, or its clock is bad: no drift correction (docs/run-file.md)."""


@dataclass(frozen=True, slots=True)
class ClockFit:
    """The straight line between host time and run time."""

    rate: float | None
    """Run seconds per host second; None if the run is too short for a fit."""
    rate_u: float | None
    """Standard uncertainty of `rate`, from the residual over the length of the run."""
    residual_us: float | None
    """Median distance of the earliest arrivals from the line."""
    first_host_us: int | None
    """Host monotonic time at run time zero."""

    @property
    def drift_ppm(self) -> float | None:
        """Excess rate of the board clock over the host's, in parts per million."""
        return None if self.rate is None else (self.rate - 1.0) * 1e6

    @property
    def real_time(self) -> bool:
        """Whether the two clocks agree within `DRIFT_LIMIT_PPM`, so that the drift can be corrected."""
        return self.drift_ppm is not None and abs(self.drift_ppm) <= DRIFT_LIMIT_PPM


def fit_clock(host_us: npt.NDArray[np.int64], run_us: npt.NDArray[np.int64]) -> ClockFit:
    """Fit run time against host time, both shape (n,) in µs, along the earliest arrivals.

    The run is cut into up to 40 parts; a line is fitted to the tenth of each part with the smallest delay.
    """
    nothing = ClockFit(None, None, None, None)
    if len(host_us) < 2:
        return ClockFit(None, None, None, int(host_us[0] - run_us[0])) if len(host_us) else nothing
    host0 = int(host_us[0])
    x = (host_us - host0).astype(float)
    y = run_us.astype(float)
    if x[-1] < 1e6 or y[-1] - y[0] < 1e6:
        return ClockFit(None, None, None, host0 - int(run_us[0]))
    slope, start = _line(x, y)
    for _ in range(3):
        early = _earliest(x, y - slope * x)
        slope, start = _line(x[early], y[early])
    residual = np.abs(y[early] - (slope * x[early] + start))
    median = float(np.median(residual))
    first_host = host0 + round(-start / slope) if slope > 0 else host0
    rate_u = 1.4826 * median * 2 / (x[-1] - x[0])
    return ClockFit(float(slope), float(rate_u), median, int(first_host))


def without_jumps(
    host_us: npt.NDArray[np.int64], run_us: npt.NDArray[np.int64], jumps: list[tuple[int, int]]
) -> npt.NDArray[np.int64]:
    """Host times, shape (n,), without the steps of the host's clock among `jumps` (time afterwards, step).

    A stall of the host or of the line looks alike at first, but what it delays catches up: no step then.
    """
    steady_us = host_us.copy()
    for at_us, step_us in jumps:
        after = host_us >= at_us
        late_us = steady_us - run_us
        if after.any() and not after.all() and late_us[after].min() - late_us[~after].min() > step_us / 2:
            steady_us[after] -= step_us
    return steady_us


def _line(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> tuple[float, float]:
    spread = x - x.mean()
    slope = float((spread * y).sum() / max((spread**2).sum(), 1e-9))
    return slope, float(y.mean() - slope * x.mean())


def _earliest(x: npt.NDArray[np.float64], ahead: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Indices of the pairs with the smallest delay (the largest `ahead`) in each part of the run."""
    parts = np.array_split(np.arange(len(x)), max(2, min(40, len(x) // 10)))
    return np.concatenate([part[np.argsort(-ahead[part])[: max(1, len(part) // 10)]] for part in parts])


class RunClock:
    """Board time of each boot → run time. Collects pairs for the fit in bounded memory."""

    def __init__(self) -> None:
        self._boot: int | None = None
        self._shift_us = 0
        self._last_run_us = -1
        self._last_host_us: int | None = None
        self._last_interval_us = 1
        self._pairs: list[tuple[int, int]] = []
        self._jumps: list[tuple[int, int]] = []
        """Where the host's clock may have jumped: its time afterwards, and by how much it was ahead, both in µs."""
        self._stride = 1
        self._skipped = 0
        self._rate = (0, 1.0)
        """Number of pairs at the last fit of the rate, and the rate."""

    @property
    def last_run_us(self) -> int:
        """Run time of the newest sample in µs; -1 before the first."""
        return self._last_run_us

    def run_us_at(self, host_us: int) -> int:
        """Run time at a moment of the host's clock, from the newest sample on at the fitted rate [µs]."""
        if self._last_host_us is None:
            return 0
        return max(self._last_run_us, 0) + max(round((host_us - self._last_host_us) * self._rate_so_far()), 0)

    def place(
        self, boot: int, time_us: npt.NDArray[np.int64], host_us: int | None
    ) -> tuple[npt.NDArray[np.int64], bool | None]:
        """Run time of a block's samples in µs; for the first block after a reset, whether host time could bridge it.

        `host_us` is when the block's bytes arrived, None where that is unknown. The second value is None inside a boot.
        A block that would end beyond `LONGEST_US` is returned empty.
        """
        bridged: bool | None = None
        if boot != self._boot:
            if self._boot is None:
                self._shift_us = -int(time_us[0])
            else:
                bridged = host_us is not None and self._last_host_us is not None
                self._shift_us = self._after_reset(int(time_us[0]), int(time_us[-1]), host_us)
            self._boot = boot
        elif host_us is not None and self._last_host_us is not None:
            step_us, passed_us = int(time_us[0]) + self._shift_us - self._last_run_us, host_us - self._last_host_us
            if step_us > FOLLOW_FACTOR * self._last_interval_us:
                self._shift_us += CLOCK_WRAP * self._unseen_wraps(step_us, passed_us)
            else:
                self._note_jump(host_us, passed_us - (int(time_us[-1]) + self._shift_us - self._last_run_us))
        if int(time_us[-1]) + self._shift_us > LONGEST_US:
            return np.empty(0, np.int64), bridged
        run_us = time_us + self._shift_us
        if len(run_us) > 1:
            self._last_interval_us = int(run_us[-1] - run_us[-2])
        if run_us[-1] > self._last_run_us:
            self._last_run_us = int(run_us[-1])
            self._last_host_us = host_us
            self._collect_pair(host_us)
        return run_us, bridged

    def place_parts(
        self,
        boot: int,
        time_us: npt.NDArray[np.int64],
        ends: npt.NDArray[np.int64],
        host_us: npt.NDArray[np.int64],
        until_us: int = LONGEST_US,
    ) -> npt.NDArray[np.int64] | None:
        """Run time of samples that arrived in several parts: equal to `place` for each part.

        `ends` are the rows up to the end of each part, `host_us` when it arrived. None, and no change, where one of
        them is a special case or would end after `until_us`.
        """
        run_us = time_us + self._shift_us
        if boot != self._boot or self._last_host_us is None or run_us[0] <= self._last_run_us or run_us[-1] > until_us:
            return None
        hosts, rows = host_us.tolist(), ends.tolist()
        before_us = [self._last_host_us, *hosts[:-1]]
        if max(map(sub, hosts, before_us)) >= JUMP_US:
            return None
        for self._last_run_us, self._last_host_us in zip(run_us[ends - 1].tolist(), hosts, strict=True):
            self._collect_pair(self._last_host_us)
        longer = [end for end, start in zip(rows, [0, *rows[:-1]], strict=True) if end - start > 1]
        if longer:
            self._last_interval_us = int(run_us[longer[-1] - 1] - run_us[longer[-1] - 2])
        return run_us

    def _after_reset(self, first_us: int, last_us: int, host_us: int | None) -> int:
        """Shift of the new boot in µs: its newest sample is later by the host time passed, at the fitted rate."""
        earliest = self._last_run_us + self._last_interval_us - first_us
        if host_us is None or self._last_host_us is None:
            return earliest
        passed = round((host_us - self._last_host_us) * self._rate_so_far())
        return max(self._last_run_us + passed - last_us, earliest)

    def _note_jump(self, host_us: int, ahead_us: int) -> None:
        if ahead_us > JUMP_US and len(self._jumps) < MAX_JUMPS:
            self._jumps.append((host_us, ahead_us))

    def _unseen_wraps(self, step_us: int, host_passed_us: int) -> int:
        """Wraps of the 32-bit clock during a silence, for example an hour and a half out of radio range.

        Only the host's clock shows them, and only for a board that runs in real time.
        """
        if host_passed_us < CLOCK_WRAP // 2 or not self.fit().real_time:
            return 0
        return max(0, round((host_passed_us - step_us) / CLOCK_WRAP))

    def _rate_so_far(self) -> float:
        """The fitted rate. It is fitted again only after a tenth more pairs: a board may restart very often."""
        if len(self._pairs) > 1.1 * self._rate[0]:
            self._rate = (len(self._pairs), self.fit().rate or 1.0)
        return self._rate[1]

    def _collect_pair(self, host_us: int | None) -> None:
        if host_us is None:
            return
        self._skipped += 1
        if self._skipped < self._stride:
            return
        self._skipped = 0
        self._pairs.append((host_us, self._last_run_us))
        if len(self._pairs) > MAX_PAIRS:
            self._pairs = self._pairs[::2]
            self._stride *= 2
            self._rate = (len(self._pairs) // 2, self._rate[1])

    def fit(self) -> ClockFit:
        """The fit to all pairs so far."""
        pairs = np.array(self._pairs, np.int64).reshape(-1, 2)
        return fit_clock(without_jumps(pairs[:, 0], pairs[:, 1], self._jumps), pairs[:, 1])
