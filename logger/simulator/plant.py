"""The whole cart, stepped once per millisecond: battery, wiring, controller, motors, gears, body and ground.

Two rates: fast quantities (currents, speeds, the battery's relaxations) are advanced by `_fast` in plain local floats;
slow ones (temperatures, charge, the operator, the floor) every 20 ms by `_slow`.

Current paths. Main lead: block B + → current sensor → cutoff → bus bar → two fused legs and the controller's own
supply. The receiver supply is tapped between the blocks, so its current flows through block A alone: the sensor in
the main lead does not see it, and battery − left − right is the controller's own supply.
"""

from __future__ import annotations

import math
import random
from array import array
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.logger.simulator.battery import Block
from amptally.logger.simulator.controller import Bridge, Fuse, mix
from amptally.logger.simulator.driver import TICK_S, Driver
from amptally.logger.simulator.motor import BRUSH_KNEE_A, MotorHeat, rotor_step, winding_step
from amptally.logger.simulator.parameters import Scenario
from amptally.logger.simulator.route import cell, lay_out

STEPS_PER_TICK = 20
STEP_S = TICK_S / STEPS_PER_TICK
GRAVITY_M_S2 = 9.80665
ROLL_KNEE_M_S = 0.03
SCRUB_KNEE_RAD_S = 0.05
STILL_M_S = 1e-3
LEG_STIFFNESS_N_M = 40_000.0
LEG_DAMPING_NS_M = 2_500.0
LEG_OFFSET_M = 0.16
"""Lever arm of the bench leg, which hits the left front corner."""
LEG_YIELDS_N = 2_200.0

FAST = (
    "battery_current_a", "left_current_a", "right_current_a", "tap_current_a", "block_a_v", "block_b_v",
    "controller_voltage_v", "left_fused_voltage_v", "right_fused_voltage_v", "left_motor_a", "right_motor_a",
    "left_duty", "right_duty", "left_rotor_rad_s", "right_rotor_rad_s", "speed_m_s", "yaw_rad_s",
    "left_torque_nm", "right_torque_nm", "left_wheel_rad", "right_wheel_rad", "friction_w", "ground_w",
)  # fmt: skip
"""Columns of the fast trace, one row per millisecond; currents are means over the step."""
SLOW = (
    "pulse_a_us", "pulse_b_us", "pulse_a_count", "pulse_b_count", "mark", "ambient_temp_c", "fuse_temp_c",
    "left_winding_c", "right_winding_c", "left_loop_ohm", "right_loop_ohm", "left_fuse_ohm", "right_fuse_ohm",
    "receiver_load_w", "course_m", "block_a_charge", "block_b_charge", "mass_kg",
)  # fmt: skip
"""Columns of the slow trace, one row per 20 ms."""


@dataclass(frozen=True, slots=True)
class Trace:
    """True quantities over some time."""

    fast: npt.NDArray[np.float64]
    """Shape (20 × ticks, len(FAST))."""
    slow: npt.NDArray[np.float64]
    """Shape (ticks, len(SLOW)); row i held during rows 20 i … 20 i + 19 of `fast`."""


def _couple(
    twist: float, rate: float, backlash: float, stiffness: float, damping: float, limit: float
) -> tuple[float, float]:
    """Torque of a shaft with backlash, and its twist after the tyre has slipped at `limit`."""
    if twist > backlash:
        torque = stiffness * (twist - backlash) + damping * rate
        if torque <= 0.0:
            return 0.0, twist
        return (limit, twist - (torque - limit) / stiffness) if torque > limit else (torque, twist)
    if twist < -backlash:
        torque = stiffness * (twist + backlash) + damping * rate
        if torque >= 0.0:
            return 0.0, twist
        return (-limit, twist - (torque + limit) / stiffness) if torque < -limit else (torque, twist)
    return 0.0, twist


class Plant:
    """The cart's state; `run` advances it and returns the true quantities."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        cart, drive = scenario.cart, scenario.drive
        self._cart = cart
        floor, person = np.random.SeedSequence([seed, 1]).spawn(2)
        self.table = lay_out(drive.course, np.random.default_rng(floor))
        self._rng = random.Random(int(person.generate_state(1)[0]))
        body = cart.chassis
        constant = 0.5 * (cart.left_motor.torque_constant_nm_a + cart.right_motor.torque_constant_nm_a)
        full_speed = 25.0 / (constant * body.gear_ratio) * 0.5 * body.wheel_diameter_m
        self.driver = Driver(drive, self.table, full_speed, 0.5 * body.track_m, self._rng)
        self._frame_loss = drive.frame_loss
        self.blocks = (Block(cart.block_a, cart.ambient_c), Block(cart.block_b, cart.ambient_c))
        self._heats = (MotorHeat(cart.left_motor, cart.ambient_c), MotorHeat(cart.right_motor, cart.ambient_c))
        self._bridges = (Bridge(cart.controller), Bridge(cart.controller))
        self._fuses = (Fuse(cart.left_fuse), Fuse(cart.right_fuse))
        self._fuse_air_c = cart.ambient_c
        self._pulses = (cart.controller.neutral_us, cart.controller.neutral_us)
        self._pulse_count = 0
        self._since_pulse_s = 0.0
        self._undervoltage = False
        self._targets = (0.0, 0.0)
        self._receiver_w = 0.0
        self._mass_kg = body.mass_kg
        self._grade = 0.0
        self._floor = 1.0
        self._depth_m = 0.0
        self._angles = (0.0, 1.0)
        # Fast state, in the order in which `_fast` unpacks it.
        tap = cart.receiver.load_w / cart.receiver.efficiency / self.blocks[0].ocv_v
        main = cart.controller.logic_a + 2.0 * cart.controller.channel_idle_a
        at_rest = [(main + tap) * cart.block_a.slow_ohm, (main + tap) * cart.block_a.fast_ohm]
        at_rest += [main * cart.block_b.fast_ohm, main * cart.block_b.slow_ohm]
        self._electric = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, tap, *at_rest]
        self._moving = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
        # Currents of the last tick: mean squares of legs, motors, main; mean main and tap; mean bus voltage.
        self._carried = [0.0] * 8
        self._carried[7] = 25.0

    def run(self, ticks: int) -> Trace:
        """Advance by `ticks` times 20 ms."""
        fast = array("d")
        slow = array("d")
        for _ in range(ticks):
            slow.extend(self._slow())
            self._fast(fast)
        rows = np.frombuffer(fast, np.float64).reshape(-1, len(FAST))
        return Trace(rows, np.frombuffer(slow, np.float64).reshape(-1, len(SLOW)))

    @property
    def still(self) -> bool:
        """Whether the cart has come to rest."""
        return abs(self._moving[0]) < STILL_M_S

    def _pulse(self, stick: float) -> float:
        """Pulse of the receiver for a stick position, whole microseconds."""
        controller = self._cart.controller
        return float(round(controller.neutral_us + controller.span_us * stick + self._rng.gauss(0.0, 0.5)))

    def _slow(self) -> tuple[float, ...]:
        left_sq, right_sq, left_motor_sq, right_motor_sq, main_sq, main, tap, bus = self._carried
        cart, driver, controller = self._cart, self.driver, self._cart.controller
        lower, upper = self.blocks
        lower.tick((main + tap) * TICK_S, main_sq * lower.discharging_ohm * TICK_S, TICK_S)
        upper.tick(main * TICK_S, main_sq * upper.discharging_ohm * TICK_S, TICK_S)
        self._fuse_air_c += TICK_S / 180.0 * (cart.ambient_c + 0.02 * (left_sq + right_sq) - self._fuse_air_c)
        for fuse, squared in zip(self._fuses, (left_sq, right_sq), strict=True):
            fuse.tick(squared, TICK_S, self._fuse_air_c)
        for heat, bridge, squared in zip(self._heats, self._bridges, (left_motor_sq, right_motor_sq), strict=True):
            heat.tick(squared, TICK_S)
            bridge.tick(squared, TICK_S)

        speed, yaw = self._moving[0], self._moving[1]
        driver.tick(speed, yaw)
        self._since_pulse_s += TICK_S
        if self._rng.random() >= self._frame_loss:
            self._pulse_count += 1
            self._since_pulse_s = 0.0
            self._pulses = (self._pulse(driver.throttle), self._pulse(driver.steering))
        if bus < controller.cutoff_v:
            self._undervoltage = True
        elif bus > controller.restart_v:
            self._undervoltage = False
        lost = self._since_pulse_s > controller.signal_lost_s
        self._targets = (0.0, 0.0) if lost or self._undervoltage else mix(*self._pulses, controller)
        load = 1.0 + cart.receiver.ripple * self._rng.gauss(0.0, 1.0)
        self._receiver_w = cart.receiver.load_w * max(0.2, load)
        self._mass_kg = cart.chassis.mass_kg + cart.chassis.load_kg + driver.load_kg
        here = cell(self.table, driver.at_m)
        self._grade = self.table.grade[here]
        self._floor = self.table.floor[here]
        pulses = (0.0, 0.0) if lost else self._pulses
        loops = [
            heat.resistance_ohm + bridge.resistance_ohm + cart.wiring.motor_lead_ohm
            for heat, bridge in zip(self._heats, self._bridges, strict=True)
        ]
        return (
            *pulses, self._pulse_count, self._pulse_count, driver.marks, cart.ambient_c, self._fuse_air_c,
            self._heats[0].winding_c, self._heats[1].winding_c, *loops,
            self._fuses[0].resistance_ohm, self._fuses[1].resistance_ohm,
            self._receiver_w, driver.at_m, lower.charge, upper.charge, self._mass_kg,
        )  # fmt: skip

    def _fast(self, out: array[float]) -> None:
        dt = STEP_S
        cart = self._cart
        wiring, controller, body = cart.wiring, cart.controller, cart.chassis
        lower, upper = self.blocks
        # Battery and wiring, constant during the tick.
        ocv_a, ocv_b = lower.ocv_v, upper.ocv_v
        ra_out, ra_in, rb_out, rb_in = (
            lower.discharging_ohm, lower.charging_ohm, upper.discharging_ohm, upper.charging_ohm,
        )  # fmt: skip
        pa, pb = cart.block_a, cart.block_b
        fast_a, fast_b, knee_a, knee_b = pa.fast_ohm, pb.fast_ohm, 1.0 / pa.fast_knee_a, 1.0 / pb.fast_knee_a
        slow_a, slow_b = pa.slow_ohm, pb.slow_ohm
        go_fast_a, go_fast_b = 1.0 - math.exp(-dt / pa.fast_s), 1.0 - math.exp(-dt / pb.fast_s)
        go_slow_a, go_slow_b = 1.0 - math.exp(-dt / pa.slow_s), 1.0 - math.exp(-dt / pb.slow_s)
        r_main = wiring.jumper_ohm + wiring.main_ohm
        r_fuse_l, r_fuse_r = self._fuses[0].resistance_ohm, self._fuses[1].resistance_ohm
        r_leg = wiring.leg_ohm
        logic, idle = controller.logic_a, controller.channel_idle_a
        receiver_w = self._receiver_w / cart.receiver.efficiency
        # Motors.
        ml, mr = cart.left_motor, cart.right_motor
        heat_l, heat_r = self._heats
        target_l, target_r = self._targets
        slew = controller.slew_per_s * dt
        loop_l = heat_l.resistance_ohm + self._bridges[0].resistance_ohm + wiring.motor_lead_ohm
        loop_r = heat_r.resistance_ohm + self._bridges[1].resistance_ohm + wiring.motor_lead_ohm
        drop_l, drop_r = ml.contact_drop_v + controller.dead_time_v, mr.contact_drop_v + controller.dead_time_v
        bend_l, bend_r = 1.0 / ml.saturation_a**2, 1.0 / mr.saturation_a**2
        k0_l, k0_r = heat_l.constant_nm_a, heat_r.constant_nm_a
        per_henry_l, per_henry_r = dt / ml.inductance_h, dt / mr.inductance_h
        per_rotor_l, per_rotor_r = dt / ml.rotor_inertia_kg_m2, dt / mr.rotor_inertia_kg_m2
        still_l, still_r, viscous_l, viscous_r = ml.coulomb_nm, mr.coulomb_nm, ml.viscous_nm_s, mr.viscous_nm_s
        uneven_l, uneven_r = ml.unbalance, mr.unbalance
        # Body and ground.
        per_gear = 1.0 / body.gear_ratio
        per_radius = 2.0 / body.wheel_diameter_m
        half = 0.5 * body.track_m
        weight = self._mass_kg * GRAVITY_M_S2
        slope = math.atan(self._grade)
        grip = body.friction * weight * body.driven_share / per_radius
        rolling = body.rolling * self._floor * weight * math.cos(slope)
        hill = weight * math.sin(slope)
        scrub = body.scrub_m * weight * (0.6 + 0.4 * self._floor)
        per_mass = dt / self._mass_kg
        per_inertia = dt / (body.yaw_inertia_kg_m2 * self._mass_kg / body.mass_kg)
        backlash, stiffness, damping, gear_loss = (
            body.backlash_rad, body.stiffness_nm_rad, body.damping_nm_s, body.gear_loss,
        )  # fmt: skip
        blocked = self.driver.blocked
        depth = self._depth_m if blocked else 0.0
        cos, knee = math.cos, BRUSH_KNEE_A

        duty_l, duty_r, i_l, i_r, mean_l, mean_r, tap, a2, a1, b1, b2 = self._electric
        v, yaw, w_l, w_r, twist_l, twist_r, path_l, path_r = self._moving
        sum_l = sum_r = sum_ml = sum_mr = sum_main2 = sum_main = sum_tap = bus = 0.0
        angle_l, angle_r = self._angles
        for _ in range(STEPS_PER_TICK):
            gap = target_l - duty_l
            duty_l += slew if gap > slew else -slew if gap < -slew else gap
            gap = target_r - duty_r
            duty_r += slew if gap > slew else -slew if gap < -slew else gap

            # Supply: motor currents are states, so there is no algebraic loop; the tap lags by one step.
            left = duty_l * mean_l + idle
            right = duty_r * mean_r + idle
            main = left + right + logic
            low = main + tap
            a1 += go_fast_a * (fast_a * low / (1.0 + abs(low) * knee_a) - a1)
            b1 += go_fast_b * (fast_b * main / (1.0 + abs(main) * knee_b) - b1)
            a2 += go_slow_a * (slow_a * low - a2)
            b2 += go_slow_b * (slow_b * main - b2)
            va = ocv_a - (ra_out if low > 0.0 else ra_in) * low - a1 - a2
            vb = ocv_b - (rb_out if main > 0.0 else rb_in) * main - b1 - b2
            bus = va + vb - r_main * main
            fused_l = bus - r_fuse_l * left
            fused_r = bus - r_fuse_r * right
            carried_tap = tap
            tap = receiver_w / va if va > 3.0 else 0.0

            angle_l += w_l * dt
            angle_r += w_r * dt
            k_l = k0_l * (1.0 + uneven_l * cos(angle_l)) / (1.0 + i_l * i_l * bend_l)
            k_r = k0_r * (1.0 + uneven_r * cos(angle_r)) / (1.0 + i_r * i_r * bend_r)
            r = loop_l + drop_l / (abs(i_l) + knee)
            i_l, mean_l = winding_step(i_l, duty_l * (fused_l - r_leg * left) - k_l * w_l, r, per_henry_l)
            r = loop_r + drop_r / (abs(i_r) + knee)
            i_r, mean_r = winding_step(i_r, duty_r * (fused_r - r_leg * right) - k_r * w_r, r, per_henry_r)

            turn = half * yaw
            roll_l, roll_r = (v - turn) * per_radius, (v + turn) * per_radius
            rate_l, rate_r = w_l * per_gear - roll_l, w_r * per_gear - roll_r
            torque_l, slipped_l = _couple(twist_l + rate_l * dt, rate_l, backlash, stiffness, damping, grip)
            torque_r, slipped_r = _couple(twist_r + rate_r * dt, rate_r, backlash, stiffness, damping, grip)
            path_l += abs(roll_l * dt + (twist_l + rate_l * dt - slipped_l))
            path_r += abs(roll_r * dt + (twist_r + rate_r * dt - slipped_r))
            twist_l, twist_r = slipped_l, slipped_r
            w_l, lost_l = rotor_step(w_l, k_l * mean_l, torque_l * per_gear, still_l, viscous_l, gear_loss, per_rotor_l)
            w_r, lost_r = rotor_step(w_r, k_r * mean_r, torque_r * per_gear, still_r, viscous_r, gear_loss, per_rotor_r)

            push = 0.0
            if blocked:
                closing = v - LEG_OFFSET_M * yaw
                depth += closing * dt
                push = LEG_STIFFNESS_N_M * depth + LEG_DAMPING_NS_M * closing if depth > 0.0 else 0.0
                push = 0.0 if push < 0.0 else LEG_YIELDS_N if push > LEG_YIELDS_N else push
            resist = rolling * v / (abs(v) + ROLL_KNEE_M_S) + hill + push
            moment = scrub * yaw / (abs(yaw) + SCRUB_KNEE_RAD_S) - LEG_OFFSET_M * push
            v_before, yaw_before = v, yaw
            v += per_mass * ((torque_l + torque_r) * per_radius - resist)
            yaw += per_inertia * ((torque_r - torque_l) * per_radius * half - moment)
            ground = 0.5 * (resist * (v_before + v) + moment * (yaw_before + yaw))

            sum_l += left * left
            sum_r += right * right
            sum_ml += mean_l * mean_l
            sum_mr += mean_r * mean_r
            sum_main2 += main * main
            sum_main += main
            sum_tap += carried_tap
            out.extend((
                main, left, right, carried_tap, va, vb, bus, fused_l, fused_r, mean_l, mean_r, duty_l, duty_r,
                w_l, w_r, v, yaw, torque_l, torque_r, path_l, path_r, lost_l + lost_r, ground,
            ))  # fmt: skip

        self._electric = [duty_l, duty_r, i_l, i_r, mean_l, mean_r, tap, a2, a1, b1, b2]
        self._moving = [v, yaw, w_l, w_r, twist_l, twist_r, path_l, path_r]
        self._angles = (angle_l % math.tau, angle_r % math.tau)
        self._depth_m = depth
        n = float(STEPS_PER_TICK)
        self._carried = [sum_l / n, sum_r / n, sum_ml / n, sum_mr / n, sum_main2 / n, sum_main / n, sum_tap / n, bus]
