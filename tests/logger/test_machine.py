"""Reading a machine description: values, and the one-line answer to everything that is wrong with it."""

from __future__ import annotations

import copy
import math
import os
import pickle
import re
from pathlib import Path

import pytest

from amptally.logger.channels import CHANNELS
from amptally.logger.errors import MachineFileError
from amptally.logger.machine.description import MAX_BYTES, Machine, arrangement_mismatch, load, parse
from amptally.logger.machine.fields import SECTIONS, SENSORS, Battery, unit_of

CART = Path(__file__).parents[2] / "sample_runs" / "cart.toml"
CART_TEXT = CART.read_text(encoding="utf-8")


def trouble(text: str, source: str = "cart.toml") -> str:
    with pytest.raises(MachineFileError) as caught:
        parse(text, source)
    message = str(caught.value)
    assert message.isprintable()
    assert len(message) < 500
    return message


# A value as the file has it, how the message repeats it, and what it asks for.
WRONG_VALUES = [
    ("fuse.left.rating_a", '"forty"', "'forty'", "Write a number of amperes, for example 40."),
    ("fuse.left.rating_a", '"40"', "'40'", "Write a number of amperes without quotes, for example 40."),
    ("fuse.left.rating_a", "true", "true", "Write a number of amperes, for example 40."),
    ("fuse.main.rating_a", "4000", "4000", "Write a number of amperes from 0.5 to 1000, for example 40."),
    ("machine.wheel_diameter_m", "10", "10", "Write a number of metres from 0.01 to 2, for example 0.254."),
    ("machine.mass_kg", "nan", "nan", "Write a number of kilograms from 0.05 to 5000, for example 60."),
    ("machine.mass_kg", "-inf", "-inf", "Write a number of kilograms from 0.05 to 5000, for example 60."),
    ("machine.mass_kg", "1e999", "inf", "Write a number of kilograms from 0.05 to 5000, for example 60."),
    ("machine.mass_kg", "0x" + "f" * 900, "a number that is far too large", "Write a number of kilograms from 0.05 to"),
    ("machine.mass_kg", "2026-01-01", "2026-01-01", "Write a number of kilograms, for example 60."),
    ("machine.mass_kg", "[60]", "a list", "Write a number of kilograms, for example 60."),
    ("machine.mass_kg", "{a = 1}", "a section", "Write a number of kilograms, for example 60."),
    ("machine.gear_ratio", "0", "0", "Write a number from 0.05 to 5000, for example 18."),
    ("battery.blocks", "2.0", "2.0", "Write a whole number, for example 2."),
    ("battery.blocks", "0", "0", "Write a whole number from 1 to 64, for example 2."),
    (
        "battery.chemistry",
        '"AGM"',
        "'AGM'",
        'Write one of "agm", "gel", "flooded", "lfp", "li_ion", "nimh"; the nearest',
    ),
    ("battery.chemistry", "3", "3", 'Write one of "agm", "gel", "flooded", "lfp", "li_ion", "nimh".'),
    ("charger.seen_by_sensor", '"yes"', "'yes'", "Write true or false, without quotes."),
    ("charger.seen_by_sensor", "1", "1", "Write true or false, without quotes."),
    ("machine.name", "7", "7", "Write one line of text in quotes, at most 200 characters, for example"),
    ("machine.name", '""', "''", "Write one line of text in quotes, at most 200 characters, for example"),
    ("machine.name", '"a\\u0007b"', r"'a\x07b'", "Write one line of text in quotes"),
    ("machine.name", f'"{"x" * 201}"', f"'{'x' * 40}' and more", "Write one line of text in quotes"),
    ("sensors.left_current.offset", "'a'", "'a'", "Write a number of amperes, for example"),
    ("sensors.receiver_voltage.offset", "'a'", "'a'", "Write a number of volts, for example"),
    ("sensors.fuse_temp.offset", "'a'", "'a'", "Write a number of degrees Celsius, for example"),
    ("sensors.pulse_a.noise", "'a'", "'a'", "Write a number of microseconds, for example"),
    ("sensors.mark.noise", "'a'", "'a'", "Write a number, for example"),
    # (raw - offset) / (1 + gain) must stay finite.
    ("sensors.left_current.gain", "-1", "-1", "Write a number from -0.5 to 1, for example"),
]


@pytest.mark.parametrize(("field", "value", "said", "asked"), WRONG_VALUES)
def test_wrong_value(field: str, value: str, said: str, asked: str) -> None:
    section, _, name = field.rpartition(".")
    message = trouble(f"# cart\n[{section}]\n\n{name} = {value}\n")
    assert message.startswith(f"cart.toml line 4: {field} is {said}. {asked}")


# A file, the line, and what is said about a name that has no place there.
WRONG_NAMES = [
    (
        "[battery]\n# a\ncapcity_ah = 35",
        3,
        "battery.capcity_ah is not a field of [battery]. The nearest is capacity_ah.",
    ),
    ("[battery]\nmass_kg = 35", 2, "battery.mass_kg is not a field of [battery]. It belongs under [machine]."),
    ("[lap]\nzzz = 1", 2, "lap.zzz is not a field of [lap]. Its fields are length_m, duration_s, marked_by."),
    ("[batery]\nblocks = 2", 1, "[batery] is not a section of a machine file. The nearest is [battery]."),
    ("[xyz]", 1, "[xyz] is not a section of a machine file. Sections are machine, battery,"),
    ("\n[fuse.lefft]", 2, "[fuse.lefft] is not a section of a machine file. The nearest is [fuse.left]."),
    ("[fuse.centre]", 1, "[fuse.centre] is not a section of a machine file. Sections are [fuse.left], [fuse.right],"),
    ('name = "cart"', 1, "name stands outside its section. It belongs under [machine]."),
    ("fuse.rating_a = 40", 1, "fuse.rating_a stands outside its section. It belongs under [fuse.left], [fuse.right],"),
    ("battery = 3", 1, "battery is 3. Write a section [battery] with one field on a line."),
    ("[[battery]]\nblocks = 2", 1, "battery is a list. Write a section [battery] with one field on a line."),
    ("[fuse]\nleft = 40", 2, "fuse.left is 40. Write a section [fuse.left] with its fields."),
    ('"a\\u001b[31m\\n" = 1', 1, "[a?[31m?] is not a section of a machine file."),
]


@pytest.mark.parametrize(("text", "line", "said"), WRONG_NAMES)
def test_wrong_name(text: str, line: int, said: str) -> None:
    assert trouble(text).startswith(f"cart.toml line {line}: {said}")


def test_a_field_of_several_sections_is_sent_to_all_of_them() -> None:
    assert "It belongs under [fuse.left], [fuse.right], [fuse.main] or [cutoff]." in trouble("[machine]\nrating_a = 35")


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("battery_current_a", "battery_current"),
        ("left_current_rms_ua", "left_current_rms"),
        ("fuse_temp_c", "fuse_temp"),
        ("batery_curent", "battery_current"),
    ],
)
def test_a_sensor_under_its_channels_name_is_sent_to_its_section(name: str, near: str) -> None:
    message = trouble(f"[sensors.{name}]")
    assert message.endswith(f"[sensors.{name}] is not a section of a machine file. The nearest is [sensors.{near}].")


# The same mistake in every way TOML can be written.
@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("# a\nfuse.left.rating_a = 'x'", 2),
        ("fuse = {left = {rating_a = 'x'}}", 1),
        ("[fuse]\n\nleft = {rating_a = 'x'}", 3),
        ("[fuse]\nleft.rating_a = 'x'", 2),
        ("[ 'fuse' . \"left\" ]\n\"rating_a\" = 'x'", 2),
        ("[machine]\r\nmass_kg = 60\r\n[fuse.left]\r\nrating_a = 'x'\r\n", 4),
        ("\ufeff[fuse.left]\nrating_a = 'x'", 2),
    ],
)
def test_the_line_is_found_however_it_is_written(text: str, line: int) -> None:
    assert trouble(text).startswith(f"cart.toml line {line}: fuse.left.rating_a is 'x'. Write a number of amperes")


def test_names_inside_a_text_of_several_lines_are_not_taken_for_fields() -> None:
    text = '[lap]\nmarked_by = """\n[machine]\nmass_kg = 3\n"""\n[machine]\nmass_kg = true'
    message = trouble(text)
    assert message.startswith("cart.toml line 2: lap.marked_by is ")
    assert message.endswith(" 1 more problem in this file.")


def test_the_first_problem_by_line_and_the_number_of_others() -> None:
    message = trouble("[machine]\nmass_kg = 1\n\n[lap]\ny = 1\nmarked_by = 3\n[battery]\nblocks = 'a'")
    assert message == (
        "cart.toml line 5: lap.y is not a field of [lap]. Its fields are length_m, duration_s, marked_by. "
        "2 more problems in this file."
    )


# Text that is not TOML: the line it goes wrong on, and what to do. The words in brackets are the interpreter's own.
NOT_TOML = [
    ("[machine]\nname = cart", 2, "Put text in quotes; write true and false without quotes."),
    ("[machine]\nmass_kg = 12,5\n", 2, "Write decimals with a point, for example 12.5."),
    ("[machine]\nmass_kg = 12 kg\n", 2, "Write the number alone: its unit is in the name of the field."),
    ("[machine]\nmass_kg = 12.5kg\n", 2, "Write the number alone: its unit is in the name of the field."),
    ("[machine]\nmass_kg = .5", 2, "Write digits on both sides of the point."),
    ("[machine]\nmass_kg = 5.\n", 2, "Write digits on both sides of the point."),
    ("[machine]\nmass_kg =\n", 2, "Write the value after the =, or put a # before the name."),
    ("[machine]\nmass_kg = # kg\n", 2, "Write the value after the =, or put a # before the name."),
    ("[machine]\nmass_kg\n", 2, "Put = between the name and its value."),
    ("[machine]\nmass kg = 3", 2, "A name cannot contain spaces."),
    ('[machine]\nname = "cart\n', 2, "Close the text with a second quote on the same line."),
    ('[machine]\nname = "C:\\cart"\n', 2, "Write a backslash twice, or use single quotes."),
    ("[machine\nmass_kg = 3", 1, "Close the section name with ]."),
    ("[machine]\nmass_kg = 3\nmass_kg = 4\n", 3, "The same name is given twice: delete one of them."),
    ("[machine]\n[machine]\n", 2, "The same name is given twice: delete one of them."),
    ("a = [\n1,\n", 3, "Write one name = value per line, under its [section]."),
]


@pytest.mark.parametrize(("text", "line", "asked"), NOT_TOML)
def test_text_that_is_not_toml(text: str, line: int, asked: str) -> None:
    message = trouble(text)
    assert message.startswith(f"cart.toml line {line}: this is not TOML (")
    assert message.endswith(f"). {asked}")


def test_the_whole_line_reads_as_promised() -> None:
    text = "# cart\n" * 12 + '[fuse.left]\nrating_a = "forty"\n'
    assert (
        trouble(text) == "cart.toml line 14: fuse.left.rating_a is 'forty'. Write a number of amperes, for example 40."
    )


def test_source_name_stays_on_one_line() -> None:
    assert trouble("x = 1", "run metadata").startswith("run metadata line 1: ")
    assert trouble("x = 1", "evil\n\x1b[2J.toml").startswith("evil??[2J.toml line 1: ")


def test_cart_is_read_whole() -> None:
    machine = load(CART)
    assert machine.name == "Seedling-tray cart"
    assert machine.wheel_diameter_m == 0.254
    assert machine.battery is not None
    assert (machine.battery.blocks, machine.battery.arrangement) == (2, "series")
    assert {place: fuse.rating_a for place, fuse in machine.fuses.items()} == {"left": 40, "right": 40, "main": 80}
    assert {place: wire.awg for place, wire in machine.wires.items()} == {"left": 10, "right": 10, "main": 6}
    assert machine.receiver is not None
    assert machine.receiver.fed_from == "block_a"
    assert machine.charger is not None
    assert machine.charger.seen_by_sensor is False
    assert machine.bms is None
    assert machine.text == CART_TEXT
    assert isinstance(machine.mass_kg, float)


def test_a_text_from_run_metadata_gives_the_same_machine() -> None:
    assert parse(load(CART).text, "run metadata") == load(CART)


def test_silence_is_none() -> None:
    for text in ("", "# nothing\n", "[battery]\n[fuse.left]\n[sensors.left_current]\n[lap]\n"):
        assert parse(text, "x.toml") == Machine(text=text)


def test_byte_order_mark_and_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "crlf.toml"
    path.write_bytes(b'\xef\xbb\xbf[machine]\r\nname = "Barrow"\r\n')
    assert load(path).name == "Barrow"
    assert load(path).text == '[machine]\r\nname = "Barrow"\r\n'
    assert parse('\ufeff[machine]\nname = "Barrow"', "x").name == "Barrow"


def test_a_machine_travels_to_worker_processes() -> None:
    machine = load(CART)
    assert pickle.loads(pickle.dumps(machine)) == machine
    assert copy.deepcopy(machine) == machine
    assert hash(machine) == hash(load(CART))
    with pytest.raises(AttributeError):
        machine.name = "other"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("data", "piece"),
    [
        ("[machine]\nname = 'Töpfe'".encode("latin-1"), "cart.toml line 2: not UTF-8 text."),
        ("[machine]".encode("utf-16"), "cart.toml line 1: not UTF-8 text."),
        (b"#" * (MAX_BYTES + 1), "cart.toml is larger than 256 kB."),
        (b"PAR1\x00\x01\x02\x03", "cart.toml line 1: this is not TOML"),
    ],
)
def test_files_that_are_no_machine_file(tmp_path: Path, data: bytes, piece: str) -> None:
    path = tmp_path / "cart.toml"
    path.write_bytes(data)
    with pytest.raises(MachineFileError, match=re.escape(piece)):
        load(path)


def test_paths_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(
        MachineFileError, match=r"cart\.toml: there is no such file\. Write one with: amptally machine new"
    ):
        load(tmp_path / "cart.toml")
    with pytest.raises(MachineFileError, match="is not a file"):
        load(tmp_path)
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(MachineFileError, match="is not a file"):
            load(tmp_path / "pipe")
    with pytest.raises(MachineFileError) as caught:
        load(tmp_path / ("x" * 5000))
    assert "cannot be read" in str(caught.value) or "no such file" in str(caught.value)
    for bad in ("a\0b", "a\nb"):
        with pytest.raises(MachineFileError) as caught:
            load(bad)
        assert str(caught.value).isprintable()


def test_every_channel_has_one_sensor_section() -> None:
    assert len(SENSORS) == len(CHANNELS)
    for name, channel in SENSORS.items():
        assert channel.si_name in (name, *(f"{name}_{unit}" for unit in ("a", "v", "c", "us")))
    assert unit_of(SECTIONS["sensors"].specs["noise"], "fuse_temp") == "°C"
    assert {"battery_current", "battery_voltage", "left_current", "receiver_voltage", "pulse_a"} <= set(SENSORS)


def test_every_field_accepts_its_example_and_its_ends() -> None:
    for section in SECTIONS.values():
        for spec in section.specs.values():
            assert spec.refusal(spec.example, "") is None
            if spec.kind in ("number", "integer"):
                assert spec.refusal(spec.low, "") is None
                assert spec.refusal(spec.high, "") is None
                assert spec.refusal(math.nextafter(spec.high, math.inf), "") is not None
                assert spec.refusal(math.nextafter(spec.low, -math.inf), "") is not None


# References IR3: two 12.8 V packs of 0.010 Ω are 25.6 V and 0.020 Ω in series, 12.8 V and 0.005 Ω in parallel.
@pytest.mark.parametrize(
    ("arrangement", "blocks", "voltage_v", "resistance_ohm", "capacity_ah", "rated_a", "cutoff_v"),
    [
        ("series", 2, 25.6, 0.020, 40.0, 2.0, 21.6),
        ("parallel", 2, 12.8, 0.005, 80.0, 4.0, 10.8),
        ("single", 1, 12.8, 0.010, 40.0, 2.0, 10.8),
        ("single", None, 12.8, 0.010, 40.0, 2.0, 10.8),
        (None, 1, 12.8, 0.010, 40.0, 2.0, 10.8),
        ("single", 2, None, None, None, None, None),
        ("series", None, None, None, None, None, None),
        (None, 2, None, None, None, None, None),
        (None, None, None, None, None, None, None),
    ],
)
def test_whole_battery_by_arrangement(
    arrangement: str | None,
    blocks: int | None,
    voltage_v: float | None,
    resistance_ohm: float | None,
    capacity_ah: float | None,
    rated_a: float | None,
    cutoff_v: float | None,
) -> None:
    # Capacity, hours and cut-off of a block: references table T1, maker's sheet, 40 Ah in 20 h (2.00 A) to 10.8 V.
    battery = Battery(
        blocks=blocks,
        arrangement=arrangement,
        block_voltage_v=12.8,
        resistance_ohm=0.010,
        capacity_ah=40,
        capacity_hours=20,
        cutoff_v=10.8,
    )
    whole = (
        battery.nominal_voltage_v,
        battery.whole_resistance_ohm,
        battery.whole_capacity_ah,
        battery.rated_current_a,
        battery.whole_cutoff_v,
    )
    expected = (voltage_v, resistance_ohm, capacity_ah, rated_a, cutoff_v)
    assert whole == tuple(None if value is None else pytest.approx(value, rel=1e-12) for value in expected)


def test_whole_battery_without_the_blocks_own_values() -> None:
    battery = Battery(blocks=2, arrangement="series")
    assert battery.nominal_voltage_v is None
    assert battery.whole_resistance_ohm is None
    assert battery.rated_current_a is None
    assert Battery(blocks=2, arrangement="series", capacity_ah=40).rated_current_a is None


SERIES = "[battery]\nblocks = 2\narrangement = 'series'\nblock_voltage_v = 12\n"


@pytest.mark.parametrize(
    ("text", "measured_v", "pieces"),
    [
        (SERIES, 25.2, None),
        (SERIES, 24 * 0.62, None),
        (SERIES, 12.6, ["nominally 24 V", "2 × 12 V in series", "12.6 V", "0.53 times", "parallel would fit"]),
        (SERIES, 14.6, ["24 V", "14.6 V", "0.61 times", "parallel would fit"]),
        (SERIES.replace("series", "parallel"), 25.2, ["nominally 12 V", "25.2 V", "2.10 times", "series would fit"]),
        (SERIES.replace("series", "parallel"), 12.6, None),
        (SERIES.replace("series", "parallel"), 17.0, ["nominally 12 V", "17 V", "1.42 times"]),
        (SERIES, 51.0, ["24 V", "51 V", "battery.arrangement", "belongs to this machine"]),
        (SERIES, 0.0, ["24 V", "0 V", "belongs to this machine"]),
        ("[battery]\nblocks = 1\nblock_voltage_v = 12", 25.2, ["one block", "12 V", "25.2 V"]),
        ("[battery]\nblock_voltage_v = 12", 25.2, None),
        ("", 25.2, None),
        (SERIES, math.nan, None),
    ],
)
def test_arrangement_mismatch(text: str, measured_v: float, pieces: list[str] | None) -> None:
    reason = arrangement_mismatch(parse(text, "x"), measured_v)
    if pieces is None:
        assert reason is None
        return
    assert reason is not None
    assert "\n" not in str(reason)
    for piece in pieces:
        assert piece in str(reason)
