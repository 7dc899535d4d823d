"""What somebody would write instead with general-purpose tools, as well as these tools allow.

Each function takes a file of the drive and gives the values that `agreed.VALUES` lists. They assume what our own code
must not: samples at a fixed rate, no gaps, no missing values, no sensor errors, and that the first minute was at rest.
"""

from __future__ import annotations

from typing import Any

from benchmarks.agreed import INTERVAL_S, LEADS, REST_S, WINDOWS_S, curve_windows_s

_RUN_COLUMNS = ["t_us", "battery_current_ua", "left_current_ua", "right_current_ua", "battery_voltage_uv",
                "receiver_voltage_uv"]  # fmt: skip
_SI_COLUMNS = ["t_s", "battery_current_a", "left_current_a", "right_current_a", "battery_voltage_v",
               "receiver_voltage_v"]  # fmt: skip


def pandas_csv(path: str) -> dict[str, Any]:
    """pandas on a CSV file in SI units, read by its fastest reader."""
    import pandas as pd

    return _pandas(pd.read_csv(path, usecols=_SI_COLUMNS, engine="pyarrow"))


def pandas_parquet(path: str) -> dict[str, Any]:
    """pandas on the run file."""
    import pandas as pd

    stored = pd.read_parquet(path, columns=_RUN_COLUMNS)
    table = (stored * 1e-6).set_axis(_SI_COLUMNS, axis=1)
    return _pandas(table)


def _pandas(table: Any) -> dict[str, Any]:
    step = table["t_s"].diff()
    power = table["battery_current_a"] * table["battery_voltage_v"]
    joule = (power + power.shift()) / 2 * step
    charge = (table["battery_current_a"] + table["battery_current_a"].shift()) / 2 * step
    rest = table.loc[table["t_s"] < REST_S, "battery_voltage_v"].median()
    least = table["battery_voltage_v"].min()
    found = {
        "net_wh": joule.sum() / 3600,
        "net_ah": charge.sum() / 3600,
        "discharged_ah": charge.clip(lower=0).sum() / 3600,
        "recovered_ah": -charge.clip(upper=0).sum() / 3600,
        "mean_power_w": joule.sum() / step.sum(),
        "min_voltage_v": least,
        "rest_voltage_v": rest,
        "worst_sag_v": rest - least,
        "receiver_min_v": table["receiver_voltage_v"].min(),
    }
    for lead in LEADS:
        amps = table[f"{lead}_current_a"]
        square = amps**2
        found[f"{lead}_peak_a"] = amps.abs().max()
        found[f"{lead}_mean_a"] = amps.mean()
        for window in WINDOWS_S:
            count = round(window / INTERVAL_S)
            if count > len(amps):
                continue
            found[f"{lead}_rms_{window:g}_s_a"] = square.rolling(count).mean().max() ** 0.5
    return {name: float(value) for name, value in found.items()}


def numpy_parquet(path: str, curves: str = "fixed") -> dict[str, Any]:
    """Loop-free numpy on the run file: prefix sums. With `curves` "all" the windows of our exposure curves too."""
    import numpy as np
    import pyarrow.parquet as pq

    table = pq.read_table(path, columns=_RUN_COLUMNS)
    time_s, battery, left, right, volts, receiver = (table[name].to_numpy() * 1e-6 for name in _RUN_COLUMNS)
    step = np.diff(time_s)
    power = battery * volts
    joule = (power[1:] + power[:-1]) / 2 * step
    charge = (battery[1:] + battery[:-1]) / 2 * step
    rest = np.median(volts[time_s < REST_S])
    found = {
        "net_wh": joule.sum() / 3600,
        "net_ah": charge.sum() / 3600,
        "discharged_ah": np.maximum(charge, 0).sum() / 3600,
        "recovered_ah": -np.minimum(charge, 0).sum() / 3600,
        "mean_power_w": joule.sum() / (time_s[-1] - time_s[0]),
        "min_voltage_v": volts.min(),
        "rest_voltage_v": rest,
        "worst_sag_v": rest - volts.min(),
        "receiver_min_v": receiver.min(),
    }
    windows = curve_windows_s(float(time_s[-1] - time_s[0])) if curves == "all" else WINDOWS_S
    for lead, amps in zip(LEADS, (battery, left, right), strict=True):
        found[f"{lead}_peak_a"] = np.abs(amps).max()
        found[f"{lead}_mean_a"] = amps.mean()
        pieces = (amps[1:] ** 2 + amps[1:] * amps[:-1] + amps[:-1] ** 2) / 3 * step
        until = np.concatenate(([0.0], np.cumsum(pieces)))
        for window in windows:
            count = round(window / INTERVAL_S)
            if count > len(pieces):
                continue
            most = (until[count:] - until[:-count]).max()
            found[f"{lead}_rms_{window:g}_s_a"] = np.sqrt(most / (count * INTERVAL_S))
    return {name: float(value) for name, value in found.items()}


def duckdb_sql(path: str) -> dict[str, Any]:
    """SQL in an embedded analytical database, on the run file: one ordered pass of window functions."""
    import duckdb

    counts = [round(window / INTERVAL_S) for window in WINDOWS_S]
    pairs = [(lead, count) for lead in LEADS for count in counts]
    sums = ", ".join(f"sum({lead}_a * {lead}_a * dt) OVER so_far AS {lead}_until" for lead in LEADS)
    before = ", ".join(f"lag({lead}_until, {count}) OVER w AS {lead}_before_{count}" for lead, count in pairs)
    extremes = ", ".join(f"max(abs({lead}_a)) AS {lead}_peak_a, avg({lead}_a) AS {lead}_mean_a" for lead in LEADS)
    most = ", ".join(
        f"sqrt(max({lead}_until - {lead}_before_{count}) / {count * INTERVAL_S}) AS {lead}_{count}"
        for lead, count in pairs
    )
    query = f"""
    WITH si AS (
        SELECT t_us * 1e-6 AS t, battery_current_ua * 1e-6 AS battery_a, left_current_ua * 1e-6 AS left_a,
               right_current_ua * 1e-6 AS right_a, battery_voltage_uv * 1e-6 AS v, receiver_voltage_uv * 1e-6 AS r
        FROM read_parquet(?)),
    steps AS (
        SELECT *, t - lag(t) OVER w AS dt,
               (battery_a * v + lag(battery_a * v) OVER w) / 2 AS p, (battery_a + lag(battery_a) OVER w) / 2 AS i
        FROM si WINDOW w AS (ORDER BY t)),
    sums AS (SELECT *, {sums} FROM steps WINDOW so_far AS (ORDER BY t ROWS UNBOUNDED PRECEDING)),
    windows AS (SELECT *, {before} FROM sums WINDOW w AS (ORDER BY t))
    SELECT sum(p * dt) / 3600 AS net_wh, sum(i * dt) / 3600 AS net_ah,
           sum(greatest(i * dt, 0)) / 3600 AS discharged_ah, -sum(least(i * dt, 0)) / 3600 AS recovered_ah,
           sum(p * dt) / sum(dt) AS mean_power_w, min(v) AS min_voltage_v,
           median(v) FILTER (WHERE t < {REST_S}) AS rest_voltage_v,
           median(v) FILTER (WHERE t < {REST_S}) - min(v) AS worst_sag_v, min(r) AS receiver_min_v,
           {extremes}, {most}
    FROM windows
    """
    cursor = duckdb.connect().execute(query, [path])
    names = [column[0] for column in cursor.description]
    row = dict(zip(names, cursor.fetchone(), strict=True))
    for lead, count in pairs:
        row[f"{lead}_rms_{count * INTERVAL_S:g}_s_a"] = row.pop(f"{lead}_{count}")
    return {name: None if value is None else float(value) for name, value in row.items()}


def read_and_sum(path: str) -> dict[str, Any]:
    """The bound: nobody can say anything of these columns without reading them and touching each value once."""
    import polars as pl

    return pl.scan_parquet(path).select(pl.col(_RUN_COLUMNS).cast(pl.Int64).sum()).collect().to_dicts()[0]
