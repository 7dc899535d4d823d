"""A CSV or Parquet file from elsewhere: values, units, repairs, dialects, and the one-line answer to a bad file."""

from __future__ import annotations

import itertools
import math
import os
import random
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from amptally.logger.channels import BY_SI_NAME, CHANNELS, Channel
from amptally.logger.errors import ImportDataError
from amptally.logger.importing import source
from amptally.logger.importing.reader import Imported, read_columns
from amptally.logger.importing.specs import MapSpec, TimeSpec, parse_map, parse_time
from tests.strategies import examples

DATA = Path(__file__).parents[1] / "data"
PACK = DATA / "pack_24v_65a_discharge.csv"
LEAD_ACID = DATA / "lead_acid_12v_1p5a_discharge.csv"
Save = Callable[..., Path]
"""Writes text, bytes or a frame (as Parquet) to a new file, under a name if one is given."""
MEASURED = ("battery_current_a=current_A:A", "battery_voltage_v=voltage_V:V")


def take(path: Path, time: str = "t", *maps: str, discharge: str = "positive") -> Imported:
    specs = [parse_map(spec) for spec in maps or ("battery_current_a=i",)]
    return read_columns(path, parse_time(time), specs, discharge)


def trouble(path: Path, time: str = "t", *maps: str) -> str:
    """The message of the refusal; what holds for each of them is checked here."""
    with pytest.raises(ImportDataError) as caught:
        take(path, time, *maps)
    message = str(caught.value)
    assert message.isprintable()
    assert message.endswith(".")
    return message


@pytest.fixture
def save(tmp_path: Path) -> Save:
    numbers = itertools.count()

    def write(content: str | bytes | pl.DataFrame, name: str | None = None) -> Path:
        path = tmp_path / (name or f"{next(numbers)}.dat")
        if isinstance(content, pl.DataFrame):
            content.write_parquet(path)
        else:
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def columns(result: Imported) -> dict[str, list[int | None]]:
    return result.frame.to_dict(as_series=False)


# The two measured sets: figures from tests/data/README.md.


def test_pack_set_agrees_with_the_testers_own_counters() -> None:
    result = take(PACK, "time_s:s", *MEASURED)
    assert result.frame.schema == {"t_us": pl.Int64, "battery_current_ua": pl.Int32, "battery_voltage_uv": pl.Int32}
    assert result.frame.height == 4144
    assert result.repairs == {}
    assert result.start_utc is None
    assert result.columns_seen == ("time_s", "current_A", "voltage_V")
    t_s = result.frame["t_us"].to_numpy() * 1e-6
    current_a = result.frame["battery_current_ua"].to_numpy() * 1e-6
    voltage_v = result.frame["battery_voltage_uv"].to_numpy() * 1e-6
    # The file starts at 1.0 s: load from 20.1 s, end 3083.0 s.
    assert t_s[0] == 0
    assert t_s[np.argmax(current_a > 1)] == pytest.approx(19.1, abs=1e-9)
    assert t_s[-1] == pytest.approx(3082.0, abs=1e-9)
    # Rest 24.83 V, end 19.94 V, load 65 A.
    assert voltage_v[0] == pytest.approx(24.83, abs=1e-9)
    assert voltage_v[-1] == pytest.approx(19.94, abs=1e-9)
    assert np.median(current_a) == pytest.approx(65.0, abs=1e-9)
    # Tester counters 1253.75 Wh and 55.30 Ah; the steps are 0.1 to 1 s, the current a constant 65 A but for one step.
    assert np.trapezoid(current_a * voltage_v, t_s) / 3600 == pytest.approx(1253.75, rel=2e-3)
    assert np.trapezoid(current_a, t_s) / 3600 == pytest.approx(55.30, abs=0.01)
    steps_us = np.diff(result.frame["t_us"].to_numpy())
    assert steps_us.min() == 100_000
    assert steps_us.max() == 1_000_000


def test_lead_acid_set_agrees_with_its_notice() -> None:
    result = take(LEAD_ACID, "time_s", *MEASURED)
    t_s = result.frame["t_us"].to_numpy() * 1e-6
    current_a = result.frame["battery_current_ua"].to_numpy() * 1e-6
    voltage_v = result.frame["battery_voltage_uv"].to_numpy() * 1e-6
    assert result.repairs == {}
    assert np.median(current_a) == pytest.approx(1.536, abs=5e-4)  # 1.536 A
    loaded = current_a > 1
    to_end_s = t_s[np.argmax(loaded & (voltage_v < 10.8))] - t_s[np.argmax(loaded)]
    assert to_end_s == pytest.approx(44_401, abs=60)  # 44 401 s of load to 10.8 V; rows are 60 s apart
    assert np.trapezoid(current_a, t_s) / 3600 == pytest.approx(19.3, abs=0.05)  # about 19.3 Ah


# Specifications.


def test_the_last_part_is_a_unit_only_if_it_is_one_of_that_quantity() -> None:
    assert parse_time("t") == TimeSpec("t", None)
    assert parse_time("t:ms") == TimeSpec("t", "ms")
    assert parse_time("t:A") == TimeSpec("t:A", None)
    assert parse_time("time:ms:ms") == TimeSpec("time:ms", "ms")
    current = BY_SI_NAME["battery_current_a"]
    assert parse_map("battery_current_a=I") == MapSpec(current, "I", None)
    assert parse_map("battery_current_a=I:uA") == MapSpec(current, "I", "uA")
    assert parse_map("battery_current_a=I:µA") == MapSpec(current, "I", "uA")
    assert parse_map("battery_current_a=I:mV") == MapSpec(current, "I:mV", None)
    assert parse_map("battery_current_a=a=b: left:mA") == MapSpec(current, "a=b: left", "mA")
    assert parse_map("mark=Laps:us") == MapSpec(BY_SI_NAME["mark"], "Laps:us", None)
    assert parse_map("pulse_a_us=P:us").unit == "us"
    assert parse_map("motor_temp_c=T:C") == MapSpec(BY_SI_NAME["motor_temp_c"], "T", "C")


@pytest.mark.parametrize("spec", ["", "battery_current_a", "battery_current_a=", "=I", "battery_current_a= :"])
def test_a_map_without_channel_or_column_is_refused(spec: str) -> None:
    with pytest.raises(ImportDataError, match="--map"):
        parse_map(spec)


def test_a_time_without_column_is_refused() -> None:
    with pytest.raises(ImportDataError, match="--time"):
        parse_time(":ms")


def test_an_unknown_channel_is_answered_with_the_nearest() -> None:
    with pytest.raises(ImportDataError, match=r"no channel 'batery_current'.*battery_current_a"):
        parse_map("batery_current=I")


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.si_name)
def test_the_default_unit_is_the_channels_si_unit(channel: Channel, save: Save) -> None:
    result = take(save("t,x\n0,1\n1,2\n"), "t", f"{channel.si_name}=x")
    assert columns(result)[channel.name] == [round(1 / channel.si_per_step), round(2 / channel.si_per_step)]
    assert result.frame[channel.name].dtype == pl.Int32


@pytest.mark.parametrize(
    ("spec", "cell", "stored"),
    [
        ("left_current_a=x:A", "1.5", 1_500_000),
        ("left_current_a=x:mA", "1.5", 1_500),
        ("left_current_a=x:uA", "1.5000001", 2),
        ("receiver_voltage_v=x:V", "0.1", 100_000),
        ("receiver_voltage_v=x:mV", "5012.3456", 5_012_346),
        ("receiver_voltage_v=x:uV", "7", 7),
        ("pulse_a_us=x:us", "1500", 1_500),
        ("pulse_b_us=x:ms", "1.52", 1_520),
        ("fuse_temp_c=x:C", "-12.345", -1_234),  # -1234.5 rounds to the even neighbour
        ("mark=x", "3", 3),
        ("left_current_a=x", "-2.5e-1", -250_000),
    ],
)
def test_each_unit_becomes_storage_steps(spec: str, cell: str, stored: int, save: Save) -> None:
    result = take(save(f"t,x\n0,{cell}\n"), "t", spec)
    assert columns(result)[parse_map(spec).channel.name] == [stored]


# Sign.


def test_negative_discharge_inverts_currents_and_swaps_minimum_and_maximum(save: Save) -> None:
    path = save("t,i,lo,hi,rms,l,v\n0,-3,-5,-1,3.1,-2,24\n")
    maps = ("battery_current_a=i", "battery_current_min_a=lo", "battery_current_max_a=hi", "battery_current_rms_a=rms",
            "left_current_a=l", "battery_voltage_v=v")  # fmt: skip
    assert columns(take(path, "t", *maps, discharge="negative")) == {
        "t_us": [0],
        "battery_current_ua": [3_000_000],
        "battery_voltage_uv": [24_000_000],
        "left_current_ua": [2_000_000],
        "battery_current_rms_ua": [3_100_000],
        "battery_current_min_ua": [1_000_000],
        "battery_current_max_ua": [5_000_000],
    }
    assert columns(take(path, "t", "left_current_min_a=lo", discharge="negative"))["left_current_max_ua"] == [5_000_000]
    assert columns(take(path, "t", *maps))["battery_current_min_ua"] == [-5_000_000]


def test_another_word_for_the_sign_is_misuse(save: Save) -> None:
    with pytest.raises(ValueError, match="discharge"):
        take(save("t,i\n0,1\n"), discharge="minus")


def test_a_channel_mapped_twice_is_refused_but_a_column_may_serve_two(save: Save) -> None:
    path = save("t,i,j\n0,1,2\n1,3,4\n")
    assert "battery_current_a is mapped twice" in trouble(path, "t", "battery_current_a=i", "battery_current_a=j")
    both = columns(take(path, "t", "right_current_a=i", "left_current_a=i:mA"))
    assert both["left_current_ua"] == [1_000, 3_000]
    assert both["right_current_ua"] == [1_000_000, 3_000_000]
    assert list(both) == ["t_us", "left_current_ua", "right_current_ua"]  # the channel table's order, not the request's
    with pytest.raises(ImportDataError, match="no column is mapped"):
        read_columns(path, TimeSpec("t", "s"), [])


# Time.


@pytest.mark.parametrize(
    ("unit", "first", "second", "gap_us"),
    [
        ("s", "10.1", "10.3", 200_000),
        ("s", "1700000000.123456", "1700000000.123457", 1),
        ("ms", "5", "6.5", 1_500),
        ("us", "9007199254740993", "9007199254740994", 1),  # 2**53 + 1: a double cannot tell these two apart
        ("us", "-5", "7", 12),
        ("epoch", "1700000000.999999", "1700000001", 1),
        ("epoch", "4102444800", "4102444800.000001", 1),
        ("iso", "2026-03-01T10:00:00", "2026-03-01T10:00:00.000001", 1),
        ("iso", "2026-03-01 10:00", "2026-03-01 10:01", 60_000_000),
        ("iso", "2026-03-01T10:00:00+02:00", "2026-03-01T08:00:01Z", 1_000_000),
        ("iso", "2026-03-01T10:00:00-0800", "2026-03-01T18:00:00.5", 500_000),
        ("iso", '"2026-03-01T10:00:00,25+01"', "2026-03-01T09:00:00.250003z", 3),
        ("iso", "20260301T100000Z", "20260301T100000.75Z", 750_000),
        ("iso", "1.3.2026 9:59:59.5", "01.03.2026 10:00:00", 500_000),
        ("iso", "2026/3/1 10:00", "2026/03/01 10:00:01", 1_000_000),
    ],
)
def test_time_keeps_every_microsecond(unit: str, first: str, second: str, gap_us: int, save: Save) -> None:
    result = take(save(f"t,i\n{first},1\n{second},2\n"), f"t:{unit}")
    assert columns(result)["t_us"] == [0, gap_us]
    assert result.frame["t_us"].dtype == pl.Int64
    assert result.repairs == {}


def test_calendar_time_gives_the_utc_of_the_first_sample(save: Save) -> None:
    iso = save("t,i\n2026-03-01T10:00:02+02:00,1\n2026-03-01T08:00:01.5Z,2\n")
    assert take(iso, "t:iso").start_utc == "2026-03-01T08:00:01.500000Z"
    # POSIX time 1700000000 is 2023-11-14T22:13:20Z: from memory.
    assert take(save("t,i\n1700000000.25,1\n"), "t:epoch").start_utc == "2023-11-14T22:13:20.250000Z"
    assert take(save("t,i\n2026-03-01T10:00:00,1\n"), "t:iso").start_utc == "2026-03-01T10:00:00.000000Z"
    assert take(save("t,i\n1700000000,1\n"), "t:s").start_utc is None


ZONES = [None, UTC, timezone(timedelta(hours=-9, minutes=-30)), timezone(timedelta(hours=14))]
STAMPS = st.tuples(st.datetimes(datetime(1, 1, 3), datetime(9999, 12, 29)), st.sampled_from(ZONES))
Factory = pytest.TempPathFactory


@given(moments=st.lists(STAMPS, min_size=1, max_size=8))
@examples(0.4)
def test_iso_text_agrees_with_the_standard_library(
    moments: list[tuple[datetime, timezone | None]], tmp_path_factory: Factory
) -> None:
    stamped = [moment.replace(tzinfo=zone) for moment, zone in moments]
    path = tmp_path_factory.getbasetemp() / "iso.csv"
    path.write_text("t,i\n" + "".join(f"{moment.isoformat()},1\n" for moment in stamped))
    result = take(path, "t:iso")
    expected = sorted({moment.replace(tzinfo=moment.tzinfo or UTC) for moment in stamped})
    assert columns(result)["t_us"] == [(moment - expected[0]) // timedelta(microseconds=1) for moment in expected]
    assert result.start_utc is not None
    assert datetime.fromisoformat(result.start_utc) == expected[0]


def test_a_time_of_another_kind_is_refused_with_an_example(save: Save) -> None:
    assert "read as s, for example '2026-03-01T10:00:00'" in trouble(save("t,i\n2026-03-01T10:00:00,1\n"), "t:s")
    assert "read as tod, for example '2026-03-01T10:00:00'" in trouble(save("t,i\n2026-03-01T10:00:00,1\n"), "t:tod")
    assert "read as iso, for example '12.5'" in trouble(save("t,i\n12.5,1\n"), "t:iso")
    nanoseconds = save("t,i\n1700000000000000000,1\n")
    assert "read as epoch, for example '1700000000000000000'" in trouble(nanoseconds, "t:epoch")
    assert "which number is the day" in trouble(save("t,i\n03/01/2026 10:00:00,1\n"))
    assert "every cell is empty" in trouble(save("t,i\n,1\n"))


# Repairs.


def test_each_repair_is_counted(save: Save) -> None:
    path = save("t,i\n3,30\n1,10\n1,11\n,5\nsoon,6\n2,\n4,NaN\n5,n/a\n6,9999\n7,inf\n8,80\n2,21\n")
    result = take(path)
    assert columns(result) == {
        "t_us": [0, 1_000_000, 2_000_000, 3_000_000, 4_000_000, 5_000_000, 6_000_000, 7_000_000],
        "battery_current_ua": [10_000_000, None, 30_000_000, None, None, None, None, 80_000_000],
    }
    # 1, 1, 2 stood after 3, the last 2 after 8; of the two 1 and the two 2 the first in the file stays.
    assert result.repairs == {
        "unsorted": 4, "duplicate_time": 2, "missing_time": 2, "not_a_number": 3, "out_of_range": 1
    }  # fmt: skip


def test_values_at_the_limits_are_valid_and_beyond_them_null(save: Save) -> None:
    low, high = BY_SI_NAME["battery_voltage_v"].valid
    path = save("t,v\n" + "".join(f"{k},{value}\n" for k, value in enumerate([low, low - 1, high, high + 1, 1e300])))
    result = take(path, "t", "battery_voltage_v=v:uV")
    assert columns(result)["battery_voltage_uv"] == [low, None, high, None, None]
    assert result.repairs == {"out_of_range": 3}


def test_times_too_large_to_store_are_dropped(save: Save) -> None:
    result = take(save("t,i\n0,1\n9223372036854775807,2\n-9223372036854775808,3\n1e300,4\n99999999999999999999,5\n"))
    assert columns(result) == {"t_us": [0], "battery_current_ua": [1_000_000]}
    assert result.repairs == {"missing_time": 4}


def test_a_cell_in_another_encoding_is_no_number(save: Save) -> None:
    result = take(save(b"t,i\n0,1\n1,2\xb0\n"))
    assert columns(result)["battery_current_ua"] == [1_000_000, None]
    assert result.repairs == {"not_a_number": 1}


def test_a_column_without_one_usable_number_is_refused(save: Save) -> None:
    assert "column 'i' holds no number, for example 'n/a'" in trouble(save("t,i\n0,\n1,n/a\n"))
    assert "for example '12,5'" in trouble(save('t,i\n0,"12,5"\n1,"13,5"\n'))
    assert "every cell is empty" in trouble(save("t,i\n0,\n1,\n"))
    millivolts = save("t,v\n0,24800\n1,24700\n")
    assert "read in V, every number in column 'v' would be outside" in trouble(millivolts, "t", "battery_voltage_v=v")


def test_blank_lines_are_not_rows_and_short_rows_are(save: Save) -> None:
    result = take(save("t,i,v\n\n0,1,2\n\n1,3\n2\n3,4,5\n,,\n\n"), "t", "battery_current_a=i", "battery_voltage_v=v")
    assert columns(result)["battery_current_ua"] == [1_000_000, 3_000_000, None, 4_000_000]
    assert result.repairs == {}  # nothing was measured there; nothing is wrong
    assert any("'i': 1 of 4 cells" in note and "empty" in note for note in result.notes)


TIMES = ["0", "1", "2", "0.5", "1.5", "-3", "2.000001", "1e1", "", "x", "nan", "inf", "2.0000001"]
VALUES = ["0", "1", "-1.25", "1999.999999", "2000.000001", "-3e3", "", "n/a", "NaN", "-inf", "12;5", " 7 ", "+4"]
ROWS = st.lists(st.tuples(st.sampled_from(TIMES), st.sampled_from(VALUES)), min_size=1, max_size=25)


def number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def slow_twin(rows: Sequence[tuple[str, str]]) -> tuple[list[tuple[int, int | None]], dict[str, int]] | None:
    """The same repairs one row at a time; None where there is nothing to import."""
    counts = dict.fromkeys(("unsorted", "duplicate_time", "missing_time", "not_a_number", "out_of_range"), 0)
    timed: list[tuple[int, str]] = []
    for time, value in rows:
        if not math.isfinite(number(time)):
            counts["missing_time"] += bool(time or value)
            continue
        t_us = round(number(time) * 1e6)
        counts["unsorted"] += any(t_us < earlier for earlier, _ in timed)
        timed.append((t_us, value))
    if not timed or not any(abs(number(value)) <= 2000 for _, value in rows):
        return None
    kept: dict[int, str] = {}
    for t_us, value in timed:
        counts["duplicate_time"] += t_us in kept
        kept.setdefault(t_us, value)
    out: list[tuple[int, int | None]] = []
    for t_us in sorted(kept):
        value = number(kept[t_us])
        counts["not_a_number"] += kept[t_us] != "" and not math.isfinite(value)
        counts["out_of_range"] += math.isfinite(value) and abs(value) > 2000
        out.append((t_us - min(kept), round(value * 1e6) if abs(value) <= 2000 else None))
    return out, {name: count for name, count in counts.items() if count}


@given(rows=ROWS, as_parquet=st.booleans())
@example(rows=[("1", "1"), ("0", "2"), ("1", "3")], as_parquet=False)
@examples(1.2)
def test_repairs_agree_with_a_slow_twin(
    rows: list[tuple[str, str]], as_parquet: bool, tmp_path_factory: Factory
) -> None:
    path = tmp_path_factory.getbasetemp() / "twin.dat"
    if as_parquet:
        pl.DataFrame(rows, schema={"t": pl.String, "i": pl.String}, orient="row").write_parquet(path)
    else:
        path.write_text("t,i\n" + "".join(f"{time},{value}\n" for time, value in rows))
    expected = slow_twin(rows)
    if expected is None:
        trouble(path)
        return
    result = take(path)
    assert (result.frame.rows(), result.repairs) == expected


@given(times=st.sets(st.integers(-(10**12), 10**12), min_size=2, max_size=30), rng=st.randoms(use_true_random=False))
@examples(0.4)
def test_shuffling_rows_with_unique_times_gives_the_same_frame(
    times: set[int], rng: random.Random, tmp_path_factory: Factory
) -> None:
    rows = [f"{time},{k}\n" for k, time in enumerate(sorted(times))]
    path = tmp_path_factory.getbasetemp() / "shuffle.csv"
    path.write_text("t,i\n" + "".join(rows))
    in_order = take(path, "t:us", "mark=i")
    rng.shuffle(rows)
    path.write_text("t,i\n" + "".join(rows))
    shuffled = take(path, "t:us", "mark=i")
    assert in_order.repairs == {}
    assert set(shuffled.repairs) <= {"unsorted"}
    assert shuffled.frame.equals(in_order.frame)
    t_us = in_order.frame["t_us"].to_numpy()
    assert t_us[0] == 0
    assert (np.diff(t_us) > 0).all()


# Dialects.

PLAIN = {"t_us": [0, 500_000], "battery_current_ua": [1_250_000, -2_500_000]}


@pytest.mark.parametrize(
    "text",
    [
        "t,i\n0,1.25\n0.5,-2.5\n".encode("utf-16"),
        b"\xfe\xff" + "t,i\r\n0,1.25\r\n0.5,-2.5\r\n".encode("utf-16-be"),
        "t;i\n0;1,25\n0,5;-2,5\n".encode("utf-16-le"),
        "t,i,°\n0,1.25,5\n0.5,-2.5,6\n".encode("cp1252"),
        "t,i\n0,1.25\n0.5,-2.5\n",
        "t,i\n0,1.25\n0.5,-2.5",
        "\ufefft,i\n0,1.25\n0.5,-2.5\n",
        "t,i\r\n0,1.25\r\n0.5,-2.5\r\n",
        '\ufeff# made, by; hand\r\n#\t5" wheels\r\n\r\nt;i\r\n0;1,25\r\n0,5;-2,5\r\n',
        "t\ti\n0\t1.25\n0.5\t-2.5\n",
        "t\ti\n0\t1,25\n0,5\t-2,5\n",
        "t;i\n0;1.25\n0.5;-2.5\n",
        'name;t;i\n"a, b; c";0;"1,25"\nd;"0,5";-2,5\n',
        ' "t" , "i" \n0, 1.25\n0.5 ,-2.5 \n',
        'i, t ,note\n1.25,0,\n# paused, "here", 1, 2, 3\n-2.5,0.5,x\n',
        "t,i,\n0,1.25,\n0.5,-2.5,\n",
        "t,i\n0,1.25,\n0.5,-2.5, \n",
        "t,i\n0,1.25\n0.5,-2.5,,,\n",
        "t;i;;;\n0;1,25;;;\n0,5;-2,5;;;\n",
        "Logger 3000\nstarted by t, at 10:00\n\nt,i\n0,1.25\n0.5,-2.5\n",
        "t;i\ns;A\n0;1,25\n0,5;-2,5\n",
        "t,i,n\n[s],[A],-\n0,1.25,x\n0.5,-2.5,y\n",
        "t,i,n\n0,1.25,motor #1\n0.5,-2.5,motor #2",
        "# a note\n# t, i\n0,1.25\n0.5,-2.5\n",
        "t;i, measured;i\n0;7,5;1,25\n0,5;8;-2,5\n",
    ],
)
def test_csv_dialects_give_the_same_frame(text: str | bytes, save: Save) -> None:
    result = take(save(text))
    assert columns(result) == PLAIN
    assert result.repairs == {}


def test_content_decides_not_the_name(save: Save) -> None:
    frame = pl.DataFrame({"t": [0.0, 0.5], "i": [1.25, -2.5]})
    assert columns(take(save(frame, "run.csv"))) == PLAIN
    assert columns(take(save("t,i\n0,1.25\n0.5,-2.5\n", "run.parquet"))) == PLAIN
    assert columns(take(save("t,i\n0,1.25\n0.5,-2.5\n", "a=1[2]*.csv"))) == PLAIN


def test_the_commoner_decimal_mark_holds_for_the_whole_file(save: Save) -> None:
    result = take(save("t;i\n0;1,5\n1;2,5\n2;1.2\n3;7\n"))
    assert columns(result)["battery_current_ua"] == [1_500_000, 2_500_000, None, 7_000_000]
    assert result.repairs == {"not_a_number": 1}
    result = take(save("t;i\n0;1.5\n1;2.5\n2;1,2\n3;7\n"))
    assert columns(result)["battery_current_ua"] == [1_500_000, 2_500_000, None, 7_000_000]


@pytest.mark.parametrize(
    "text",
    [
        "t;i\n0;1,5\n1;2,5\n2;1.234\n3;7\n",
        "t;i\n0;1.5\n1;2.5\n2;1,234\n3;7\n",
        't,i\n0,"1,234.5"\n1,"2,345.5"\n',
        "t;i\n0;1.234,5\n1;12,5\n",
        "t\ti\n0\t1'234.5\n1\t12.5\n",
        't,i\n0,900.0\n"1,000",950.0\n',
    ],
)
def test_thousands_separators_are_refused(text: str, save: Save) -> None:
    assert "thousands separators" in trouble(save(text))


def test_repeated_names_matter_only_where_asked_for(save: Save) -> None:
    path = save("t,i,x,x\n0,1,2,3\n")
    assert take(path).columns_seen == ("t", "i", "x", "x")
    assert "2 columns named 'x'" in trouble(path, "t", "left_current_a=x")


def test_a_column_name_may_hold_colons_and_odd_signs(save: Save) -> None:
    path = save("^t$,Current: left,*\n0,1,2\n")
    result = take(path, "^t$", "left_current_a=Current: left", "right_current_a=*:mA")
    assert columns(result) == {"t_us": [0], "left_current_ua": [1_000_000], "right_current_ua": [2_000]}
    parquet = save(pl.read_csv(path))
    assert take(parquet, "^t$", "left_current_a=Current: left", "right_current_a=*:mA").frame.equals(result.frame)


# Parquet types.


def test_parquet_number_types(save: Save) -> None:
    frame = pl.DataFrame(
        {
            "t": pl.Series([2**62 - 3, 2**62 - 2, None, 2**63 + 5], dtype=pl.UInt64),
            "i": pl.Series([1.5, math.nan, 2.0, 3.0], dtype=pl.Float32),
            "v": pl.Series(["24.10", None, "1", "2"]).cast(pl.Decimal(10, 2)),
            "m": pl.Series([7, -(2**31), 1, 2], dtype=pl.Int64),
            "s": pl.Series(["0,25", "1,5", "x", "y"], dtype=pl.Categorical),
        }
    )
    maps = ("battery_current_a=i", "battery_voltage_v=v", "mark=m", "left_current_a=s")
    result = take(save(frame), "t:us", *maps)
    assert columns(result) == {
        "t_us": [0, 1],
        "battery_current_ua": [1_500_000, None],
        "battery_voltage_uv": [24_100_000, None],
        "left_current_ua": [250_000, 1_500_000],
        "mark": [7, None],
    }
    assert result.repairs == {"missing_time": 2, "not_a_number": 1, "out_of_range": 1}


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "Asia/Tokyo"])
def test_parquet_date_times(unit: str, zone: str | None, save: Save) -> None:
    utc = pl.Series("t", [datetime(2026, 3, 1, 8), datetime(2026, 3, 1, 8, 0, 0, 5000)])
    stamps = utc.dt.cast_time_unit(unit)
    if zone:
        stamps = stamps.dt.replace_time_zone("UTC").dt.convert_time_zone(zone)
    path = save(pl.DataFrame([stamps, pl.Series("i", [1, 2])]))
    result = take(path, "t:iso")
    assert columns(result)["t_us"] == [0, 5_000]
    assert result.start_utc == "2026-03-01T08:00:00.000000Z"
    assert columns(take(path))["t_us"] == [0, 5_000]
    assert "does not match unit s" in trouble(path, "t:s")


def test_parquet_columns_that_hold_no_numbers_are_refused(save: Save) -> None:
    path = save(pl.DataFrame({"t": [0.0], "i": [[1.0]], "b": [True], "z": [None]}))
    for column in "ibz":
        assert "not numbers" in trouble(path, "t", f"battery_current_a={column}")
    assert "does not match unit iso" in trouble(path, "t:iso", "battery_current_a=t")
    spans = save(pl.DataFrame({"t": [timedelta(seconds=1)], "i": [1.0]}))
    assert "does not match unit s" in trouble(spans)
    nothing = pl.DataFrame({"t": [0.0], "i": [None]}, {"t": pl.Float64, "i": pl.Int8})
    assert "every cell is empty" in trouble(save(nothing))


# Bad files.


def test_a_missing_column_is_answered_with_the_nearest_and_the_rest(save: Save) -> None:
    message = trouble(PACK, "time_s", "battery_current_a=curent_a")
    assert "no column 'curent_a'. Nearest: 'current_A'. Its columns: 'time_s', 'current_A', 'voltage_V'." in message
    assert "'mV' is not a unit of it: A, mA, uA" in trouble(PACK, "time_s", "battery_current_a=current_A:mV")
    assert "'min' is not a unit of it: s, ms, us, iso, epoch, tod" in trouble(PACK, "time_s:min", *MEASURED)
    wide = save(",".join(f"c{k}" for k in range(500)) + "\n")
    assert "and 480 more" in trouble(wide)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty or has no line of column names"),
        (b" \n\r\n", "is empty or has no line of column names"),
        (b"# only\n# notes", "has no line of column names"),
        (b"t,i\n", "no rows"),
        (b"t,i", "no rows"),
        (b"t,i\n\n,\n", "no rows"),
        (b"0,1\n1,2\n", "no column 't'"),
        (b"\x00\x01\x02\xff" * 500, "neither Parquet nor CSV"),
        (b"\x1f\x8b\x08\x00\x00\x00\x00\x00", "neither Parquet nor CSV"),
        (b"PK\x03\x04\x14\x00\x06\x00", "neither Parquet nor CSV"),
        (b"t,i\r0,1\r1,2\r", "neither Parquet nor CSV"),
        (b"t,i\n0,1\n1,2,5\n", "line 3 has 3 cells under 2 column names"),
        (b"t,i\n0,5,1,5\n", "line 2 has 4 cells under 2 column names"),
        (b"# x\nt,i,n\n0,1,\"a,b\"\n1,2,a,b\n", "line 4 has 4 cells under 3 column names"),
        (b't,i,n\n0,1,5" wheel\n1,2,x\n2,3,6" wheel\n3,4,x\n', "Check its quotes"),
        (b't,i,n\n0,1,"5 wheel\n1,2,x\n2,3,"\n3,4,x\n', "stray quotes join 2 lines"),
        (b't,i,n\n0,1,x\n1,2,"open\n2,3,x\n', "quotes"),
        (b"PAR1", "without its end"),
        (b"PAR1PAR1", "without its end"),
        (b"PAR1" + b"x" * 50 + b"PAR1", "with a damaged one"),
    ],
)  # fmt: skip
def test_a_bad_file_gets_one_line(content: bytes, words: str, save: Save) -> None:
    path = save(content)
    message = trouble(path)
    assert words in message
    assert str(path) in message


def test_a_parquet_file_cut_short(save: Save) -> None:
    whole = save(pl.DataFrame({"t": [0.0, 1.0], "i": [1.0, 2.0]})).read_bytes()
    for length in range(4, len(whole)):
        assert "without its end" in trouble(save(whole[:length], "cut.parquet"))
    assert "no rows" in trouble(save(pl.DataFrame({"t": [], "i": []}, {"t": pl.Float64, "i": pl.Float64})))


def test_a_folder_a_missing_file_and_a_device(tmp_path: Path) -> None:
    assert "it is a folder, not a file" in trouble(tmp_path)
    assert "cannot be opened: No such file" in trouble(tmp_path / "gone.csv")
    (tmp_path / "file").write_text("t,i\n0,1\n")
    assert "cannot be opened" in trouble(tmp_path / "file" / "below.csv")
    if Path("/dev/null").is_char_device():
        assert "it is a device, not a file" in trouble(Path("/dev/null"))


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="permission bits as on Unix")
def test_a_file_that_may_not_be_read(save: Save) -> None:
    path = save("t,i\n0,1\n")
    path.chmod(0)
    was = os.geteuid()
    if was == 0:
        os.seteuid(65534)  # root may read everything
    try:
        message = trouble(path)
    finally:
        os.seteuid(was)
    assert "cannot be opened: Permission denied" in message


def test_a_file_over_the_bound_is_refused_unread(save: Save, monkeypatch: pytest.MonkeyPatch) -> None:
    path = save("t,i\n0,1\n")
    monkeypatch.setattr(source, "MAX_BYTES", 7)
    assert "more than 7" in trouble(path)


def test_a_hostile_name_still_gives_one_line(save: Save) -> None:
    assert "?[2J" in trouble(save("t,i\n", "a\n\x1b[2Jb.csv"))
    assert "no number" in trouble(save("t,i\n0,\x1b[31m\x07\n"))


STARTS = [b"", b"t,i\n0,1\n", b"t;i\n0;1,5\n", b't,i,n\n0,1,"x"\n', b"PAR1"]


@given(garbage=st.binary(max_size=300), start=st.sampled_from(STARTS))
@examples(1.5)
def test_no_bytes_crash_the_reader(garbage: bytes, start: bytes, tmp_path_factory: Factory) -> None:
    path = tmp_path_factory.getbasetemp() / "garbage.dat"
    path.write_bytes(start + garbage)
    try:
        result = take(path)
    except ImportDataError:
        trouble(path)
    else:
        assert result.frame["t_us"][0] == 0
        assert (result.frame["t_us"].diff().drop_nulls() > 0).all()


def test_a_million_rows_keep_their_order(tmp_path: Path) -> None:
    n = 1_000_000
    path = tmp_path / "big.csv"
    random_walk = np.random.default_rng(5).normal(size=n).cumsum() * 0.01
    pl.DataFrame({"t": np.arange(n) * 0.001, "i": random_walk, "v": 24 - random_walk / 100}).write_csv(path)
    result = take(path, "t", "battery_current_a=i", "battery_voltage_v=v")
    assert result.repairs == {}
    assert (result.frame["t_us"].to_numpy() == np.arange(n) * 1000).all()  # file order survives the parallel reader


def test_the_first_of_equal_times_is_first_across_reader_chunks(tmp_path: Path) -> None:
    order = list(range(200_000))
    random.Random(3).shuffle(order)
    path = tmp_path / "double.csv"
    path.write_text("t,i\n" + "".join(f"{k},1\n" for k in order) + "".join(f"{k},2\n" for k in order))
    result = take(path, "t", "mark=i")
    assert result.frame.height == 200_000
    assert result.frame["mark"].unique().to_list() == [1]
    assert result.repairs["duplicate_time"] == 200_000
