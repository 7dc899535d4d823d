"""The width at which each command pulse rests, learnt from the run, and when a stick was away from it.

docs/methods.md, Commands.
"""

from __future__ import annotations

import numpy as np

from amptally.analysis.controller.pulse_widths import LONGEST_US, PULSES, SHORTEST_US
from amptally.analysis.controller.pulses import changes_of, held
from amptally.analysis.results.leads import CURRENTS
from amptally.analysis.runs.run import Flags, Floats, Run, Series
from amptally.analysis.runs.standing import run_rest_threshold_a
from amptally.analysis.signals.series import together

CENTRE_US = 1500.0
"""Nominal, where the run does not show another; vendors differ (open-txu.org/glossary/pwm)."""
USUAL_DEAD_US = 40.0
"""Assumed where controller.dead_band_us is not given; dead bands are about this wide (from memory, common practice)."""
TRIM_US = 100.0
"""As far from the nominal centre as a trim moves a released stick (from memory, common practice)."""
BIN_US = 4.0
"""Widths this close are one: a receiver's last digit flickers. Our own choice."""
MIN_RELEASED_S = 1.0
"""A width at which a pulse stays for less is none it rests at. Our own choice."""
MIN_RELEASED_SHARE = 0.05
"""Likewise of the time in which the machine draws least."""
LOWEST_SHARE = 0.02
"""The current that this part of a run stays below is the one at which the machine stands."""


def released_us(run: Run, si_name: str) -> float | None:
    """Width [µs] of a command pulse with its stick released; None where the run does not show it.

    Of the widths at which it stays while the machine draws least, the one nearest to `CENTRE_US`. Of a part of a run
    it is that of the whole run.
    """
    whole = run.from_start()
    key = ("released", si_name)
    if key not in whole.cache:
        whole.cache[key] = _learn(whole, si_name)
    found = whole.cache[key]
    return found if isinstance(found, float) else None


def _learn(run: Run, si_name: str) -> float | None:
    pulse, drawn = changes_of(run, si_name), _drawn(run)
    if pulse is None or drawn is None or len(drawn.time_s) < 2:
        return None
    width = held(pulse.time_s, pulse.value, drawn.time_s)[:-1]
    size = np.abs(drawn.value)
    limit_a = float(np.quantile(size, LOWEST_SHARE)) + 2 * run_rest_threshold_a(run)
    lasted_s = np.where(drawn.gap_after | (size[:-1] > limit_a), 0.0, np.diff(drawn.time_s))
    sent = (width >= SHORTEST_US) & (width <= LONGEST_US) & (lasted_s > 0)
    if not sent.any():
        return None
    place = np.rint(width[sent] / BIN_US).astype(np.int64)
    seconds = np.bincount(place, lasted_s[sent], int(place.max()) + 2)
    near_s = np.convolve(seconds, np.ones(3), "same")
    enough_s = max(MIN_RELEASED_S, MIN_RELEASED_SHARE * float(seconds.sum()))
    often = np.flatnonzero((near_s >= enough_s) & (seconds > 0)).tolist()
    peaks = [at for at in often if seconds[at] >= seconds[max(at - 1, 0) : at + 2].max()]
    if not peaks:
        return None
    best = min(peaks, key=lambda at: abs(at * BIN_US - CENTRE_US))
    return float(np.median(width[sent][np.abs(place - best) <= 1]))


def _drawn(run: Run) -> Series | None:
    """The battery's current, else the sizes of left and right added up, else of one of them."""
    battery, *sides = (run.smooth(name) for name in CURRENTS)
    if battery is not None:
        return battery
    known = [side for side in sides if side is not None]
    if len(known) < 2:
        return known[0] if known else None
    time_s, left, right, gap_after = together(known[0], known[1])
    return Series(time_s, np.abs(left) + np.abs(right), gap_after)


def centre_us(run: Run, si_name: str) -> float:
    """Width from which a command counts: as learnt, where that may be a trimmed centre, else the nominal one."""
    learnt = released_us(run, si_name)
    return learnt if learnt is not None and abs(learnt - CENTRE_US) <= TRIM_US else CENTRE_US


def commanded_at(run: Run, moments_s: Floats) -> Flags | None:
    """At which moments a stick was away from where it rests, shape (m,); None where no pulse was measured.

    Where the run does not show where it rests, only what no trim explains counts.
    """
    pulses = {name: pulse for name in PULSES if (pulse := changes_of(run, name)) is not None}
    if not pulses:
        return None
    controller = run.machine.controller if run.machine else None
    dead_us = (controller.dead_band_us if controller else None) or USUAL_DEAD_US
    away = np.zeros(len(moments_s), bool)
    for name, pulse in pulses.items():
        rests_us = released_us(run, name)
        limit_us = dead_us if rests_us is not None else dead_us + TRIM_US
        width = held(pulse.time_s, pulse.value, moments_s)
        away |= (width > 0) & (np.abs(width - (CENTRE_US if rests_us is None else rests_us)) > limit_us)
    return away
