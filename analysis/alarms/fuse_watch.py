"""How warm a fuse is as samples arrive, by the report's own rules. docs/methods.md, Alarms while recording.

The network of its table is followed along the lines between samples. What the published rows alone allow follows from
how much heat the windows ending at each sample hold, by weights from the linear program of the report: as long as no
window holds more than the weights cover, no fuse that keeps the rows has come to the line. When one does, the program
is solved anew for the largest windows so far; if the line is not reached, its weights cover them.

For every watched window length T and every sample k `WindowWatch` gives an upper bound on what any window of that
length that ends after sample k − 1 and not after sample k holds. With F the integral of i² and e the end of such a
window, G(e) = F(e) − F(e − T) rises by at most the maximum i² there less the minimum i² one window earlier, and falls
likewise: with its values at both samples that gives an upper bound, exact for a steady current. For long windows only
checkpoints of F are stored, spaced by 1/SHARE of the shortest window of their group, and the window is taken to begin
at the previous one. The bound never misses a window, and never exceeds what a window longer by `slack_s` holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from amptally.analysis.alarms.signals import ROUNDING, Array, Checkpoints
from amptally.analysis.exposure.exposure import WINDOW_INTERVALS
from amptally.analysis.protection.fuse_curve import NEAR_MARGIN, rows_of
from amptally.analysis.protection.fuse_eligibility import FuseSpec, usable_rating
from amptally.analysis.protection.guarantee import FOR_EVER_S, INSTANT_S
from amptally.analysis.protection.line_heat import DecayingTerms
from amptally.analysis.protection.thermal_memory import Network, Rows, covering
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.results.reason import Reason

STEP = 1.5
"""Maximum ratio of neighbouring windows. A burst between two of them reads at most 5 % low. Our own choice."""
LONGEST_S = 3600.0
"""Longest watched window; a steady current as high as its mean stands for what is longer."""
SHARE = 64
"""Checkpoints in the shortest window of a group."""
SPAN = 64
"""A group holds windows up to this many times its shortest."""
SLIP_S = 1e-9
"""A moment this close before a checkpoint counts as being at it: windows of whole intervals begin at samples."""
NEAR_RISE = 1 / NEAR_MARGIN**2
"""Rise, as a share of what opens the fuse, from which the report calls it near."""
SLACK = 0.01
"""The near line counts as reached this share early, so that the program need not be solved for every sample."""
LOOK_AGAIN_S = 1.0
"""Once it is passed, the program is solved for the windows ending now this often, to see whether it still is."""
LOOK_AGAIN_SHARE = 0.05
"""And as often as what old weights say has risen by this share: what is told is no more than that too high."""
TINY = 1e-9


@dataclass(frozen=True, slots=True)
class FuseLimit:
    """A fuse whose current is measured and whose limits are published."""

    place: str
    """main, left or right."""
    rows: Rows
    """Of its earliest opening."""
    derated_a: float
    """In the air that the machine file states, or the usual one."""
    spec: FuseSpec

    def derated_in_a(self, air_c: float) -> float | None:
        """The rating in measured air [°C]; None where no table goes so far."""
        return usable_rating(replace(self.spec, measured_c=air_c)).derated_a

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
        return FuseLimit(fuse.place, rows_of(usable.table, "earliest"), usable.derated_a, fuse)
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


def watched_windows(rows: Rows) -> tuple[float, ...]:
    """Lengths to watch [s]: every published time up to LONGEST_S, and steps of at most STEP between."""
    times = [*(time_s for time_s, _ in rows if time_s < LONGEST_S), LONGEST_S]
    windows = set(times)
    for short, long in pairwise(times):
        steps = math.ceil(math.log(long / short) / math.log(STEP))
        windows |= {short * (long / short) ** (step / steps) for step in range(1, steps)}
    return tuple(sorted(windows))


class NetworkWatch:
    """The rise of a network, carried on from samples to samples."""

    def __init__(self, network: Network) -> None:
        self._shares = np.array(network.shares)
        self._terms = DecayingTerms(network.constants_s)

    def take(self, time_s: Array, start_a: Array, end_a: Array) -> Array:
        """The rise in A² at the end of each line: times shape (n + 1,), the first being the last one taken before."""
        return np.asarray(self._shares @ self._terms.after(time_s, start_a, end_a))


class RowsWatch:
    """How near to a line what the rows allow has come, from the windows that end at each sample."""

    def __init__(self, rows: Rows, windows_s: tuple[float, ...], line_a2: float, again: float) -> None:
        """`line_a2`: the rise in A² at which it is reached; below `again` of it the next event begins."""
        self._rows = (*rows[:-1], (FOR_EVER_S, rows[-1][1]))
        # With an instant before the windows, and what is longer than all of them.
        self._lengths_s = np.array([INSTANT_S, *windows_s, FOR_EVER_S])
        self._line_a2, self._again = line_a2, again
        self._most_a2s = np.zeros(len(self._lengths_s))
        self._look_s: float | None = None
        """While the line is passed: when to look whether it still is."""
        self._told = 0.0
        """What the program gave then, over the line."""
        # To begin with, weights for a current that is steady at the line.
        self._cover_a2s = self._covered(line_a2 * self._lengths_s)[1]

    def move_line(self, line_a2: float) -> None:
        """Measure against another line from here on; what was passed before is looked at anew."""
        share = self._line_a2 / line_a2
        self._line_a2 = line_a2
        self._cover_a2s = self._cover_a2s / share
        self._told *= share

    def take(self, time_s: Array, held_a2s: Array, max_a2: Array, network_a2: Array) -> Array:
        """Rise over the line at each sample, an upper bound; 1 or more while it is passed.

        `held_a2s` of the watched windows, shape (windows, n); `max_a2` the largest i² since the sample before, and
        `network_a2` the rise of the likely network, which is never above what the rows allow.
        """
        mean_a2 = held_a2s[-1:] / self._lengths_s[-2]
        heat_a2s = np.concatenate((INSTANT_S * max_a2[None, :], held_a2s, FOR_EVER_S * mean_a2))
        share = np.empty(len(max_a2))
        at = 0
        while at < len(share):
            part, network = heat_a2s[:, at:], network_a2[at:] / self._line_a2
            level = np.maximum((part / self._cover_a2s[:, None]).max(axis=0), network)
            look_s = self._look_s
            if look_s is None:
                turns = np.flatnonzero(level >= 1)
            else:
                turns = np.flatnonzero((time_s[at:] >= look_s) | (level >= self._told * (1 + LOOK_AGAIN_SHARE)))
            stop = int(turns[0]) + 1 if len(turns) else len(level)
            share[at : at + stop] = level[:stop] if look_s is None else np.maximum(level[:stop], 1 + TINY)
            if look_s is None:
                self._most_a2s = np.maximum(self._most_a2s, part[:, :stop].max(axis=1))
            if len(turns):
                heat = self._most_a2s if look_s is None else part[:, stop - 1]
                total_a2, self._cover_a2s = self._covered(heat)
                found = max(total_a2 / self._line_a2, float(network[stop - 1]))
                share[at + stop - 1] = self._turn(found, float(time_s[at + stop - 1]))
            at += stop
        return share

    def _turn(self, found: float, time_s: float) -> float:
        """The level to tell where the program has been solved for what the rows allow, over the line."""
        if found >= 1 - SLACK if self._look_s is None else found >= self._again:
            self._look_s, self._told = time_s + LOOK_AGAIN_S, found
            return max(found, 1 + TINY)
        if self._look_s is not None:
            self._look_s = None
            self._most_a2s[:] = 0.0
        return min(found, self._again * (1 - TINY)) if found < self._again else found

    def _covered(self, heat_a2s: Array) -> tuple[float, Array]:
        """Rise that these windows allow, and what the weights cover when they are scaled to the line."""
        total_a2, cover = covering(self._rows, self._lengths_s, heat_a2s)
        return total_a2, cover(self._lengths_s) * (self._line_a2 / total_a2)


class WindowWatch:
    """Running exposure of one lead over some windows, in constant memory."""

    def __init__(self, windows_s: tuple[float, ...]) -> None:
        """`windows_s` rising."""
        self._windows_s = np.array(windows_s)
        self._groups = list(_groups(windows_s))
        self._count = 0
        self._last = (0.0, 0.0)

    @property
    def nbytes(self) -> int:
        """Size of the checkpoints."""
        return sum(group.points.nbytes for group in self._groups)

    def slack_s(self, window_s: float, interval_s: float) -> float:
        """By how much the window behind the bound is longer than `window_s` at most [s], for a steady interval."""
        spacing_s = next(group.points.spacing_s for group in self._groups if window_s in self._windows_s[group.members])
        return 2 * interval_s if interval_s >= spacing_s * (1 + ROUNDING) else 3 * interval_s + spacing_s

    def take(self, time_s: Array, start_a: Array, end_a: Array) -> Array:
        """What the windows hold at each of at most MAX_SLICE samples [A²s], shape (windows, n).

        `time_s`: since the first sample of all, shape (n,); `start_a` and `end_a`: the current at both ends of the
        line before each sample. A window that reaches back before the first sample holds what was measured.
        """
        before_s, before_a2s = self._last
        piece_a2s = np.diff(time_s, prepend=before_s) / 3 * (start_a * start_a + start_a * end_a + end_a * end_a)
        # One running sum, so that the rounding does not depend on how the samples were cut.
        total_a2s = np.cumsum(np.concatenate(([before_a2s], piece_a2s)))
        number = np.arange(self._count, self._count + len(time_s), dtype=np.float64)
        ends = _Ends(np.concatenate(([before_s], time_s)), total_a2s, start_a, end_a)
        for group in self._groups:
            group.points.append(time_s, total_a2s[1:], start_a, end_a, number)
        self._count += len(time_s)
        self._last = (float(time_s[-1]), float(total_a2s[-1]))
        return np.concatenate([ends.most(group.points.table, self._windows_s[group.members]) for group in self._groups])


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

    def most(self, table: Array, windows_s: Array) -> Array:
        """Upper bound, shape (windows, n), for windows ending in the piece before each sample; 0 for those that span
        less than two pieces.
        """
        window_s = windows_s[:, None]
        begin_s = self.axis_s - window_s
        points = _Points.at(table, begin_s)
        piece_s = np.diff(self.axis_s)
        # A window one piece longer holds both and all between them.
        most = self.total_a2s[1:] - points.total_a2s[:, :-1]
        if points.exact.any():
            most = self._closer(points, begin_s, piece_s, most)
        return np.where(window_s >= WINDOW_INTERVALS * piece_s * (1 - ROUNDING), most, 0.0)

    def _closer(self, points: _Points, begin_s: Array, piece_s: Array, most: Array) -> Array:
        """`most`, or less where F and i are known between the checkpoints at which the windows begin."""
        held = self.total_a2s - points.total_a2s
        before, now = held[:, :-1], held[:, 1:]
        high, low = _square_range(self.start_a, self.end_a)
        left, right = points.between(slice(None, -1), slice(1, None))
        high_gone, low_gone = _square_range(points.current_a[:, :-1], points.current_a[:, 1:], left, right)
        up, down = np.maximum(high - low_gone, 0.0), np.maximum(high_gone - low, 0.0)
        slopes = up + down
        rise = np.divide(now - before + down * piece_s, slopes, out=np.zeros_like(slopes), where=slopes > 0) * up
        tight = np.maximum(before + rise, np.maximum(before, now))
        steps = points.place[:, 1:] - points.place[:, :-1]
        known = points.exact[:, :-1] & points.exact[:, 1:] & (steps <= 1) & (begin_s[:, :-1] >= 0)
        return np.where(known, np.minimum(tight, most), most)


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
        if not exact.any():
            return cls(table, place, exact, totals[place], starts[after])
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
