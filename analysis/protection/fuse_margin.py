"""Margins of one fuse from the current it carried, and the verdict on them; measured, estimated or only bounded.

Method: docs/methods.md, Fuse margin and Duty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from amptally.analysis.exposure.exposure import CurrentError, Exposure, rms_estimate
from amptally.analysis.protection.fuse_curve import NEAR_MARGIN, Limit, Tightest, tightest
from amptally.analysis.protection.supply import Translated
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR, UNDECLARED, Bound, Estimate, refuse
from amptally.analysis.results.propagation import power_of
from amptally.analysis.results.reason import Reason
from amptally.tables.fuse_opening_times import FuseTable

CONTINUOUS_FRACTION = 0.75  # continuous load at most 75 % of the rating at 25 °C: a maker's fuseology guide
CONTINUOUS_WINDOW_S = 600.0

Verdict = Literal["past", "inside", "near", "below", "unknown"]


@dataclass(frozen=True, slots=True)
class Margins:
    """What one current says about one fuse."""

    margin: Estimate
    """Smallest ratio, over window lengths, of the earliest opening's current to the largest RMS."""
    margin_latest: Estimate
    """The same against the latest opening."""
    closest: Tightest | None
    """The window that sets `margin`."""
    fraction: Estimate
    """Largest 600 s RMS, or that of the whole run if shorter, over the derated rating."""
    filled_fraction: float
    """The same if every gap had carried the run's largest current."""
    measured: bool
    """The current is the fuse's own, not translated from the other lead."""

    @property
    def verdict(self) -> Verdict:
        """How the current stood to the fuse's limits."""
        judge = verdict_of if self.measured else translated_verdict
        return judge(self.margin, self.margin_latest, self.fraction, self.filled_fraction)

    def held(self, doubts: Doubts, channel: str) -> Margins:
        """The same as far as it may stand under doubts about the current `channel` (an SI name)."""
        return replace(
            self,
            margin=doubts.hold(self.margin, (channel, "margin")),
            margin_latest=doubts.hold(self.margin_latest, (channel, "margin")),
            fraction=doubts.hold(self.fraction, (channel, "peak")),
            closest=None if doubts.against((channel, "margin")) else self.closest,
        )


def measured_margins(
    exposure: Exposure, table: FuseTable, derated_a: float, error: CurrentError, unresolved: Sequence[Reason]
) -> Margins:
    """Margins of a fuse whose own current was measured; any reason in `unresolved` makes them upper bounds."""
    margin, closest = margin_of(exposure, Limit.of(table, derated_a, "earliest"), error, unresolved)
    margin_latest, _ = margin_of(exposure, Limit.of(table, derated_a, "latest"), error, unresolved)
    fraction, filled = continuous(exposure, derated_a, error)
    return Margins(margin, margin_latest, closest, fraction, filled, measured=True)


def translated_margins(
    through: Translated, table: FuseTable, derated_a: float, error: CurrentError, unresolved: Sequence[Reason]
) -> Margins:
    """The same where the current was measured in the other lead: each end from the bound on that side."""

    def one(limit: Limit) -> tuple[Estimate, Tightest | None]:
        middle, closest = margin_of(through.likely, limit, error, ())
        floor = None if through.upper is None or unresolved else margin_of(through.upper, limit, error, ())[0]
        ceiling = None if through.lower is None else margin_of(through.lower, limit, error, ())[0]
        return between(middle, floor, ceiling, (*through.how, *unresolved)), closest

    margin, closest = one(Limit.of(table, derated_a, "earliest"))
    margin_latest, _ = one(Limit.of(table, derated_a, "latest"))
    lower, likely, upper = (
        None if exposure is None else continuous(exposure, derated_a, error)
        for exposure in (through.lower, through.likely, through.upper)
    )
    assert likely is not None
    fraction = between(likely[0], lower[0] if lower else None, upper[0] if upper else None, through.how)
    filled = math.inf if upper is None else upper[1]
    return Margins(margin, margin_latest, closest, fraction, filled, measured=False)


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


def verdict_of(margin: Estimate, margin_latest: Estimate, fraction: Estimate, filled_fraction: float) -> Verdict:
    """The verdict from both margins and the continuous fraction.

    A margin `at_most` x with x < 1 is inside the band for certain; with x ≥ 1 the truth may be on either side of any
    line below x, so the verdict stays open. `filled_fraction` is the continuous fraction if every gap had carried the
    run's largest current: only when that, too, is small do gaps leave "below" standing.
    """
    if margin.value is None:
        return "unknown"
    if margin_latest.value is not None and margin_latest.value < 1:
        return "past"
    if margin.value < 1:
        return "inside"
    if margin.low is None:
        return "unknown"
    if margin.low < NEAR_MARGIN or (fraction.value is not None and fraction.value > CONTINUOUS_FRACTION):
        return "near"
    return "below" if filled_fraction <= CONTINUOUS_FRACTION else "unknown"


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


def margin_of(
    exposure: Exposure, limit: Limit, error: CurrentError, unresolved: Sequence[Reason]
) -> tuple[Estimate, Tightest | None]:
    """Allowed over measured current in the tightest window [1], and that window; None where there is none."""
    found = tightest(exposure, limit)
    if found is None:
        why = exposure.refusal(max(limit.shortest_s, exposure.shortest_window_s))
        return refuse("", why or Reason("no_ratio_without_current")), None
    margin = power_of(found.allowed_a, rms_estimate(exposure, found.window, error), -1, "", {})
    if unresolved and not margin.is_refused:
        if margin.high is None:
            return refuse("", Reason("current_not_above_zero"), unresolved[0]), found
        margin = margin.bounded("at_most", *unresolved)
    return margin, found


def continuous(exposure: Exposure, derated_a: float, error: CurrentError) -> tuple[Estimate, float]:
    """The continuous fraction [1], and what it would be if each gap had carried the run's largest current."""
    window_s = min(CONTINUOUS_WINDOW_S, exposure.duration_s)
    reason = exposure.refusal(window_s)
    if reason:
        return refuse("", reason), math.inf
    window = exposure.worst(window_s)
    gap_share = min((exposure.duration_s - exposure.sampled_s) / window_s, 1.0)
    filled_a = math.sqrt((1 - gap_share) * window.rms_a**2 + gap_share * exposure.peak_a**2)
    rms = rms_estimate(exposure, window, error, run_shorter(window_s))
    return power_of(1 / derated_a, rms, 1, "", {}), filled_a / derated_a


def run_shorter(run_s: float) -> Reason | None:
    """The reason to carry where the RMS of a whole run of `run_s` stands for that of 600 s; None where it is longer."""
    return Reason("whole_run_rms", run_s=run_s) if run_s < CONTINUOUS_WINDOW_S else None


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
    gap_s = exposure.duration_s - exposure.sampled_s
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
