"""Command pulses as the command of each side over time. docs/methods.md, Commands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from amptally.analysis.controller.pulse_widths import PULSES, implausible
from amptally.analysis.controller.pulses import changes_of, held
from amptally.analysis.controller.released import USUAL_DEAD_US, centre_us
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Flags, Floats, Run, Series

HALF_RANGE_US = 500.0
"""From centre to full; nominal, vendors differ (open-txu.org/glossary/pwm)."""
CELL_S = 0.02
"""A command frame: pulses come 50 times a second (picbasic.co.uk forum 12039), so nothing changes faster."""
MAX_CELLS = 5_000_000
"""Longer runs get coarser cells, whose minimum and maximum are still bounds."""
USUAL_DEAD_RANGE_US = (25.0, 50.0)
"""Where they typically end (from memory, common practice)."""
KNOWN_DOUBT = 0.02
"""Uncertainty of a command when the dead band is known: the centre, to 10 µs. Our own choice."""


@dataclass(frozen=True, slots=True)
class Commands:
    """Commands of both sides, −1 to 1; 0 without a pulse, since a controller stops then."""

    time_s: Floats
    """Moments of the pulses, shape (n,)."""
    left: Floats
    right: Floats
    lost: Flags
    """Shape (n,): one of the two inputs has no pulse."""
    gap_after: Flags
    """Shape (n − 1,): the command until the next pulse is not known."""
    doubt: float
    """Half-width of the difference between a command and what the controller makes of it."""
    dead: float
    """Commands of at most this size move nothing."""
    assumed_dead: bool
    """The dead band is the usual one, not the machine file's."""

    @property
    def dead_range(self) -> tuple[float, float]:
        """Where the dead band may end."""
        if self.assumed_dead:
            least_us, greatest_us = USUAL_DEAD_RANGE_US
            return least_us / HALF_RANGE_US, greatest_us / HALF_RANGE_US
        return self.dead - KNOWN_DOUBT, self.dead + KNOWN_DOUBT

    def side(self, side: str) -> Floats:
        """Commands of `left` or `right`."""
        return self.left if side == "left" else self.right

    def at(self, side: str, moments_s: Floats) -> Floats:
        """The last command at or before each moment, shape (m,); the first one before them all."""
        return held(self.time_s, self.side(side), moments_s)

    def lost_at(self, moments_s: Floats) -> Flags:
        """Whether a pulse is missing at each moment, shape (m,)."""
        return np.asarray(held(self.time_s, self.lost.astype(np.float64), moments_s) > 0)

    def envelope(self, side: str, moments_s: Floats, back_s: float) -> tuple[Floats, Floats]:
        """Minimum and maximum command in the last `back_s` before each moment, both shape (m,).

        A controller that follows its command with a limited slope stays within these.
        """
        start, end = float(self.time_s[0]), float(self.time_s[-1])
        cell_s = max(CELL_S, (end - start) / MAX_CELLS)
        cells = int((end - start) / cell_s) + 1
        minimum, maximum = _by_cell(((self.time_s - start) / cell_s).astype(np.int64), self.side(side), cells)
        reach = int(np.ceil(back_s / cell_s)) + 1
        minimum, maximum = -_running_maximum(-minimum, reach), _running_maximum(maximum, reach)
        place = np.clip(((moments_s - start) / cell_s).astype(np.int64), 0, cells - 1)
        return minimum[place], maximum[place]


def _by_cell(cell: np.ndarray[tuple[int, ...], np.dtype[np.int64]], value: Floats, cells: int) -> tuple[Floats, Floats]:
    """Minimum and maximum value in force in each cell: those that arrived in it and the one held from before."""
    first = np.concatenate(([0], np.flatnonzero(np.diff(cell)) + 1))
    before = value[np.maximum(first - 1, 0)]
    bounds = []
    for reduce in (np.minimum, np.maximum):
        dense = np.full(cells, np.nan)
        dense[cell[first]] = reduce(reduce.reduceat(value, first), before)
        bounds.append(dense)
    # Cells without a pulse hold the last one that arrived.
    filled = np.maximum.accumulate(np.where(np.isnan(bounds[0]), 0, np.arange(cells)))
    last = np.full(cells, np.nan)
    last[cell[first]] = value[np.concatenate((first[1:], [len(value)])) - 1]
    empty = np.isnan(bounds[0])
    return np.where(empty, last[filled], bounds[0]), np.where(empty, last[filled], bounds[1])


def _running_maximum(value: Floats, reach: int) -> Floats:
    """Maximum of each value and the `reach` values before it, by doubling."""
    found, covered = value.copy(), 1
    while covered < reach + 1:
        step = min(covered, reach + 1 - covered)
        if step >= len(found):
            break
        found[step:] = np.maximum(found[step:], found[:-step].copy())
        covered += step
    # Where the doubling reached the beginning of the run, nothing lies further back.
    return found


def mixed(throttle: Floats, steering: Floats) -> tuple[Floats, Floats]:
    """Left and right in −1 … 1 by full-weight mixing, L = t + s, R = t − s, clipped; shapes (n,).

    Sum and difference of the two sticks: public two-channel code examples, normalisation from memory.
    """
    return np.clip(throttle + steering, -1, 1), np.clip(throttle - steering, -1, 1)


def read_commands(run: Run) -> Commands | Reason:
    """The commands of a run, or why there are none; computed once for a run."""
    key = ("command", "")
    if key not in run.cache:
        run.cache[key] = _read(run)
    found = run.cache[key]
    assert isinstance(found, Commands | Reason)
    return found


def _read(run: Run) -> Commands | Reason:
    measured = [name for name in PULSES if run.has(name)]
    if not measured:
        return Reason("no_command_pulses")
    if len(measured) == 1:
        return Reason("one_command_pulse", channel=measured[0])
    no_pulse = next((name for name in PULSES if implausible(run, name) is not None), None)
    if no_pulse is not None:
        return Reason("command_pulse_implausible", channel=no_pulse)
    controller = run.machine.controller if run.machine else None
    if controller is None or controller.mixing is None:
        return Reason("mixing_undeclared")
    a, b = changes_of(run, "pulse_a_us"), changes_of(run, "pulse_b_us")
    assert a is not None
    assert b is not None
    time_s, gap_after = a.time_s, a.gap_after
    if a.time_s is not b.time_s:
        time_s = np.union1d(a.time_s, b.time_s)
        gap_after = _inside(a, time_s) | _inside(b, time_s)
    dead_us = controller.dead_band_us
    centres_us = [centre_us(run, name) for name in PULSES]
    sticks = (_stick(each, at_us, dead_us) for each, at_us in zip((a, b), centres_us, strict=True))
    first, second = (held(each.time_s, stick, time_s) for each, stick in zip((a, b), sticks, strict=True))
    lost = (held(a.time_s, a.value, time_s) == 0) | (held(b.time_s, b.value, time_s) == 0)
    if controller.mixing == "controller":
        left, right = (np.where(lost, 0.0, side) for side in mixed(first, second))
    else:
        left, right = np.clip(first, -1, 1), np.clip(second, -1, 1)
    dead = (USUAL_DEAD_US if dead_us is None else dead_us) / HALF_RANGE_US
    doubt = dead if dead_us is None else KNOWN_DOUBT
    return Commands(time_s, left, right, lost, gap_after, doubt, max(dead, KNOWN_DOUBT), dead_us is None)


def _inside(series: Series, time_s: Floats) -> Flags:
    """Which intervals between these times lie in a gap of the channel."""
    if not series.gap_after.any():
        return np.zeros(len(time_s) - 1, bool)
    place = np.clip(np.searchsorted(series.time_s, time_s[:-1], "right") - 1, 0, len(series.gap_after) - 1)
    return np.asarray(series.gap_after[place])


def _stick(pulse: Series, at_us: float, dead_us: float | None) -> Floats:
    """One pulse as −1 to 1 or a little more; 0 without a pulse, and within a dead band that is known."""
    off = np.where(pulse.value == 0, 0.0, pulse.value - at_us)
    if dead_us is not None:
        off = np.where(np.abs(off) < dead_us, 0.0, off)
    return np.asarray(off / HALF_RANGE_US)
