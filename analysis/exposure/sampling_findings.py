"""Findings about how a run was sampled: unevenly, in bursts, too slowly, or blind to the controller's pulses."""

from __future__ import annotations

import math

from amptally.analysis.exposure.current import Current
from amptally.analysis.results.reason import Reason
from amptally.analysis.signals.sampling import Spacing

SLOW_SHARE = 0.02
"""1 σ of an RMS over 10 s from sampling alone above which sampling is called slow. Our own choice."""
JUDGED_WINDOWS = ("10", "60", "600")
"""The first of these that the run has is judged."""


def judge_sampling(currents: dict[str, Current]) -> list[Reason]:
    """All of them, in no order; `currents` by lead."""
    findings = [current.ripple for current in currents.values() if current.ripple is not None]
    spacing = next((each.spacing for each in currents.values() if each.spacing is not None), None)
    if spacing is not None:
        findings += _uneven(spacing)
    slow = _slow(currents)
    return [*findings, *([slow] if slow else [])]


def _uneven(spacing: Spacing) -> list[Reason]:
    if spacing.kind == "bursts":
        silences, usual_s, by_time_s = spacing.silences, spacing.usual_s, spacing.by_time_s
        return [Reason("sampling_bursty", "caution", silences=silences, usual_s=usual_s, by_time_s=by_time_s)]
    if spacing.kind == "uneven":
        usual_s, coarse_s, longest_s = spacing.usual_s, spacing.coarse_s, spacing.longest_s
        return [Reason("sampling_irregular", usual_s=usual_s, coarse_s=coarse_s, longest_s=longest_s)]
    return []


def _slow(currents: dict[str, Current]) -> Reason | None:
    """The lead whose RMS sampling leaves open the most, where that is too much."""
    shares = [share for lead, current in currents.items() if (share := _open_share(lead, current))]
    if not shares:
        return None
    relative_u, lead, window, interval_s = max(shares)
    if relative_u <= SLOW_SHARE:
        return None
    return Reason(
        "sampling_slow",
        "caution",
        lead=lead,
        interval_s=interval_s,
        window_s=float(window),
        relative_u=relative_u,
        needed_rate_hz=_rounded_up(relative_u / SLOW_SHARE / interval_s),
    )


def _open_share(lead: str, current: Current) -> tuple[float, str, str, float] | None:
    """Relative 1 σ of the shortest long window's RMS from sampling, its lead, length and sample interval."""
    exposure = current.prepared
    if exposure is None or exposure.interval_rms:
        return None
    for window in JUDGED_WINDOWS:
        result = current.rms_a.get(window)
        if result is not None and result.value:
            u = next((term.u for term in result.terms if term.name == "sampling"), None)
            return None if u is None else (u / result.value, lead, window, exposure.interval_s)
    return None


def _rounded_up(rate_hz: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(rate_hz))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= rate_hz * (1 - 1e-9))
