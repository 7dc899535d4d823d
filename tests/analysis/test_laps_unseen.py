"""Drives that the lap finder was not made on, one of each kind; the whole of it is `benchmarks/unseen_drives.py`.

Where the machine truly was is known from the generator (tests/studies/unseen_laps.py). No source outside the project
says how laps are found in currents.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.laps.folds import open_by
from amptally.analysis.laps.frames import Frames, by_distance
from amptally.analysis.laps.laps import Laps, assess_laps
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.results import phrases
from tests.analysis.build_runs import write_run
from tests.studies.unseen_laps import BY_NAME, LapDrive, judge

SEED = 1


def laps_of(made: LapDrive, folder: Path, machine: str = "") -> Laps:
    channels = {name: value for name, value in made.record.items() if name != "t_s"}
    path = write_run(
        folder / f"{len(list(folder.iterdir()))}.parquet", made.record["t_s"], channels, machine=made.machine + machine
    )
    return assess_laps(Run.open(path), Doubts())


@pytest.mark.parametrize(
    "family",
    [
        "pauses of 8 to 120 s",
        "a stall in mid-lap",
        "start in mid-lap",
        "15 % scatter of lap time",
        "reversal of direction",
        "a second circuit",
        "shuttle, turning round",
        "line to line",
        "10 Hz, battery alone",
        "20 s drive",
        "simulated square",
    ],
)
def test_laps_are_those_driven(family: str) -> None:
    outcome = judge(BY_NAME[family], SEED)
    assert outcome.found == outcome.true


@pytest.mark.parametrize(
    ("family", "code"),
    [
        ("none: constant load", "load_constant"),
        ("none: regulator between two steps", "load_constant"),
        ("none: rounding noise", "load_constant"),
        ("none: charging", "battery_charging"),
        ("none: parked, fan cycles", "machine_standing"),
    ],
)
def test_what_does_not_drive_has_no_laps(tmp_path: Path, family: str, code: str) -> None:
    found = laps_of(BY_NAME[family].make(SEED), tmp_path)
    assert (found.method, [reason.code for reason in found.reasons]) == (None, [code])


def test_sides_of_a_square_are_not_laps_until_a_lap_has_a_duration(tmp_path: Path) -> None:
    made = BY_NAME["square, smooth floor"].make(SEED)
    found = laps_of(made, tmp_path)
    assert [reason.code for reason in found.reasons] == ["laps_or_sides"]
    assert "duration_s" in phrases(found.reasons)
    (stretch,) = made.stretches
    lap_s = float(stretch.passed_s(np.array([2.0]))[0] - stretch.passed_s(np.array([1.0]))[0])
    told = laps_of(made, tmp_path, f"[lap]\nduration_s = {1.1 * lap_s:.0f}\n")
    assert (told.method, len(told.each)) == ("signal", made.laps)
    wrong = laps_of(made, tmp_path, f"[lap]\nduration_s = {0.1 * lap_s:.1f}\n")
    assert [reason.code for reason in wrong.reasons] == ["laps_of_other_time"]


def test_one_wrong_wheel_count_changes_nothing(tmp_path: Path) -> None:
    made = BY_NAME["odd loop"].make(SEED)
    counts = made.record["left_wheel_count"].copy()
    counts[len(counts) // 2 :] += 2e9
    found = laps_of(replace(made, record={**made.record, "left_wheel_count": counts}), tmp_path)
    assert len(found.each) == made.laps


def test_two_circuits_are_told_and_no_lap_lies_on_both(tmp_path: Path) -> None:
    made = BY_NAME["a second circuit"].make(SEED)
    found = laps_of(made, tmp_path)
    (finding,) = found.findings
    assert finding["circuits"] == 2
    middle_s = 0.5 * (made.stretches[0].time_s[-1] + made.stretches[1].time_s[0])
    assert all(lap.end_s <= middle_s or lap.start_s >= middle_s - 30 for lap in found.each)


def test_frames_by_distance_have_one_length_a_lap_whatever_the_pace() -> None:
    speed = np.concatenate((np.zeros(50), np.full(100, 4.0), np.full(200, 2.0), np.zeros(30), np.full(100, 4.0)))
    frames = Frames(0.0, 0.1, ("left_wheel_count", "battery_current_a"), np.stack((speed, speed)))
    found = by_distance(frames)
    assert found is not None
    assert found.edges_s is not None
    driven = np.interp([15.0, 35.0, 48.0], found.edges_s, np.arange(found.count + 1))
    # 400 counts in each of the three; of the 3 s of standing three frames are shown.
    assert np.diff(driven) == pytest.approx([driven[1] - driven[0], driven[1] - driven[0] + 3], abs=1.0)
    assert by_distance(Frames(0.0, 0.1, ("battery_current_a",), speed[None])) is None


@pytest.mark.parametrize(("bends", "open_part"), [(4, 0.0), (2, 0.0), (1, 0.8)])
def test_a_closed_loop_leads_back(bends: int, open_part: float) -> None:
    """Equal straights and bends: a square and an oval close; one bend after a straight of four fifths does not."""
    bins = 400
    turning = np.tile(np.repeat([0.0, 0.2], [320 // bends, 80 // bends]), bends)
    phase = np.arange(3 * bins) / bins
    sides = np.tile(np.stack((1 - turning, 1 + turning)), 3)
    gap = open_by(("left_wheel_count", "right_wheel_count"), phase, sides, bins)
    assert gap == pytest.approx(open_part, abs=0.02)
