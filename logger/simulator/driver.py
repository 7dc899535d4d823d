"""The operator: drives the aisle loop with two sticks, stops to load trays, presses the marker, hits a bench leg.

A person, not a control loop: watches the cart, reacts with a delay, does not hold the sticks quite steadily, and drives
each lap a little differently.
"""

from __future__ import annotations

import math
import random

from amptally.logger.simulator.parameters import DriveParameters
from amptally.logger.simulator.route import CourseTable, cell

TICK_S = 0.02
"""The operator, like the radio link, acts 50 times a second."""
ACCELERATE_M_S2 = 0.95
SLOW_DOWN_M_S2 = 0.75
BACK_OFF_M = 0.40
BLOCKED_M_S = 0.12


class Driver:
    """Position along the loop and of the sticks; `tick` advances both by 20 ms."""

    def __init__(
        self,
        drive: DriveParameters,
        table: CourseTable,
        full_speed_m_s: float,
        half_track_m: float,
        rng: random.Random,
    ) -> None:
        self._drive = drive
        self._table = table
        self._full_speed = full_speed_m_s
        self._half_track = half_track_m
        self._rng = rng
        self._time_s = -TICK_S
        self._stops = drive.course.stops
        self._stop = 0
        self._since_stop_m = 0.0
        self._halted_until_s = drive.rest_s + rng.uniform(-0.3, 0.3)
        self._aim = 0.0
        self._effort = 0.0
        self._heading_error = 0.0
        self._off_path_m = 0.0
        self._sway = 0.0
        self._pace = drive.pace
        self._press_at_s = math.inf
        self._stall_phase = "ahead"
        self._phase_s = 0.0
        self.at_m = self._stops[-1].at_m
        self.crossings = 0
        self.crossed_at_s: list[float] = []
        """True times at the start line."""
        self.marks = 0
        self.load_kg = self._stops[-1].load_kg
        self.blocked = False
        """Whether the bench leg blocks the cart."""
        self.parked = False
        self.throttle = 0.0
        self.steering = 0.0

    def tick(self, speed_m_s: float, yaw_rad_s: float) -> None:
        """Observe the motion of the cart, then move the sticks."""
        self._time_s += TICK_S
        self._advance(speed_m_s, yaw_rad_s)
        if self._time_s >= self._press_at_s:
            self.marks += 1
            self._press_at_s = math.inf
        throttle, steering = self._want(speed_m_s, yaw_rad_s)
        self._sway += TICK_S / 0.35 * (-self._sway) + 0.0035 * self._rng.gauss(0.0, 1.0)
        if throttle == 0.0 and abs(self.throttle) < 0.03:
            self.throttle = self.steering = 0.0
            return
        self.throttle += TICK_S / 0.15 * (throttle - self.throttle)
        self.steering += TICK_S / 0.11 * (steering + self._sway - self.steering)

    def _advance(self, speed_m_s: float, yaw_rad_s: float) -> None:
        table = self._table
        along = speed_m_s * math.cos(self._heading_error)
        self.at_m += along * TICK_S
        self._since_stop_m += abs(along) * TICK_S
        bend = table.curvature[cell(table, self.at_m)]
        self._heading_error += (bend * along - yaw_rad_s) * TICK_S
        self._off_path_m += speed_m_s * math.sin(self._heading_error) * TICK_S
        if self.at_m >= table.length_m and not self.parked:
            self.at_m -= table.length_m
            self.crossings += 1
            self.crossed_at_s.append(self._time_s - self.at_m / max(along, 0.05))
            self._pace = self._drive.pace * (
                1.0 + 0.6 * (self._pace / self._drive.pace - 1.0) + self._drive.drift * self._rng.gauss(0.0, 1.0)
            )
            if self._drive.marks:
                self._press_at_s = self._time_s + max(0.0, self._rng.gauss(0.10, 0.05))
        if (
            self._stall_phase == "ahead"
            and self.crossings == self._drive.stall_lap
            and self.at_m >= self._drive.course.bench_leg_m
            and self._drive.stall_lap > 0
        ):
            self.blocked = True
            self._stall_phase, self._phase_s = "meet", 0.0

    def _want(self, speed_m_s: float, yaw_rad_s: float) -> tuple[float, float]:
        if self.parked or self._time_s < self._halted_until_s:
            self._aim = self._effort = 0.0
            return 0.0, 0.0
        if self.blocked:
            return self._at_the_leg(speed_m_s, yaw_rad_s)
        table = self._table
        ahead = cell(table, self.at_m + 0.35 * speed_m_s)
        aim = table.speed[ahead] * self._pace
        distance = self._to_halt_m()
        aim = min(aim, math.sqrt(2.0 * SLOW_DOWN_M_S2 * max(distance, 0.0)))
        if distance < 0.04 or (distance < 0.3 and aim < 0.3 and speed_m_s < 0.02 and self._aim > aim):
            self._halt()
            return 0.0, 0.0
        self._aim += max(-2.0 * TICK_S, min(ACCELERATE_M_S2 * TICK_S, aim - self._aim))
        miss = self._aim - speed_m_s
        self._effort = max(-0.4, min(0.4, self._effort + 0.35 * miss * TICK_S))
        throttle = self._aim / self._full_speed + 0.40 * miss + self._effort
        return max(-1.0, min(1.0, throttle)), self._steer(speed_m_s, yaw_rad_s, table.curvature[ahead])

    def _steer(self, speed_m_s: float, yaw_rad_s: float, bend: float) -> float:
        wanted = bend * speed_m_s + 1.5 * self._heading_error + 0.5 * self._off_path_m
        wanted = max(-1.4, min(1.4, wanted))
        steering = -wanted * self._half_track / self._full_speed + 0.22 * (yaw_rad_s - wanted)
        return max(-0.6, min(0.6, steering))

    def _to_halt_m(self) -> float:
        if self.crossings > self._drive.laps:
            return self._drive.park_m - self.at_m
        lap_m = self._table.length_m
        distance = (self._stops[self._stop].at_m - self.at_m) % lap_m
        if self._since_stop_m < 1.0:  # just left a stop, perhaps the same one
            return distance if distance > 0.5 else distance + lap_m
        return distance - lap_m if distance > lap_m - 0.5 else distance  # run past it

    def _halt(self) -> None:
        self._aim = self._effort = 0.0
        if self.crossings > self._drive.laps:
            self.parked = True
            return
        self._since_stop_m = 0.0
        stop = self._stops[self._stop]
        self.load_kg += stop.load_kg
        self._halted_until_s = self._time_s + stop.dwell_s * max(0.4, 1.0 + 0.1 * self._rng.gauss(0.0, 1.0))
        self._stop = (self._stop + 1) % len(self._stops)

    def _at_the_leg(self, speed_m_s: float, yaw_rad_s: float) -> tuple[float, float]:
        """Push, give up, back off, go round: the stages at the bench leg."""
        self._phase_s += TICK_S
        if self._stall_phase == "meet":
            if abs(speed_m_s) < BLOCKED_M_S:
                self._stall_phase, self._phase_s = "push", 0.0
            return self._drive.push, self._steer(speed_m_s, yaw_rad_s, 0.0)
        if self._stall_phase == "push":
            if self._phase_s >= self._drive.stall_s:
                self._stall_phase, self._phase_s = "ease", 0.0
            return self._drive.push, 0.35 * self._steer(speed_m_s, yaw_rad_s, 0.0)
        if self._stall_phase == "ease":
            if self._phase_s >= 0.4:
                self._stall_phase, self._phase_s = "back", 0.0
            return 0.0, 0.0
        backed_off = self.at_m <= self._drive.course.bench_leg_m - BACK_OFF_M
        if backed_off or self._phase_s > 3.0:
            self._stall_phase = "past"
            self.blocked = False
            self._halted_until_s = self._time_s + 0.6
            return 0.0, 0.0
        return -0.24, 0.0
