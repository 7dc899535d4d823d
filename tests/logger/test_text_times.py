"""Times of text lines without a CRC: one wrong digit costs its line; wraps, resets and pauses stay as they are."""

from __future__ import annotations

import re
from itertools import accumulate, pairwise
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from amptally.logger.wire.blocks import CLOCK_WRAP, Block, Item
from amptally.logger.wire.decoder import BoardDecoder
from amptally.logger.wire.frames import Fault
from tests.strategies import pieces_at

HEADER = b"time_us,mark\n"
STEP_US = 2_000


def printed(times_us: list[int], *, header: bytes = HEADER) -> bytes:
    """Lines at these times; the mark says which line it is."""
    return header + b"".join(b"%d,%d\n" % (time % CLOCK_WRAP, number) for number, time in enumerate(times_us))


def read(text: bytes, cuts: tuple[int, ...] = ()) -> tuple[dict[int, tuple[int, int]], list[Item]]:
    """(boot, time) of each line by its number, and the faults."""
    decoder = BoardDecoder()
    items: list[Item] = []
    for piece in pieces_at(text, sorted(cut % (len(text) + 1) for cut in cuts)):
        items += decoder.feed(piece)
    items += decoder.finish()
    found: dict[int, tuple[int, int]] = {}
    for item in items:
        if isinstance(item, Block):
            for time, number in zip(item.time_us.tolist(), item.values[:, 0].tolist(), strict=True):
                assert number not in found
                found[number] = (item.boot, time)
    return found, [item for item in items if isinstance(item, Fault)]


def test_a_wrong_digit_costs_its_line() -> None:
    """A minute of lines; the highest digit of one time is wrong, which moved all that follow by half an hour."""
    times = [60_000_000 + STEP_US * place for place in range(500)]
    text = printed(times).replace(b"\n60400000,200\n", b"\n1860400000,200\n")
    found, faults = read(text)
    assert found == {number: (0, time) for number, time in enumerate(times) if number != 200}
    assert [(fault.kind, fault.length) for fault in faults] == [("order", len(b"1860400000,200"))]


steps_us = st.sampled_from([500, 2_000, 10_000, 1_000_000, 7_000_000])


@given(
    start=st.integers(0, 2**31),
    step_us=steps_us,
    lines=st.integers(6, 40),
    at=st.integers(0, 100),
    digit=st.integers(0, 9),
    place=st.integers(0, 9),
    cuts=st.tuples(*[st.integers(0, 2_000)] * 4),
)
def test_any_wrong_digit_costs_one_line(
    start: int, step_us: int, lines: int, at: int, digit: int, place: int, cuts: tuple[int, ...]
) -> None:
    """Any digit of any time but the first and the last, which nothing comes before or after."""
    times = [start + step_us * number for number in range(lines)]
    at = 3 + at % (lines - 4)
    right = str(times[at])
    place %= len(right)
    wrong = int(right[:place] + str(digit) + right[place + 1 :])
    assume(wrong not in times)  # the time of another line: one of the two is dropped, it may be the other
    shown = [*times[:at], wrong, *times[at + 1 :]]
    found, faults = read(printed(shown), cuts)
    assert {number: moment for number, moment in found.items() if number != at} == {
        number: (0, time) for number, time in enumerate(times) if number != at
    }
    if at in found:  # so small an error that the line still lies between its neighbours
        assert times[at - 1] < found[at][1] < times[at + 1]
        assert faults == []
    else:
        assert [fault.kind for fault in faults] == ["order"]


@st.composite
def drives(draw: st.DrawFn) -> list[tuple[int, int]]:
    """(boot, time) of each line of a sound board: uneven steps, pauses, wraps of the counter, restarts."""
    moments: list[tuple[int, int]] = []
    for boot in range(draw(st.integers(1, 3))):
        now = draw(
            st.one_of(st.integers(0, 10_000_000), st.just(CLOCK_WRAP - 30_000)) if not boot else st.integers(0, 9)
        )
        usual = draw(steps_us)
        parts = st.lists(st.integers(1, 3 * usual), min_size=9, max_size=20)
        steps = draw(parts)
        for _ in range(draw(st.integers(0, 2))):
            # Below half a wrap: a longer silence needs the host's clock.
            steps += [draw(st.sampled_from([1_200_000, 59_000_000, 900_000_000])), *draw(parts)]
        steps[4:4] = [400_000_000]  # a boot of milliseconds, whose restart looks like a late line, is none
        steps.append(min(steps[-9:]))  # a line that jumps with a restart right after it would be dropped
        moments += [(boot, time) for time in accumulate([now, *steps])]
    return moments


@given(drives(), st.tuples(*[st.integers(0, 4_000)] * 5))
def test_sound_boards_lose_nothing(moments: list[tuple[int, int]], cuts: tuple[int, ...]) -> None:
    restarts = [(before[1], after[1]) for before, after in pairwise(moments) if before[0] != after[0]]
    # A pause of more than a minute over the counter's wrap is taken for a restart: docs/wire-format.md, section 12.
    assume(
        all(
            a[1] // CLOCK_WRAP == b[1] // CLOCK_WRAP or b[1] - a[1] <= 60_000_000
            for a, b in pairwise(moments)
            if a[0] == b[0]
        )
    )
    # A restart that a wrap explains within a minute is taken for a wrap.
    assume(all((after - before) % CLOCK_WRAP > 60_000_000 for before, after in restarts))
    assume(all(after < before % CLOCK_WRAP for before, after in restarts))
    found, faults = read(printed([time for _, time in moments]), cuts)
    assert list(found.values()) == moments
    assert faults == []


def test_a_line_that_jumps_at_the_end_is_kept() -> None:
    found, faults = read(printed([0, 2_000, 4_000, 900_000_000]))
    assert found[3] == (0, 900_000_000)
    assert faults == []


@pytest.mark.parametrize("wrong", [1, 57, 900_000_000, 4_000_000_000])
def test_a_wrong_second_line(wrong: int) -> None:
    """Nothing says yet how long an interval is."""
    times = [60_000_000 + STEP_US * number for number in range(20)]
    found, faults = read(printed([times[0], wrong, *times[2:]]))
    assert [found[number][1] for number in range(3, 20)] == times[3:]
    assert {boot for boot, _ in found.values()} == {0}
    assert [fault.kind for fault in faults] == ["order"]


def test_a_line_waits_for_the_next_under_its_own_header_only() -> None:
    text = printed([0, 2_000, 4_000, 9_000_000]) + b"time_us,mark,pulse_a_us\n9002000,4,1500\n9004000,5,1500\n"
    found, faults = read(text)
    assert found[3] == (0, 9_000_000)
    assert faults == []


def test_a_checked_line_is_held_alike() -> None:
    """A CRC of 16 bits passes one damaged line in 65,536."""
    import binascii

    times = [60_000_000 + STEP_US * number for number in range(20)]
    times[10] = 1_860_020_000
    lines = [b"%d,%d" % (time, number) for number, time in enumerate(times)]
    text = b"time_us,mark,crc\n" + b"".join(b"%s,%04x\n" % (line, binascii.crc_hqx(line, 0xFFFF)) for line in lines)
    found, faults = read(text)
    assert sorted(found) == [number for number in range(20) if number != 10]
    assert [fault.kind for fault in faults] == ["order"]


def test_the_example_of_the_readme_is_read() -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"   (time_us,.*?)   ```", text, re.DOTALL)
    lines = [line.strip() for line in example.strip().splitlines()]
    assert lines[0].endswith(",crc")
    items = "\n".join([*lines, ""]).encode().splitlines(keepends=True)
    decoder = BoardDecoder()
    found = [each for line in items for each in decoder.feed(line)] + decoder.finish()
    blocks = [item for item in found if isinstance(item, Block)]
    assert [time for block in blocks for time in block.time_us.tolist()] == [0, 2000]
    assert not [item for item in found if isinstance(item, Fault)]
