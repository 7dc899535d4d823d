"""What the machine was asked to do at a moment, read off the command pulses. docs/methods.md, Commands."""

from __future__ import annotations

import numpy as np

from analysis.pulses import changes_of
from analysis.run import Floats, Run

CENTRE_US = 1500.0
DEAD_BAND_US = 40.0
"""Of a width of ±500 µs; drives typically use 25 to 50 µs (from memory, common practice)."""
STILL_SHARE = 0.1
"""A wheel that turns at less than this share of its mean rate stands still. Our own choice."""
SPLIT_SHARE = 0.35
"""The two sides differ by this share of the greater one: turning."""


def side_commands(throttle_us: float, steering_us: float) -> tuple[float, float]:
    """Left and right command in −1 … 1 by full-weight mixing: L = t + s, R = t − s, clipped.

    Sum and difference of the two sticks; references: public two-channel code examples, normalisation from memory.
    """
    t, s = (throttle_us - CENTRE_US) / 500, (steering_us - CENTRE_US) / 500
    return max(-1.0, min(1.0, t + s)), max(-1.0, min(1.0, t - s))


def commanded(run: Run, at_s: float, width_s: float) -> str | None:
    """A few words for the window, such as "while turning left"; None where pulses or their mixing are not known."""
    a, b = changes_of(run, "pulse_a_us"), changes_of(run, "pulse_b_us")
    mixing = run.machine.controller.mixing if run.machine and run.machine.controller else None
    if a is None or b is None or mixing is None:
        return None
    moments = np.linspace(at_s, at_s + width_s, 21)
    pulses = [_held(series.time_s, series.value, moments) for series in (a, b)]
    if any((pulse == 0).mean() > 0.5 for pulse in pulses):
        return "without command pulses"
    first, second = (float(np.median(pulse[pulse > 0])) for pulse in pulses)
    if mixing == "controller":
        left, right = side_commands(first, second)
    else:
        left, right = (first - CENTRE_US) / 500, (second - CENTRE_US) / 500
    dead = DEAD_BAND_US / 500
    if max(abs(left), abs(right)) < dead:
        return "with the sticks at rest"
    stood = [
        side
        for side, command in (("left", left), ("right", right))
        if abs(command) > dead and _stood_still(run, side, at_s, width_s)
    ]
    if stood:
        return f"while the {' and '.join(stood)} wheel{'s' if len(stood) > 1 else ''} stood still under command"
    if left * right < 0 and min(abs(left), abs(right)) > dead:
        return f"while turning on the spot to the {'right' if left > right else 'left'}"
    if abs(left - right) > SPLIT_SHARE * max(abs(left), abs(right)):
        return f"while turning {'right' if left > right else 'left'}"
    return "while reversing" if left + right < 0 else "while driving straight ahead"


def _stood_still(run: Run, side: str, at_s: float, width_s: float) -> bool:
    """The wheel turned at less than a tenth of its mean rate over the run; False without a pickup.

    A short window is widened until ten counts would be expected in it: a coarse pickup shows none in it anyway.
    """
    series = changes_of(run, f"{side}_wheel_count")
    if series is None or len(series.time_s) < 2:
        return False
    rate = (series.value[-1] - series.value[0]) / (series.time_s[-1] - series.time_s[0])
    if rate <= 0:
        return False
    wider = max(10 / rate - width_s, 0.0) / 2
    first, last = _held(series.time_s, series.value, np.array([at_s - wider, at_s + width_s + wider]))
    return bool(last - first < STILL_SHARE * rate * (width_s + 2 * wider))


def _held(time_s: Floats, value: Floats, moments_s: Floats) -> Floats:
    """The last sample at or before each moment."""
    return np.asarray(value[np.clip(np.searchsorted(time_s, moments_s, "right") - 1, 0, len(value) - 1)])
