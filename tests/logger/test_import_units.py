"""Units in names and rows, times of day, and numbers that cannot be what they were taken for."""

from __future__ import annotations

import shlex
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.channels import BY_SI_NAME, CHANNELS, COLUMN_UNITS
from amptally.logger.errors import ImportDataError
from amptally.logger.importing.plausible import usual_unit
from amptally.logger.importing.reader import read_columns
from amptally.logger.importing.request import Request
from amptally.logger.importing.specs import MapSpec, TimeSpec, parse_map, parse_time
from amptally.logger.unit_words import TIME_UNITS, is_unit_row, unit_in_name
from tests.strategies import examples

CURRENT, VOLTAGE, PULSE = (tuple(COLUMN_UNITS[unit]) for unit in ("µA", "µV", "µs"))


@pytest.mark.parametrize(
    ("name", "units", "unit"),
    [
        ("I [mA]", CURRENT, "mA"), ("Current (A)", CURRENT, "A"), ("ibat_ma", CURRENT, "mA"), ("I/mA", CURRENT, "mA"),
        ("I in µA", CURRENT, "uA"), ("CurrentmA", CURRENT, "mA"), ("I {MA}", CURRENT, "mA"), ("amps", CURRENT, "A"),
        ("U [V]", VOLTAGE, "V"), ("vbat_mv", VOLTAGE, "mV"), ("Vbat, mV", VOLTAGE, "mV"), ("U [kV]", VOLTAGE, "kV"),
        ("t_ms", TIME_UNITS, "ms"), ("Time(ms)", TIME_UNITS, "ms"), ("millis", TIME_UNITS, "ms"),
        ("timeMs", TIME_UNITS, "ms"), ("time_us", TIME_UNITS, "us"), ("Time [min]", TIME_UNITS, "min"),
        ("time [hh:mm:ss]", TIME_UNITS, "tod"), ("seconds", TIME_UNITS, "s"), ("pulse (µs)", PULSE, "us"),
        ("T [°C]", ("C",), "C"), ("I [Ah]", CURRENT, "Ah"),
        ("Current", CURRENT, None), ("current (left)", CURRENT, None), ("", CURRENT, None), ("V", VOLTAGE, None),
        ("block_b", CURRENT, None), ("laps", TIME_UNITS, None), ("amas", CURRENT, None), ("vbat_ma", VOLTAGE, None),
        ("drums", TIME_UNITS, None),
    ],
)  # fmt: skip
def test_units_in_names(name: str, units: tuple[str, ...], unit: str | None) -> None:
    assert unit_in_name(name, units) == unit


def test_a_row_of_units_holds_no_numbers() -> None:
    assert is_unit_row(["s", "V", "mA", ""])
    assert is_unit_row(["[s]", "(V)", "", "remark"])
    assert not is_unit_row(["0", "V", "mA"])
    assert not is_unit_row(["", ""])
    assert not is_unit_row(["on", "off", "A"])
    assert not is_unit_row(["10:00:00", "V", "A"])


@given(
    column=st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=12).map(str.strip),
    channel=st.sampled_from(CHANNELS),
    data=st.data(),
)
def test_a_specification_reads_back_as_it_was_written(column: str, data: st.DataObject, channel: object) -> None:
    if not column.split(":")[0].strip():
        return
    assert hasattr(channel, "unit")
    spec = MapSpec(channel, column, data.draw(st.sampled_from([*COLUMN_UNITS[channel.unit], None])))  # type: ignore[arg-type]
    if spec.unit is not None or parse_map(spec.text).unit is None:
        assert parse_map(spec.text) == spec
    time = TimeSpec(column, data.draw(st.sampled_from(TIME_UNITS)))
    assert parse_time(time.text) == time


def columns_of(path: Path, time: str, *maps: str) -> pl.DataFrame:
    return read_columns(path, parse_time(time), [parse_map(text) for text in maps]).frame


@given(
    start_s=st.integers(0, 86_399),
    steps_s=st.lists(st.integers(1, 43_199), min_size=1, max_size=12),
)
@examples(0.5)
def test_times_of_day_rise_over_every_midnight(
    start_s: int, steps_s: list[int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    moments = datetime(2026, 1, 1) + timedelta(seconds=start_s) + np.cumsum([0, *steps_s]) * timedelta(seconds=1)
    path = tmp_path_factory.getbasetemp() / "tod.csv"
    path.write_text("t,i\n" + "".join(f"{moment:%H:%M:%S},1\n" for moment in moments))
    frame = columns_of(path, "t:tod", "battery_current_a=i")
    assert frame["t_us"].to_list() == [int(second) * 1_000_000 for second in np.cumsum([0, *steps_s])]


@pytest.mark.parametrize(
    ("first", "second", "step_s"),
    [
        ("23:59:59.5", "0:00:00.25", 0.75), ("11:59:59 AM", "12:00:01 PM", 2), ("11:59:59 pm", "12:00:00 am", 1),
        ("9:59", "10:00", 60), ('"10:00:00,5"', "10:00:01", 0.5), ("25:00:00", "25:00:01", 1),
    ],
)  # fmt: skip
def test_forms_of_a_time_of_day(first: str, second: str, step_s: float, tmp_path: Path) -> None:
    path = tmp_path / "tod.csv"
    path.write_text(f"t,i\n{first},1\n{second},2\n")
    for time in ("t", "t:tod"):
        assert columns_of(path, time, "battery_current_a=i")["t_us"].to_list() == [0, round(step_s * 1e6)]


def test_a_late_row_steps_back_over_midnight(tmp_path: Path) -> None:
    path = tmp_path / "tod.csv"
    path.write_text("t,i\n23:59:58,1\n00:00:01,2\n23:59:59,3\n00:00:02,4\n")
    frame = columns_of(path, "t:tod", "battery_current_a=i")
    assert frame.rows() == [(0, 1_000_000), (1_000_000, 3_000_000), (3_000_000, 2_000_000), (4_000_000, 4_000_000)]


@pytest.mark.parametrize(("factor", "text"), [(1, "s"), (1_000, "ms"), (1_000_000, "us")])
def test_since_1970_in_any_unit(factor: int, text: str, tmp_path: Path) -> None:
    path = tmp_path / f"{text}.csv"
    path.write_text("t,i\n" + "".join(f"{round(1_770_000_000.5 * factor) + k * factor},1\n" for k in range(3)))
    for time in ("t", "t:epoch"):
        read = read_columns(path, parse_time(time), [parse_map("battery_current_a=i")])
        # POSIX time 1770000000 is 2026-02-02T02:40:00Z: from memory; checked with date -u -d @1770000000.
        assert read.start_utc is not None
        assert read.start_utc.startswith("2026-02-02T02:40:00")
        assert read.frame["t_us"].to_list() == [0, 1_000_000, 2_000_000]


@pytest.mark.parametrize(
    ("channel", "number", "unit"),
    [
        ("battery_voltage_v", 25.6, "V"), ("battery_voltage_v", 25_600, "mV"), ("receiver_voltage_v", 5_010, "mV"),
        ("battery_voltage_v", 12_600_000, "uV"), ("left_current_a", 18, "A"), ("left_current_a", 18_000, "mA"),
        ("left_current_a", 18e6, "uA"), ("pulse_a_us", 1500, "us"), ("pulse_a_us", 1.5, "ms"), ("mark", 5, None),
        ("battery_voltage_v", 0, None),
    ],
)  # fmt: skip
def test_the_unit_in_which_a_number_is_usual(channel: str, number: float, unit: str | None) -> None:
    # What small machines run on, 6 to 60 V and up to a few hundred amperes: common practice, no source. Pulses of 1 to
    # 2 ms: common practice, no source.
    assert usual_unit(BY_SI_NAME[channel], number) == unit


def request(tmp_path: Path, table: pl.DataFrame, time: str, *maps: str, **more: object) -> Request:
    path = tmp_path / "a log.csv"
    table.write_csv(path)
    return Request(path, time, maps, tmp_path / "run.parquet", **more)  # type: ignore[arg-type]


def refusal(asked: Request) -> str:
    with pytest.raises(ImportDataError) as caught:
        asked.read()
    return str(caught.value)


def test_a_contradicted_unit_is_refused_unless_taken_as_read(tmp_path: Path) -> None:
    table = pl.DataFrame({"t_s": np.arange(100) / 10, "i": np.full(100, 1250.0), "p": np.full(100, 1.5)})
    asked = request(tmp_path, table, "t_s", "battery_current_a=i", "pulse_a_us=p")
    message = refusal(asked)
    assert "would make battery_current_a 1250 A" in message
    assert "would make pulse_a_us 2 µs" in message
    assert shlex.split(message.partition(" Run: ")[2])[5:8] == ["--map", "battery_current_a=i:mA", "pulse_a_us=p:ms"]
    kept = request(tmp_path, table, "t_s", "battery_current_a=i", "pulse_a_us=p", as_read=True).read()
    assert kept.frame["battery_current_ua"][0] == 1_250_000_000


def test_unlike_units_in_name_and_request(tmp_path: Path) -> None:
    table = pl.DataFrame({"t [s]": np.arange(100) / 10, "i [mA]": np.linspace(2, 9, 100), "u [V]": [12.5] * 100})
    asked = request(tmp_path, table, "t [s]", "battery_current_a=i [mA]:A")
    assert "column 'i [mA]' is read in A, as asked, although its name says mA" in asked.read().notes
    assert "says that column 'u [V]' is in V" in refusal(request(tmp_path, table, "t [s]", "battery_current_a=u [V]"))
    minutes = table.rename({"t [s]": "t [min]"})
    assert "is in min, which is no unit" in refusal(request(tmp_path, minutes, "t [min]", "battery_current_a=i [mA]"))


@pytest.mark.parametrize("unit", ["ms", "us"])
def test_seconds_read_in_a_smaller_unit(unit: str, tmp_path: Path) -> None:
    table = pl.DataFrame({"t": np.arange(200) / 50, "i": np.linspace(2, 9, 200)})
    assert " --time t:s " in refusal(request(tmp_path, table, f"t:{unit}", "battery_current_a=i"))


def test_milliseconds_said_to_be_seconds(tmp_path: Path) -> None:
    table = pl.DataFrame({"t": np.arange(40_000) * 20, "i": np.linspace(2, 9, 40_000)})
    message = refusal(request(tmp_path, table, "t:s", "battery_current_a=i"))
    assert "20 s apart, 9.26 days in all" in message
    assert " --time t:ms " in message


def test_a_slow_log_is_asked_for_its_unit_once(tmp_path: Path) -> None:
    table = pl.DataFrame({"t": np.arange(200) * 60, "i": np.linspace(2, 9, 200)})
    assert " --time t:s " in refusal(request(tmp_path, table, "t", "battery_current_a=i"))
    assert request(tmp_path, table, "t:s", "battery_current_a=i").read().frame.height == 200


@pytest.mark.parametrize("name", ["nine-laps-marked", "nine-laps-unmarked"])
def test_a_drive_written_as_a_table_is_imported_without_a_question(name: str, tmp_path: Path) -> None:
    source = Path(__file__).parents[2] / "sample_runs" / f"{name}.parquet"
    frame = pl.read_parquet(source)
    names = [channel.name for channel in CHANNELS if channel.name in frame.columns]
    units = {"ua": "uA", "uv": "uV", "us": "us"}
    maps = []
    for channel in (channel for channel in CHANNELS if channel.name in names):
        unit = units.get(channel.name.rpartition("_")[2])
        if channel.unit == "0.01 °C":
            frame = frame.with_columns(pl.col(channel.name) / 100)
            unit = "C"
        maps.append(f"{channel.si_name}={channel.name}" + (f":{unit}" if unit else ""))
    read = request(tmp_path, frame, "t_us:us", *maps).read()
    assert read.repairs == {}
    assert read.frame.height == frame.height
