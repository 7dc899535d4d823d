"""Channels of a run as a table: corrected, null where not measured, rows as they were sampled."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from amptally.analysis.errors import ArgumentError
from amptally.analysis.runs.run import Run
from tests.analysis.build_runs import CART, Floats, in_stretches, write_run

T_S = np.arange(0, 20, 0.1)
SENSORS = """
[sensors.left_current]
offset = 0.5
gain = 0.25
delay_s = 0.03
"""


def opened(folder: Path, channels: dict[str, Any], t_s: Floats = T_S, machine: str | None = None) -> Run:
    return Run.open(write_run(folder / "run.parquet", t_s, channels, machine=machine))


def test_values_are_corrected_and_missing_ones_null(tmp_path: Path) -> None:
    raw = np.where(T_S < 5, np.nan, 0.5 + 1.25 * T_S)
    run = opened(tmp_path, {"left_current_a": raw, "battery_voltage_v": 25.5}, machine=CART + SENSORS)
    table = run.to_polars(["left_current_a", "battery_voltage_v"])
    assert table.schema == {"t_s": pl.Float64, "left_current_a": pl.Float64, "battery_voltage_v": pl.Float64}
    # (raw − offset) / (1 + gain) of 0.5 + 1.25 t is t; the delay does not move a row.
    assert table["left_current_a"].null_count() == (T_S < 5).sum() == 50
    measured = table.drop_nulls()
    assert measured["left_current_a"].to_numpy() == pytest.approx(measured["t_s"].to_numpy(), abs=1e-6)
    assert (table["battery_voltage_v"] == 25.5).all()
    assert run.to_polars().columns == ["t_s", "battery_voltage_v", "left_current_a"]


def test_both_ends_of_the_range_belong_to_it(tmp_path: Path) -> None:
    run = opened(tmp_path, {"left_current_a": T_S})
    table = run.to_polars("left_current_a", from_s=3.0, to_s=4.0)
    assert table["t_s"].to_list() == pytest.approx(np.arange(30, 41) / 10)
    assert table["left_current_a"].to_list() == pytest.approx(np.arange(30, 41) / 10)
    assert run.to_polars([], to_s=0.0)["t_s"].to_list() == [0.0]
    part = Run.open(run.path, from_s=3.0, to_s=4.0)
    assert part.to_polars("left_current_a").equals(table)


def test_a_channel_that_the_run_lacks_is_null_throughout(tmp_path: Path) -> None:
    run = opened(tmp_path, {"left_current_a": T_S, "right_current_a": np.full(len(T_S), np.nan)})
    table = run.to_polars(["t_s", "receiver_voltage_v", "right_current_a", "receiver_voltage_v"])
    assert table.columns == ["t_s", "receiver_voltage_v", "right_current_a"]
    assert table["receiver_voltage_v"].dtype == table["right_current_a"].dtype == pl.Float64
    assert table["receiver_voltage_v"].null_count() == table["right_current_a"].null_count() == len(T_S)


def test_what_is_no_channel_is_named_with_those_near_it(tmp_path: Path) -> None:
    run = opened(tmp_path, {"left_current_a": T_S})
    with pytest.raises(ArgumentError) as raised:
        run.to_polars(["left_curent_a"])
    assert str(raised.value).startswith(f"{run.path}: 'left_curent_a' is no channel. Near it: left_current_a")
    assert str(raised.value).endswith("This run holds left_current_a.")
    with pytest.raises(ArgumentError, match=r"'qqq' is no channel\. This run holds"):
        run.to_polars(["qqq"])


@pytest.mark.parametrize(("from_s", "to_s"), [(30.0, None), (None, -1.0), (5.0, 4.0), (3.01, 3.02)])
def test_a_range_without_samples_is_an_error(tmp_path: Path, from_s: float | None, to_s: float | None) -> None:
    run = opened(tmp_path, {"left_current_a": T_S})
    with pytest.raises(ArgumentError, match=r"has no samples between .* it goes from 0 to 19\.9 s"):
        run.to_polars(from_s=from_s, to_s=to_s)


def test_a_run_read_in_stretches_gives_the_same_table(tmp_path: Path) -> None:
    t_s = np.arange(0, 20, 0.001)
    holes = np.where((t_s * 7).astype(int) % 5 == 0, np.nan, t_s)
    run = opened(tmp_path, {"left_current_a": t_s, "right_current_a": holes}, t_s)
    with in_stretches():
        stretched = Run.open(run.path)
        stretched.extremes("left_current_a")
        assert stretched.to_polars(from_s=1.5, to_s=14.25).equals(run.to_polars(from_s=1.5, to_s=14.25))
        assert stretched.to_polars().equals(run.to_polars())
