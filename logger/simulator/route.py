"""The aisle loop: lengths, turns, ramps, stops and floor by the distance travelled along it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

CELL_M = 0.05
"""Spacing of the table's cells."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A section of constant curvature."""

    length_m: float
    turn_rad: float
    """Change of heading over the section, left positive."""
    speed_m_s: float
    """Speed that the operator aims at."""


@dataclass(frozen=True, slots=True)
class Ramp:
    """A section of constant slope."""

    start_m: float
    end_m: float
    grade: float
    """Rise over run; negative goes down."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A place to stop on each lap."""

    at_m: float
    dwell_s: float
    load_kg: float
    """Trays taken on (positive) or off."""


@dataclass(frozen=True, slots=True)
class Course:
    """One lap. Its last stop is the loading station just before the start line, where the drive begins."""

    segments: tuple[Segment, ...]
    ramps: tuple[Ramp, ...]
    stops: tuple[Stop, ...]
    bench_leg_m: float
    """Position of the bench leg on the stall lap."""
    roughness: float = 0.22
    """1 σ of the rolling resistance along the floor, relative."""

    @property
    def length_m(self) -> float:
        """Once round."""
        return sum(segment.length_m for segment in self.segments)


@dataclass(frozen=True, slots=True)
class CourseTable:
    """A course in cells of `CELL_M`; plain lists, since the drive reads single values."""

    cells: int
    length_m: float
    curvature: list[float]
    """1/m, left positive."""
    speed: list[float]
    """m/s."""
    grade: list[float]
    floor: list[float]
    """Factor on the rolling resistance."""


def demo_course() -> Course:
    """The loop round two benches of the nursery, 32.7 m, with a ramp up into the first turn and one down."""
    turn = math.pi / 2
    arc = 1.2 * turn
    return Course(
        segments=(
            Segment(7.1, 0.0, 1.80),
            Segment(arc, turn, 1.10),
            Segment(3.0, 0.0, 1.45),
            Segment(arc, turn, 1.10),
            Segment(9.6, 0.0, 1.80),
            Segment(arc, turn, 1.10),
            Segment(3.0, 0.0, 1.45),
            Segment(arc, turn, 1.10),
            Segment(2.5, 0.0, 1.30),
        ),
        ramps=(Ramp(4.6, 8.2, 0.08), Ramp(14.2, 17.8, -0.08)),
        stops=(Stop(20.4, 1.0, -60.0), Stop(31.5, 1.6, 60.0)),
        bench_leg_m=7.6,
    )


def wandering_course(seed: int, length_m: float = 260.0) -> Course:
    """A path through the nursery that never repeats: a drive on it (`laps=1`, `marks=False`) holds no laps."""
    rng = np.random.default_rng([seed, 0x57])
    segments: list[Segment] = []
    ramps: list[Ramp] = []
    stops: list[Stop] = []
    at = 0.0
    while at < length_m - 12.0:
        straight = float(rng.uniform(2.0, 14.0))
        segments.append(Segment(straight, 0.0, float(rng.uniform(0.9, 1.8))))
        if straight > 5.0 and rng.random() < 0.4:
            ramps.append(Ramp(at + 1.0, at + straight - 1.0, float(rng.uniform(-0.07, 0.07))))
        if straight > 4.0 and rng.random() < 0.3:
            stops.append(Stop(at + straight - 1.5, float(rng.uniform(0.5, 4.0)), 0.0))
        turn = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.4, 2.2))
        arc = abs(turn) * float(rng.uniform(1.0, 2.5))
        segments.append(Segment(arc, turn, float(rng.uniform(0.7, 1.1))))
        at += straight + arc
    segments.append(Segment(8.0, 0.0, 1.2))
    stops.append(Stop(at + 6.5, 1.5, 0.0))
    return Course(tuple(segments), tuple(ramps), tuple(stops), bench_leg_m=at / 2)


def _smooth(values: npt.NDArray[np.float64], width_m: float) -> npt.NDArray[np.float64]:
    """Moving average round the loop: a wheelbase enters a ramp gradually."""
    width = max(1, round(width_m / CELL_M)) | 1
    half = width // 2
    wrapped = np.concatenate([values[-half:], values, values[:half]]) if half else values
    return np.convolve(wrapped, np.full(width, 1.0 / width), "valid")


def _floor(cells: int, roughness: float, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Rolling resistance along the floor: rough on the scale of paving joints, smooth below about 10 cm."""
    coarse = _smooth(rng.standard_normal(cells), 0.9)
    fine = _smooth(rng.standard_normal(cells), 0.2)
    shape = 0.8 * coarse / coarse.std() + 0.6 * fine / fine.std()
    floor: npt.NDArray[np.float64] = np.clip(1.0 + roughness * shape, 0.3, 2.5)
    return floor


def lay_out(course: Course, rng: np.random.Generator) -> CourseTable:
    """Cells of a course; the floor is drawn from `rng` and is the same on every lap."""
    length = course.length_m
    cells = max(8, round(length / CELL_M))
    step = length / cells
    edges = np.arange(cells + 1) * step
    ends = np.concatenate([[0.0], np.cumsum([segment.length_m for segment in course.segments])])
    # Heading and height are taken at the cells' edges, so that a lap closes exactly whatever the cell size.
    heading = np.interp(edges, ends, np.concatenate([[0.0], np.cumsum([s.turn_rad for s in course.segments])]))
    height = np.zeros(cells + 1)
    for ramp in course.ramps:
        height += ramp.grade * (np.clip(edges, ramp.start_m, ramp.end_m) - ramp.start_m)
    place = np.clip(np.searchsorted(ends, edges[:-1] + 0.5 * step) - 1, 0, len(course.segments) - 1)
    pace = np.array([segment.speed_m_s for segment in course.segments])
    return CourseTable(
        cells,
        length,
        _smooth(np.diff(heading) / step, 0.5).tolist(),
        _smooth(pace[place], 0.3).tolist(),
        _smooth(np.diff(height) / step, 0.6).tolist(),
        _floor(cells, course.roughness, rng).tolist(),
    )


def cell(table: CourseTable, at_m: float) -> int:
    """Index of the cell at a distance along the course; wraps in both directions."""
    return math.floor(at_m / table.length_m * table.cells) % table.cells


def next_stop(stops: Sequence[Stop], at_m: float) -> int:
    """Index of the first stop beyond `at_m` on this lap, or len(stops)."""
    for index, stop in enumerate(stops):
        if stop.at_m > at_m:
            return index
    return len(stops)
