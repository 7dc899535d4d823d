"""Run files for tests, written through the logger's own door: whole drives, and runs that lack something."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from amptally.logger.channels import BY_SI_NAME, CHANNELS, TIME_COLUMN
from amptally.logger.simulator.drive import simulate
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame

Floats = npt.NDArray[np.float64]
CART = resources.files("amptally.logger.simulator").joinpath("cart.toml").read_text(encoding="utf-8")
STARTED = "2026-05-04T09:15:00.000+00:00"


def write_run_of(folder: Path, run_id: str, time_s: Floats, channels: dict[str, Floats], **metadata: Any) -> Path:
    """A run file from SI values; NaN becomes null."""
    columns = {TIME_COLUMN: pl.Series(np.round(time_s * 1e6).astype(np.int64), dtype=pl.Int64)}
    for channel in CHANNELS:
        if channel.si_name in channels:
            value = channels[channel.si_name] / channel.si_per_step
            missing = np.isnan(value)
            stored = np.round(np.where(missing, 0, value)).astype(np.int32)
            columns[channel.name] = pl.Series(stored, dtype=pl.Int32).set(pl.Series(missing), None)
    path = folder / f"{run_id}.parquet"
    write_frame(path, pl.DataFrame(columns), Metadata(run_id, start_utc=metadata.pop("start_utc", STARTED), **metadata))
    return path


def simulated(folder: Path, run_id: str = "demo-cart", **metadata: Any) -> Path:
    """The demo's drive: the simulated cart of seed 7, full at the start; about four seconds."""
    drive = simulate(7)
    columns = {
        name: pl.Series(values, dtype=pl.Int64 if name == TIME_COLUMN else pl.Int32)
        for name, values in drive.stored.items()
    }
    said = {"machine": CART, "start_charge": 1.0, "start_utc": STARTED, "notes": ("demo: simulated cart",), **metadata}
    path = folder / f"{run_id}.parquet"
    write_frame(path, pl.DataFrame(columns), Metadata(run_id, **said))
    return path


def short_drive(seconds: float = 60.0, interval_s: float = 0.01, seed: int = 5) -> tuple[Floats, dict[str, Floats]]:
    """Time and channels of a made-up drive: rest, then a current that moves, and a battery of 20 mΩ behind 25.4 V."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, seconds, interval_s)
    moving = time_s > min(4.0, seconds / 4)
    left = np.where(moving, 12 + 8 * np.sin(time_s / 1.7) + 10 * (np.sin(time_s / 5) > 0.9), 0.0)
    right = np.where(moving, 10 + 7 * np.cos(time_s / 2.1), 0.0)
    battery = left + right + rng.normal(0, 0.02, len(time_s))
    volts = 25.4 - 0.02 * battery - 2e-5 * np.cumsum(battery) * interval_s + rng.normal(0, 0.002, len(time_s))
    return time_s, {
        "battery_current_a": battery,
        "battery_voltage_v": volts,
        "left_current_a": left,
        "right_current_a": right,
        "receiver_voltage_v": np.full(len(time_s), 5.02),
        "mark": np.floor(np.maximum(time_s - 5, 0) / 10),
    }


def lacking(folder: Path) -> dict[str, Path]:
    """Runs that lack something, by what they lack."""
    time_s, channels = short_drive()
    found = {}

    def add(name: str, time: Floats, columns: dict[str, Floats], **metadata: Any) -> None:
        found[name] = write_run_of(folder, name, time, columns, **metadata)

    add("whole", time_s, channels, machine=CART, start_charge=1.0)
    add("no-voltage", time_s, {k: v for k, v in channels.items() if not k.endswith("_v")}, machine=CART)
    add("no-machine", time_s, channels)
    add("one-channel", time_s, {"battery_current_a": channels["battery_current_a"]})
    add("one-voltage", time_s, {"battery_voltage_v": channels["battery_voltage_v"]}, machine=CART)
    # A current that only wanders, and never the same way twice.
    wander = 20 + 0.4 * np.cumsum(np.random.default_rng(8).normal(size=len(time_s)))
    add(
        "no-laps",
        time_s,
        {"battery_current_a": wander, "battery_voltage_v": 25.4 - 0.02 * wander, "left_current_a": 0.5 * wander},
        machine=CART,
        start_charge=1.0,
    )
    add("no-charge", time_s, channels, machine=CART)
    add("3-seconds", *short_drive(3.0), machine=CART, start_charge=1.0)
    slow_s, slow = short_drive(7200.0, 60.0)
    add("60-s-sampling", slow_s, slow, machine=CART, start_charge=1.0)
    add("one-sample", time_s[:1], {k: v[:1] for k, v in channels.items()}, machine=CART)
    add("two-samples", time_s[:2], {k: v[:2] for k, v in channels.items()}, machine=CART)
    gapped = np.where(time_s > 30, time_s + 9.0, time_s)
    add("a-gap", gapped, channels, machine=CART)
    add("no-fuse", time_s, channels, machine='[machine]\nname = "bare"\n')
    add("all-null", time_s, {**channels, "battery_current_a": np.full(len(time_s), np.nan)}, machine=CART)
    return found


assert set(short_drive(1.0)[1]) <= set(BY_SI_NAME)
