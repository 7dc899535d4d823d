"""One wrong number among wheel counts, and more marks and laps than there can be."""

from __future__ import annotations

import contextlib
import math
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.driving.speed import mean_speed
from amptally.analysis.laps.laps import Laps, assess_laps
from amptally.analysis.laps.marks import Boundaries, Progress, from_marks, settled, wheel_distance, without_strays
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.quality.screening import judge
from amptally.analysis.quality.wheel_counts import CountSteps, most_counts_per_s
from amptally.analysis.report.build import build_report
from amptally.analysis.report.text_page import render
from amptally.analysis.runs.run import Run
from amptally.logger.machine.description import parse
from amptally.logger.storage.edits import Edits, write_edits
from tests.analysis.build_runs import CART, Floats, in_stretches, write_run

HERTZ, SECONDS = 100, 60
MOTOR = (
    CART.replace('name = "Bench cart"\n', 'name = "Bench cart"\ngear_ratio = 18\n')
    + "[motor]\nrpm = 2700\nrated_voltage_v = 24\nresistance_ohm = 0.26\n"
)
LAPS = "[lap]\nlength_m = 4.0\n"
METRES = math.pi * 0.254 / 24  # wheel_diameter_m and wheel_counts_per_rev of the bench cart


def counts(per_s: float = 20.0) -> tuple[Floats, Floats]:
    time_s = np.arange(HERTZ * SECONDS) / HERTZ
    return time_s, np.floor(per_s * time_s)


def run_of(folder: Path, left: Floats, right: Floats, machine: str = MOTOR + LAPS, **channels: object) -> Run:
    time_s = np.arange(len(left)) / HERTZ
    wheels = {"left_wheel_count": left, "right_wheel_count": right}
    amps = {"battery_current_a": np.full(len(left), 5.0) + np.sin(time_s), "battery_voltage_v": 25.0}
    return Run.open(write_run(folder / "run.parquet", time_s, {**amps, **wheels, **channels}, machine=machine))


@pytest.mark.parametrize("wrong", [2_000_000_000, 1_000_000, 400, 0])
@pytest.mark.parametrize("blocks", [False, True])
def test_one_wrong_count_is_a_finding_and_no_distance(tmp_path: Path, wrong: int, blocks: bool) -> None:
    """A digit that a text line without a CRC lets through gave 1.6 million km and 545,876 laps."""
    _, count = counts()
    left = count.copy()
    left[3000] = wrong
    right_m = METRES * count[-1]
    with in_stretches() if blocks else contextlib.nullcontext():
        check_one_wrong(run_of(tmp_path, left, count), right_m)


def check_one_wrong(run: Run, metres: float) -> None:
    jumps = [doubt.reason for doubt in judge(run) if doubt.code == "wheel_count_jump"]
    assert [(jump["channel"], jump["steps"]) for jump in jumps] == [("left_wheel_count", 1)]
    laps = assess_laps(run, Doubts())
    assert laps.method == "distance"
    assert len(laps.each) == math.floor(metres / 4.0 + 0.02)
    speed = mean_speed(run, laps)
    assert speed is not None
    assert speed.value == pytest.approx(metres / SECONDS, rel=0.02)


def test_the_report_says_it(tmp_path: Path) -> None:
    _, count = counts()
    left = count.copy()
    left[3000] = 2_000_000_000
    report = build_report(run_of(tmp_path, left, count))
    page = render(report)
    assert "steps that no wheel of this machine can make" in page
    assert "1 step, the largest 2e+09 counts, where 120 a second are possible" in page


def test_sound_counts_are_no_finding(tmp_path: Path) -> None:
    """At the motor's no-load speed, through a reset, across a gap, and read ten times as rarely as sampled."""
    no_load_per_s = 2700 / 60 / 18 * 24  # rpm / 60 / gear × counts per turn
    time_s, _ = counts()
    count = np.floor(no_load_per_s * time_s)
    reset = np.concatenate((count[:3000], count[: len(count) - 3000]))
    rarely = count[np.arange(len(count)) // 50 * 50]
    gap = count.copy()
    gap[1000:4000] = math.nan
    for place, (left, right) in enumerate(((count, reset), (rarely, gap))):
        (tmp_path / str(place)).mkdir()
        run = run_of(tmp_path / str(place), left, right)
        assert [doubt for doubt in judge(run) if doubt.code == "wheel_count_jump"] == []


def test_the_limit_is_the_motors_else_a_stated_speed() -> None:
    assert most_counts_per_s(parse(MOTOR, "x")) == pytest.approx(2 * 2700 / 60 / 18 * 24)
    assert most_counts_per_s(parse(CART, "x")) == pytest.approx(15.0 / METRES)
    assert most_counts_per_s(None) == math.inf
    assert most_counts_per_s(parse('[machine]\nname = "x"\n', "x")) == math.inf


@given(
    st.lists(st.integers(0, 3), min_size=2, max_size=60),
    st.integers(0, 58),
    st.one_of(st.integers(1000, 2**31 - 1), st.integers(-(2**31), -1000)),
    st.integers(1, 59),
)
def test_any_wrong_count_costs_at_most_a_step(steps: list[int], at: int, error: int, cut: int) -> None:
    """Whatever one number says, the distance lacks at most the two steps beside it; in blocks as at once."""
    count = np.cumsum([1000, *steps]).astype(float)
    time_s = np.arange(len(count)) * 0.1
    at, cut = at % len(count), 1 + cut % (len(count) - 1)
    wrong = count.copy()
    wrong[at] += error
    judged = CountSteps(60.0)
    found = judged.of(time_s, wrong)
    true = np.diff(count)
    beside = {at - 1, at} & set(range(len(true)))
    assert all(found[place] == true[place] for place in range(len(true)) if place not in beside)
    assert all(found[place] == 0 for place in beside)
    in_blocks = CountSteps(60.0)
    parts = [in_blocks.of(time_s[: cut + 1], wrong[: cut + 1]), in_blocks.of(time_s[cut:], wrong[cut:])]
    assert np.array_equal(np.concatenate(parts), found)
    assert (in_blocks.impossible, in_blocks.largest) == (judged.impossible, judged.largest)


def test_laps_are_bounded_by_time(tmp_path: Path) -> None:
    """A lap of a centimetre: hundreds of laps a second."""
    _, count = counts()
    run = run_of(tmp_path, count, count, f'{MOTOR}[lap]\nlength_m = 0.1\nmarked_by = "distance"\n')
    found = assess_laps(run, Doubts())
    assert found.method != "distance"
    assert len(found.each) <= SECONDS
    far = Progress(np.array([0.0, 10.0, 20.0, 80.0, 90.0]), np.array([0, 1, 2, 2e9, 2e9 + 1]), "wheel_counts")
    after = settled(Boundaries((0.0, 10.0, 20.0, 80.0, 90.0), doubtful=(2,)), far)
    assert after.placed == ()
    assert after.doubtful == (2,)


def reasons(laps: Laps) -> list[str]:
    return [reason.code for reason in laps.reasons]


def test_marks_are_bounded_and_take_no_time(tmp_path: Path) -> None:
    """300,000 marks took 20 s."""
    _, count = counts()
    run = run_of(tmp_path, count, count)
    marks = tuple(np.linspace(0.001, SECONDS - 0.1, 300_000).tolist())
    write_edits(run.path, Edits(lap_marks_s=marks[::3]))  # as many as the file may hold
    began = time.process_time()
    found = assess_laps(Run.open(run.path), Doubts())
    assert time.process_time() - began < 2.0
    assert found.each == ()
    assert reasons(found) == ["laps_too_many"]
    assert found.reasons[0]["most"] == 59
    (tmp_path / "pressed").mkdir()
    pressed = run_of(tmp_path / "pressed", count, count, MOTOR, mark=np.cumsum(np.arange(len(count)) % 3 == 0))
    assert len(assess_laps(pressed, Doubts()).each) <= SECONDS


def test_marks_of_days_are_judged_in_time_that_grows_with_their_number() -> None:
    """Each second mark is a stray: removing them one by one from a list took time with the square of their number."""

    def took_s(laps: int) -> float:
        whole = 30.0 * np.arange(laps)
        marks = np.sort(np.concatenate((whole, whole[: laps // 3] + 14.0)))
        began = time.process_time()
        for _ in range(3):
            found = from_marks(marks)
        assert found.stray == laps // 3
        return time.process_time() - began

    took_s(2_000)
    few, many = took_s(20_000), took_s(200_000)
    assert many < 30 * few + 0.5


@given(st.lists(st.floats(0.1, 60), min_size=1, max_size=60))
def test_strays_are_those_of_the_slow_twin(lengths: list[float]) -> None:
    marks = np.cumsum(lengths)
    assert without_strays(marks)[0].tolist() == slow_without_strays(marks)


def slow_without_strays(times_s: Floats) -> list[float]:
    """The rule as docs/methods.md has it, mark by mark."""
    from amptally.analysis.laps.marks import NEAR_SHARE, STRAY_SHARE, typical_s

    kept: list[float] = times_s.tolist()
    typical, place = typical_s(times_s), 1
    while len(times_s) >= 5 and place < len(kept) - 1:
        before, after = kept[place] - kept[place - 1], kept[place + 1] - kept[place]
        if abs(before + after - typical) < STRAY_SHARE * typical and max(before, after) < NEAR_SHARE * typical:
            del kept[place]
        else:
            place += 1
    return kept


def test_distance_without_a_limit_is_as_it_was() -> None:
    time_s, count = counts()
    found = wheel_distance([(time_s, count, count, np.zeros(len(count) - 1, bool))], METRES)
    assert found is not None
    assert found.amount[-1] == pytest.approx(METRES * count[-1])
