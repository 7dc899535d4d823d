"""Board clock → run time, and how the board clock runs against the host's.

Run time is board time with its first sample at zero; across a reset it goes on by host time at the fitted rate.
Bytes arrive late, never early, so the line is laid along the earliest arrivals.
"""

from __future__ import annotations

from dataclasses import dataclass
from operator import sub

import numpy as np
import numpy.typing as npt

from amptally.logger.wire.blocks import CLOCK_WRAP, LONGEST_US

MAX_PAIRS = 4096
DRIFT_LIMIT_PPM = 1000.0
"""Beyond this the source does not run in real time, or its clock is bad: board time stands (docs/run-file.md)."""


@dataclass(frozen=True, slots=True)
class ClockFit:
    """The straight line between host time and run time."""

    rate: float | None
    """Run seconds per host second; None where the run is too short to tell."""
    rate_u: float | None
    """Standard uncertainty of `rate`, from the residual over the length of the run."""
    residual_us: float | None
    """Median distance of the earliest arrivals from the line."""
    first_host_us: int | None
    """Host monotonic time at run time zero."""

    @property
    def drift_ppm(self) -> float | None:
        """How much faster the board's clock runs, in parts per million."""
        return None if self.rate is None else (self.rate - 1.0) * 1e6

    @property
    def real_time(self) -> bool:
        """The two clocks agree well enough for the drift to be a correction."""
        return self.drift_ppm is not None and abs(self.drift_ppm) <= DRIFT_LIMIT_PPM


def fit_clock(host_us: npt.NDArray[np.int64], run_us: npt.NDArray[np.int64]) -> ClockFit:
    """Fit run time against host time, both shape (n,) in µs, along the earliest arrivals.

    The run is cut into up to 40 parts; in each the tenth with the least delay is kept, and a line goes through those.
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


def _line(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> tuple[float, float]:
    spread = x - x.mean()
    slope = float((spread * y).sum() / max((spread**2).sum(), 1e-9))
    return slope, float(y.mean() - slope * x.mean())


def _earliest(x: npt.NDArray[np.float64], ahead: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Indices of the pairs with the least delay (the greatest `ahead`) in each part of the run."""
    parts = np.array_split(np.arange(len(x)), max(2, min(40, len(x) // 10)))
    return np.concatenate([part[np.argsort(-ahead[part])[: max(1, len(part) // 10)]] for part in parts])


class RunClock:
    """Board time of each boot → run time; gathers pairs for the fit in bounded memory."""

    def __init__(self) -> None:
        self._boot: int | None = None
        self._shift_us = 0
        self._last_run_us = -1
        self._last_host_us: int | None = None
        self._last_interval_us = 1
        self._pairs: list[tuple[int, int]] = []
        self._stride = 1
        self._skipped = 0
        self._rate = (0, 1.0)
        """Pairs there were when the rate was last fitted, and the rate."""

    @property
    def last_run_us(self) -> int:
        """Run time of the newest sample; -1 before the first."""
        return self._last_run_us

    def place(
        self, boot: int, time_us: npt.NDArray[np.int64], host_us: int | None
    ) -> tuple[npt.NDArray[np.int64], bool | None]:
        """Run time of a block's samples, and for the first block after a reset whether host time could bridge it.

        `host_us` is when the block's bytes arrived, None where that is unknown. The second value is None inside a boot.
        A block that would end beyond `LONGEST_US` comes back empty: no clock has run that long.
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
            self._shift_us += CLOCK_WRAP * self._turns_unseen(int(time_us[0]), host_us - self._last_host_us)
        if int(time_us[-1]) + self._shift_us > LONGEST_US:
            return np.empty(0, np.int64), bridged
        run_us = time_us + self._shift_us
        if len(run_us) > 1:
            self._last_interval_us = int(run_us[-1] - run_us[-2])
        if run_us[-1] > self._last_run_us:
            self._last_run_us = int(run_us[-1])
            self._last_host_us = host_us
            self._gather(host_us)
        return run_us, bridged

    def place_parts(
        self,
        boot: int,
        time_us: npt.NDArray[np.int64],
        ends: npt.NDArray[np.int64],
        host_us: npt.NDArray[np.int64],
        until_us: int = LONGEST_US,
    ) -> npt.NDArray[np.int64] | None:
        """Run time of samples that came in several parts: what `place` says of each part.

        `ends` are the rows up to the end of each part, `host_us` when it arrived. None, and nothing done, where one of
        them is a special case or would end after `until_us`.
        """
        run_us = time_us + self._shift_us
        if boot != self._boot or self._last_host_us is None or run_us[0] <= self._last_run_us or run_us[-1] > until_us:
            return None
        hosts, rows = host_us.tolist(), ends.tolist()
        before_us = [self._last_host_us, *hosts[:-1]]
        if max(map(sub, hosts, before_us)) >= CLOCK_WRAP // 2:
            return None
        for self._last_run_us, self._last_host_us in zip(run_us[ends - 1].tolist(), hosts, strict=True):
            self._gather(self._last_host_us)
        longer = [end for end, start in zip(rows, [0, *rows[:-1]], strict=True) if end - start > 1]
        if longer:
            self._last_interval_us = int(run_us[longer[-1] - 1] - run_us[longer[-1] - 2])
        return run_us

    def _after_reset(self, first_us: int, last_us: int, host_us: int | None) -> int:
        """Shift of the new boot: its newest sample is as much later as the host saw pass, at the fitted rate."""
        earliest = self._last_run_us + self._last_interval_us - first_us
        if host_us is None or self._last_host_us is None:
            return earliest
        passed = round((host_us - self._last_host_us) * self._rate_so_far())
        return max(self._last_run_us + passed - last_us, earliest)

    def _turns_unseen(self, first_us: int, host_passed_us: int) -> int:
        """Whole turns of the 32-bit clock that nothing was heard of, as after an hour and a half out of radio range.

        Only the host can know, and only of a board that runs in real time.
        """
        if host_passed_us < CLOCK_WRAP // 2 or not self.fit().real_time:
            return 0
        unexplained_us = host_passed_us - (first_us + self._shift_us - self._last_run_us)
        return max(0, round(unexplained_us / CLOCK_WRAP))

    def _rate_so_far(self) -> float:
        """The fitted rate; fitted anew only where the pairs have grown by a tenth: a board may start over and over."""
        if len(self._pairs) > 1.1 * self._rate[0]:
            self._rate = (len(self._pairs), self.fit().rate or 1.0)
        return self._rate[1]

    def _gather(self, host_us: int | None) -> None:
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
        """The line as far as it is known now."""
        pairs = np.array(self._pairs, np.int64).reshape(-1, 2)
        return fit_clock(pairs[:, 0], pairs[:, 1])
