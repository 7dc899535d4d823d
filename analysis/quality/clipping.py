"""Cut tops: the same greatest reading again and again, in stretches. docs/methods.md, Bad data."""

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
"""Readings that differ by less than this part are one."""
STEP_CHANNELS = 0.5
"""Where more readings than this repeat the one before, below the top too, the data hold levels by themselves."""


@dataclass(slots=True)
class PeakLevel:
    """Where a current stands at its greatest size, as far as it was looked at."""

    top: float = 0.0
    """Greatest |sample|."""
    samples: int = 0
    places: list[tuple[Places, Places]] = field(default_factory=list)
    """First samples and ends (exclusive) of the stretches of that size: few where a current stands for long."""
    below_zero: int = 0
    """How many of them are negative."""

    def add(self, value: Floats) -> PeakLevel:
        """The samples that follow, block by block, as few blocks reach the top; gives itself."""
        for begin in range(0, len(value), BLOCK):
            part = value[begin : begin + BLOCK]
            size = max(float(part.max()), -float(part.min()))
            if size > self.top * (1 + SAME):
                self.places, self.below_zero = [], 0
            self.top = max(self.top, size)
            if size >= self.top * (1 - SAME):
                at_top = np.abs(part) >= self.top * (1 - SAME)
                edges = np.flatnonzero(np.diff(at_top, prepend=False, append=False)) + self.samples + begin
                self.places.append((edges[::2], edges[1::2]))
                self.below_zero += int(np.count_nonzero(part[at_top] < 0))
        self.samples += len(value)
        return self


def peak_level(run: Run, si_name: str) -> PeakLevel:
    """Those of a channel of a run, looked for once."""
    return run.cached(PeakLevel, ("tops", si_name), peak_level_pass(run, si_name))


def peak_level_pass(run: Run, si_name: str) -> Iterator[None]:
    """Look for the tops of a channel, a stretch at each turn; see `Run.run_passes`."""
    tops = PeakLevel()
    for part in run.blocks(si_name):
        if part is not None:
            tops.add(part.value[min(tops.samples, 1) :])
        yield
    run.cache["tops", si_name] = tops


def full_scale_samples(run: Run, lead: str) -> int:
    """Samples of `battery`, `left` or `right`, or interval extremes where there are more, at the sensor's full scale.

    0 where neither machine file nor board tell the full scale.
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


def clipped_peaks(channel: str, value: Floats) -> Doubt | None:
    """The same greatest reading again and again, in stretches: the sensor or converter ends there."""
    return (
        clipped_peaks_of(channel, PeakLevel().add(value), lambda: [value], float(np.std(value))) if len(value) else None
    )


def clipped_peaks_of(
    channel: str, tops: PeakLevel, values: Callable[[], Iterable[Floats]], spread: float
) -> Doubt | None:
    """`cut_tops` of samples that were looked at in parts, and are asked for anew where a top looks cut.

    `spread` is their standard deviation.
    """
    top = tops.top
    if top < MIN_SPREAD_A or spread < 0.05 * top:
        return None
    starts, stops = (np.concatenate(each) for each in zip(*tops.places, strict=True))
    apart = starts[1:] > stops[:-1]  # a stretch may go on in the next block
    lengths = stops[np.append(apart, True)] - starts[np.append(True, apart)]
    count = int(lengths.sum())
    long = lengths[lengths >= 4]
    few = len(long) < 2 and not (len(long) and long.max() >= 20)
    # A current that mostly stands at one value is a steady load, not a cut peak. Where other levels are held as well, a
    # held top is one of them: a tester's profile, a made-up run.
    if tops.samples < 100 or count > 0.5 * tops.samples or few or _holds_levels(values(), top):
        return None
    reason = Reason(
        "cut_top", "danger", channel=channel, samples=count, level_a=top, longest_stretch_samples=int(long.max())
    )
    return Doubt(reason, (channel,), "both" if tops.below_zero else "")


def _holds_levels(values: Iterable[Floats], top: float) -> bool:
    """Whether more than `HELD` of the readings above a tenth of the top, and below it, repeat the one before."""
    under = repeated = 0
    for value in values:
        size = np.abs(value)
        flowing = (size[1:] > 0.1 * top) & (size[1:] < top * (1 - SAME))
        under += int(np.count_nonzero(flowing))
        repeated += int(np.count_nonzero(flowing & (value[1:] == value[:-1])))
    return repeated > STEP_CHANNELS * under > 0
