"""Random machines and drives from a seed, for studies over many of them."""

from __future__ import annotations

import dataclasses

import numpy as np

from amptally.logger.simulator.parameters import CartParameters, DriveParameters, Scenario
from amptally.logger.simulator.route import Course, Ramp, Segment, Stop, demo_course, wandering_course


def scaled(course: Course, factor: float) -> Course:
    """The same loop, `factor` times as long."""
    return dataclasses.replace(
        course,
        segments=tuple(Segment(s.length_m * factor, s.turn_rad, s.speed_m_s) for s in course.segments),
        ramps=tuple(Ramp(r.start_m * factor, r.end_m * factor, r.grade) for r in course.ramps),
        stops=tuple(Stop(s.at_m * factor, s.dwell_s, s.load_kg) for s in course.stops),
        bench_leg_m=course.bench_leg_m * factor,
    )


def draw_cart(seed: int) -> CartParameters:
    """A cart like the demo's, with other motors, batteries, mass and floor."""
    rng = np.random.default_rng([seed, 3])

    def about(spread: float) -> float:
        return float(np.exp(rng.normal(0.0, spread)))

    base = CartParameters()
    motors = [
        dataclasses.replace(
            motor,
            resistance_ohm=motor.resistance_ohm * about(0.10),
            torque_constant_nm_a=motor.torque_constant_nm_a * about(0.03),
            coulomb_nm=motor.coulomb_nm * about(0.2),
        )
        for motor in (base.left_motor, base.right_motor)
    ]
    size = float(rng.uniform(0.6, 1.6))
    blocks = [
        dataclasses.replace(
            block,
            capacity_ah=block.capacity_ah * size * about(0.05),
            charge=float(rng.uniform(0.75, 1.0)),
            resistance_ohm=block.resistance_ohm / size * about(0.15),
            fast_ohm=block.fast_ohm / size * about(0.15),
            slow_ohm=block.slow_ohm / size * about(0.15),
            temperature_c=float(rng.uniform(12.0, 34.0)),
        )
        for block in (base.block_a, base.block_b)
    ]
    chassis = dataclasses.replace(
        base.chassis,
        mass_kg=base.chassis.mass_kg * float(rng.uniform(0.75, 1.2)),
        rolling=float(rng.uniform(0.025, 0.06)),
        scrub_m=base.chassis.scrub_m * float(rng.uniform(0.6, 1.2)),
    )
    return dataclasses.replace(
        base,
        left_motor=motors[0],
        right_motor=motors[1],
        block_a=blocks[0],
        block_b=blocks[1],
        chassis=chassis,
        ambient_c=float(rng.uniform(12.0, 34.0)),
    )


def draw_drive(seed: int, *, marks: bool = True, laps: int | None = None) -> DriveParameters:
    """A drive on a longer or shorter loop, with another number of laps, other stops and another speed."""
    rng = np.random.default_rng([seed, 4])
    course = scaled(demo_course(), float(rng.uniform(0.75, 1.8)))
    chosen = course.stops if rng.random() < 0.6 else course.stops[-1:]
    dwell = float(np.exp(rng.normal(0.0, 0.5)))
    stops = tuple(dataclasses.replace(stop, dwell_s=stop.dwell_s * dwell) for stop in chosen)
    if len(stops) == 1:
        stops = (dataclasses.replace(stops[0], load_kg=0.0),)
    count = int(rng.integers(3, 15)) if laps is None else laps
    return DriveParameters(
        course=dataclasses.replace(course, stops=stops, roughness=float(rng.uniform(0.1, 0.3))),
        laps=count,
        marks=marks,
        pace=float(rng.uniform(0.75, 1.1)),
        drift=float(rng.uniform(0.005, 0.04)),
        stall_lap=int(rng.integers(1, count + 1)) if count and rng.random() < 0.5 else 0,
    )


def draw_wander(seed: int, length_m: float = 260.0) -> DriveParameters:
    """A drive without laps or marks: a path that never returns to the same place."""
    return DriveParameters(course=wandering_course(seed, length_m), laps=1, marks=False, stall_lap=0)


def draw_scenario(seed: int, *, marks: bool = True, laps: int | None = None) -> Scenario:
    """Another machine on another drive."""
    return Scenario(draw_cart(seed), draw_drive(seed, marks=marks, laps=laps))
