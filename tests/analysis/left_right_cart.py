"""Machines without a sensor in the battery's lead: left and right current, battery voltage, two command pulses."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.analysis.build_runs import Floats, write_run

CART_12V = """
[machine]
name = "Feed cart"
standby_a = 0.45
[battery]
id = "two-in-parallel"
chemistry = "agm"
blocks = 2
arrangement = "parallel"
block_voltage_v = 12
capacity_ah = 18
capacity_hours = 20
resistance_ohm = 0.016
[motor]
stall_a = 60
resistance_ohm = 0.2
rated_voltage_v = 12
[fuse.left]
family = "blade_medium"
rating_a = 25
position = "supply_leg"
[fuse.main]
family = "blade_large"
rating_a = 50
[controller]
minimum_v = 9
mixing = "controller"
sensed = "supply_leg"
[sensors.left_current]
offset_u = 0.03
gain_u = 0.01
noise = 0.05
[sensors.right_current]
offset_u = 0.04
gain_u = 0.015
noise = 0.05
[sensors.battery_voltage]
offset_u = 0.01
gain_u = 0.002
noise = 0.005
"""
LITHIUM_24V = """
[machine]
name = "Lithium barrow"
standby_a = 0.7
[battery]
id = "eight-cells"
chemistry = "lfp"
blocks = 1
arrangement = "single"
block_voltage_v = 25.6
cells = 8
capacity_ah = 20
capacity_hours = 1
resistance_ohm = 0.03
[controller]
minimum_v = 18
mixing = "transmitter"
sensed = "supply_leg"
[sensors.left_current]
offset_u = 0.05
gain_u = 0.01
noise = 0.08
[sensors.right_current]
offset_u = 0.05
gain_u = 0.01
noise = 0.08
[sensors.battery_voltage]
offset_u = 0.02
gain_u = 0.002
noise = 0.01
"""


@dataclass(frozen=True, slots=True)
class Drive:
    """What a machine did, by the channels it has, and the truth beside them."""

    time_s: Floats
    channels: dict[str, Floats]
    battery_a: Floats
    """What flowed in the battery's own lead."""
    open_v: float
    ohm: float


def drive(
    *,
    hz: float = 50.0,
    seconds: float = 300.0,
    stand_s: float = 8.0,
    standby_a: float = 0.45,
    idle_a: float = 0.0,
    open_v: float = 12.75,
    ohm: float = 0.008,
    centre_us: tuple[float, float] = (1523.0, 1488.0),
    top_a: float = 14.0,
    seed: int = 14,
) -> Drive:
    """Stand, then spells of driving of 3 to 8 s with pauses of 1 s: V = E − R · i, i = left + right + standby."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, seconds, 1 / hz)
    ask = np.zeros((2, len(time_s)))
    at_s = stand_s
    while at_s < seconds - 2:
        spell_s = float(rng.uniform(3, 8))
        inside = (time_s >= at_s) & (time_s < at_s + spell_s)
        ask[:, inside] = np.clip(rng.uniform(0.35, 0.9) + rng.uniform(-0.15, 0.15, 2), 0.1, 1)[:, None]
        at_s += spell_s + 1.0
    soft = np.exp(-np.arange(0, 1.0, 1 / hz) / 0.15)
    soft /= soft.sum()
    true = np.array([idle_a + top_a * np.convolve(side**2, soft)[: len(time_s)] for side in ask])
    battery_a = true.sum(axis=0) + standby_a
    volts = open_v - ohm * battery_a
    throttle, steer = 0.5 * ask.sum(axis=0), 0.5 * (ask[0] - ask[1])
    channels = {
        "left_current_a": true[0] + rng.normal(0, 0.05, len(time_s)),
        "right_current_a": true[1] + rng.normal(0, 0.05, len(time_s)),
        "battery_voltage_v": volts + rng.normal(0, 0.005, len(time_s)),
        "pulse_a_us": np.rint(centre_us[0] + 500 * throttle),
        "pulse_b_us": np.rint(centre_us[1] + 500 * steer),
    }
    return Drive(time_s, channels, battery_a, open_v, ohm)


def write(path: Path, made: Drive, machine: str | None, **more: Any) -> Path:
    """Its run file."""
    return write_run(path / "run.parquet", made.time_s, made.channels, machine=machine, **more)
