"""Times of lines from a board that prints none: when they arrived.

Lines that arrive together are spread over the time since the arrival before, at most at twice the usual interval, so
that no line is placed after its arrival and a pause stays a pause.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from amptally.logger.wire.blocks import Stretch

USUAL_INTERVALS = 9
MAX_DEVIATIONS = 4096
SPREAD = 2
"""Lines are spread at most this many usual intervals apart."""
_FIRST_INTERVAL_US = 1_000
"""Between lines that arrive together before any interval is known."""


class ArrivalTimes:
    """Run over one journal; its state is carried from one stretch to the next."""

    def __init__(self) -> None:
        self._origin_us: int | None = None
        self._last_us = -1
        """Time given to the latest line."""
        self._arrived_us = 0
        """Arrival of the latest line, in the same time."""
        self._intervals: deque[float] = deque(maxlen=USUAL_INTERVALS)
        self._deviations: deque[float] = deque(maxlen=MAX_DEVIATIONS)

    @property
    def jitter_us(self) -> float | None:
        """How far arrivals are from the usual interval: 19 of 20 nearer than this. None without line of this kind."""
        return float(np.percentile(self._deviations, 95)) if self._deviations else None

    def place(self, stretch: Stretch, host_us: npt.NDArray[np.int64]) -> Stretch:
        """The stretch with times in µs since the first arrival; `host_us` is the arrival of each part."""
        times: list[int] = []
        start = 0
        for end, host in zip(stretch.ends.tolist(), host_us.tolist(), strict=True):
            times += self._part(end - start, host)
            start = end
        return replace(stretch, block=replace(stretch.block, time_us=np.array(times, np.int64)))

    def _part(self, count: int, host_us: int) -> list[int]:
        if self._origin_us is None:
            self._origin_us = host_us - (count - 1) * _FIRST_INTERVAL_US
            step = float(_FIRST_INTERVAL_US)
        else:
            since = max(host_us - self._origin_us - self._arrived_us, 0) / count
            if self._intervals:
                usual = float(np.median(self._intervals))
                self._deviations.append(abs(since - usual) * count)
                step = min(since, SPREAD * usual)
            else:
                step = since
            self._intervals.append(since)
        self._arrived_us = max(host_us - self._origin_us, self._arrived_us)
        ahead = ((count - 1 - place) * step for place in range(count))
        times: list[int] = []
        for before in ahead:
            self._last_us = max(self._last_us + 1, round(self._arrived_us - before))
            times.append(self._last_us)
        return times
