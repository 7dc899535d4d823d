"""Circuits and lines of the unseen drives, and the run file of what was recorded on them."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from amptally.analysis.runs.run import Run
from tests.analysis.build_runs import write_run
from tests.studies.unseen_machine import Piece, Record, Way


@contextmanager
def opened(record: Record, machine: str) -> Iterator[Run]:
    """What a board recorded, with a machine file, as a run; its file goes afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        channels = {name: value for name, value in record.items() if name != "t_s"}
        yield Run.open(write_run(Path(folder) / "run.parquet", record["t_s"], channels, machine=machine))


def straight(length_m: float, speed_m_s: float = 1.5) -> Piece:
    """No turn."""
    return Piece(length_m, 0.0, speed_m_s)


def bend(turns: float, radius_m: float, speed_m_s: float = 1.0) -> Piece:
    """Part of a circle; full turns, left positive."""
    return Piece(abs(turns) * 2 * math.pi * radius_m, turns * 2 * math.pi, speed_m_s)


def square(side_m: float, roughness: float = 0.12) -> Way:
    """Four equal sides and corners: only the floor tells them apart."""
    return Way((straight(side_m), bend(0.25, 1.0)) * 4, roughness=roughness)


def polygon(sides: int, side_m: float) -> Way:
    """Equal sides and corners."""
    return Way((straight(side_m), bend(1 / sides, 1.2)) * sides)


def figure_of_eight(radius_m: float, leg_m: float) -> Way:
    """Two loops, one to the left and one to the right."""
    return Way((straight(leg_m), bend(0.75, radius_m), straight(leg_m), bend(-0.75, radius_m)))


def aisle(long_m: float, short_m: float) -> Way:
    """Up one aisle and down the next: two equal halves."""
    return Way((straight(long_m, 1.8), bend(0.25, 1.2), straight(short_m, 1.2), bend(0.25, 1.2)) * 2)


def odd_loop(rng: np.random.Generator, scale: float = 1.0) -> Way:
    """Sides that differ, a hill and a stop."""
    sides = rng.uniform(4, 14, 5) * scale
    turns = np.array([0.25, 0.2, -0.1, 0.35, 0.3])
    pieces = tuple(
        piece
        for side, turn in zip(sides.tolist(), turns.tolist(), strict=True)
        for piece in (straight(side, float(rng.uniform(1.1, 1.8))), bend(turn, float(rng.uniform(0.9, 1.8))))
    )
    length = sum(piece.length_m for piece in pieces)
    hill = float(rng.uniform(0.1, 0.5)) * length
    return Way(
        pieces,
        stops=((float(rng.uniform(0.6, 0.9)) * length, float(rng.uniform(1, 6))),),
        hills=((hill, hill + 4 * scale, 0.05), (hill + 6 * scale, hill + 10 * scale, -0.05)),
    )


def small_loop(rng: np.random.Generator) -> Way:
    """Round a table: 6 to 8 m."""
    first, second = rng.uniform(0.6, 1.6, 2).tolist()
    return Way((straight(first, 1.1), bend(0.6, 0.7, 0.8), straight(second, 1.3), bend(0.4, 0.6, 0.7)))


def long_circuit(rng: np.random.Generator) -> Way:
    """About five minutes round: twelve sides of a yard, hills and three stops."""
    sides = rng.uniform(12, 55, 12)
    turns = rng.choice([0.25, 0.25, -0.12, 0.15], 12)
    pieces = tuple(
        piece
        for side, turn in zip(sides.tolist(), turns.tolist(), strict=True)
        for piece in (straight(side, float(rng.uniform(1.1, 1.8))), bend(turn, float(rng.uniform(1.0, 2.5))))
    )
    length = sum(piece.length_m for piece in pieces)
    places = np.sort(rng.uniform(0.05, 0.95, 3)) * length
    hills = tuple((float(place), float(place) + 12.0, float(rng.uniform(-0.05, 0.05))) for place in places)
    return Way(pieces, stops=tuple((float(place) + 15.0, float(rng.uniform(2, 15))) for place in places), hills=hills)


def line_way(rng: np.random.Generator) -> Way:
    """From one line to another, with a bend and a hill between."""
    length = float(rng.uniform(12, 35))
    return Way(
        (straight(0.4 * length, 1.6), bend(0.08, 4.0, 1.2), straight(0.6 * length, 1.6)),
        hills=((0.6 * length, 0.8 * length, 0.03),),
    )
