"""Drives that the lap finder was not made on, one of each kind; the whole of it is `benchmarks/unseen_drives.py`.

Where the machine truly was is known from the generator (tests/studies/unseen_laps.py). No source outside the project
says how laps are found in currents.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from amptally.analysis.laps.folds import Folds, folds_by, folds_by_heading, open_by
from amptally.analysis.laps.frames import Frames, by_distance
from amptally.analysis.laps.laps import Laps, assess_laps
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.wording.results import phrases
from tests.studies.unseen_circuits import opened
from tests.studies.unseen_laps import BY_NAME, LapDrive, judge

SEED = 1


def laps_of(made: LapDrive, machine: str = "") -> Laps:
    with opened(made.record, made.machine + machine) as run:
        return assess_laps(run, Doubts())


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
def test_what_does_not_drive_has_no_laps(family: str, code: str) -> None:
    found = laps_of(BY_NAME[family].make(SEED))
    assert (found.method, [reason.code for reason in found.reasons]) == (None, [code])


def test_sides_of_a_square_are_not_laps_until_a_lap_has_a_duration() -> None:
    made = BY_NAME["square, smooth floor"].make(SEED)
    found = laps_of(made)
    assert [reason.code for reason in found.reasons] == ["laps_or_sides"]
    assert "duration_s" in phrases(found.reasons)
    (stretch,) = made.stretches
    lap_s = float(stretch.passed_s(np.array([2.0]))[0] - stretch.passed_s(np.array([1.0]))[0])
    told = laps_of(made, f"[lap]\nduration_s = {1.1 * lap_s:.0f}\n")
    assert (told.method, len(told.each)) == ("signal", made.laps)
    wrong = laps_of(made, f"[lap]\nduration_s = {0.1 * lap_s:.1f}\n")
    assert [reason.code for reason in wrong.reasons] == ["laps_of_other_time"]


def test_one_wrong_wheel_count_changes_nothing() -> None:
    made = BY_NAME["odd loop"].make(SEED)
    counts = made.record["left_wheel_count"].copy()
    counts[len(counts) // 2 :] += 2e9
    found = laps_of(replace(made, record={**made.record, "left_wheel_count": counts}))
    assert len(found.each) == made.laps


def test_two_circuits_are_told_and_no_lap_lies_on_both() -> None:
    made = BY_NAME["a second circuit"].make(SEED)
    found = laps_of(made)
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
    turned = np.tile(np.repeat([0.0, 0.4], [320 // bends, 80 // bends]), bends)
    assert open_by(turned) == pytest.approx(open_part, abs=0.02)
    assert open_by(np.concatenate((turned, -turned))) is None


@pytest.mark.parametrize(("sides", "times"), [(1, 1), (2, 2), (4, 4), (6, 6), (0.5, 1), (11, None)])
def test_heading_tells_how_many_sides_a_lap_has(sides: float, times: int | None) -> None:
    turned = np.repeat([0.0, 0.25], [80, 20])
    # Exterior angles add up to a full turn: Euclid, Elements I.32, corollary, from memory.
    assert folds_by_heading(turned, 2 * np.pi / sides / 0.05) == times


def _likeness(repetitions: int, times: int, share: float, seed: int = 3) -> npt.NDArray[np.float64]:
    """Of repetitions that have `share` of their variance in common with every `times`-th other."""
    rng = np.random.default_rng(seed)
    own = rng.normal(size=(repetitions, 80))
    sides = rng.normal(size=(times, 80))[np.arange(repetitions) % times]
    return np.corrcoef(np.sqrt(share) * sides + np.sqrt(1 - share) * own)


@pytest.mark.parametrize("times", [2, 3, 4, 6])
def test_what_comes_back_on_every_kth_repetition_makes_a_lap_of_k(times: int) -> None:
    assert folds_by(_likeness(24, times, 0.5), is_open=False) == Folds(times)


def test_what_does_not_come_back_leaves_every_repetition_a_lap() -> None:
    assert all(folds_by(_likeness(24, 24, 0.5, seed), is_open=False).times == 1 for seed in range(100))


def test_weak_likeness_is_asked_not_counted() -> None:
    found = [folds_by(_likeness(10, 2, 0.15, seed), is_open=True) for seed in range(100)]
    assert all(each.times in (1, 2) for each in found)
    assert sum(each.doubt is not None for each in found) > 5


def test_the_track_width_settles_a_square_on_a_smooth_floor() -> None:
    outcomes = [judge(BY_NAME["square, track width known"], seed) for seed in (1, 2)]
    assert [each.found for each in outcomes] == [each.true for each in outcomes]
