"""A small vehicle on circuits and lines for the unseen drives: it goes where it is sent, and its truth is its place.

Not the demo's simulator: speed follows from place, slopes of speed and an operator's pace, currents from forces, and
all of it is array expressions, so that a drive of minutes takes milliseconds and may turn round, wait, begin anywhere
or go to another circuit. Motors: V = I·R + K·ω, torque K·I; supply current is duty times motor current.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.signals.series import Floats
from tests.studies.unseen_battery import Pack, lagged

CELL_M = 0.05
GRAVITY_M_S2 = 9.81
CRAWL_M_S = 0.1
"""Speed in the cell where a stop is."""
Record = dict[str, Floats]
"""Channels in SI units by SI name, t_s among them; NaN is null."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of constant curvature."""

    length_m: float
    turn_rad: float
    speed_m_s: float


@dataclass(frozen=True, slots=True)
class Way:
    """A circuit, or a line from end to end, laid out in cells."""

    pieces: tuple[Piece, ...]
    stops: tuple[tuple[float, float], ...] = ()
    """Place [m] and how long the machine stands there [s]."""
    hills: tuple[tuple[float, float, float], ...] = ()
    """From, to [m] and rise over run."""
    roughness: float = 0.12
    """1 σ of the rolling resistance along the floor, relative."""

    @property
    def length_m(self) -> float:
        """Once along it."""
        return sum(piece.length_m for piece in self.pieces)


@dataclass(frozen=True, slots=True)
class Laid:
    """A way in cells of about `CELL_M`, each array of shape (cells,)."""

    length_m: float
    curvature: Floats
    speed: Floats
    grade: Floats
    floor: Floats
    stops: tuple[tuple[float, float], ...]

    def at(self, values: Floats, place_m: Floats) -> Floats:
        """Values at places along it; a circuit goes on where it began."""
        index = np.floor(place_m / self.length_m * len(values)).astype(np.int64) % len(values)
        return np.asarray(values[index])


def lay(way: Way, rng: np.random.Generator) -> Laid:
    """Its cells, the floor drawn from `rng` and the same on every lap."""
    cells = max(20, round(way.length_m / CELL_M))
    middle = (np.arange(cells) + 0.5) * way.length_m / cells
    ends = np.cumsum([piece.length_m for piece in way.pieces])
    which = np.minimum(np.searchsorted(ends, middle), len(ends) - 1)
    curvature = np.array([piece.turn_rad / piece.length_m for piece in way.pieces])[which]
    speed = np.array([piece.speed_m_s for piece in way.pieces])[which]
    grade = np.zeros(cells)
    for begin, end, slope in way.hills:
        grade[(middle >= begin) & (middle < end)] += slope
    floor = round_mean(rng.normal(size=cells), 12)
    floor = 1 + way.roughness * floor / max(float(floor.std()), 1e-9)
    return Laid(
        way.length_m,
        round_mean(curvature, 12),
        round_mean(speed, 10),
        round_mean(grade, 12),
        np.clip(floor, 0.3, 2.5),
        way.stops,
    )


def round_mean(values: Floats, width: int) -> Floats:
    """Moving mean round a circuit."""
    wrapped = np.concatenate((values[-width:], values, values[:width]))
    sums = np.concatenate(([0.0], np.cumsum(wrapped)))
    half = width // 2
    return np.asarray((sums[width + half : width + half + len(values)] - sums[half : half + len(values)]) / width)


@dataclass(frozen=True, slots=True)
class Leg:
    """Go along a way from one place to another [m]; a circuit's places go on beyond its length, lap for lap."""

    laid: Laid
    from_m: float
    to_m: float
    """Below `from_m`: the other way round."""
    pace: float = 1.0
    scatter: float = 0.02
    """1 σ of the pace from lap to lap."""
    backing: bool = False
    """Drives tail first."""
    stall_at_m: float | None = None
    """Here the wheels are held for a while."""
    waits: tuple[tuple[float, float], ...] = ()
    """Places [m, counted on beyond a lap] where it waits once, and how long [s]."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Stand for so long [s]."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One machine."""

    mass_kg: float = 120.0
    track_m: float = 0.55
    wheel_r_m: float = 0.125
    gear: float = 16.0
    motor_v_s: float = 0.070
    """K, both ways [V·s]."""
    motor_ohm: float = 0.13
    rolling: float = 0.04
    scrub: float = 0.020
    """Turning moment per newton of weight [m]."""
    balance: float = 0.5
    """The left side's share of the straight load."""
    slope_m_s2: float = 0.8
    """How fast its operator speeds up and slows down."""
    standby_a: float = 0.3
    most_a: float = 150.0
    """The controller's limit for a motor."""
    regenerates: bool = True
    unsteady: float = 0.03
    """1 σ of the operator's pace within a lap."""


def draw_vehicle(rng: np.random.Generator) -> Vehicle:
    """Light or heavy, smooth or brisk."""
    return Vehicle(
        mass_kg=float(rng.uniform(50, 220)),
        track_m=float(rng.uniform(0.4, 0.7)),
        gear=float(rng.uniform(12, 20)),
        motor_ohm=float(rng.uniform(0.08, 0.2)),
        rolling=float(rng.uniform(0.02, 0.06)),
        scrub=float(rng.uniform(0.01, 0.025)),
        balance=float(rng.uniform(0.47, 0.53)),
        slope_m_s2=float(rng.uniform(0.5, 1.2)),
        standby_a=float(rng.uniform(0.1, 0.8)),
        regenerates=bool(rng.random() < 0.7),
        unsteady=float(rng.uniform(0.015, 0.05)),
    )


@dataclass(frozen=True, slots=True)
class Stretch:
    """Where the machine was during one leg: the truth for laps."""

    time_s: Floats
    laps: Floats
    """Laps gone since the leg began, never falling; shape (n,)."""

    @property
    def count(self) -> float:
        """Laps gone at its end."""
        return float(self.laps[-1])

    def passed_s(self, laps: Floats) -> Floats:
        """When so many laps were gone."""
        return np.interp(laps, self.laps + 1e-9 * np.arange(len(self.laps)), self.time_s)


@dataclass(frozen=True, slots=True)
class Trip:
    """A drive on the fine grid, before any sensor; arrays of shape (n,)."""

    step_s: float
    truth: Record
    """battery_current_a; {left,right}_current_a, _motor_a, _duty, _wheel_m; throttle, steering, speed_m_s."""
    stretches: tuple[Stretch, ...]

    @property
    def time_s(self) -> Floats:
        """Of each sample."""
        return np.arange(len(self.truth["speed_m_s"])) * self.step_s

    @property
    def duration_s(self) -> float:
        """From first to last."""
        return (len(self.truth["speed_m_s"]) - 1) * self.step_s


def _timed(leg: Leg, vehicle: Vehicle, rng: np.random.Generator) -> tuple[Floats, Floats, tuple[float, float] | None]:
    """(moments [s], places [m]) of one leg, from standing to standing; and when the wheels were held."""
    laid = leg.laid
    cells = max(4, round(abs(leg.to_m - leg.from_m) / CELL_M))
    place = np.linspace(leg.from_m, leg.to_m, cells + 1)
    length = abs(leg.to_m - leg.from_m) / cells
    gone = np.abs(place - leg.from_m) / laid.length_m
    paces = np.clip(1 + leg.scatter * rng.standard_normal(int(gone[-1]) + 3), 0.4, 1.8)
    # The pace changes over a tenth of a lap, not at a line.
    pace = leg.pace * np.interp(
        gone, np.repeat(np.arange(len(paces)), 2) + np.tile([0.05, 0.95], len(paces)), np.repeat(paces, 2)
    )
    wander = lagged(rng.standard_normal(cells + 1), length, 3.0) * math.sqrt(2 * 3.0 / length)
    target = laid.at(laid.speed, place) * pace * np.clip(1 + vehicle.unsteady * wander, 0.6, 1.4)
    square = target**2
    dwell = np.zeros(cells + 1)
    along = np.sign(leg.to_m - leg.from_m)
    stops = [
        (at + lap * laid.length_m, each_s * float(np.exp(0.15 * rng.standard_normal())))
        for at, each_s in laid.stops
        for lap in range(
            math.floor(min(leg.from_m, leg.to_m) / laid.length_m) - 1,
            math.ceil(max(leg.from_m, leg.to_m) / laid.length_m) + 1,
        )
    ]
    held = None
    for at, seconds in (*stops, *leg.waits):
        index = round((at - leg.from_m) * along / length)
        if 2 < index < cells - 2:
            square[index], dwell[index] = CRAWL_M_S**2, dwell[index] + seconds
    if leg.stall_at_m is not None:
        index = round((leg.stall_at_m - leg.from_m) * along / length)
        square[index], dwell[index] = CRAWL_M_S**2, 1.2
        held = index
    square[[0, -1]] = CRAWL_M_S**2
    # What can be reached by speeding up from every cell before, and slowed down from before every cell behind.
    slope = 2 * vehicle.slope_m_s2 * length * np.arange(cells + 1)
    square = np.minimum.accumulate(square - slope) + slope
    square = (np.minimum.accumulate((square + slope)[::-1]))[::-1] - slope
    speed = np.sqrt(np.maximum(square, CRAWL_M_S**2))
    steps_s = length / (0.5 * (speed[1:] + speed[:-1]))
    arrive = np.concatenate(([0.0], np.cumsum(steps_s + dwell[:-1])))
    moments = np.stack((arrive, arrive + dwell), 1).ravel()
    moments[1:] = np.maximum(moments[1:], moments[:-1] + 1e-9)
    when = None if held is None else (float(arrive[held]), float(arrive[held] + dwell[held]))
    return np.maximum.accumulate(moments), np.repeat(place, 2), when


def drive(
    parts: list[Leg | Wait],
    vehicle: Vehicle,
    pack: Pack,
    rng: np.random.Generator,
    start_ah: float = 0.0,
    step_s: float = 0.01,
) -> Trip:
    """Go through all parts. For the duty the supply is taken as nearly open-circuit; `record` gives what it does."""
    columns: tuple[list[Floats], ...] = ([], [], [], [], [])
    stretches: list[Stretch] = []
    at_s = 0.0
    for part in parts:
        if isinstance(part, Wait):
            count = round(part.seconds / step_s)
            each = tuple(np.full(count, value) for value in (0.0, 0.0, 1.0, 0.0, 0.0))
        else:
            moments, places, stalled = _timed(part, vehicle, rng)
            count = math.ceil(moments[-1] / step_s) + 1
            grid = np.arange(count) * step_s
            place = np.interp(grid, moments, places)
            along = np.sign(part.to_m - part.from_m)
            speed = np.gradient(np.interp(grid, moments, np.abs(places - places[0])), step_s)
            smooth = max(1, round(0.25 / step_s))
            speed = np.convolve(speed, np.full(smooth, 1 / smooth), "same")
            bend = part.laid.at(part.laid.curvature, place) * along * (-1.0 if part.backing else 1.0)
            push = np.zeros(count)
            if stalled is not None:
                push[(grid >= stalled[0]) & (grid < stalled[1])] = 1.0
            floor, grade = part.laid.at(part.laid.floor, place), part.laid.at(part.laid.grade, place) * along
            each = (speed * (-1.0 if part.backing else 1.0), speed * bend, floor, grade, push)
            stretches.append(Stretch(at_s + grid, np.abs(place - part.from_m) / part.laid.length_m))
        for column, values_of in zip(columns, each, strict=True):
            column.append(values_of)
        at_s += count * step_s
    motion = [np.concatenate(column) for column in columns]
    return Trip(step_s, _electric(vehicle, pack, motion, rng, start_ah, step_s), tuple(stretches))


def _electric(
    vehicle: Vehicle,
    pack: Pack,
    motion: list[Floats],
    rng: np.random.Generator,
    start_ah: float,
    step_s: float,
) -> Record:
    """Currents of motors, supply legs and battery, and the sticks.

    `motion`: speed, yaw rate, floor's factor, grade, and 1 while the wheels are held; each of shape (n,).
    """
    speed, yaw, load, grade, push = motion
    weight = vehicle.mass_kg * GRAVITY_M_S2
    smooth = max(1, round(0.2 / step_s))
    pull = np.convolve(np.gradient(speed, step_s), np.full(smooth, 1 / smooth), "same")
    rolls = np.tanh(speed / 0.05)
    force = vehicle.mass_kg * pull + weight * (vehicle.rolling * load * rolls + grade * np.sign(rolls))
    moment = weight * vehicle.scrub * np.tanh(yaw / 0.08) / vehicle.track_m
    supply_v = float(pack.open_v(start_ah)) - 0.1
    truth: Record = {"speed_m_s": speed}
    total = np.full(len(speed), vehicle.standby_a)
    standing = np.abs(speed) < 0.02
    for side, share, sign in (("left", vehicle.balance, -1.0), ("right", 1 - vehicle.balance, 1.0)):
        wheel = speed + sign * yaw * vehicle.track_m / 2
        motor = (share * force + sign * moment) * vehicle.wheel_r_m / (vehicle.gear * vehicle.motor_v_s * 0.85)
        motor = motor + 1.2 * np.tanh(wheel / 0.05)
        # No force, no current: what holds a standing machine on a slope is its gear.
        motor = np.where(standing, 0.0, motor)
        motor = motor + push * 0.5 * supply_v / vehicle.motor_ohm * np.sign(np.where(speed < 0, -1.0, 1.0))
        motor = np.clip(lagged(motor, step_s, 0.02), -vehicle.most_a, vehicle.most_a)
        duty = (motor * vehicle.motor_ohm + vehicle.motor_v_s * wheel * vehicle.gear / vehicle.wheel_r_m) / supply_v
        duty = np.clip(duty, -1.0, 1.0)
        leg = duty * motor
        if not vehicle.regenerates:
            leg = np.maximum(leg, 0.0)
        truth[f"{side}_motor_a"], truth[f"{side}_duty"], truth[f"{side}_current_a"] = motor, duty, leg
        total = total + leg
    truth["battery_current_a"] = total
    hand = lagged(rng.standard_normal(len(speed)), step_s, 0.4) * math.sqrt(2 * 0.4 / step_s)
    truth["throttle"] = np.where(
        standing & (push == 0), 0.0, 0.5 * (truth["left_duty"] + truth["right_duty"]) + 0.006 * hand
    )
    truth["steering"] = np.where(standing & (push == 0), 0.0, 0.5 * (truth["left_duty"] - truth["right_duty"]))
    truth["left_wheel_m"] = np.cumsum(np.abs(speed - yaw * vehicle.track_m / 2)) * step_s
    truth["right_wheel_m"] = np.cumsum(np.abs(speed + yaw * vehicle.track_m / 2)) * step_s
    return truth


@dataclass(frozen=True, slots=True)
class Board:
    """What samples a drive."""

    rate_hz: float = 100.0
    step_a: float = 0.00610352
    step_v: float = 0.00125
    noise_a: float = 0.05
    noise_v: float = 0.003
    gain_u: float = 0.005
    offset_a: float = 0.04
    range_a: float = 200.0
    averages: bool = True
    """Means over the interval; else single readings."""
    motor_leads: bool = False
    channels: tuple[str, ...] = ()
    """What it has; all of them where empty."""

    def text(self) -> str:
        """The [sensors] of its machine file."""
        current = (
            f"offset_u = {max(self.offset_a, 0.001)}\ngain_u = {self.gain_u}\nnoise = {self.noise_a}\n"
            f"resolution = {self.step_a}\nfull_scale = {self.range_a}\nbandwidth_hz = 150\n"
        )
        volts = (
            f"offset_u = 0.006\ngain_u = 0.001\nnoise = {self.noise_v}\nresolution = {self.step_v}\n"
            "full_scale = 41\nbandwidth_hz = 120\n"
        )
        leads = ("battery_current", "left_current", "right_current")
        return "".join(f"[sensors.{name}]\n{current}" for name in leads) + f"[sensors.battery_voltage]\n{volts}"

    def read(
        self,
        rng: np.random.Generator,
        values: Floats,
        step: float,
        noise: float,
        scale: float = 1.0,
        offset: float = 0.0,
    ) -> Floats:
        """A channel as its converter gives it."""
        seen = values * scale + offset + noise * rng.standard_normal(len(values))
        return np.asarray(np.round(seen / step) * step)


def sampled(values: Floats, step_s: float, board: Board) -> Floats:
    """Means over the board's intervals, or its last reading in each."""
    every = round(1 / board.rate_hz / step_s)
    if every < 1:
        raise ValueError(f"{board.rate_hz:g} Hz needs a finer grid than {step_s:g} s")
    count = len(values) // every
    table = values[: count * every].reshape(count, every)
    return np.asarray(table.mean(axis=1) if board.averages else table[:, -1])


def record(trip: Trip, pack: Pack, board: Board, rng: np.random.Generator, start_ah: float = 0.0) -> Record:
    """What the board makes of a drive. The battery's voltage follows from the current that flows."""
    truth, step_s = trip.truth, trip.step_s
    volts = pack.volts(truth["battery_current_a"], step_s, start_ah)
    found: Record = {}
    legs = ("left_motor_a", "right_motor_a") if board.motor_leads else ("left_current_a", "right_current_a")
    for name, source in (
        ("battery_current_a", "battery_current_a"),
        ("left_current_a", legs[0]),
        ("right_current_a", legs[1]),
    ):
        scale, offset = 1 + board.gain_u * rng.standard_normal(), board.offset_a * rng.standard_normal()
        seen = board.read(rng, sampled(truth[source], step_s, board), board.step_a, board.noise_a, scale, offset)
        found[name] = np.clip(seen, -board.range_a, board.range_a)
    slow = sampled(volts, step_s, board)
    found["battery_voltage_v"] = board.read(rng, slow, board.step_v, board.noise_v, 1 + 0.001 * rng.standard_normal())
    lead_ohm = 0.006
    dropped = slow - lead_ohm * sampled(truth["battery_current_a"], step_s, board)
    found["controller_voltage_v"] = board.read(rng, dropped, board.step_v, board.noise_v)
    if pack.cells == 12:
        found["midpoint_voltage_v"] = board.read(rng, slow * 0.501, board.step_v, board.noise_v)
    found["receiver_voltage_v"] = board.read(rng, 5.0 + 0.002 * (slow - 24), 0.001, 0.002)
    for name, stick in (("pulse_a_us", "throttle"), ("pulse_b_us", "steering")):
        every = round(1 / board.rate_hz / step_s)
        held = truth[stick][: len(slow) * every : every]
        found[name] = np.clip(np.round(1500 + 500 * np.clip(held, -1, 1)), 900, 2100)
    for side in ("left", "right"):
        every = round(1 / board.rate_hz / step_s)
        counts = np.floor(truth[f"{side}_wheel_m"][: len(slow) * every : every] / (2 * math.pi * 0.125 / 24))
        found[f"{side}_wheel_count"] = counts
    if board.channels:
        found = {name: found[name] for name in board.channels}
    return {"t_s": np.arange(len(slow)) / board.rate_hz, **found}
