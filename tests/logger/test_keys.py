"""What keys ask for, and how presses become the mark channel."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.recording.keys import KeyReader, Pressed
from amptally.logger.recording.operator_marks import OperatorMarks
from amptally.logger.wire.blocks import Block, Layout
from amptally.logger.wire.frames import INT64_NULL


def test_keys() -> None:
    reader = KeyReader()
    assert reader.feed("xm") == [Pressed("mark")]
    assert reader.feed("nwet ") == []
    assert reader.note == "wet "
    assert reader.feed("mq\x7f!\r") == [Pressed("note", "wet m!")]
    assert reader.note is None
    assert reader.feed("nnever mind\x1bN\n") == []
    assert reader.feed("Q") == [Pressed("quit")]


def block(first_us: int, rows: int, mark: int | None = None) -> tuple[np.ndarray, Block]:
    run_us = np.arange(first_us, first_us + rows * 10, 10)
    columns = ("battery_current_ua",) + (() if mark is None else ("mark",))
    values = np.full((rows, len(columns)), mark or 0, np.int64)
    return run_us, Block(Layout(columns, 0, None), 0, run_us, values)


def marks_of(given: Block) -> list[int] | None:
    return given.values[:, -1].tolist() if "mark" in given.layout.columns else None


def test_presses_count_from_the_sample_after_each() -> None:
    marks = OperatorMarks()
    assert marks_of(marks.added(*block(0, 3))) is None
    marks.press(45)
    marks.press(52)
    assert marks_of(marks.added(*block(30, 4))) == [0, 0, 1, 2]
    assert marks_of(marks.added(*block(70, 2))) == [2, 2]
    marks.press(20)  # told late: counted with the next sample
    assert marks_of(marks.added(*block(90, 2))) == [3, 3]


def test_presses_add_to_the_marks_of_the_board() -> None:
    marks = OperatorMarks()
    assert marks_of(marks.added(*block(0, 2, mark=7))) == [7, 7]
    marks.press(25)
    assert marks_of(marks.added(*block(20, 3, mark=7))) == [7, 8, 8]
    run_us, later = block(50, 2, mark=8)
    later.values[0, 1] = INT64_NULL
    assert marks_of(marks.added(run_us, later)) == [INT64_NULL, 9]


@given(presses=st.lists(st.integers(0, 400), min_size=1, max_size=6), cuts=st.lists(st.integers(1, 5), max_size=12))
def test_every_press_is_one_step_however_samples_arrive(presses: list[int], cuts: list[int]) -> None:
    marks, seen, at = OperatorMarks(), [], 0
    for press in sorted(presses):
        marks.press(press)
    for rows in [*cuts, 60]:
        seen += marks_of(marks.added(*block(at, rows))) or []
        at += rows * 10
    assert seen[0] == 0
    assert seen[-1] == len(presses)
    assert sorted(seen) == seen


def test_what_is_no_time_is_no_press() -> None:
    marks = OperatorMarks()
    for hostile in (None, "1", -1, 1.5, True, 2**60, [1]):
        marks.press(hostile)
    assert marks.count == 0
