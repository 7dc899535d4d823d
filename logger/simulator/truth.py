"""The true quantities under the logger's names, and where the battery's energy went."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.logger.simulator.motor import BRUSH_KNEE_A
from amptally.logger.simulator.parameters import CartParameters
from amptally.logger.simulator.plant import FAST, SLOW, STEP_S, STEPS_PER_TICK, Trace

Columns = dict[str, npt.NDArray[np.float64]]

RECEIVER_CENTRE_V = 12.6
COUNTED = (
    "pulse_a_us", "pulse_b_us", "pulse_a_count", "pulse_b_count", "left_wheel_count", "right_wheel_count", "mark",
)  # fmt: skip
"""Channels that the board reads as whole numbers: a sample has the last value of its interval, not the mean."""


def columns(trace: Trace, cart: CartParameters) -> Columns:
    """Every fast and slow quantity and every channel under its SI name, one value per millisecond."""
    out: Columns = {name: trace.fast[:, place] for place, name in enumerate(FAST)}
    for place, name in enumerate(SLOW):
        out[name] = np.repeat(trace.slow[:, place], STEPS_PER_TICK)
    out["midpoint_voltage_v"] = out["block_a_v"]
    out["battery_voltage_v"] = out["block_a_v"] + out["block_b_v"] - cart.wiring.jumper_ohm * out["battery_current_a"]
    receiver = cart.receiver
    rail = receiver.rail_v + receiver.line_v_v * (out["block_a_v"] - RECEIVER_CENTRE_V)
    rail -= receiver.source_ohm * out["receiver_load_w"] / receiver.rail_v
    out["receiver_voltage_v"] = np.maximum(0.0, np.minimum(rail, out["block_a_v"] - receiver.dropout_v))
    edges_per_rad = cart.chassis.counts_per_rev / math.tau
    for side in ("left", "right"):
        out[f"{side}_wheel_count"] = np.floor(out[f"{side}_wheel_rad"] * edges_per_rad)
    return out


@dataclass(frozen=True, slots=True)
class EnergyLedger:
    """Energy since the start [J]. The battery's energy is the sum of the other entries, up to `residual_j`."""

    battery_j: float = 0.0
    """Net energy from the terminals of both blocks."""
    receiver_j: float = 0.0
    """Into the receiver supply."""
    wiring_j: float = 0.0
    """Heat in jumper, main lead, cutoff, fuses and supply legs."""
    idle_j: float = 0.0
    """The controller's own supply."""
    motor_heat_j: float = 0.0
    """Heat in bridges, motor leads, windings and brushes."""
    friction_j: float = 0.0
    """Rotors and gears."""
    coupling_j: float = 0.0
    """Lost or stored elastically in shafts and tyres."""
    ground_j: float = 0.0
    """Rolling, scrubbing, hill and bench leg."""
    kinetic_j: float = 0.0
    """Kinetic energy of body and rotors now."""

    @property
    def residual_j(self) -> float:
        """Energy that the entries do not explain: the error of the 1 ms steps."""
        heat = self.wiring_j + self.motor_heat_j + self.friction_j + self.coupling_j
        return self.battery_j - self.receiver_j - self.idle_j - heat - self.ground_j - self.kinetic_j


def add_energy(ledger: EnergyLedger, now: Columns, cart: CartParameters) -> EnergyLedger:
    """The ledger after the next chunk of true quantities, as `columns` gives them."""
    main, tap, bus = now["battery_current_a"], now["tap_current_a"], now["controller_voltage_v"]
    wiring, controller, body = cart.wiring, cart.controller, cart.chassis
    battery = now["block_a_v"] * (main + tap) + now["block_b_v"] * main
    wired = main**2 * (wiring.jumper_ohm + wiring.main_ohm)
    idle = bus * controller.logic_a
    heat = np.zeros_like(main)
    coupling = np.zeros_like(main)
    kinetic = 0.5 * now["mass_kg"] * now["speed_m_s"] ** 2
    kinetic += 0.5 * body.yaw_inertia_kg_m2 * now["mass_kg"] / body.mass_kg * now["yaw_rad_s"] ** 2
    for side, motor, turn in (("left", cart.left_motor, -1.0), ("right", cart.right_motor, 1.0)):
        supply, current = now[f"{side}_current_a"], now[f"{side}_motor_a"]
        rotor = now[f"{side}_rotor_rad_s"]
        wired += supply**2 * (now[f"{side}_fuse_ohm"] + wiring.leg_ohm)
        idle += controller.channel_idle_a * (now[f"{side}_fused_voltage_v"] - supply * wiring.leg_ohm)
        drop = (motor.contact_drop_v + controller.dead_time_v) / (np.abs(current) + BRUSH_KNEE_A)
        heat += current**2 * (now[f"{side}_loop_ohm"] + drop)
        wheel = (now["speed_m_s"] + turn * 0.5 * body.track_m * now["yaw_rad_s"]) * 2.0 / body.wheel_diameter_m
        coupling += now[f"{side}_torque_nm"] * (rotor / body.gear_ratio - wheel)
        kinetic += 0.5 * motor.rotor_inertia_kg_m2 * rotor**2
    receiver = now["receiver_load_w"] / cart.receiver.efficiency

    def joules(power_w: npt.NDArray[np.float64]) -> float:
        return float(power_w.sum()) * STEP_S

    return EnergyLedger(
        battery_j=ledger.battery_j + joules(battery),
        receiver_j=ledger.receiver_j + joules(receiver),
        wiring_j=ledger.wiring_j + joules(wired),
        idle_j=ledger.idle_j + joules(idle),
        motor_heat_j=ledger.motor_heat_j + joules(heat),
        friction_j=ledger.friction_j + joules(now["friction_w"]),
        coupling_j=ledger.coupling_j + joules(coupling),
        ground_j=ledger.ground_j + joules(now["ground_w"]),
        kinetic_j=float(kinetic[-1]),
    )
