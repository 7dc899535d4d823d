"""`machine new --ask`: three users' machines, what a workshop types, going through it again, and how it may end."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.errors import MachineFileError, StorageError
from amptally.logger.machine.ask import ask
from amptally.logger.machine.check import check
from amptally.logger.machine.description import Machine, load
from amptally.logger.machine.fields import SECTIONS
from amptally.logger.machine.questions import QUESTIONS, WANTED, as_number, as_wire_size
from amptally.logger.machine.template import template
from tests.strategies import examples

CART = (Path(__file__).parents[2] / "sample_runs" / "cart.toml").read_text(encoding="utf-8")
Typed = str | list[str]


class Person:
    """Someone at a terminal who answers by what is asked; a list holds the answers to the same question in turn."""

    def __init__(self, answers: dict[str, Typed], otherwise: str = "", wanted: str = "") -> None:
        self._answers = {key: [each] if isinstance(each, str) else list(each) for key, each in answers.items()}
        self._otherwise, self._wanted = otherwise, wanted
        self.said: list[str] = []
        self.asked: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)

    def read_line(self) -> str:
        asked = self.said[-1]
        if asked.startswith("> ") and not self.asked:
            answer = self._wanted
        else:
            # A question about no field is known by its sentence.
            recent = self.said[-1:] if not asked.startswith("yes or no") else self.said[-4:]
            key = next(
                (key for key in self._answers if any(re.match(rf"{key}(?![\w.])", line) for line in recent)), None
            )
            left = [] if key is None else self._answers[key]
            answer = left.pop(0) if left else self._otherwise
        self.asked.append(asked)
        if answer == "Ctrl-C":
            raise KeyboardInterrupt
        return answer if answer == "" and self._otherwise == "end of input" else answer + "\n"

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "\n".join(self.said))


def asked(path: Path, answers: dict[str, Typed], otherwise: str = "", wanted: str = "") -> Person:
    person = Person(answers, otherwise, wanted)
    ask(path, person.read_line, person.say, terminal=True)
    return person


def piped(path: Path, text: str) -> list[str]:
    """What is said to a pipe."""
    lines = iter(text.splitlines(keepends=True))
    said: list[str] = []
    ask(path, lambda: next(lines, ""), said.append, terminal=False)
    return said


def codes(machine: Machine) -> set[str]:
    return {problem.code for problem in check(machine)}


SHED_CART: dict[str, Typed] = {
    "machine.name": "Shed cart",
    "battery.chemistry": ["SLA", "agm"],
    "battery.blocks": "2",
    "battery.arrangement": "2",
    "battery.block_voltage_v": "12V",
    "battery.capacity_ah": "18 Ah",
    "battery.capacity_hours": "C20",
    "battery.resistance_ohm": "18 mohm",
    "Is there a fuse": "yes",
    "fuse.main.family": "ANL",
    "fuse.main.rating_a": "80",
    "wire.main": "16 mm2",
    "wire.main.insulation_c": "105",
    "wire.main.length_m": "1,2 m",
    "fuse.left.family": "maxi",
    "fuse.left.rating_a": "40 A",
    "fuse.left.position": "1",
    "wire.left": "10 AWG",
    "wire.left.length_m": "60 cm",
    "Is the right channel": "yes",
    "motor.rated_voltage_v": "12",
    "motor.resistance_ohm": ["140", "140 mohm"],
    "controller.minimum_v": "9",
    "controller.maximum_v": "18",
    "receiver.fed_from": "BEC",
    "charger.voltage_v": "14.4",
}


def test_a_12_v_cart_of_two_blocks_half_of_it_not_known(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    person = asked(path, SHED_CART, otherwise="?")
    machine = load(path)
    battery = machine.battery
    assert battery is not None
    assert (battery.nominal_voltage_v, battery.whole_capacity_ah, battery.capacity_hours) == (12, 36, 20)
    assert (battery.chemistry, battery.resistance_ohm, battery.cutoff_v) == ("agm", 0.018, None)
    assert machine.fuses["left"] == machine.fuses["right"]
    assert machine.wires["left"] == machine.wires["right"]
    assert (machine.fuses["left"].family, machine.wires["left"].awg, machine.wires["left"].length_m) == (
        "blade_large", 10, 0.6,
    )  # fmt: skip
    # None of the tables is of an ANL-style strip: the family stays open, the rating is kept.
    assert (machine.fuses["main"].family, machine.fuses["main"].rating_a, machine.wires["main"].mm2) == (None, 80, 16)
    assert machine.receiver is not None
    assert machine.receiver.fed_from == "whole"
    assert machine.motor is not None
    assert machine.motor.resistance_ohm == 0.14
    assert "Sealed lead-acid is one of the two" in person.text
    assert "An ANL-style strip: no table held here is of this body" in person.text
    assert "140 mΩ is 0.14" in person.text
    # 12 V / (9 mΩ + 1.2 m / (58 × 16) Ω) = 1166 A, 1282 A when full; scope of ISO 8820-3:2015: 1000 A.
    assert "! danger: A short-circuit current can exceed" in person.text
    assert "about 1166 A" in person.text
    assert "! caution" not in person.text
    opens = person.text.partition("All answers are in")[2]
    assert "battery.cutoff_v" in opens
    assert "battery.capacity_ah" not in opens
    assert {(each.code, each.place) for each in check(machine) if each.severity == "caution"} == {
        ("fuse_incomplete", "main")
    }


def test_the_same_cart_rewired_to_24_v_keeps_every_answer_and_shows_what_no_longer_fits(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    asked(path, SHED_CART, otherwise="?")
    before = path.read_text(encoding="utf-8")
    person = asked(path, {"battery.arrangement": "series"})
    after = path.read_text(encoding="utf-8")
    assert after == before.replace('arrangement = "parallel"', 'arrangement = "series"  ')
    assert {"motor_below_battery", "controller_below_battery", "charger_too_low"} <= codes(load(path))
    for words in ("! danger: The controller's maximum voltage", "motor 12 V, battery nominal 24 V", "too low to fill"):
        assert words in person.text
    assert "(now parallel)" in person.text


def test_a_friends_24_v_lithium_pack_is_described_by_its_cells(tmp_path: Path) -> None:
    path = tmp_path / "friend.toml"
    answers: dict[str, Typed] = {
        "battery.chemistry": "LiFePO4",
        "battery.blocks": "1",
        "battery.cells": "8S",
        "battery.capacity_ah": ["50000", "50000 mAh"],
        "battery.capacity_hours": "0.2C",
        "bms.cutoff_a": "100",
        "bms.cutoff_v": "2.5",
        "Is there a fuse": "yes",
        "fuse.main.family": "mega",
        "fuse.left.family": "midi",
        "wire.left.insulation_c": "221",
        # Of the lines that say what 221 may be, the first.
        "> ": "1",
        "motor.rated_voltage_v": "24",
        "motor.stall_a": "90",
    }
    person = asked(path, answers, otherwise="?")
    machine = load(path)
    battery = machine.battery
    assert battery is not None
    # 8 × 3.2 V (trade value, tables/battery_cells.py); 0.2 C is 5 h.
    assert (battery.nominal_voltage_v, battery.in_series, battery.arrangement) == (25.6, 1, "single")
    assert (battery.cells, battery.capacity_ah, battery.capacity_hours) == (8, 50, 5)
    assert (machine.fuses["main"].family, machine.fuses["left"].family) == ("strip_sf51", "strip_sf30")
    assert machine.wires["left"].insulation_c == 105
    assert "How are they joined?" not in person.text
    assert "221 °F, which is 105 °C" in person.text
    assert {"bms_cutoff", "bms_below_stall"} <= codes(machine)
    assert "Write it for the whole battery" in person.text


def test_going_through_it_again_with_enter_changes_not_one_byte(tmp_path: Path) -> None:
    for number, text in enumerate((CART, CART.replace("\n", "\r\n"), template(), "\ufeff" + CART)):
        path = tmp_path / f"{number}.toml"
        path.write_bytes(text.encode())
        asked(path, {})
        assert path.read_bytes() == text.encode()


def test_do_not_know_puts_the_value_behind_a_mark_and_a_changed_one_keeps_its_comment(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    path.write_text(CART, encoding="utf-8")
    asked(path, {"battery.capacity_hours": "don't know", "machine.wheel_diameter_m": "12 in", "wire.left": "6 mm2"})
    text = path.read_text(encoding="utf-8")
    assert "\n# capacity_hours = 20\n" in text
    # 12 in × 25.4 mm
    assert "wheel_diameter_m = 0.3048       # 10 in tyres\n" in text
    assert "[wire.left]\n# awg = 10\n" in text
    assert load(path).wires["left"].mm2 == 6
    assert load(path).wires["left"].awg is None


def test_enter_everywhere_writes_no_file(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    person = asked(path, {})
    assert "no file was written" in person.text
    person = asked(path, {}, otherwise="?")
    assert list(tmp_path.iterdir()) == []


def test_only_what_the_wanted_answers_need_is_asked(tmp_path: Path) -> None:
    receiver = asked(tmp_path / "a.toml", {}, wanted="4")
    assert "receiver.minimum_v" in receiver.text
    assert "fuse.left" not in receiver.text
    everything = asked(tmp_path / "b.toml", {}, wanted="")
    assert len(everything.asked) > 2 * len(receiver.asked)
    twice = asked(tmp_path / "c.toml", {"> ": "6"}, wanted="9")
    assert f"Write numbers from 1 to {len(WANTED)}" in twice.text
    assert "charger.voltage_v" in twice.text


@pytest.mark.parametrize("stop", range(0, 30, 3))
def test_ctrl_c_leaves_what_was_answered_or_no_file(tmp_path: Path, stop: int) -> None:
    path = tmp_path / "cart.toml"
    person = Person(SHED_CART, otherwise="?")
    read, turn = person.read_line, iter(range(1000))

    def pressed() -> str:
        if next(turn) == stop:
            raise KeyboardInterrupt
        return read()

    with pytest.raises(KeyboardInterrupt):
        ask(path, pressed, person.say, terminal=True)
    if path.exists():
        assert load(path).name == "Shed cart"
        assert "All answers are in" in person.said[-1]
    else:
        assert stop < 3
        assert "no file was written" in person.said[-1]
    assert [each.name for each in tmp_path.iterdir()] in ([], ["cart.toml"])


def test_what_an_editor_saves_in_between_stays(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    path.write_text(CART, encoding="utf-8")
    person = Person({"machine.name": "New name", "charger.current_a": "8"})
    read = person.read_line

    def editing() -> str:
        if person.said[-1].startswith("fuse.left.rating_a"):
            path.write_text(path.read_text(encoding="utf-8") + "\n# a note from the editor\n", encoding="utf-8")
        return read()

    ask(path, editing, person.say, terminal=True)
    text = path.read_text(encoding="utf-8")
    assert "# a note from the editor" in text
    assert 'name = "New name"' in text
    assert load(path).charger.current_a == 8  # type: ignore[union-attr]


def test_back_and_stop(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    person = asked(
        path, {"battery.blocks": ["2", "3"], "battery.arrangement": ["<", "series"], "battery.capacity_ah": "stop"}
    )
    machine = load(path)
    assert machine.battery is not None
    assert (machine.battery.blocks, machine.battery.arrangement) == (3, "series")
    assert "fuse.left" not in "".join(person.asked)


def test_a_pipe_takes_one_line_a_question_and_ends_at_one_that_does_not_fit(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    said = piped(path, "4\nCart\nagm\n2\nseries\n12\nBEC\n4.8\n")
    machine = load(path)
    assert machine.receiver is not None
    assert (machine.receiver.fed_from, machine.receiver.minimum_v) == ("whole", 4.8)
    assert any("All answers are in" in line for line in said)
    with pytest.raises(MachineFileError, match=r"battery\.blocks, 'agm', cannot be used: .* Nothing after it was read"):
        piped(path, "\nCart\n\n\nagm\n8\n")
    assert load(path).battery == machine.battery
    with pytest.raises(MachineFileError, match=r"2200 Ah is not usual here; 2200 mAh would be 2\.2 Ah"):
        piped(path, "2\n\n\n\n\n\n2200\n")
    # The end of the input ends the dialogue, wherever it comes.
    lines = ["2\n", "Cart\n", "gel\n", "1\n", "12\n", "35\n"]
    for length in range(len(lines) + 1):
        piped(tmp_path / f"{length}.toml", "".join(lines[:length]))
        assert (tmp_path / f"{length}.toml").exists() == (length >= 2)


def test_a_file_that_cannot_be_read_or_written_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text("[fuse.left]\nrating_a = 'forty'\n", encoding="utf-8")
    with pytest.raises(MachineFileError, match="line 2"):
        asked(path, {"machine.name": "x"})
    assert path.read_text(encoding="utf-8") == "[fuse.left]\nrating_a = 'forty'\n"
    with pytest.raises(StorageError, match="cannot be written"):
        asked(tmp_path / "missing" / "cart.toml", {"machine.name": "x"})


def test_what_cannot_be_changed_line_by_line_is_said_and_the_rest_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "inline.toml"
    path.write_text("battery = {blocks = 2, chemistry = 'agm'}\n", encoding="utf-8")
    person = asked(path, {"battery.blocks": "3", "machine.name": "x"})
    assert "In your editor, write battery.blocks = 3." in person.text
    assert load(path).name == "x"
    assert load(path).battery.blocks == 2  # type: ignore[union-attr]


def test_a_file_behind_a_link_is_changed_where_it_is(tmp_path: Path) -> None:
    kept = tmp_path / "kept.toml"
    kept.write_text("[machine]\nname = 'x'\n", encoding="utf-8")
    kept.chmod(0o600)
    link = tmp_path / "cart.toml"
    link.symlink_to(kept)
    asked(link, {"machine.name": "y"})
    assert link.is_symlink()
    assert load(kept).name == "y"
    assert kept.stat().st_mode & 0o777 == 0o600


# Trade practice, no source: C20 and 20HR are a 20 h rate, 0.2C is a fifth of the capacity an hour, 8S eight in series.
@pytest.mark.parametrize(
    ("name", "typed", "number"),
    [
        ("capacity_hours", "C20", "20"),
        ("capacity_hours", "c/10", "10"),
        ("capacity_hours", "20HR", "20"),
        ("capacity_hours", "20 hour rate", "20 hour rate"),
        ("capacity_hours", "0.2C", "5"),
        ("capacity_hours", "0,5 C", "2"),
        ("capacity_hours", "20C", "20C"),
        ("cells", "8S", "8"),
        ("blocks", "2p", "2"),
        ("rating_a", "40", "40"),
    ],
)
def test_numbers_as_the_trade_writes_them(name: str, typed: str, number: str) -> None:
    assert as_number(("battery", name), typed) == number


@pytest.mark.parametrize(
    ("typed", "size"),
    [
        ("10 AWG", ("awg", 10)),
        ("AWG10", ("awg", 10)),
        ("1/0 awg", ("awg", 0)),
        ("6 mm2", ("mm2", 6.0)),
        ("2,5mm²", ("mm2", 2.5)),
        ("10", None),
        ("4/0 AWG", None),
        ("red", None),
    ],
)
def test_wire_sizes_as_they_are_printed(typed: str, size: tuple[str, float] | None) -> None:
    assert as_wire_size(typed) == size


def test_every_question_says_where_to_look_and_names_a_field_that_is_there() -> None:
    for question in QUESTIONS:
        assert question.ask.endswith("?")
        assert question.find.endswith(".")
        assert question.topics <= set(WANTED)
        if question.kind == "field":
            assert question.path[-1] in SECTIONS[question.path[0]].specs
            assert {word for word, _ in question.choices()} <= set(question.spec.words)
    named = [question.path for question in QUESTIONS]
    assert len(named) == len(set(named))


_LINES = st.one_of(
    st.sampled_from(
        ["", "?", "<", "1", "2", "yes", "no", "12", "10 AWG", "maxi", "ANL", "LiFePO4", "8S", "C20", "lead"]
    ),
    st.text(st.characters(exclude_characters="\n"), max_size=12),
)


@examples(0.5)
@given(st.lists(_LINES, max_size=70), st.booleans())
def test_whatever_is_typed_the_file_can_be_read(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str], terminal: bool
) -> None:
    path = tmp_path_factory.mktemp("typed") / "cart.toml"
    left: Iterator[str] = iter([f"{line}\n" for line in lines])
    said: list[str] = []
    read: Callable[[], str] = lambda: next(left, "")  # noqa: E731
    try:
        ask(path, read, said.append, terminal=terminal)
    except MachineFileError:
        assert not terminal
    if path.exists():
        load(path)
    assert len(list(path.parent.iterdir())) == int(path.exists())


def test_cells_in_series_are_no_number_of_blocks() -> None:
    """8S taken as eight blocks made a 20 V pack one of 160 V."""
    assert as_number(("battery", "cells"), "8S") == "8"
    assert as_number(("battery", "blocks"), "8S") == "8S"  # then refused as no whole number
