"""No text, however damaged or hostile, makes the reader of machine files raise anything but its own one-line error."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from amptally.logger.errors import LoggerError, MachineFileError
from amptally.logger.machine.description import MAX_BYTES, MAX_LINE, Machine, parse
from amptally.logger.machine.fields import SECTIONS
from amptally.logger.machine.template import template
from tests.strategies import examples

CART_TEXT = (Path(__file__).parents[2] / "sample_runs" / "cart.toml").read_text(encoding="utf-8")


def outcome(text: str) -> Machine | str:
    """The machine, or the one line; anything else that is raised fails the test."""
    try:
        machine = parse(text, "cart.toml")
    except MachineFileError as error:
        return one_line(error)
    assert machine.text == text.removeprefix("\ufeff")
    return machine


def one_line(error: LoggerError) -> str:
    message = str(error)
    assert message.isprintable()
    assert message.startswith("cart.toml")
    return message


@examples(2)
@given(st.text(max_size=400))
@example("\ufeff")
@example("\x00")
@example("a=" + "9" * 900)
def test_no_text_raises_anything_else(text: str) -> None:
    outcome(text)


_NAMES = [name for section in SECTIONS.values() for name in section.specs] + list(SECTIONS) + ["fuse.left", "a", '"x"']
_VALUES = ["40", "-1", "1e400", "nan", "true", "'x'", '"""\n', "[1, {a = 1}]", "{b = 2}", "2026-02-30", "0x1F", "", "="]
_LINE = st.one_of(
    st.sampled_from(_NAMES).map("[{}]".format),
    st.sampled_from(_NAMES).map("[[{}]]".format),
    st.tuples(st.sampled_from(_NAMES), st.sampled_from(_VALUES)).map(" = ".join),
    st.text(alphabet="[]{}.=\"'#\\\n\t aé0_-,", max_size=12),
)


@examples(2)
@given(st.lists(st.tuples(st.integers(0, 130), st.booleans(), _LINE), min_size=1, max_size=6))
def test_no_mutation_of_the_cart_raises_anything_else(edits: list[tuple[int, bool, str]]) -> None:
    lines = CART_TEXT.split("\n")
    for place, replace, line in edits:
        place %= len(lines)
        lines[place : place + replace] = [line]
    outcome("\n".join(lines))


@examples(1.5)
@given(st.integers(0, len(CART_TEXT)), st.integers(0, 60), st.text(max_size=6))
def test_no_damage_to_the_cart_raises_anything_else(start: int, length: int, instead: str) -> None:
    outcome(CART_TEXT[:start] + instead + CART_TEXT[start + length :])


@examples(1)
@given(st.data())
def test_a_bad_value_is_found_on_its_own_line(data: st.DataObject) -> None:
    lines = CART_TEXT.split("\n")
    fields = [place for place, line in enumerate(lines) if re.match(r"\w+ = ", line)]
    place = data.draw(st.sampled_from(fields))
    name = lines[place].split(" = ")[0]
    lines[place] = f"{name} = [1]"
    message = outcome("\n".join(lines))
    assert isinstance(message, str)
    assert message.startswith(f"cart.toml line {place + 1}: ")
    assert f".{name} is a list. Write " in message


def test_the_template_itself_survives_loss_of_any_line() -> None:
    lines = template().split("\n")
    for place in range(0, len(lines), 7):
        outcome("\n".join(lines[:place] + lines[place + 1 :]))


@pytest.mark.parametrize(
    ("text", "piece"),
    [
        ("a = " + "[" * 900, "cart.toml: nested too deeply"),
        ("a = [\n" + "[\n" * 100_000, "cart.toml: nested too deeply"),
        ("#" * (MAX_LINE + 1), f"cart.toml line 1: longer than {MAX_LINE} characters. Break the line."),
        ("#\n" * (MAX_BYTES // 2) + "#", "cart.toml is larger than 256 kB. A machine file is a page of text."),
        ("é" * 900 + ("\n" + "é" * 900) * 150, "cart.toml is larger than 256 kB."),
        ("# a\n# \ud800", "cart.toml line 2: not Unicode text. Save the file in UTF-8."),
        (".".join("a" * 450) + " = 1", "cart.toml line 1: [a] is not a section"),
        ("\n".join(f"k{i} = 1" for i in range(20_000)), " 19999 more problems in this file."),
    ],
)
def test_hostile_text_is_refused(text: str, piece: str) -> None:
    message = outcome(text)
    assert isinstance(message, str)
    assert piece in message


@pytest.mark.parametrize(
    ("section", "line", "piece"),
    [
        ("fuse.left", "holder_a = -1", "fuse.left.holder_a"),
        ("fuse.left", "holder_a = inf", "fuse.left.holder_a"),
        ("fuse.main", "holder_a = true", "fuse.main.holder_a"),
        ("fuse.right", 'capacitors = "inside"', '"load_side"'),
        ("fuse.right", "capacitors = 1", "fuse.right.capacitors"),
        ("controller", 'command_sets = "torque"', '"current"'),
        ("controller", "command_sets = []", "controller.command_sets"),
        ("controller", "dead_band_us = 251", "controller.dead_band_us"),
        ("controller", "dead_band_us = nan", "controller.dead_band_us"),
        ("controller", "ramp_s = 1e400", "controller.ramp_s"),
        ("controller", 'ramp_s = "0.4 s"', "controller.ramp_s"),
        ("controller", "ramp_s = 2026-05-04", "controller.ramp_s"),
    ],
)
def test_what_duty_and_advice_ask_for_is_held_to_its_range(section: str, line: str, piece: str) -> None:
    message = outcome(f"[{section}]\n{line}\n")
    assert isinstance(message, str)
    assert message.startswith("cart.toml line 2: ")
    assert piece in message


def test_what_duty_and_advice_ask_for_is_optional() -> None:
    for line in ("holder_a = 60", 'capacitors = "battery_side"'):
        assert isinstance(outcome(f"[fuse.left]\n{line}\n"), Machine)
    for line in ('command_sets = "voltage"', "dead_band_us = 0", "ramp_s = 0"):
        assert isinstance(outcome(f"[controller]\n{line}\n"), Machine)
