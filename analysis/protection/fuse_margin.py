"""Margins of one fuse from the current it carried, and the verdict on them; measured, estimated or only bounded.

Method: docs/methods.md, Fuse margin and Duty.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from amptally.analysis.exposure.exposure import (
    HIDDEN_SHARE,
    WINDOW_INTERVALS,
    CurrentError,
    Exposure,
    Window,
    rms_estimate,
    rms_of_samples,
    window_list,
)
from amptally.analysis.protection.between_samples import heat_of_intervals
from amptally.analysis.protection.fuse_curve import NEAR_MARGIN, rows_of
from amptally.analysis.protection.guarantee import Heat, first_current_a, guaranteed_rise_a2
from amptally.analysis.protection.peak_rise import peak_rise, tightest_window
from amptally.analysis.protection.supply import Translated
from amptally.analysis.protection.thermal_memory import Network, fitted_network
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR, UNDECLARED, Bound, Estimate, ranked, refuse
from amptally.analysis.results.propagation import power_of
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_terms import lag_s, pulse_seen
from amptally.analysis.signals.series import Floats
from amptally.tables.fuse_opening_times import FuseTable, opening_times_s

CONTINUOUS_FRACTION = 0.75  # continuous load at most 75 % of the rating at 25 °C: a maker's fuseology guide
CONTINUOUS_WINDOW_S = 600.0
RESOLVED_SHARE = 1 / WINDOW_INTERVALS
"""Of a table's shortest opening time: samples this far apart show all that counts."""
LARGEST_LIMIT_A, LIMIT_STEP = 10_000.0, 1.05
"""Up to which current, and in which steps, a limit is looked for that would decide a verdict."""
START_S = 0.1
"""RMS of this long at the start of a run, or of two intervals: what may have flowed before it. Our own choice."""

Verdict = Literal["past", "inside", "near", "below", "unknown"]


@dataclass(frozen=True, slots=True)
class Unseen:
    """What may have flowed where nothing was measured."""

    most_a: float | None = None
    """The lead cannot carry more, by the machine file; None where that does not say."""
    unresolved: tuple[Reason, ...] = ()
    """Why more than the samples show may have flowed between them: fuse_sampling_slow, fuse_filter_slow."""
    corner_hz: float | None = None
    """Corner of the filter before the converter."""
    averages: bool = False
    """Each sample is the mean over the interval before it, so that no pulse is missing from it."""
    peak_a: float | None = None
    """The most that flowed, where the board sent the extremes of every interval."""
    most_in: Callable[[Floats], Floats | None] | None = None
    """Closer limits [A] in the interval before each of some moments in run time, shape (n,), where they are known."""


ALL_SEEN = Unseen()


@dataclass(frozen=True, slots=True)
class Closest:
    """The moment at which the fuse was warmest."""

    at_s: float
    """In run time."""
    window: Window
    """The shortest one ending there that holds nine tenths of the rise."""


@dataclass(frozen=True, slots=True)
class Promise:
    """What the published rows alone guarantee, as margins."""

    measured: float
    """Of the current as it was measured."""
    possible: float | None
    """Of all that may have flowed unseen; None where nothing bounds that."""
    before_a: float
    """Assumed to have flowed for ever before the run."""
    why: tuple[Reason, ...]
    """What was assumed to have flowed unseen, or why nothing bounds it."""


@dataclass(frozen=True, slots=True)
class Margins:
    """What one current says about one fuse."""

    margin: Estimate
    """What the whole current could have been multiplied by before the earliest opening."""
    margin_latest: Estimate
    """The same for the latest opening."""
    closest: Closest | None
    """When the fuse was warmest; None where no current flowed."""
    fraction: Estimate
    """Largest 600 s RMS, or that of the driven part if shorter, over the derated rating."""
    filled_fraction: float
    """The same if every gap had carried the most that may flow in it."""
    measured: bool
    """The current is the fuse's own, not translated from the other lead."""
    promise: Promise | None = None
    seen_low: float | None = None
    """Low end by what was measured, without what may have flowed unseen."""
    bridged: float | None = None
    """The margin if the current had gone on across each gap, from one side to the other; None without gaps."""

    @property
    def verdict(self) -> Verdict:
        """How the current stood to the fuse's limits."""
        if self.measured:
            return verdict_of(
                self.margin, self.margin_latest, self.fraction, self.filled_fraction, self.seen_low, self.bridged
            )
        return translated_verdict(self.margin, self.margin_latest, self.fraction, self.filled_fraction)

    def at_most(self, why: Reason) -> Margins:
        """The same where the fuse may carry less than it was held to."""
        return replace(self, margin=_at_most(self.margin, (why,)), margin_latest=_at_most(self.margin_latest, (why,)))

    def held(self, doubts: Doubts, channel: str) -> Margins:
        """The same as far as it may stand under doubts about the current `channel` (an SI name)."""
        margin, seen_low = doubts.hold(self.margin, (channel, "margin")), self.seen_low
        if seen_low is not None and margin.low is not None and self.margin.low:
            seen_low *= margin.low / self.margin.low
        return replace(
            self,
            margin=margin,
            margin_latest=doubts.hold(self.margin_latest, (channel, "margin")),
            fraction=doubts.hold(self.fraction, (channel, "peak")),
            closest=None if doubts.against((channel, "margin")) else self.closest,
            seen_low=seen_low,
        )


def measured_margins(
    exposure: Exposure,
    table: FuseTable,
    derated_a: float,
    error: CurrentError,
    unseen: Unseen = ALL_SEEN,
    driven_s: float = math.inf,
) -> Margins:
    """Margins of a fuse whose own current was measured: the value by the network of its table, low by its rows.

    `driven_s` is how long the machine was driven: the continuous load is not diluted by standing before and after.
    """
    fraction, filled = continuous(exposure, derated_a, error, unseen.most_a, driven_s)
    if unseen.unresolved:
        # What the filter takes off any pulse is in the bounds; the shape of one pulse says no more.
        error = replace(error, corner_hz=None)
    rows = rows_of(table, "earliest")
    likely, closest = _by_network(exposure, fitted_network(rows), derated_a, error)
    if closest is None:
        return Margins(likely, likely, None, fraction, filled, measured=True)
    promise = _promise(exposure, table, derated_a, unseen, _sensor_share(likely))
    latest, _ = _by_network(exposure, fitted_network(rows_of(table, "latest"), latest=True), derated_a, error)
    if promise.possible is None:
        latest = _at_most(latest, promise.why)
    margin, seen_low = _with_promise(likely, promise)
    bridged = None
    if len(exposure.gap_s):
        bridged = derated_a / peak_rise(exposure.bridged(), fitted_network(rows)).steady_a
    return Margins(
        margin, latest, closest, fraction, filled, measured=True, promise=promise, seen_low=seen_low, bridged=bridged
    )


def _by_network(
    exposure: Exposure, network: Network, derated_a: float, error: CurrentError
) -> tuple[Estimate, Closest | None]:
    """1/√(highest rise), with what the sensor and the sampling add in the window that made it."""
    peak = peak_rise(exposure, network)
    if peak.rise_a2 <= 0:
        return refuse("", Reason("no_ratio_without_current")), None
    window = tightest_window(exposure, network, peak)
    rms = rms_of_samples(exposure, window, error)
    margin = power_of(derated_a / peak.steady_a * window.rms_a, rms, -1, "", {})
    return margin, Closest(exposure.start_s + peak.axis_s, window)


def _sensor_share(likely: Estimate) -> float:
    """What sensor and sampling leave of a margin at its low end."""
    return 1.0 if likely.low is None or not likely.value else likely.low / likely.value


def _promise(exposure: Exposure, table: FuseTable, derated_a: float, unseen: Unseen, sensor: float) -> Promise:
    """What the rows guarantee of the current as measured, and of what may have flowed in gaps and between samples."""
    rows = rows_of(table, "earliest")
    lengths_s = window_list(exposure.duration_s, exposure.interval_s, opening_times_s(table)).tolist()
    before_a = first_current_a(exposure, max(START_S, exposure.shortest_window_s))

    def margin(heat: Heat) -> float:
        return derated_a / math.sqrt(guaranteed_rise_a2(rows, heat, lengths_s, before_a))

    heat = Heat.of(exposure)
    measured = margin(heat)
    most_a = max(exposure.peak_a, unseen.most_a or 0.0)
    possible: float | None = measured
    why: list[Reason] = []
    if len(exposure.gap_s):
        heat = Heat.of(exposure.filled(most_a))
        possible = margin(heat)
        hidden = measured > possible * (1 + HIDDEN_SHARE)
        in_gaps = Reason("gaps_assumed_loaded", missing_s=exposure.missing_s, assumed_a=most_a)
        if hidden and (unseen.most_a is None or possible < NEAR_MARGIN):
            # An upper bound; what the gaps may have done is said beside it, where it is known at all.
            facts = {"missing_s": exposure.missing_s, "assumed_a": most_a}
            if unseen.most_a is None:
                in_gaps = Reason("gaps_may_hide_more", **facts)
            else:
                in_gaps = Reason("gaps_would_leave", low=possible, **facts)
            possible = None
        why.append(in_gaps)
    if unseen.unresolved and possible is not None:
        why += unseen.unresolved
        filled = exposure.filled(most_a) if len(exposure.gap_s) else exposure
        possible, bounded = _between_samples(heat, filled, unseen, margin, (RESOLVED_SHARE * rows[0][0], sensor))
        why.append(bounded)
    return Promise(measured, possible, before_a, tuple(why))


def _between_samples(
    heat: Heat,
    exposure: Exposure,
    unseen: Unseen,
    margin: Callable[[Heat], float],
    resolution: tuple[float, float],
) -> tuple[float | None, Reason]:
    """(margin with the most that may have flowed where samples or filter are too slow to show it, what bounds that).

    A filter that is slower than the samples shows each pulse, flattened. Without one a pulse is in the mean or the RMS
    of its interval, where the samples are that, and else may lie between two of them. None where nothing is declared
    that limits its height: the reason then says which field would, and up to what current. `resolution`: how far apart
    samples may be [s], and what sensor and sampling leave of a margin.
    """
    resolved_s, sensor = resolution
    corner_hz, in_samples = unseen.corner_hz, unseen.averages or exposure.interval_rms
    slow_filter = corner_hz is not None and lag_s(corner_hz) >= exposure.coarse_s

    def possible(most_a: float) -> float:
        if slow_filter and corner_hz is not None:
            return margin(heat.behind_filter(lambda length_s: pulse_seen(length_s, corner_hz), most_a))
        if in_samples:
            return margin(heat_of_intervals(exposure, most_a, resolved_s, unseen.most_in))
        return margin(Heat.steady(most_a, exposure.duration_s))

    how = "filter" if slow_filter else "rms" if exposure.interval_rms else "means" if in_samples else "limit"
    highest_a = unseen.most_a if unseen.peak_a is None else unseen.peak_a
    if highest_a is not None:
        most_a = max(highest_a, exposure.peak_a)
        return possible(most_a), Reason("between_samples_at_most", most_a=most_a, how=how)
    return None, Reason("between_samples_open", how=how, enough_a=_enough_a(possible, exposure.peak_a, sensor))


def _enough_a(possible: Callable[[float], float], peak_a: float, sensor: float) -> float | None:
    """The largest limit of a lead [A] with which its margin is no longer near; None where no limit would do."""
    low, high = max(peak_a, 1.0), LARGEST_LIMIT_A
    if possible(low) * sensor < NEAR_MARGIN:
        return None
    while high > low * LIMIT_STEP:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if possible(middle) * sensor >= NEAR_MARGIN else (low, middle)
    return low


def _with_promise(likely: Estimate, promise: Promise) -> tuple[Estimate, float]:
    """The margin with its low end from the rows; and that end for the current as it was measured."""
    assert likely.value is not None
    sensor = _sensor_share(likely)
    seen_low = min(promise.measured, likely.value) * sensor
    rows = Reason("rows_promise", margin=min(promise.measured, likely.value))
    if promise.possible is None or likely.low is None:
        return _at_most(replace(likely, reasons=(rows, *likely.reasons)), promise.why), seen_low
    low = min(promise.possible, promise.measured, likely.value) * sensor
    terms = {term.name: term.u for term in likely.terms}
    terms["what the rows leave open"] = (likely.low - low) / COVERAGE_FACTOR
    reasons = (rows, *promise.why, *likely.reasons)
    return replace(likely, low=low, reasons=reasons, terms=ranked(terms)), seen_low


def _at_most(margin: Estimate, why: Sequence[Reason]) -> Estimate:
    """An upper bound; refused where there is no upper end either."""
    if margin.is_refused or (margin.bound == "at_most" and not why):
        return margin
    if margin.high is None:
        return refuse("", Reason("current_not_above_zero"), *why)
    return margin.bounded("at_most", *why)


def translated_margins(
    through: Translated,
    table: FuseTable,
    derated_a: float,
    error: CurrentError,
    unseen: Unseen = ALL_SEEN,
    driven_s: float = math.inf,
) -> Margins:
    """The same where the current was measured in the other lead: each end from the bound on that side."""
    lower, likely, upper = (
        None if exposure is None else measured_margins(exposure, table, derated_a, error, unseen, driven_s)
        for exposure in (through.lower, through.likely, through.upper)
    )
    assert likely is not None
    how = (*through.how, *unseen.unresolved)
    margin = between(likely.margin, upper.margin if upper else None, lower.margin if lower else None, how)
    margin_latest = between(
        likely.margin_latest, upper.margin_latest if upper else None, lower.margin_latest if lower else None, how
    )
    fraction = between(
        likely.fraction, lower.fraction if lower else None, upper.fraction if upper else None, through.how
    )
    filled = math.inf if upper is None else upper.filled_fraction
    return Margins(
        margin,
        margin_latest,
        likely.closest,
        fraction,
        filled,
        measured=False,
        promise=upper.promise if upper else None,
    )


def continuous_rating_a(load_a: float, usable: float, share: float = CONTINUOUS_FRACTION) -> float:
    """Smallest rating [A] for a continuous load [A]: load/(share × usable), `usable` the share of it left by the air.

    The form of a chip fuse's data sheet p 10; makers differ in the share (0.7 there).
    """
    return load_a / (share * usable)


def between(middle: Estimate, floor: Estimate | None, ceiling: Estimate | None, how: Sequence[Reason]) -> Estimate:
    """`middle` with its lower end from `floor` and its upper end from `ceiling`; an end without either is open."""
    if middle.value is None:
        return middle
    low, high = floor.low if floor else None, ceiling.high if ceiling else None
    if low is None and high is None:
        return refuse(middle.unit, Reason("neither_side_bounded"), *how)
    bound: Bound = "at_most" if low is None else "at_least" if high is None else "estimate"
    low = None if low is None else min(low, middle.value)
    high = None if high is None else max(high, middle.value)
    return Estimate(middle.value, low, high, middle.unit, bound, reasons=(*how, *middle.reasons))


def verdict_of(
    margin: Estimate,
    margin_latest: Estimate,
    fraction: Estimate,
    filled_fraction: float,
    seen_low: float | None = None,
    bridged: float | None = None,
) -> Verdict:
    """The verdict from both margins and the continuous fraction.

    A margin `at_most` x is inside the band for certain where x < 1, and near for certain where x < 1.25. `seen_low` is
    the low end by what was measured alone: where only what may have flowed unseen is near, the verdict stays open. So
    it does where the continuous fraction would be high if every gap had carried the most it can (`filled_fraction`).
    A load that stood on both sides of a gap is taken to have gone on in it (`bridged`): it may be inside, or near.
    """
    if margin.value is None:
        return "unknown"
    if margin_latest.value is not None and margin_latest.value < 1:
        return "past"
    likely = margin.value if bridged is None else min(margin.value, bridged)
    if likely < 1:
        return "inside"
    seen = next(each for each in (seen_low, margin.low, margin.value) if each is not None)
    if min(seen, likely) < NEAR_MARGIN or (fraction.value is not None and fraction.value > CONTINUOUS_FRACTION):
        return "near"
    bounded = margin.low is not None and margin.low >= NEAR_MARGIN
    return "below" if bounded and filled_fraction <= CONTINUOUS_FRACTION else "unknown"


def translated_verdict(
    margin: Estimate, margin_latest: Estimate, fraction: Estimate, filled_fraction: float
) -> Verdict:
    """The verdict on estimates: past and inside only where the whole interval says so, below only at their high end."""
    verdict = verdict_of(margin, margin_latest, fraction, filled_fraction)
    if verdict == "past" and (margin_latest.high is None or margin_latest.high >= 1):
        verdict = "inside"
    if verdict == "inside" and (margin.high is None or margin.high >= 1):
        return "unknown"
    if margin.bound == "at_least" and verdict != "below":
        return "unknown"
    if verdict == "below" and (fraction.high is None or fraction.high > CONTINUOUS_FRACTION):
        return "unknown"
    return verdict


def continuous(
    exposure: Exposure,
    derated_a: float,
    error: CurrentError,
    most_a: float | None = None,
    driven_s: float = math.inf,
) -> tuple[Estimate, float]:
    """The continuous fraction [1], and what it would be if every gap had carried the most it can.

    That is `most_a` where it is known, or else the run's largest current. Of a run driven for less than 600 s the part
    in which it was driven counts, `driven_s` long.
    """
    window_s = min(CONTINUOUS_WINDOW_S, max(driven_s, exposure.shortest_window_s), exposure.duration_s)
    reason = exposure.refusal(window_s)
    if reason:
        return refuse("", reason), math.inf
    window = exposure.worst(window_s)
    gap_share = min(exposure.missing_s / window_s, 1.0)
    filled_a = math.sqrt(window.rms_a**2 + gap_share * max(exposure.peak_a, most_a or 0.0) ** 2)
    rms = rms_estimate(exposure, window, error, _shorter(window_s, exposure.duration_s))
    return power_of(1 / derated_a, rms, 1, "", {}), filled_a / derated_a


def _shorter(window_s: float, run_s: float) -> Reason | None:
    """The reason to carry where the RMS of a shorter time stands for that of 600 s; None where none does."""
    if window_s >= CONTINUOUS_WINDOW_S:
        return None
    return Reason("driven_part_rms", driven_s=window_s) if window_s < run_s else Reason("whole_run_rms", run_s=run_s)


def above_rating(exposure: Exposure, through: Translated | None, rating_a: float, error: CurrentError) -> Estimate:
    """Time above the marked rating [s], in the fuse's own current or as the other lead's bounds it."""
    if through is None:
        return seconds_above(exposure, rating_a, error)
    likely = seconds_above(through.likely, rating_a, error)
    floor = None if through.lower is None else seconds_above(through.lower, rating_a, error)
    ceiling = None if through.upper is None else seconds_above(through.upper, rating_a, error)
    return between(likely, floor, ceiling, through.how)


def seconds_above(exposure: Exposure, rating_a: float, error: CurrentError) -> Estimate:
    """Time with |i| above `rating_a` [s]: the sensor's error moves the line, and gaps may hide more."""
    terms = error.rms_terms(rating_a, 1.0).values()
    shift_a = COVERAGE_FACTOR * math.hypot(*(term for term in terms if term is not None))
    levels = rating_a, rating_a + shift_a, max(rating_a - shift_a, 0.0)
    (value_s, timing_u_s), (low_s, _), (high_s, _) = exposure.seconds_above(*levels)
    # Sums of many pieces, of which rounding may make the larger one the smaller.
    low_s, high_s = min(low_s, value_s), max(high_s, value_s)
    timing_s = COVERAGE_FACTOR * timing_u_s
    gap_s = exposure.missing_s
    reasons = {
        Reason("sensor_error_moves_line", shift_a=shift_a): shift_a > 0,
        UNDECLARED: None in terms,
        Reason("crossings_between_samples", timing_s=timing_s): timing_s > 0,
        Reason("gaps_as_doubt", gap_s=gap_s): gap_s > 0,
    }
    return Estimate(
        value_s,
        max(low_s - timing_s, 0.0),
        max(min(high_s + timing_s + gap_s, exposure.duration_s), value_s),
        "s",
        reasons=tuple(reason for reason, holds in reasons.items() if holds),
    )
