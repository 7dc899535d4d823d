"""The first look takes any bytes: it answers, or asks in one line. What it asks for can be written and read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.errors import BoardTextError
from amptally.logger.machine.description import parse
from amptally.logger.recording.first_look import SLOW_S, FirstLook
from amptally.logger.wire.said import said_by
from amptally.logger.wire.text_header import NOTHING_SAID, Said, said_in

MACHINE = parse('[machine]\nname = "bench"\n', "bench.toml")
WORDS = st.sampled_from(
    ("time_ms", "time", "t", "V", "Vbat", "I=", "V:", "V=12", "battery_voltage_v", "left_current_a", "mark", "crc", "x",
     "1", "-2.5", "3,5", "1e300", ",", ",", ";", "\t", "\r\n", "\n", "\n", " ", "#", "=", "()", "\xff", "µ", '"', "")
)  # fmt: skip
BYTES = st.lists(WORDS, max_size=80).map(lambda words: "".join(words).encode("latin-1", "replace"))


def look_at(data: bytes, said: Said = NOTHING_SAID) -> FirstLook:
    look = FirstLook(said, MACHINE)
    for place in range(0, len(data), 40):
        look.feed(data[place : place + 40], place * 0.02)
    return look


@given(BYTES | st.binary(max_size=300))
def test_any_bytes_are_answered(data: bytes) -> None:
    look = look_at(data)
    assert look.state(len(data) + SLOW_S) in {"silent", "listening", "garbage", "unread", "frames", "text"}
    question = look.question()
    for text in [*look.notes(), *([str(question)] if question else [])]:
        assert text.isprintable(), text
        assert len(text) < 20_000
    if question is not None:
        said_by(question.maps, question.time, ())


@given(st.lists(WORDS, min_size=1, max_size=10))
def test_what_the_operator_says_may_be_anything(words: list[str]) -> None:
    text = "".join(words)
    for arguments in (([text], None, []), ([], text, []), ([], None, [text]), ([f"left_current_a={text}"], None, [])):
        try:
            said = said_by(*arguments)
        except BoardTextError:
            continue
        assert said_in({"text": said.as_json()}) == said


@pytest.mark.parametrize(
    "entry",
    [None, 3, [], {}, {"map": 3}, {"map": [[1, 2, 3]]}, {"map": [["a", "nobody", None]]}, {"time": ["t", "h"]},
     {"time": ["t", ["s"]]},
     {"map": [["a", "mark", "V"]]}, {"columns": "time_ms"}, {"columns": [1]}, {"columns": ["x"] * 1000}, {"time": 3}],
)  # fmt: skip
def test_a_hostile_journal_header_says_nothing(entry: object) -> None:
    assert said_in({"text": entry}) == NOTHING_SAID


def test_a_column_of_another_board_is_not_offered_twice() -> None:
    look = look_at(b"ms,V1,V2,V3\n" + b"".join(b"%d,12,12,12\n" % (20 * k) for k in range(60)))
    question = look.question()
    assert question is not None
    assert len({entry.partition("=")[0] for entry in question.maps}) == len(question.maps)
