"""Cut tops: the same greatest reading again and again, in stretches. docs/methods.md, Bad data."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from amptally.analysis.quality.doubt import Doubt
from amptally.analysis.quality.voltage_response import LEAST_SPREAD_A
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.curve_integrals import BLOCK
from amptally.analysis.signals.series import Floats, Places

SAME = 1e-9
"""Readings that differ by less than this part are one."""
HELD = 0.5
"""Where more readings than this repeat the one before, below the top too, the data hold levels by themselves."""


@dataclass(slots=True)
class Tops:
    """Where a current stands at its greatest size, as far as it was looked at."""

    top: float = 0.0
    """Greatest |sample|."""
    samples: int = 0
    places: list[tuple[Places, Places]] = field(default_factory=list)
    """First samples and ends (exclusive) of the stretches of that size: few where a current stands for long."""
    below_zero: int = 0
    """How many of them are negative."""

    def add(self, value: Floats) -> Tops:
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


def tops_of(run: Run, si_name: str) -> Tops:
    """Those of a channel of a run, looked for once."""
    return run.kept_of(Tops, ("tops", si_name), look_at_tops(run, si_name))


def look_at_tops(run: Run, si_name: str) -> Iterator[None]:
    """Look for the tops of a channel, a stretch at each turn; see `Run.in_step`."""
    tops = Tops()
    for part in run.turns(si_name):
        if part is not None:
            tops.add(part.value[min(tops.samples, 1) :])
        yield
    run.kept["tops", si_name] = tops


def cut_tops(name: str, value: Floats, channel: str = "") -> Doubt | None:
    """The same greatest reading again and again, in stretches: the sensor or converter ends there."""
    return cut_at(name, Tops().add(value), lambda: [value], float(np.std(value)), channel) if len(value) else None


def cut_at(
    name: str, tops: Tops, values: Callable[[], Iterable[Floats]], spread: float, channel: str = ""
) -> Doubt | None:
    """`cut_tops` of samples that were looked at in parts, and are asked for anew where a top looks cut.

    `spread` is their standard deviation.
    """
    top = tops.top
    if top < LEAST_SPREAD_A or spread < 0.05 * top:
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
    return Doubt(
        "danger",
        "cut_top",
        f"{name}: its peaks are cut off at one value, so that the true current was higher.",
        f"{count} samples at {top:.2f} A, the longest stretch {int(long.max())} samples",
        "Fit a sensor with a larger range before trusting any margin of this lead.",
        (channel,),
        "both" if tops.below_zero else "",
    )


def _holds_levels(values: Iterable[Floats], top: float) -> bool:
    """Whether more than `HELD` of the readings above a tenth of the top, and below it, repeat the one before."""
    under = repeated = 0
    for value in values:
        size = np.abs(value)
        flowing = (size[1:] > 0.1 * top) & (size[1:] < top * (1 - SAME))
        under += int(np.count_nonzero(flowing))
        repeated += int(np.count_nonzero(flowing & (value[1:] == value[:-1])))
    return repeated > HELD * under > 0
