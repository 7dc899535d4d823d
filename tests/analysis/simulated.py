"""The demo's drive with its truth, and the same drive with the current sensors in the motor leads."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from amptally.analysis.report.build import Report, build_report
from amptally.analysis.runs.run import Run
from amptally.logger.simulator.drive import Drive, simulate
from tests.dashboard.made_runs import CART, write_run_of

MOTOR_LEAD = CART.replace('sensed = "supply_leg"', 'sensed = "motor_lead"')
TOLD = MOTOR_LEAD.replace("[controller]\n", '[controller]\ncommand_sets = "voltage"\ndead_band_us = 25\nramp_s = 0.4\n')
"""With what the simulated controller does: 2.5 /s, 0.05 of its span (logger/simulator/parameters.py)."""


@cache
def demo() -> Drive:
    """Seed 7, every 10 ms; about four seconds."""
    return simulate(7, interval_us=10_000)


def demo_report(folder: Path, machine: str, *, motor_lead: bool = False, without: tuple[str, ...] = ()) -> Report:
    """Its report; with `motor_lead` left and right currents are those of the motors, 50 mA of noise on them."""
    drive = demo()
    channels = {name: values for name, values in drive.measured.items() if name != "t_s" and name not in without}
    if motor_lead:
        noise = np.random.default_rng(3)
        for side in ("left", "right"):
            motor_a = drive.true[f"{side}_motor_a"]
            channels[f"{side}_current_a"] = motor_a + noise.normal(0, 0.05, len(motor_a))
    path = write_run_of(folder, "demo", drive.measured["t_s"], channels, machine=machine, start_charge=1.0)
    return build_report(Run.open(path))
