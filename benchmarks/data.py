"""The drives that everything is measured on: ten channels at 1 kHz on converter steps, invented, fixed by SEED.

A drive is made in stretches of ten minutes, each from its own random stream, so that a day needs no more memory than
an hour and the first hour of a day is the hour. Fixed before anything was measured: change nothing here to please a
figure.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from amptally.logger.channels import BY_NAME, TIME_COLUMN
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_run, write_segment
from amptally.logger.wire.frames import Describe, Samples, WireChannel, encode, row_dtype

SEED = 20
INTERVAL_US = 1000
STRETCH_ROWS = 600_000
HOUR_ROWS = 3_600_000
REST_ROWS = 60_000
"""A minute at rest before the first load."""
ROWS_PER_FRAME = 10
ROW_BYTES = 48
"""One sample as the plain integers of a run file's columns: eight bytes of time, four for each of ten channels."""
CONVERTER_ROW_BYTES = 28
"""The same with the two bytes that the converter gives for each channel."""
_GRID = 100
"""Samples per step of the slow part of the model."""

WIRE = (
    *(WireChannel(BY_NAME[name].wire_id, 16, 200_000_000, 32_768, 0, 200_000_000, 150_000)
      for name in ("battery_current_ua", "left_current_ua", "right_current_ua")),
    WireChannel(BY_NAME["battery_voltage_uv"].wire_id, 16, 1250, 1, 0, 40_960_000, 120_000),
    WireChannel(BY_NAME["midpoint_voltage_uv"].wire_id, 16, 625, 1, 0, 20_480_000, 120_000),
    WireChannel(BY_NAME["controller_voltage_uv"].wire_id, 16, 1250, 1, 0, 40_960_000, 120_000),
    WireChannel(BY_NAME["receiver_voltage_uv"].wire_id, 16, 250, 1, 0, 8_192_000, 120_000),
    *(WireChannel(BY_NAME[name].wire_id, 16, 1, 1, 0, 0, 0) for name in ("pulse_a_us", "pulse_b_us", "mark")),
)  # fmt: skip
"""Steps of the simulated cart's board: 6.1 mA and 1.25, 0.625, 0.25 mV."""
COLUMNS = (
    "battery_current_ua", "left_current_ua", "right_current_ua", "battery_voltage_uv", "midpoint_voltage_uv",
    "controller_voltage_uv", "receiver_voltage_uv", "pulse_a_us", "pulse_b_us", "mark",
)  # fmt: skip
NOISE = (0.085, 0.07, 0.07, 0.0035, 0.0021, 0.0035, 0.0028)
"""1 σ of one millisecond of the seven analogue channels, A and V: √2 times what the demo cart's board has in 2 ms."""


def machine_text() -> str:
    """The demo cart's description, with a battery that a day of driving does not empty."""
    text = resources.files("amptally.logger.simulator").joinpath("cart.toml").read_text(encoding="utf-8")
    return text.replace("capacity_ah = 35 ", "capacity_ah = 700 ").replace(
        "second_capacity_ah = 22.4", "second_capacity_ah = 448"
    )


def metadata(run_id: str) -> Metadata:
    """What a benchmark's run file says about itself."""
    return Metadata(run_id=run_id, machine=machine_text(), start_charge=1.0, start_utc="2026-05-01T08:00:00.000+00:00")


def _moves(rng: np.random.Generator, steps: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Mean channel current [A] and turn, −1 … 1, per tenth of a second: starts, cruising, pivots, braking, pauses."""
    count = 1 + steps // 8
    tenths = rng.integers(5, 60, count)
    kinds = rng.choice(5, count, p=(0.15, 0.25, 0.4, 0.12, 0.08))
    level = np.choose(kinds, [rng.uniform(18, 32, count), np.zeros(count), rng.uniform(4, 11, count),
                              rng.uniform(-4, -1, count), rng.uniform(9, 16, count)])  # fmt: skip
    turn = np.where(kinds == 4, rng.choice([-0.8, 0.8], count), rng.normal(0, 0.08, count))
    return np.repeat(level, tenths)[:steps], np.repeat(turn, tenths)[:steps]


def _lagged(values: npt.NDArray[np.float64], keep: float) -> npt.NDArray[np.float64]:
    """First-order lag on the slow grid."""
    out = np.empty_like(values)
    state = float(values[0])
    for place, value in enumerate(values.tolist()):
        state += (1 - keep) * (value - state)
        out[place] = state
    return out


def codes(stretch: int, count: int = STRETCH_ROWS) -> npt.NDArray[np.int16]:
    """Converter codes of the first `count` samples of one block, shape (count, 10), columns as in WIRE."""
    rng = np.random.default_rng([SEED, stretch])
    rows = STRETCH_ROWS  # all of them, so that a part of a stretch is the beginning of the whole
    steps = STRETCH_ROWS // _GRID
    level, turn = _moves(rng, steps + 1)
    if stretch == 0:
        level[: REST_ROWS // _GRID] = 0.0
    level = _lagged(level, 0.7)
    coarse = np.arange(steps + 1) * _GRID
    fine = np.arange(rows)
    ripple = np.convolve(rng.normal(0, 1, rows + 19), np.full(20, 1 / 20), "valid")
    channels = []
    for sign in (1, -1):
        amps = np.interp(fine, coarse, level * (1 + sign * turn))
        channels.append(amps * (1 + 0.35 * ripple) + 0.15 * ripple * (amps != 0))
    left, right = channels
    battery = left + right + 0.3
    charge_ah = np.cumsum(battery) / 3.6e6
    slow = np.interp(fine, coarse, _lagged(level * 2, 0.97))
    volts = 25.6 - 0.003 * (charge_ah + 12 * 0.55 * stretch) - 0.028 * battery - 0.012 * slow
    stick = np.repeat(np.round(1500 + 12 * level[:steps]), _GRID)[:rows]
    steer = np.repeat(np.round(1500 + 300 * turn[:steps]), _GRID)[:rows]
    analogue = (battery, left, right, volts, 0.502 * volts, volts - 0.012 * battery, 5.05 - 0.0008 * battery)
    out = np.empty((rows, len(WIRE)), np.int16)
    for place, (values, noise) in enumerate(zip(analogue, NOISE, strict=True)):
        step = WIRE[place].numerator / WIRE[place].denominator * BY_NAME[COLUMNS[place]].si_per_step
        out[:, place] = np.clip(np.rint((values + noise * rng.standard_normal(rows)) / step), -32_767, 32_767)
    out[:, 7], out[:, 8] = stick, steer
    # A mark every 30 s of driving.
    out[:, 9] = (stretch * STRETCH_ROWS + fine) // 30_000 % 30_000
    return out[:count]


def frame(stretch: int, rows: int = STRETCH_ROWS) -> pl.DataFrame:
    """One block as run-file columns."""
    table = codes(stretch, rows).astype(np.int64)
    first = stretch * STRETCH_ROWS
    columns = {TIME_COLUMN: (np.arange(first, first + rows, dtype=np.int64)) * INTERVAL_US}
    for place, (name, wire) in enumerate(zip(COLUMNS, WIRE, strict=True)):
        stored = (table[:, place] * wire.numerator + wire.denominator // 2) // wire.denominator
        columns[name] = stored.astype(np.int32)
    return pl.DataFrame(columns)


def stretches(rows: int) -> list[tuple[int, int]]:
    """(block number, its rows) for a drive of the given number of samples."""
    whole, rest = divmod(rows, STRETCH_ROWS)
    return [(k, STRETCH_ROWS) for k in range(whole)] + ([(whole, rest)] if rest else [])


def write_drive(path: Path, rows: int) -> Path:
    """A run file of the first `rows` samples of the drive, as the recorder would write it."""
    segments = []
    for stretch, count in stretches(rows):
        segments.append(path.with_name(f".{path.stem}.seg-{stretch:04d}.parquet"))
        write_segment(segments[-1], frame(stretch, count))
    write_run(path, segments, metadata(path.stem))
    for segment in segments:
        segment.unlink()
    return path


def write_csv(run: Path, out: Path) -> Path:
    """The same samples as a CSV file in seconds, amperes and volts, exact to the microampere and microvolt."""
    scan = pl.scan_parquet(run)
    columns = [(pl.col(TIME_COLUMN) / 1_000_000).round(6).alias("t_s")]
    for name in COLUMNS:
        channel = BY_NAME[name]
        value = pl.col(name)
        if channel.si_unit in ("A", "V"):
            value = (value * channel.si_per_step).round(6)
        columns.append(value.alias(channel.si_name))
    scan.select(columns).sink_csv(out)
    return out


def wire_bytes(rows: int = STRETCH_ROWS, stretch: int = 1) -> bytes:
    """Bytes that the board would send for one block: a describe frame each second, ten samples per frame."""
    table = np.empty(rows, row_dtype(WIRE))
    for place, column in enumerate(codes(stretch, rows).T):
        table[f"c{place}"] = column
    board = Describe(0x5EED_CA27, 1, 1, INTERVAL_US, "benchmark board", WIRE)
    pieces: list[bytes] = []
    for start in range(0, rows, ROWS_PER_FRAME):
        if start % 1000 == 0:
            pieces.append(encode(board, len(pieces)))
        part: npt.NDArray[np.void] = table[start : start + ROWS_PER_FRAME]
        message = Samples(1, 1, (start * INTERVAL_US) & 0xFFFF_FFFF, INTERVAL_US, part.tobytes(), len(part))
        pieces.append(encode(message, len(pieces)))
    return b"".join(pieces)
