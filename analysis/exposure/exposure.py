"""How much current, for how long: the largest RMS of |i| over any window of a given length. Method: docs/methods.md."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from amptally.analysis.exposure.long_square import LongSquare
from amptally.analysis.exposure.square_integral import SquareIntegral
from amptally.analysis.exposure.window_search import Array, Index, Mask
from amptally.analysis.results.estimate import Estimate, estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_terms import lag_s, pulse_seen
from amptally.analysis.signals.sampling import Spacing, rms_sampling_u, spacing

FIXED_WINDOWS_S = (0.1, 1.0, 10.0, 60.0, 600.0)
LOG_SPACED_WINDOWS = 41
WINDOW_INTERVALS = 2
"""Samples cannot show windows shorter than this many of their intervals."""
HIDDEN_SHARE = 0.02
"""What a gap could add to ∫ i² of the worst window, as a share, without a word about it: 1 % of the RMS. Own choice."""
TIE = 1e-9
"""Windows whose integrals differ by less, relative, count as equal."""


@dataclass(frozen=True, slots=True)
class CurrentError:
    """What is declared about one current sensor, 1 σ, after correction; None = not declared."""

    gain_u: float | None = None
    """Relative."""
    offset_u_a: float | None = None
    noise_a: float | None = None
    """Of one sample."""
    corner_hz: float | None = None
    """Corner of the filter before the converter."""
    unseen: Reason | None = None
    """Why the true RMS may be larger than the samples show, whatever the window; None where nothing indicates it."""

    def rms_terms(self, rms_a: float, samples: float) -> dict[str, float | None]:
        """1 σ contributions to an RMS over that many samples, in A.

        An offset o moves an RMS by o · mean / rms, which is at most o. White noise σ moves it by σ / √samples at random
        and, as squares only add, by about σ² / (2 rms) upwards.
        """
        noise = None
        if self.noise_a is not None:
            upwards = self.noise_a**2 / (2 * rms_a) if rms_a > self.noise_a else self.noise_a
            noise = math.hypot(self.noise_a / math.sqrt(max(samples, 1.0)), upwards)
        return {
            "sensor gain": None if self.gain_u is None else self.gain_u * rms_a,
            "sensor offset": self.offset_u_a,
            "sensor noise": noise,
        }


@dataclass(frozen=True, slots=True)
class Window:
    """The window of one length that holds the largest RMS."""

    window_s: float
    rms_a: float
    """What was not measured counts as no current."""
    start_s: float
    """In run time."""
    crosses_gap: bool
    """Samples are missing inside: the RMS is a lower bound (`at_least`)."""
    axis_s: float = 0.0
    """Where it begins, from the first sample on."""

    @property
    def end_s(self) -> float:
        """In run time."""
        return self.start_s + self.window_s


@dataclass(frozen=True, slots=True, eq=False)
class Exposure:
    """One current channel prepared for any number of windows; see `prepare` and `from_interval_rms`."""

    start_s: float
    """Run time of the first sample."""
    square: SquareIntegral | LongSquare
    """i² from the first sample on; nothing flows in a gap, so that no integral is more than what was measured."""
    gap_axis_s: Array
    """Where the gaps begin, from the first sample on, increasing."""
    gap_s: Array
    """How long they are."""
    gap_pieces: Index
    """Which pieces of `square` they are."""
    interval_s: float
    """Median sample interval, gaps left out."""
    interval_rms: bool
    """The board's own interval RMS was used, not a line between samples."""
    spacing: Spacing
    """How far apart the samples lie."""
    known: dict[float, Window] = field(default_factory=dict)
    """Worst windows found so far, by their length."""
    sampling_u: dict[tuple[float, float], float] = field(default_factory=dict)
    """Relative 1 σ of the RMS of some windows, by start and length, from the spacing of their samples."""

    @classmethod
    def prepare(
        cls, t_s: Array, current_a: Array, gap_after: npt.ArrayLike, known: tuple[float, Spacing] | None = None
    ) -> Exposure:
        """From samples joined by straight lines.

        `t_s` [s] and `current_a` [A], shape (n,), n ≥ 2, strictly increasing times, no NaN; `gap_after[k]`, shape
        (n − 1,), marks the interval after sample k as a gap. Raises ValueError otherwise, and when all are gaps.
        `known` is the usual interval and the spacing of the samples, of times that are known already.
        """
        return cls._build(t_s, current_a, gap_after, known, interval_rms=False)

    @classmethod
    def from_interval_rms(
        cls, t_s: Array, rms_a: Array, gap_after: npt.ArrayLike, known: tuple[float, Spacing] | None = None
    ) -> Exposure:
        """From the board's interval RMS, as `prepare`: rms_a[k] holds for the whole interval that ends at t_s[k].

        The first sample, and the first one after each gap, describe time before the curve and are not used.
        """
        return cls._build(t_s, rms_a, gap_after, known, interval_rms=True)

    @classmethod
    def _build(
        cls,
        t_s: Array,
        current_a: Array,
        gap_after: npt.ArrayLike,
        known: tuple[float, Spacing] | None,
        *,
        interval_rms: bool,
    ) -> Exposure:
        t_s = np.asarray(t_s, np.float64)
        current_a = np.asarray(current_a, np.float64)
        gap: Mask = np.asarray(gap_after, np.bool_)
        if t_s.ndim != 1 or len(t_s) < 2 or current_a.shape != t_s.shape or gap.shape != (len(t_s) - 1,):
            raise ValueError("needs n ≥ 2 times, as many currents, and n − 1 gap marks")
        if gap.all():
            raise ValueError("every interval between two samples is a gap")
        if known is None:
            steps = np.diff(t_s)
            if not (np.all(steps > 0) and math.isfinite(t_s[0]) and math.isfinite(t_s[-1])):
                raise ValueError("times must be finite and strictly increasing")
            known = float(np.median(steps[~gap])), spacing(t_s, gap)
        at = np.flatnonzero(gap)
        axis_s = t_s - t_s[0] if t_s[0] else t_s  # the same array, where it is
        start_a, end_a = (current_a[1:], current_a[1:]) if interval_rms else (current_a[:-1], current_a[1:])
        if len(at):
            start_a, end_a = np.where(gap, 0.0, start_a), np.where(gap, 0.0, end_a)
        square = SquareIntegral.prepare(axis_s, start_a, end_a)
        return cls(float(t_s[0]), square, axis_s[at], axis_s[at + 1] - axis_s[at], at, known[0], interval_rms, known[1])

    @property
    def duration_s(self) -> float:
        """Last sample time less the first, gaps included."""
        return self.square.length_s

    @property
    def missing_s(self) -> float:
        """Length of all gaps."""
        return float(self.gap_s.sum())

    def filled(self, current_a: float) -> Exposure:
        """The same with this current in every gap, its samples unchanged."""
        return self._with_gaps(np.full(len(self.gap_s), current_a))

    def bridged(self) -> Exposure:
        """The same with a straight line across every gap, as `bridged_ah` has it; it stands with its RMS."""
        sides = np.zeros((2, len(self.gap_s)))
        for place, piece in enumerate(self.gap_pieces.tolist()):
            first = max(piece - 1, 0)
            _, start_a, end_a = self.square.load(first, min(piece + 2, self.square.pieces))
            inside = piece - first
            # At the first or the last piece of all only one side was measured.
            before_a = end_a[inside - 1] if inside else start_a[inside + 1]
            sides[:, place] = before_a, start_a[inside + 1] if inside + 1 < len(start_a) else before_a
        before_a, after_a = sides
        return self._with_gaps(np.sqrt((before_a**2 + before_a * after_a + after_a**2) / 3))

    def _with_gaps(self, current_a: Array) -> Exposure:
        square = self.square.filled(self.gap_pieces, self.gap_s, current_a)
        return replace(self, square=square, known={}, sampling_u={})

    @property
    def coarse_s(self) -> float:
        """Intervals no longer than this hold 95 % of sampled time; the usual interval where sampling is even."""
        return self.spacing.coarse_s

    @property
    def peak_a(self) -> float:
        """Maximum |i| on the lines between samples [A]."""
        return math.sqrt(self.square.max_a2)

    @property
    def shortest_window_s(self) -> float:
        """The shortest window that the samples show."""
        return WINDOW_INTERVALS * self.interval_s

    def refusal(self, window_s: float) -> Reason | None:
        """Why the data cannot support this window; None where they can."""
        if window_s > self.duration_s * (1 + TIE):
            return Reason("run_shorter_than_window", duration_s=self.duration_s, window_s=window_s)
        if window_s < self.shortest_window_s * (1 - TIE):
            return Reason("window_too_short", window_s=window_s, interval_s=self.interval_s)
        return None

    def worst(self, window_s: float) -> Window:
        """The largest RMS over any window of this length, 0 < window_s ≤ duration_s.

        Raises ValueError for other lengths; `refusal` decides whether a window is too short for the sample interval.
        """
        return self.worst_of([window_s])[0]

    def worst_of(self, windows_s: Iterable[float]) -> list[Window]:
        """`worst` of many lengths, found together."""
        lengths = [float(window_s) for window_s in windows_s]
        new = [window_s for window_s in dict.fromkeys(lengths) if window_s not in self.known]
        for window_s, found in zip(new, self._search(new, [-1.0] * len(new)), strict=True):
            if found is None:
                raise ArithmeticError("the search found no window")
            self.known[window_s] = found
        return [self.known[window_s] for window_s in lengths]

    def worst_above(self, window_s: float, floor_a: float) -> Window | None:
        """As `worst`, but None, and quickly so, when no window of this length has an RMS above `floor_a` ≥ 0."""
        return self.above_of([window_s], [floor_a])[0]

    def above_of(self, windows_s: Sequence[float], floors_a: Sequence[float]) -> list[Window | None]:
        """`worst_above` of many lengths, found together."""
        lengths = zip(windows_s, floors_a, strict=True)
        return self._search(windows_s, [floor_a**2 * each_s for each_s, floor_a in lengths])

    def _search(self, windows_s: Sequence[float], floors_a2s: Sequence[float]) -> list[Window | None]:
        for window_s in windows_s:
            if not 0 < window_s <= self.duration_s * (1 + TIE):
                raise ValueError(f"a window lasts more than 0 and at most {self.duration_s} s, not {window_s}")
        lengths_s = np.minimum(np.array(windows_s, np.float64), self.duration_s)
        integrals_a2s, starts_s = self.square.search_all(lengths_s, np.array(floors_a2s, np.float64))
        each = zip(windows_s, integrals_a2s.tolist(), starts_s.tolist(), strict=True)
        return [
            None if math.isnan(start_s) else self._window(window_s, held_a2s, start_s)
            for window_s, held_a2s, start_s in each
        ]

    def seconds_above(self, *levels_a: float) -> list[tuple[float, float]]:
        """For each level ≥ 0: sampled time with |i| above it, and its 1 σ from not knowing when i passed; in s."""
        return [(above_s, math.sqrt(passed_s2 / 12)) for above_s, passed_s2 in self.square.seconds_above(levels_a)]

    def window(self, start_s: float, window_s: float) -> Window:
        """The window that begins at a run time, inside the run."""
        axis_s = np.clip(np.array([start_s - self.start_s, start_s - self.start_s + window_s]), 0.0, self.duration_s)
        held_a2s = float(self.square.between(axis_s[:1], axis_s[1:])[0])
        return self._window(window_s, held_a2s, float(axis_s[0]))

    def _window(self, window_s: float, integral_a2s: float, axis_s: float) -> Window:
        rms_a = math.sqrt(max(integral_a2s, 0.0) / window_s)
        return Window(window_s, rms_a, self.start_s + axis_s, self._missing_s(axis_s, window_s) > 0, axis_s)

    def _missing_s(self, axis_s: float, window_s: float) -> float:
        """Length of the gaps in a window; a rounding step at its ends is none."""
        end_s = axis_s + window_s
        first = int(np.searchsorted(self.gap_axis_s + self.gap_s, axis_s, "right"))
        stop = int(np.searchsorted(self.gap_axis_s, end_s))
        begin_s = np.maximum(self.gap_axis_s[first:stop], axis_s)
        inside_s = np.minimum(self.gap_axis_s[first:stop] + self.gap_s[first:stop], end_s) - begin_s
        slip_s = 8 * float(np.spacing(self.duration_s))
        return float(inside_s[inside_s > slip_s].sum())

    def could_hide(self, window: Window, current_a: float) -> bool:
        """Whether a window as long that has a gap in it could hold clearly more, were `current_a` to flow in gaps.

        A window that overlaps a gap holds no more than what was measured from one length before the gap to one after
        it, and `current_a`² for the time that is missing there.
        """
        if not len(self.gap_s):
            return False
        length_s, end_s = window.window_s, self.gap_axis_s + self.gap_s
        from_s = np.maximum(self.gap_axis_s - length_s, 0.0)
        to_s = np.minimum(end_s + length_s, self.duration_s)
        missing_s = np.concatenate(([0.0], np.cumsum(self.gap_s)))
        first, stop = np.searchsorted(end_s, from_s, "right"), np.searchsorted(self.gap_axis_s, to_s)
        lost_s = np.minimum(missing_s[stop] - missing_s[first], length_s)
        near_a2s = self.square.between(from_s, to_s)
        # No window holds more measured heat than the worst one, nor the whole of it beside a gap that fills it.
        most_a2s = np.minimum(near_a2s, window.rms_a**2 * length_s) + current_a**2 * lost_s
        most_a2s = np.minimum(most_a2s, length_s * max(self.square.max_a2, current_a**2))
        return bool(np.any(most_a2s > window.rms_a**2 * length_s * (1 + HIDDEN_SHARE)))


def rms_estimate(exposure: Exposure, window: Window, error: CurrentError, note: Reason | None = None) -> Estimate:
    """`rms_of_samples`, `at_least` where the window crosses a gap, or where a gap could hide a larger RMS."""
    result = rms_of_samples(exposure, window, error, note)
    if window.crosses_gap:
        return result.bounded("at_least", Reason("window_crosses_gap"))
    if exposure.could_hide(window, exposure.peak_a):
        return result.bounded("at_least", Reason("gap_may_hide_larger_rms", missing_s=exposure.missing_s))
    return result


def rms_of_samples(exposure: Exposure, window: Window, error: CurrentError, note: Reason | None = None) -> Estimate:
    """The RMS in A of what was measured in the window, with its interval.

    `at_least` where, under uneven sampling, the longer intervals could hide a larger one; where the window is shorter
    than the filter's time constant and the board sends no interval RMS, or where `error.unseen` is set.
    """
    length_s = window.window_s
    terms = error.rms_terms(window.rms_a, length_s / exposure.coarse_s)
    terms["sampling"] = _sampling_u(exposure, window, length_s)
    seen = 1.0 if error.corner_hz is None else pulse_seen(length_s, error.corner_hz)
    flattened = window.rms_a * (1 / seen - 1) if seen > 0.1 else 0.0
    result = estimate(window.rms_a, "A", terms, doubt_high=flattened, doubt="filter before the converter", note=note)
    if result.low is not None:
        result = replace(result, low=max(result.low, 0.0))
    missed: list[Reason] = []
    if exposure.coarse_s > exposure.interval_s and window.window_s < 2 * exposure.coarse_s * (1 - TIE):
        missed.append(Reason("samples_miss_larger_rms", interval_s=exposure.coarse_s))
    if error.corner_hz is not None and not exposure.interval_rms and length_s < lag_s(error.corner_hz):
        missed.append(Reason("filter_flattens_window", corner_hz=error.corner_hz))
    if error.unseen is not None:
        missed.append(error.unseen)
    return result.bounded("at_least", *missed) if missed else result


def _sampling_u(exposure: Exposure, window: Window, length_s: float) -> float:
    """1 σ of the window's RMS from the spacing of its samples [A]; a window of few is judged with its neighbours."""
    if exposure.interval_rms:
        return 0.0
    place = window.axis_s, length_s
    if place not in exposure.sampling_u:
        first, stop = exposure.square.span(window.axis_s, window.axis_s + length_s)
        integral_a2s = window.rms_a**2 * length_s
        exposure.sampling_u[place] = rms_sampling_u(
            exposure.square.load, first, stop, integral_a2s, exposure.gap_pieces
        )
    return window.rms_a * exposure.sampling_u[place]


def window_rms(exposure: Exposure, window_s: float, error: CurrentError) -> Estimate:
    """The largest RMS for one window length in A, or the reason why the data have none."""
    reason = exposure.refusal(window_s)
    return refuse("A", reason) if reason else rms_estimate(exposure, exposure.worst(window_s), error)


def window_list(
    duration_s: float,
    interval_s: float,
    published_times_s: Iterable[float] = (),
    rated_after_s: Iterable[float] = (),
) -> Array:
    """Window lengths of the exposure curve [s], sorted: from two sample intervals to the whole run.

    `published_times_s` are the opening times of the fuses in play; `rated_after_s` the shortest times of their 135 %
    rows, each of which also gets the window one sample interval longer, where the limit falls to the rating.
    """
    shortest_s = WINDOW_INTERVALS * interval_s
    if duration_s < shortest_s * (1 - TIE):
        return np.zeros(0)
    named = [*FIXED_WINDOWS_S, *published_times_s, *(time + interval_s for time in rated_after_s)]
    inside = [time for time in named if shortest_s * (1 - TIE) <= time < duration_s * (1 - TIE)]
    spaced = np.geomspace(min(shortest_s, duration_s), duration_s, LOG_SPACED_WINDOWS)[:-1]
    windows: Array = np.unique(np.concatenate([np.array(inside), spaced]))
    windows = windows[windows < duration_s * (1 - TIE)]
    return np.append(windows, duration_s)
