"""The highest rise that a run's current gave a thermal network, read piece by piece: a day takes no more than a minute.

docs/methods.md, Wire.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.signals.series import Flags, Floats

CHUNK_PIECES = 65_536
"""Pieces read at once; a power of two, as the blocks of a long run."""
START_S = 1.0
"""The current of this long at the start of a run is taken to have flowed before it. Our own choice."""


@dataclass(frozen=True, slots=True)
class Assumed:
    """A network, and what is taken for the current that was not measured."""

    network: Network
    before_a: float = 0.0
    """Flowed for ever before the run."""
    across_gaps_a: float = 0.0
    """Flowed in each gap."""


@dataclass(frozen=True, slots=True)
class Hottest:
    """The moment of the highest rise."""

    steady_a: float
    """The current that gives this rise when it flows for ever: the rise is (steady_a / rating)²."""
    at_s: float
    """In run time."""


def first_current_a(exposure: Exposure) -> float:
    """RMS of the first `START_S` of sampled time [A]."""
    length_s = min(START_S, exposure.sampled_s)
    held_a2s = exposure.square.between(np.zeros(1), np.full(1, length_s))
    return math.sqrt(max(float(held_a2s[0]), 0.0) / length_s)


def hottest(exposure: Exposure, assumed: Sequence[Assumed]) -> list[Hottest]:
    """The highest rise under each assumption, all in one reading of the current."""
    states = [np.full(len(each.network.shares), each.before_a**2) for each in assumed]
    highest_a2 = [sum(each.network.shares) * each.before_a**2 for each in assumed]
    at_s = [exposure.start_s] * len(assumed)
    for time_s, heat_a2, missing in _stretches(exposure):
        for place, each in enumerate(assumed):
            heating = np.where(missing, each.across_gaps_a**2, heat_a2) if missing.any() else heat_a2
            rise_a2 = np.zeros(len(time_s))
            for term, (share, constant_s) in enumerate(zip(each.network.shares, each.network.constants_s, strict=True)):
                values = Network.single(constant_s).rise(time_s, heating, float(states[place][term]))
                states[place][term] = values[-1]
                rise_a2 += share * values
            top = int(np.argmax(rise_a2))
            if rise_a2[top] > highest_a2[place]:
                highest_a2[place], at_s[place] = float(rise_a2[top]), float(time_s[top])
    return [Hottest(math.sqrt(value), moment) for value, moment in zip(highest_a2, at_s, strict=True)]


def _stretches(exposure: Exposure) -> Iterator[tuple[Floats, Floats, Flags]]:
    """Run times of the ends of consecutive pieces, the mean of i² over each [A²], and which of them are gaps."""
    square, gaps_done, gap_count = exposure.square, 0, len(exposure.gap_s)
    end_s = exposure.start_s
    slip_s = 8 * float(np.spacing(exposure.sampled_s))
    for first in range(0, square.pieces, CHUNK_PIECES):
        axis_s, start_a, end_a = square.load(first, min(first + CHUNK_PIECES, square.pieces))
        length_s = np.diff(axis_s)
        missing = np.zeros(len(length_s), bool)
        # On the axis of sampled time a gap is a piece without length.
        for piece in np.flatnonzero(length_s <= slip_s) if gaps_done < gap_count else ():
            if gaps_done < gap_count and abs(axis_s[piece] - exposure.gap_axis_s[gaps_done]) <= slip_s:
                missing[piece], length_s[piece] = True, exposure.gap_s[gaps_done]
                gaps_done += 1
        time_s = end_s + np.concatenate(([0.0], np.cumsum(length_s)))
        end_s = float(time_s[-1])
        yield time_s, (start_a * start_a + start_a * end_a + end_a * end_a) / 3, missing
