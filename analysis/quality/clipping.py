"""Clipped currents: a sensor at full scale, or one maximum reading again and again. docs/methods.md, Bad data."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.quality.voltage_response import MIN_SPREAD_A
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_terms import CLIPPED_SHARE
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.curve_integrals import BLOCK
from amptally.analysis.signals.series import Floats, Places

SAME = 1e-9
"""Readings that differ by less than this share are equal."""
HELD_SHARE = 0.5
"""Where more than this share of the readings below the maximum repeat the one before, the data hold levels anyway."""
ABOVE_NEXT = 3.0
"""Times as many readings at a clipped level as at the next one below. A smooth peak is a parabola near its top: one
step of the converter down it is √2 times as wide, which leaves at most 1/(√2 − 1) = 2.4 times as many at its top."""
BETWEEN_SHARE = 0.1
"""Readings in the upper half of a level that is reached by moving, over those at the level."""


@dataclass(slots=True)
class PeakLevel:
    """Where a current stays at its maximum magnitude, over the samples added so far."""

    level: float = 0.0
    """Maximum |sample|."""
    samples: int = 0
    stretches: list[tuple[Places, Places]] = field(default_factory=list)
    """First samples and ends (exclusive) of the stretches at that level: few where a current stays there for long."""
    below_zero: int = 0
    """How many of those samples are negative."""

    def add(self, value: Floats) -> PeakLevel:
        """Accumulate the samples that follow, block by block, as few blocks reach the level; returns itself."""
        for begin in range(0, len(value), BLOCK):
            part = value[begin : begin + BLOCK]
            size = max(float(part.max()), -float(part.min()))
            if size > self.level * (1 + SAME):
                self.stretches, self.below_zero = [], 0
            self.level = max(self.level, size)
            if size >= self.level * (1 - SAME):
                at_level = np.abs(part) >= self.level * (1 - SAME)
                edges = np.flatnonzero(np.diff(at_level, prepend=False, append=False)) + self.samples + begin
                self.stretches.append((edges[::2], edges[1::2]))
                self.below_zero += int(np.count_nonzero(part[at_level] < 0))
        self.samples += len(value)
        return self


def peak_level(run: Run, si_name: str) -> PeakLevel:
    """That of a channel of a run, computed once."""
    return run.cached(PeakLevel, ("peak level", si_name), peak_level_pass(run, si_name))


def peak_level_pass(run: Run, si_name: str) -> Iterator[None]:
    """Find the peak level of a channel, one block per step; see `Run.run_passes`."""
    found = PeakLevel()
    for part in run.blocks(si_name):
        if part is not None:
            found.add(part.value[min(found.samples, 1) :])
        yield
    run.cache["peak level", si_name] = found


def full_scale_samples(run: Run, lead: str) -> int:
    """Samples of `battery`, `left` or `right`, or interval extremes where there are more, at the sensor's full scale.

    0 where neither machine file nor board declare the full scale.
    """
    full_scale_a = run.sensor(f"{lead}_current_a").full_scale
    if not full_scale_a:
        return 0
    limit_a = CLIPPED_SHARE * full_scale_a
    counts = [0]
    for name in (f"{lead}_current_a", f"{lead}_current_min_a", f"{lead}_current_max_a"):
        extremes = run.extremes(name)
        if extremes is not None and extremes.size[0] >= limit_a:
            counts.append(sum(int(np.count_nonzero(np.abs(value) >= limit_a)) for value in run.values(name)))
    return max(counts)


def sensor_clipped(run: Run, lead: str) -> Doubt | None:
    """The sensor of `battery`, `left` or `right` reached its full scale: the true current was higher."""
    samples = full_scale_samples(run, lead)
    if not samples:
        return None
    channel = f"{lead}_current_a"
    full_scale_a = run.sensor(channel).full_scale
    return Doubt(Reason("sensor_clipped", "danger", lead=lead, samples=samples, full_scale_a=full_scale_a), (channel,))


def clipped_peaks(channel: str, peak: PeakLevel, values: Callable[[], Iterable[Floats]], spread: float) -> Doubt | None:
    """The same maximum reading again and again, in stretches: the sensor or converter ends there.

    `peak` is the peak level of a current [A], `spread` its standard deviation [A]; `values` reads its samples again,
    block by block, where the peak looks clipped.
    """
    level = peak.level
    if level < MIN_SPREAD_A or spread < 0.05 * level:
        return None
    starts, stops = (np.concatenate(each) for each in zip(*peak.stretches, strict=True))
    apart = starts[1:] > stops[:-1]  # a stretch may go on in the next block
    lengths = stops[np.append(apart, True)] - starts[np.append(True, apart)]
    count = int(lengths.sum())
    long = lengths[lengths >= 4]
    few = len(long) < 2 and not (len(long) and long.max() >= 20)
    # A current that mostly stays at one value is a steady load, not a clipped peak. Where other levels are held as
    # well, a held maximum is one of them: a tester's profile, a made-up run.
    if peak.samples < 100 or count > 0.5 * peak.samples or few or not _reached_by_moving(values(), level, count):
        return None
    reason = Reason(
        "cut_top", "danger", channel=channel, samples=count, level_a=level, longest_stretch_samples=int(long.max())
    )
    return Doubt(reason, (channel,), "both" if peak.below_zero else "")


def _reached_by_moving(values: Iterable[Floats], level: float, at_level: int) -> bool:
    """Whether the current moves up to the level through readings of all sizes, and does not hold other levels.

    A load that is switched has no readings between: a tester's pulses. Of readings from a tenth of the level up to
    it at most `HELD_SHARE` may repeat the one before; at least `BETWEEN_SHARE` as many as at the level itself must lie
    in its upper half, and at most one for each `ABOVE_NEXT` of them at the next level.
    """
    under = repeated = between = at_next = 0
    next_level = 0.0
    for value in values:
        size = np.abs(value)
        below = size[1:] < level * (1 - SAME)
        flowing = (size[1:] > 0.1 * level) & below
        under += int(np.count_nonzero(flowing))
        between += int(np.count_nonzero((size[1:] > 0.5 * level) & below))
        repeated += int(np.count_nonzero(flowing & (value[1:] == value[:-1])))
        most = float(size[1:].max(initial=0.0, where=below))
        if most > next_level * (1 + SAME):
            next_level, at_next = most, 0
        at_next += int(np.count_nonzero(below & (size[1:] >= next_level * (1 - SAME))))
    moves = between >= BETWEEN_SHARE * at_level and at_level >= ABOVE_NEXT * at_next
    return moves and repeated <= HELD_SHARE * under
