"""Drives with and without laps that the lap finder was not made on, each with its true laps and boundaries.

Most are of `unseen_machine`, which can turn round, wait and begin anywhere; some are of the demo's simulator on other
circuits. What is found is compared with where the machine truly was. "Ordinary" drives are those that a person would
count without thinking: of these 95 % are to be right, and none more than one off unless refused.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.laps.laps import assess_laps
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.signals.series import Floats
from amptally.logger.simulator import CartParameters, DriveParameters, Scenario, simulate
from amptally.logger.simulator.route import Course, Ramp, Segment, Stop
from tests.studies.unseen_battery import battery_text, draw_pack, lagged
from tests.studies.unseen_circuits import (
    aisle,
    figure_of_eight,
    line_way,
    long_circuit,
    odd_loop,
    opened,
    polygon,
    small_loop,
    square,
)
from tests.studies.unseen_machine import (
    Board,
    Laid,
    Leg,
    Record,
    Stretch,
    Vehicle,
    Wait,
    Way,
    draw_vehicle,
    drive,
    lay,
    record,
)

COMPLETE = 0.02
"""A lap counts from this much less than its length on: nobody stops on the line."""
AT_PLACE = 0.005
"""Of a lap: nearer to a place than this, a machine is at it."""


@dataclass(frozen=True, slots=True)
class LapDrive:
    """One recorded drive, and where it truly was."""

    record: Record
    stretches: tuple[Stretch, ...]
    """Laps of one circuit in one direction each; none where there are no laps."""
    machine: str

    @property
    def laps(self) -> int:
        """Complete laps."""
        return sum(math.floor(each.count + COMPLETE) for each in self.stretches)


@dataclass(frozen=True, slots=True)
class LapFamily:
    """A kind of drive."""

    name: str
    make: Callable[[int], LapDrive]
    """From a seed."""
    ordinary: bool = False


@dataclass(frozen=True, slots=True)
class LapOutcome:
    """One drive, judged."""

    family: str
    seed: int
    true: int
    found: int
    error: float | None
    """See `boundary_error`."""

    @property
    def verdict(self) -> str:
        """right, off by one, over, under, refused; in drives without laps right or false."""
        if self.true == 0:
            return "right" if self.found == 0 else "false"
        if self.found == self.true:
            return "right"
        if self.found == 0:
            return "refused"
        if abs(self.found - self.true) == 1:
            return "off by one"
        return "over" if self.found > self.true else "under"


CHANNELS = (
    "battery_current_a",
    "battery_voltage_v",
    "left_current_a",
    "right_current_a",
    "pulse_a_us",
    "pulse_b_us",
    "left_wheel_count",
    "right_wheel_count",
)
BOARD = Board(channels=CHANNELS)


def _driven(
    seed: int,
    way: Callable[[np.random.Generator], Way],
    parts: Callable[[np.random.Generator, Laid], list[Leg | Wait]],
    board: Board = BOARD,
    vehicle: Callable[[Vehicle], Vehicle] = lambda each: each,
    step_s: float = 0.01,
    rest_s: float | None = None,
    measured_track: bool = False,
    enough_ah: float = 0.0,
) -> LapDrive:
    rng = np.random.default_rng([seed, 0xA1])
    laid = lay(way(rng), rng)
    pack, own = draw_pack(rng), vehicle(draw_vehicle(rng))
    pack = replace(pack, capacity_ah=max(pack.capacity_ah, enough_ah))
    before, after = (float(rng.uniform(4, 15)) if rest_s is None else rest_s for _ in range(2))
    trip = drive([Wait(before), *parts(rng, laid), Wait(after)], own, pack, rng, step_s=step_s)
    # Measured with a ruler: to 1 %.
    track_m = own.track_m * (1 + 0.01 * float(np.random.default_rng([seed, 0xA8]).standard_normal()))
    chassis = f"[machine]\nwheel_diameter_m = 0.25\nwheel_counts_per_rev = 24\ntrack_m = {track_m:.3f}\n"
    machine = chassis * measured_track + battery_text(pack) + board.text()
    return LapDrive(record(trip, pack, board, rng), trip.stretches, machine)


def _laps(rng: np.random.Generator, low: int = 3, high: int = 9) -> float:
    """So many laps, and a part of one until it is parked."""
    return float(rng.integers(low, high)) + float(rng.uniform(0.05, 0.4))


def _round(low: int = 3, high: int = 9, **how: float) -> Callable[[np.random.Generator, Laid], list[Leg | Wait]]:
    def parts(rng: np.random.Generator, laid: Laid) -> list[Leg | Wait]:
        return [Leg(laid, 0.0, _laps(rng, low, high) * laid.length_m, **how)]

    return parts


def _pauses(rng: np.random.Generator, laid: Laid) -> list[Leg | Wait]:
    laps = _laps(rng, 4, 9)
    places = np.sort(rng.uniform(0.2, laps - 0.2, int(rng.integers(2, 5)))) * laid.length_m
    waits = tuple((float(place), float(np.exp(rng.uniform(np.log(8), np.log(120))))) for place in places)
    return [Leg(laid, 0.0, laps * laid.length_m, waits=waits)]


def _short(_: np.random.Generator, laid: Laid) -> list[Leg | Wait]:
    """As many laps as 18 s hold."""
    laps = 18.0 / (laid.length_m / float(laid.speed.mean()) + 1.0)
    return [Leg(laid, 0.0, min(max(laps, 2.1), 4.4) * laid.length_m, scatter=0.01)]


def _stall(rng: np.random.Generator, laid: Laid) -> list[Leg | Wait]:
    laps = _laps(rng, 4, 9)
    return [Leg(laid, 0.0, laps * laid.length_m, stall_at_m=float(rng.uniform(1.2, laps - 1)) * laid.length_m)]


def _mid_lap(rng: np.random.Generator, laid: Laid) -> list[Leg | Wait]:
    begin = float(rng.uniform(0.2, 0.8))
    return [Leg(laid, begin * laid.length_m, (begin + _laps(rng, 3, 8)) * laid.length_m)]


def _both_ways(rng: np.random.Generator, laid: Laid) -> list[Leg | Wait]:
    there, back = _laps(rng, 3, 6), _laps(rng, 3, 6)
    length = laid.length_m
    return [Leg(laid, 0.0, there * length), Wait(3.0), Leg(laid, there * length, (there - back) * length)]


def _two_circuits(rng: np.random.Generator, laid: Laid) -> list[Leg | Wait]:
    other = lay(odd_loop(rng, 0.7), rng)
    return [
        Leg(laid, 0.0, _laps(rng, 3, 7) * laid.length_m),
        Wait(float(rng.uniform(2, 20))),
        Leg(other, 0.0, _laps(rng, 3, 7) * other.length_m),
    ]


def _shuttle(seed: int, backing: bool) -> LapDrive:
    """There and back n times; there and back is one lap."""
    rng = np.random.default_rng([seed, 0xA2])
    laid = lay(line_way(rng), rng)
    pack, own, count = draw_pack(rng), draw_vehicle(rng), int(rng.integers(3, 8))
    parts: list[Leg | Wait] = [Wait(8.0)]
    for _ in range(count):
        for from_m, to_m, tail in ((0.0, laid.length_m, False), (laid.length_m, 0.0, backing)):
            pace = float(np.exp(0.03 * rng.standard_normal()))
            parts += [
                Leg(laid, from_m, to_m, pace=pace, scatter=0.01, backing=tail),
                Wait(float(rng.uniform(1.5, 5.0))),
            ]
    trip = drive(parts, own, pack, rng)
    times = np.concatenate([each.time_s for each in trip.stretches])
    laps = np.concatenate([0.5 * place + 0.5 * each.laps for place, each in enumerate(trip.stretches)])
    whole = Stretch(times, laps)
    return LapDrive(record(trip, pack, BOARD, rng), (whole,), battery_text(pack) + BOARD.text())


def _line_to_line(seed: int) -> LapDrive:
    """The recording begins as the machine comes past the line, and ends n laps later at the line, in motion."""
    rng = np.random.default_rng([seed, 0xA3])
    laid = lay(odd_loop(rng), rng)
    pack, own, count = draw_pack(rng), draw_vehicle(rng), int(rng.integers(3, 8))
    trip = drive([Wait(4.0), Leg(laid, 0.0, (count + 2.0) * laid.length_m)], own, pack, rng)
    whole = trip.stretches[0]
    begin_s, end_s = whole.passed_s(np.array([1.0, 1.0 + count])).tolist()
    made = record(trip, pack, BOARD, rng)
    keep = (made["t_s"] >= begin_s) & (made["t_s"] <= end_s)
    cut = {name: value[keep] for name, value in made.items()}
    start_s = float(cut["t_s"][0])
    inside = (whole.time_s >= start_s) & (whole.time_s <= float(cut["t_s"][-1]))
    cut["t_s"] = cut["t_s"] - start_s
    stretch = Stretch(whole.time_s[inside] - start_s, whole.laps[inside] - whole.laps[inside][0])
    return LapDrive(cut, (stretch,), battery_text(pack) + BOARD.text())


def _simulated(seed: int, course: Course, laps: int, stall_lap: int = 0, interval_us: int = 10_000) -> LapDrive:
    """The demo's simulator on another circuit, without marks."""
    rng = np.random.default_rng([seed, 0xA4])
    way = DriveParameters(
        course=course,
        laps=laps,
        marks=False,
        stall_lap=stall_lap,
        pace=float(rng.uniform(0.8, 1.05)),
        drift=float(rng.uniform(0.01, 0.04)),
        park_m=float(rng.uniform(2.0, 0.3 * course.length_m)),
    )
    done = simulate(seed, scenario=Scenario(CartParameters(), way), interval_us=interval_us)
    around = done.true["course_m"] / course.length_m
    gone = around + np.concatenate(([0], np.cumsum(np.diff(around) < -0.5)))
    made = {"t_s": done.measured["t_s"], **{name: done.measured[name] for name in CHANNELS}}
    stretch = Stretch(done.measured["t_s"], np.maximum.accumulate(gone - gone[0]))
    return LapDrive(made, (stretch,), BOARD.text())


def simulated_square(seed: int) -> LapDrive:
    """The demo cart on a square."""
    rng = np.random.default_rng([seed, 0xA5])
    side = float(rng.uniform(4, 8))
    pieces = (Segment(side, 0.0, 1.5), Segment(1.2 * math.pi / 2, math.pi / 2, 1.0)) * 4
    length = sum(piece.length_m for piece in pieces)
    course = Course(pieces, (), (Stop(length - 1.0, float(rng.uniform(1, 4)), 0.0),), 3.0)
    return _simulated(seed, course, int(rng.integers(3, 7)))


def simulated_aisle(seed: int) -> LapDrive:
    """The demo cart up one aisle and down the next, with a ramp and a stall."""
    rng = np.random.default_rng([seed, 0xA6])
    long_m = float(rng.uniform(8, 16))
    half = (Segment(long_m, 0.0, 1.7), Segment(1.2 * math.pi, math.pi, 1.0))
    length = 2 * sum(piece.length_m for piece in half)
    stops = (Stop(length - 1.5, float(rng.uniform(1, 3)), 0.0),)
    course = Course(half * 2, (Ramp(2.0, 5.0, 0.05), Ramp(6.0, long_m, -0.02)), stops, 0.3 * length)
    laps = int(rng.integers(4, 7))
    return _simulated(seed, course, laps, stall_lap=int(rng.integers(1, laps)))


def _standing(
    seed: int,
    make: Callable[[np.random.Generator, Floats], Floats],
    rate_hz: float,
    seconds: float,
    step_a: float,
    noise_a: float,
    start_ah: float = 0.0,
    extra: bool = False,
) -> LapDrive:
    """A machine that goes nowhere: a current over time, and what the battery makes of it."""
    rng = np.random.default_rng([seed, 0xA7])
    pack = draw_pack(rng)
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    amps = make(rng, time_s)
    volts = pack.volts(amps, 1 / rate_hz, start_ah * pack.capacity_ah)
    made = {
        "t_s": time_s,
        "battery_current_a": np.round((amps + noise_a * rng.standard_normal(len(amps))) / step_a) * step_a,
        "battery_voltage_v": np.round((volts + 0.002 * rng.standard_normal(len(amps))) / 0.001) * 0.001,
    }
    if extra:
        still = np.zeros(len(amps))
        made |= {
            "left_wheel_count": still,
            "right_wheel_count": still,
            "pulse_a_us": still + 1500,
            "pulse_b_us": still + 1500,
        }
    return LapDrive(made, (), battery_text(pack))


def _constant(rng: np.random.Generator, time_s: Floats) -> Floats:
    """A bench load from half a minute on, with its regulator's slow hum."""
    hum = 0.003 * lagged(rng.standard_normal(len(time_s)), float(time_s[1]), 5.0)
    return np.asarray(np.where(time_s > 20, float(rng.uniform(2, 25)) * (1 + hum), 0.0))


def _resistor(rng: np.random.Generator, time_s: Floats) -> Floats:
    """A resistor across the battery, as its falling voltage has it, after a rest."""
    volts = 25.4 - 0.35 * time_s / float(time_s[-1]) + 0.25 * np.exp(-time_s / 60)
    return np.asarray(np.where(time_s > 15, volts / float(rng.uniform(1.2, 6)), 0.0))


def _two_codes(rng: np.random.Generator, time_s: Floats) -> Floats:
    """A regulator that swings between two steps of its converter."""
    period_s, share = float(rng.uniform(6, 25)), float(rng.uniform(0.3, 0.7))
    swing = np.mod(time_s + 0.15 * lagged(rng.standard_normal(len(time_s)), float(time_s[1]), 20.0), period_s)
    return np.asarray(np.where(time_s > 15, float(rng.integers(2, 12)) + 0.1 * (swing < share * period_s), 0.0))


def _rounding(rng: np.random.Generator, time_s: Floats) -> Floats:
    """A load that creeps across the steps of a coarse converter."""
    slow = np.sin(time_s / float(rng.uniform(40, 200)) + float(rng.uniform(0, 6)))
    return np.asarray(float(rng.uniform(3, 12)) + 0.15 * slow + 0.0004 * time_s)


def _charging(rng: np.random.Generator, time_s: Floats) -> Floats:
    """Constant current, then falling; a charger that looks up the battery every half minute."""
    most, full_s = float(rng.uniform(3, 12)), float(rng.uniform(0.4, 0.7)) * float(time_s[-1])
    amps = np.where(time_s < full_s, most, most * np.exp(-(time_s - full_s) / (0.2 * float(time_s[-1]))))
    looks = np.mod(time_s, float(rng.uniform(25, 60))) < 1.0
    return np.asarray(-amps * np.where(looks & (time_s > 30), 0.3, 1.0))


def _fan(rng: np.random.Generator, time_s: Floats) -> Floats:
    """Parked, with a fan that cools for a while every so often."""
    on_s, off_s = float(rng.uniform(8, 20)), float(rng.uniform(15, 40))
    on = np.mod(time_s, on_s + off_s) < on_s
    return np.asarray(0.3 + 1.8 * lagged(on.astype(float), float(time_s[1]), 0.5))


FAMILIES: tuple[LapFamily, ...] = (
    LapFamily("odd loop", lambda s: _driven(s, odd_loop, _round()), ordinary=True),
    LapFamily("square", lambda s: _driven(s, lambda r: square(float(r.uniform(4, 9))), _round()), ordinary=True),
    LapFamily("square, smooth floor", lambda s: _driven(s, lambda r: square(float(r.uniform(4, 9)), 0.03), _round())),
    LapFamily(
        "square, track width known",
        lambda s: _driven(s, lambda r: square(float(r.uniform(4, 9)), 0.03), _round(), measured_track=True),
    ),
    LapFamily(
        "six equal sides", lambda s: _driven(s, lambda r: polygon(6, float(r.uniform(4, 8))), _round()), ordinary=True
    ),
    LapFamily(
        "figure of eight",
        lambda s: _driven(s, lambda r: figure_of_eight(float(r.uniform(1.5, 3)), float(r.uniform(3, 7))), _round()),
        ordinary=True,
    ),
    LapFamily(
        "aisle, two equal halves",
        lambda s: _driven(s, lambda r: aisle(float(r.uniform(8, 18)), 3.0), _round()),
        ordinary=True,
    ),
    LapFamily(
        "laps of 5 min",
        lambda s: _driven(s, long_circuit, _round(3, 5), replace(BOARD, rate_hz=50.0), step_s=0.02),
        ordinary=True,
    ),
    LapFamily("pauses of 8 to 120 s", lambda s: _driven(s, odd_loop, _pauses), ordinary=True),
    LapFamily("a stall in mid-lap", lambda s: _driven(s, odd_loop, _stall), ordinary=True),
    LapFamily("start in mid-lap", lambda s: _driven(s, odd_loop, _mid_lap), ordinary=True),
    LapFamily("15 % scatter of lap time", lambda s: _driven(s, odd_loop, _round(5, 10, scatter=0.15)), ordinary=True),
    LapFamily("reversal of direction", lambda s: _driven(s, odd_loop, _both_ways)),
    LapFamily("a second circuit", lambda s: _driven(s, odd_loop, _two_circuits)),
    LapFamily("shuttle, turning round", lambda s: _shuttle(s, False)),
    LapFamily("shuttle, backing up", lambda s: _shuttle(s, True)),
    LapFamily("line to line", _line_to_line, ordinary=True),
    LapFamily("50 Hz board", lambda s: _driven(s, odd_loop, _round(), replace(BOARD, rate_hz=50.0)), ordinary=True),
    LapFamily(
        "10 Hz, battery alone",
        lambda s: _driven(s, odd_loop, _round(), replace(BOARD, rate_hz=10.0, channels=CHANNELS[:2])),
        ordinary=True,
    ),
    LapFamily("20 s drive", lambda s: _driven(s, small_loop, _short, rest_s=1.5), ordinary=True),
    LapFamily(
        "3 h drive",
        lambda s: _driven(s, odd_loop, _round(200, 260), replace(BOARD, rate_hz=10.0), step_s=0.05, enough_ah=60.0),
        ordinary=True,
    ),
    LapFamily("simulated square", simulated_square, ordinary=True),
    LapFamily("simulated aisle, stall", simulated_aisle, ordinary=True),
    LapFamily("none: constant load", lambda s: _standing(s, _constant, 20.0, 400, 0.006, 0.02)),
    LapFamily("none: constant load, 10-bit", lambda s: _standing(s, _constant, 20.0, 400, 0.195, 0.03)),
    LapFamily("none: resistor, steps of 0.1 A", lambda s: _standing(s, _resistor, 10.0, 500, 0.1, 0.0)),
    LapFamily("none: regulator between two steps", lambda s: _standing(s, _two_codes, 10.0, 500, 0.1, 0.0)),
    LapFamily("none: rounding noise", lambda s: _standing(s, _rounding, 10.0, 600, 0.1, 0.01)),
    LapFamily("none: charging", lambda s: _standing(s, _charging, 1.0, 5400, 0.01, 0.004, 0.5)),
    LapFamily("none: parked, fan cycles", lambda s: _standing(s, _fan, 20.0, 500, 0.02, 0.02, extra=True)),
)
BY_NAME = {family.name: family for family in FAMILIES}
SLOW = frozenset({"3 h drive", "simulated square", "simulated aisle, stall", "laps of 5 min"})
"""Families of which a quick look takes few."""


def boundary_error(laps: Sequence[tuple[float, float]], stretches: Sequence[Stretch]) -> float | None:
    """Greatest error of a boundary in median laps; inf where a lap begins on one circuit and ends on another.

    `laps` are starts and ends [s]. A lap may begin anywhere: each boundary is compared with the true passage of the
    place that the boundaries of its stretch have in common. Where the machine stands at that place it is there all the
    while: from `AT_PLACE` before it to as much past it. None without laps.
    """
    if not laps or not stretches:
        return None
    middle = np.array([0.5 * (one.time_s[-1] + other.time_s[0]) for one, other in itertools.pairwise(stretches)])
    bounds = np.array(laps)
    which = np.searchsorted(middle, bounds)
    if (which[:, 0] != which[:, 1]).any():
        return math.inf
    worst = 0.0
    for place, stretch in enumerate(stretches):
        own = np.unique(bounds[which[:, 0] == place])
        if len(own) == 0:
            continue
        at = np.interp(own, stretch.time_s, stretch.laps)
        common = float(np.angle(np.exp(2j * np.pi * at).mean())) / (2 * np.pi)
        number = np.clip(common + np.round(at - common), 0.0, stretch.count)
        usual = float(np.median(np.diff(bounds[which[:, 0] == place], axis=1)))
        begin_s, end_s = stretch.passed_s(number - AT_PLACE), stretch.passed_s(number + AT_PLACE)
        worst = max(worst, float(np.maximum(begin_s - own, own - end_s).max()) / usual)
    return worst


def judge(family: LapFamily, seed: int) -> LapOutcome:
    """Make a drive, find its laps, compare."""
    made = family.make(seed)
    with opened(made.record, made.machine) as run:
        found = assess_laps(run, Doubts()).each
    error = boundary_error([(lap.start_s, lap.end_s) for lap in found], made.stretches)
    return LapOutcome(family.name, seed, made.laps, len(found), error)
