"""Findings about how a run was sampled: unevenly, in bursts, too slowly, or blind to the controller's pulses."""

from __future__ import annotations

import math

from amptally.analysis.exposure.current import Current
from amptally.analysis.results.finding import Finding
from amptally.analysis.signals.sampling import Spacing

SLOW_SHARE = 0.02
"""1 σ of an RMS over 10 s from sampling alone above which sampling is called slow. Our own choice."""
JUDGED_WINDOWS = ("10", "60", "600")
"""The first of these that the run has."""


def judge_sampling(currents: dict[str, Current]) -> list[Finding]:
    """All of them, in no order; `currents` by lead."""
    found = [current.ripple.finding for current in currents.values() if current.ripple is not None]
    exposure = next((each.prepared for each in currents.values() if each.prepared is not None), None)
    if exposure is not None:
        found += _spaced(exposure.spacing)
    slow = _slow(currents)
    return [*found, *([slow] if slow else [])]


def _spaced(seen: Spacing) -> list[Finding]:
    if seen.kind == "bursts":
        if seen.silences:
            evidence = f"{seen.silences} silences, each counted as a gap; {_ms(seen.usual_s)} apart between them"
            action = (
                "Let the board send one sample at a time. Where the current is known to stay as it was through the "
                "silences, import with --max-gap longer than they are."
            )
        else:
            evidence = f"half of the time lies in intervals of {_ms(seen.by_time_s)}, most others are far shorter"
            action = "Spread the samples evenly; where times are those of arrival, take the board's own clock."
        return [
            Finding(
                "caution",
                "sampling_bursty",
                "Samples come in bursts with silences between: what happened in the silences is not known.",
                evidence,
                action,
            )
        ]
    if seen.kind == "uneven":
        return [
            Finding(
                "note",
                "sampling_irregular",
                "Samples are unevenly spaced: peaks and short windows are judged by the longer intervals.",
                f"usually {_ms(seen.usual_s)} apart, but more than a twentieth of the time lies in intervals of "
                f"{_ms(seen.coarse_s)} or longer, up to {_ms(seen.longest_s)}",
                "Look for lost frames, or a logger that waits for other work; an even rate tells more, if a lower one.",
            )
        ]
    return []


def _slow(currents: dict[str, Current]) -> Finding | None:
    """The lead whose RMS sampling leaves open the most, where that is too much."""
    opened = [found for lead, current in currents.items() if (found := _open_share(lead, current))]
    if not opened:
        return None
    share, lead, window, interval_s = max(opened)
    if share <= SLOW_SHARE:
        return None
    needed_hz = share / SLOW_SHARE / interval_s
    return Finding(
        "caution",
        "sampling_slow",
        "The current changes more between samples than they can follow: intervals are wide and peaks are missed.",
        f"{lead} current every {_ms(interval_s)}: its RMS over {window} s is open by {100 * share:.1f} % (1 σ) from "
        "that alone",
        f"Sample at {_round_up(needed_hz):g} Hz or more, or let the board send the RMS of each interval.",
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


def _ms(seconds: float) -> str:
    return f"{1e3 * seconds:.3g} ms" if seconds < 1 else f"{seconds:.3g} s"


def _round_up(rate_hz: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(rate_hz))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= rate_hz * (1 - 1e-9))
