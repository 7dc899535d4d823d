"""The exposure of a fuse as samples arrive, against its earliest opening. docs/methods.md, Alarms while recording.

For every watched window length T and every sample k it gives an upper bound on what any window of that length that ends
after sample k − 1 and not after sample k holds. With F the integral of i² and e the end of such a window,
G(e) = F(e) − F(e − T) rises by at most the maximum i² there less the minimum i² one window earlier, and falls likewise:
with its values at both samples that gives an upper bound, exact for a steady current. For long windows only checkpoints
of F are stored, spaced by 1/SHARE of the shortest window of their group, and the window is taken to begin at the
previous one. The bound never misses a window, and never exceeds what a window longer by `slack_s` holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from amptally.analysis.alarms.signals import ROUNDING, Array, Checkpoints
from amptally.analysis.exposure.exposure import WINDOW_INTERVALS
from amptally.analysis.protection.fuse_curve import JUST_LONGER, Limit
from amptally.analysis.protection.fuse_eligibility import FuseSpec, usable_rating
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.results.reason import Reason

STEP = 1.5
"""Maximum ratio of neighbouring windows. A burst between two of them reads at most 5 % low. Our own choice."""
BEYOND = (JUST_LONGER, 1.26, 1.59)
"""Windows longer than the last published time, where the limit is level, as multiples of it: any stretch of twice that
time or more contains one of at most twice with at least its RMS."""
SHARE = 64
"""Checkpoints in the shortest window of a group."""
SPAN = 64
"""A group holds windows up to this many times its shortest."""
SLIP_S = 1e-9
"""A moment this close before a checkpoint counts as being at it: windows of whole intervals begin at samples."""


@dataclass(frozen=True, slots=True)
class FuseLimit:
    """A fuse whose current is measured and whose limits are published."""

    place: str
    """main, left or right."""
    limit: Limit
    """Allowed RMS by length of window: the earliest opening."""

    @property
    def lead(self) -> str:
        """The lead whose current it carries."""
        return LEAD_OF[self.place]


def fuse_limit(fuse: FuseSpec) -> FuseLimit | Reason:
    """The limit of a fuse, or why it cannot be watched; decided as in the report."""
    at, usable = fuse.sensor, usable_rating(fuse)
    if at.code == "unknown":
        return Reason("unwatched_sensor_unknown")
    if at.code == "differs":
        return Reason("unwatched_sensor_elsewhere")
    if usable.table is not None and usable.derated_a is not None:
        return FuseLimit(fuse.place, Limit.of(usable.table, usable.derated_a, "earliest"))
    match usable.code:
        case "rating_missing":
            return Reason("unwatched_rating_missing")
        case "family_missing":
            return Reason("unwatched_family_missing")
        case "family_unknown":
            return Reason("unwatched_family_unknown", family=fuse.family)
        case "rating_unknown":
            return Reason("unwatched_rating_unknown", family=fuse.family, rating_a=fuse.rating_a)
        case _:
            return Reason("unwatched_air_beyond_table", air_c=fuse.air_c)


def watched_windows(limit: Limit) -> tuple[float, ...]:
    """Lengths to watch [s]: every published time, steps of at most STEP between, and some beyond the last."""
    times = [time for time, _ in limit.points]
    windows = {*times, *(limit.last_s * factor for factor in BEYOND)}
    for short, long in pairwise(times):
        steps = math.ceil(math.log(long / short) / math.log(STEP))
        windows |= {short * (long / short) ** (step / steps) for step in range(1, steps)}
    return tuple(sorted(windows))


class Reading:
    """Exposure over allowed current at each of some samples."""

    def __init__(self, ratio: Array, windows_s: Array, allowed_a: Array) -> None:
        self.ratio, self._windows_s, self._allowed_a = ratio, windows_s, allowed_a
        self.worst: Array = ratio.max(axis=0)
        """Maximum ratio over all windows, shape (n,)."""

    def window(self, index: int) -> tuple[float, float, float]:
        """(length s, RMS A, allowed A) of the window with the highest ratio at a sample."""
        place = int(np.argmax(self.ratio[:, index]))
        allowed_a = float(self._allowed_a[place])
        return float(self._windows_s[place]), float(self.ratio[place, index]) * allowed_a, allowed_a


class WindowWatch:
    """Running exposure of one lead over some windows, in constant memory."""

    def __init__(self, windows_s: tuple[float, ...], allowed_a: tuple[float, ...], min_ratio: float) -> None:
        """`windows_s` rising; ratios below `min_ratio` need not be computed."""
        self._windows_s = np.array(windows_s)
        self._allowed_a = np.array(allowed_a)
        self._floor_a2s = (min_ratio * self._allowed_a) ** 2 * self._windows_s
        # Per window: its content at some sample, and F there. It has gained at most what F has since.
        self._held_a2s = np.zeros(len(windows_s))
        self._held_at_a2s = np.zeros(len(windows_s))
        self._groups = list(_groups(windows_s))
        self._count = 0
        self._last: tuple[float, float, float] | None = None

    @property
    def nbytes(self) -> int:
        """Size of the checkpoints."""
        return sum(group.points.nbytes for group in self._groups)

    def slack_s(self, window_s: float, interval_s: float) -> float:
        """By how much the window behind the bound is longer than `window_s` at most [s], for a steady interval."""
        spacing_s = next(group.points.spacing_s for group in self._groups if window_s in self._windows_s[group.members])
        return 2 * interval_s if interval_s >= spacing_s * (1 + ROUNDING) else 3 * interval_s + spacing_s

    def take(self, axis_s: Array, growth_s: Array, current_a: Array, *, interval_rms: bool) -> Reading | None:
        """The windows' bounds at each of at most MAX_SLICE samples; None where no ratio reaches `min_ratio`.

        `axis_s`: sampled time, `growth_s` its growth before each sample. Between samples the current is a straight
        line; with `interval_rms` each value holds for the whole interval that it ends.
        """
        before_s, before_a2s, before_a = self._last or (0.0, 0.0, float(current_a[0]))
        start_a = current_a if interval_rms else np.concatenate(([before_a], current_a[:-1]))
        piece_a2s = growth_s / 3 * (start_a * start_a + start_a * current_a + current_a * current_a)
        # One running sum, so that the rounding does not depend on how the samples were cut.
        total_a2s = np.cumsum(np.concatenate(([before_a2s], piece_a2s)))
        number = np.arange(self._count, self._count + len(axis_s), dtype=np.float64)
        ends = _Ends(np.concatenate(([before_s], axis_s)), total_a2s, start_a, current_a)
        for group in self._groups:
            group.points.append(axis_s, total_a2s[1:], start_a, current_a, number)
        self._count += len(axis_s)
        self._last = (float(axis_s[-1]), float(total_a2s[-1]), float(current_a[-1]))
        wanted = self._held_a2s + (total_a2s[-1] - self._held_at_a2s) >= self._floor_a2s
        if not wanted.any():
            return None
        ratios, chosen = [], []
        for group in self._groups:
            members = group.members[wanted[group.members]]
            if len(members):
                most_a2s, last_a2s = ends.most(group.points.table, self._windows_s[members])
                ratios.append(np.sqrt(most_a2s / self._windows_s[members, None]) / self._allowed_a[members, None])
                chosen.append(members)
                self._held_a2s[members], self._held_at_a2s[members] = last_a2s, total_a2s[-1]
        members = np.concatenate(chosen)
        return Reading(np.concatenate(ratios), self._windows_s[members], self._allowed_a[members])


@dataclass(frozen=True, slots=True)
class _Group:
    """Windows that share checkpoints."""

    members: npt.NDArray[np.int64]
    points: Checkpoints


def _groups(windows_s: tuple[float, ...]) -> list[_Group]:
    groups, first = [], 0
    for place in range(1, len(windows_s) + 1):
        if place == len(windows_s) or windows_s[place] > SPAN * windows_s[first]:
            points = Checkpoints(4, windows_s[first] / SHARE, windows_s[place - 1])
            groups.append(_Group(np.arange(first, place), points))
            first = place
    return groups


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """The samples at which windows end. Integrals in A²s, each array with the sample before the first one in front."""

    axis_s: Array
    total_a2s: Array
    start_a: Array
    """Shape (n,), like end_a: the current at both ends of the piece before each sample."""
    end_a: Array

    def most(self, table: Array, windows_s: Array) -> tuple[Array, Array]:
        """(upper bound, shape (windows, n), for windows ending in the piece before each sample; and, shape (windows,),
        for those ending at the last sample). The bound is 0 where a window is not yet full or spans under two pieces.
        """
        window_s = windows_s[:, None]
        begin_s = self.axis_s - window_s
        points = _Points.at(table, begin_s)
        held = self.total_a2s - points.total_a2s
        before, now = held[:, :-1], held[:, 1:]
        # A window one piece longer holds both and all between them.
        most = self.total_a2s[1:] - points.total_a2s[:, :-1]
        piece_s = np.diff(self.axis_s)
        high, low = _square_range(self.start_a, self.end_a)
        left, right = points.between(slice(None, -1), slice(1, None))
        high_gone, low_gone = _square_range(points.current_a[:, :-1], points.current_a[:, 1:], left, right)
        up, down = np.maximum(high - low_gone, 0.0), np.maximum(high_gone - low, 0.0)
        slopes = up + down
        rise = np.divide(now - before + down * piece_s, slopes, out=np.zeros_like(slopes), where=slopes > 0) * up
        tight = np.maximum(before + rise, np.maximum(before, now))
        steps = points.place[:, 1:] - points.place[:, :-1]
        known = points.exact[:, :-1] & points.exact[:, 1:] & (steps <= 1) & (begin_s[:, :-1] >= 0)
        most = np.where(known, np.minimum(tight, most), most)
        counts = (self.axis_s[1:] >= window_s * (1 - ROUNDING)) & (
            window_s >= WINDOW_INTERVALS * piece_s * (1 - ROUNDING)
        )
        return np.where(counts, most, 0.0), held[:, -1]


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    """Moments on the axis of sampled time, seen from the checkpoints; every array has the shape of the moments."""

    table: Array
    place: npt.NDArray[np.int64]
    """The checkpoint at or before each moment."""
    exact: npt.NDArray[np.bool_]
    """The next checkpoint is the next sample: F and i are known in between."""
    total_a2s: Array
    """F there, or where it is not known a lower bound, its value at the checkpoint."""
    current_a: Array

    @classmethod
    def at(cls, table: Array, axis_s: Array) -> _Points:
        axis_s = np.maximum(axis_s, 0.0)
        moments, totals, starts, ends, numbers = table
        place = np.clip(np.searchsorted(moments, axis_s + SLIP_S, side="right") - 1, 0, max(len(moments) - 2, 0))
        after = np.minimum(place + 1, len(moments) - 1)
        exact = numbers[after] - numbers[place] == 1
        length_s = moments[after] - moments[place]
        into_s = np.clip(axis_s - moments[place], 0.0, length_s)
        start_a = starts[after]
        share = np.divide(into_s, length_s, out=np.zeros_like(into_s), where=length_s > 0)
        current_a = start_a + share * (ends[after] - start_a)
        inside = into_s / 3 * (start_a * start_a + start_a * current_a + current_a * current_a)
        return cls(table, place, exact, totals[place] + np.where(exact, inside, 0.0), current_a)

    def between(self, first: slice, second: slice) -> tuple[Array, Array]:
        """The current before and after the sample between two moments at most one piece apart."""
        place, last = self.place[:, first], self.place[:, second]
        crossed = last > place
        after = np.minimum(place + 1, self.table.shape[1] - 1)
        following = np.minimum(last + 1, self.table.shape[1] - 1)
        left = np.where(crossed, self.table[3][after], self.current_a[:, first])
        return left, np.where(crossed, self.table[2][following], left)


def _square_range(*current_a: Array) -> tuple[Array, Array]:
    """Maximum and minimum i² of a current along straight lines through these values."""
    high, low = current_a[0], current_a[0]
    for other in current_a[1:]:
        high, low = np.maximum(high, other), np.minimum(low, other)
    square_high, square_low = high * high, low * low
    least = np.where(high * low < 0, 0.0, np.minimum(square_high, square_low))
    return np.maximum(square_high, square_low), least
