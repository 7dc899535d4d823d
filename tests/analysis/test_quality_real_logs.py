"""Real kinds of logs that are not bad data, and what is: pulses, coarse readings, chargers, remedies that cure.

docs/methods.md, Bad data. Thresholds are our own; outside values are cited where there are any.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.controller.command import read_commands
from amptally.analysis.controller.pulse_widths import judge_pulses
from amptally.analysis.quality.screening import judge
from amptally.analysis.quality.single_channel import measure_zero_shift
from amptally.analysis.quality.voltage_response import Pair, reversed_current
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats, Series
from amptally.analysis.wording.findings import told
from tests.analysis.build_runs import CART, write_run
from tests.studies import defects
from tests.studies.defects import BATTERY, LEFT, RIGHT, VOLTS
from tests.studies.unseen_odd_logs import Sampler, plain

N = 12_000
TIME_S = np.arange(N) * 0.02


def noise(size: float, seed: int = 1, count: int = N) -> Floats:
    return np.random.default_rng(seed).normal(0, size, count)


def codes(folder: Path, time_s: Any, channels: dict[str, Any], machine: str | None = None) -> list[str]:
    path = folder / f"r{len(list(folder.iterdir()))}.parquet"
    return [doubt.code for doubt in judge(Run.open(write_run(path, time_s, channels, machine=machine)))]


def moving(seed: int = 3) -> tuple[Floats, Floats]:
    """Left and right current of a drive between two rests of 10 s."""
    rng = np.random.default_rng(seed)
    on = (TIME_S > 10) & (TIME_S < 230)
    left, right = (np.repeat(rng.uniform(2, 25, N // 50), 50) * on + rng.normal(0, 0.05, N) for _ in range(2))
    return left, right


def test_the_pulses_of_a_tester_are_not_cut_tops(tmp_path: Path) -> None:
    for interval_s in (1.0, 10.0):
        time_s = np.arange(900) * interval_s
        amps = np.where(np.arange(900) % 60 >= 36, 12.0, 0.0)
        volts = np.round(25.6 - 0.02 * amps - 1e-5 * time_s + noise(0.001, count=900), 3)
        assert codes(tmp_path, time_s, {BATTERY: amps, VOLTS: volts}) == []


def test_a_charge_is_a_charge(tmp_path: Path) -> None:
    """Constant current, then constant voltage, then off: references.md section 9 (P), stages of a lead-acid charge."""
    time_s = np.arange(1440) * 10.0
    amps = -np.where(time_s < 7200, 7.5, 7.5 * np.exp(-(time_s - 7200) / 2400)) * ((time_s > 300) & (time_s < 13_000))
    volts = np.where(time_s < 7200, 25.5 + 3.1 * np.clip(time_s, 0, 7200) / 7200 - 0.03 * amps, 28.8)
    # 1.5 V in one row is more than any battery falls: the worst case.
    volts = np.where(time_s >= 13_000, 27.0 + 0.3 * np.exp(-(time_s - 13_000) / 600), volts)
    for rows in (slice(None), slice(31, None), slice(0, 1200), slice(31, 1200)):
        channels = {
            BATTERY: np.round(amps + noise(0.002, count=1440), 2)[rows],
            VOLTS: np.round(volts + noise(0.001, 2, 1440), 3)[rows],
        }
        assert codes(tmp_path, time_s[rows] - time_s[rows][0], channels) == []


def test_a_charge_past_the_channels_is_no_disagreement(tmp_path: Path) -> None:
    left, right = moving()
    battery = left + right + 0.1 + noise(0.05, 4)
    extra = np.arange(N, 2 * N) * 0.02
    charge = -8.0 * (extra > 260) + noise(0.05, 5)
    channels = {
        LEFT: np.concatenate((left, noise(0.05, 6))),
        RIGHT: np.concatenate((right, noise(0.05, 7))),
        BATTERY: np.concatenate((battery, charge)),
    }
    assert "channels_disagree" not in codes(tmp_path, np.concatenate((TIME_S, extra)), channels, CART)
    # Braking flows through its channel; what the battery takes while a side brakes is judged as before.
    channels[BATTERY] = -channels[BATTERY]
    assert "channels_disagree" in codes(tmp_path, np.concatenate((TIME_S, extra)), channels, CART)


def test_one_change_makes_no_turned_sign() -> None:
    time_s = np.arange(200) * 60.0
    amps = np.where((np.arange(200) > 20) & (np.arange(200) < 150), 9.4, 0.0)
    volts = np.where(amps > 0, 24.0 - np.arange(200) / 200, 25.6)
    volts[150:] = 20.2 + 0.8 * (1 - np.exp(-np.arange(50) / 3))  # it gave way in the last minute of the load
    none = np.zeros(199, bool)
    assert reversed_current(Pair(time_s, amps, volts, none)) is None
    left, right = moving()
    assert (
        reversed_current(Pair(TIME_S, -(left + right), 25.6 - 0.02 * (left + right), np.zeros(N - 1, bool))) is not None
    )


@pytest.mark.parametrize(("rows", "seed"), [(-1, 101), (-1, 116), (-3, 111), (-3, 114)])
def test_a_voltage_read_before_its_current_is_no_turned_sign(rows: int, seed: int) -> None:
    """Waves, read once a second: a voltage that is rows early rises in places with the current."""
    record = plain(seed, 300.0, Sampler(rate_hz=1.0, late_rows=rows)).record
    pair = Pair(record["t_s"], record[BATTERY], record[VOLTS], np.zeros(len(record["t_s"]) - 1, bool))
    assert reversed_current(pair) is None
    record = plain(seed, 300.0, Sampler(rate_hz=1.0)).record
    pair = Pair(record["t_s"], -record[BATTERY], record[VOLTS], np.zeros(len(record["t_s"]) - 1, bool))
    assert reversed_current(pair) is not None


def test_a_voltage_read_in_coarse_steps_is_not_stuck(tmp_path: Path) -> None:
    left, right = moving()
    volts = 13.2 - 0.004 * (left + right)
    channels = {BATTERY: left + right, VOLTS: np.round(volts, 1)}
    assert codes(tmp_path, TIME_S, channels) == []
    held = np.round(volts, 3)
    held[3000:4500] = held[3000]
    assert codes(tmp_path, TIME_S, channels | {VOLTS: held}) == ["channel_stuck"]


def test_a_current_at_the_end_of_its_range_is_cut_not_stuck(tmp_path: Path) -> None:
    left, right = moving()
    true_a = left + right + 30.0 * ((TIME_S > 100) & (TIME_S < 112))
    channels = {BATTERY: np.minimum(true_a, 45.0), VOLTS: 25.6 - 0.02 * true_a + noise(0.003)}
    assert codes(tmp_path, TIME_S, channels) == ["cut_top"]


@pytest.mark.parametrize("tail_a", [-0.5, 0.8])
def test_a_level_that_was_crept_up_to_is_no_moved_zero(tail_a: float) -> None:
    """A charge current that fades ends near its tail; a zero that moved stands at once."""
    fading = tail_a + 7.5 * np.sign(tail_a) * np.exp(-np.arange(3000) / 500)
    value = np.concatenate((noise(0.02, 1, 300), fading)) + noise(0.005, 2, 3300)
    assert measure_zero_shift(Series(np.arange(3300.0), value, np.zeros(3299, bool)), 0.2) is None
    moved = np.concatenate((noise(0.02, 1, 300), np.full(300, 8.0), np.full(300, tail_a))) + noise(0.005, 2, 900)
    assert measure_zero_shift(Series(np.arange(900.0), moved, np.zeros(899, bool)), 0.2) is not None


def test_a_zero_that_comes_back_has_not_moved() -> None:
    levels = np.repeat([0.0, 8.0, 0.9, 0.0, 0.9], 100) + noise(0.01, 1, 500)
    assert measure_zero_shift(Series(np.arange(500.0), levels, np.zeros(499, bool)), 0.25) is None


def test_a_level_held_before_the_greatest_current_is_a_load() -> None:
    levels = np.repeat([0.0, 0.9, 8.0, 0.9], 100) + noise(0.01, 1, 400)
    assert measure_zero_shift(Series(np.arange(400.0), levels, np.zeros(399, bool)), 0.25) is None
    levels = np.repeat([0.0, 8.0, 0.6, 0.9], 100) + noise(0.01, 1, 400)
    assert measure_zero_shift(Series(np.arange(400.0), levels, np.zeros(399, bool)), 0.25) is None
    levels = np.repeat([0.0, 0.0, 8.0, 0.9], 100) + noise(0.01, 1, 400)
    assert measure_zero_shift(Series(np.arange(400.0), levels, np.zeros(399, bool)), 0.25) is not None


def test_motors_still_asked_to_run_are_no_moved_zero(tmp_path: Path) -> None:
    left, _ = moving()
    value = left + 0.7 * (TIME_S > 229)
    stick = np.where(TIME_S > 229, 1620.0, 1500.0) + 300 * ((TIME_S > 10) & (TIME_S < 229))
    assert codes(tmp_path, TIME_S, {LEFT: value}) == ["zero_shift"]
    assert codes(tmp_path, TIME_S, {LEFT: value, "pulse_a_us": stick}) == []


# Absolute extremes of a command pulse: 0.5 ms to 2.5-3.0 ms (mitchr.me, RCcontrolTheory).
@pytest.mark.parametrize(
    ("width_us", "named"),
    [(1500, False), (500, False), (3000, False), (0, False), (18, True), (1, True), (15_000, True)],
)
def test_widths_that_no_command_pulse_has(tmp_path: Path, width_us: int, named: bool) -> None:
    run = Run.open(
        write_run(tmp_path / "r.parquet", TIME_S, {"pulse_a_us": width_us, "pulse_b_us": 1500.0}, machine=CART)
    )
    found = judge_pulses(run)
    assert [each.code for each in found] == (["pulse_implausible"] if named else [])
    commands = read_commands(run)
    assert isinstance(commands, Reason) == named
    if named:
        assert f"{width_us} µs in 100 %" in told(found[0]).evidence


def test_a_stray_pulse_spoils_nothing_and_one_input_is_one(tmp_path: Path) -> None:
    width = np.full(N, 1500.0)
    width[::1000] = 60
    both = {"pulse_a_us": width, "pulse_b_us": width}
    assert judge_pulses(Run.open(write_run(tmp_path / "a.parquet", TIME_S, both))) == ()
    run = Run.open(write_run(tmp_path / "b.parquet", TIME_S, {"pulse_b_us": width}, machine=CART))
    (found,) = judge_pulses(run)
    assert (found.code, found["channel"], found["missing"]) == ("pulse_channel_alone", "pulse_b_us", "pulse_a_us")
    assert read_commands(run) == Reason("one_command_pulse", channel="pulse_b_us")


def test_what_the_findings_advise_cures(tmp_path: Path) -> None:
    """Followed to the letter, each remedy that corrects the data makes its finding go."""
    record = defects.drawn(44)
    two = {name: record[name] for name in (BATTERY, VOLTS)}
    time_s, three = record["t_s"], {name: record[name] for name in (BATTERY, LEFT, RIGHT)}

    def judged(channels: dict[str, Floats], machine: str | None = None, until_s: float = np.inf) -> list[str]:
        use = time_s <= until_s
        return codes(tmp_path, time_s[use], {name: value[use] for name, value in channels.items()}, machine)

    turned = two | {BATTERY: -two[BATTERY]}
    assert judged(turned) == ["current_sign"]
    assert judged(turned | {BATTERY: -turned[BATTERY]}) == []  # as --discharge negative imports it
    late = two | {VOLTS: np.interp(time_s - 0.5, time_s, two[VOLTS])}
    assert judged(late) == ["time_bases_differ"]
    assert judged(late, "[sensors.battery_voltage]\ndelay_s = 0.5\n") == []
    placed = '[controller]\nsensed = "supply_leg"\n'
    swapped = three | {BATTERY: three[LEFT], LEFT: three[BATTERY]}
    assert "channels_swapped" in judged(swapped, placed)
    assert judged(three, placed) == []
    typed = two | {BATTERY: np.full(len(time_s), 12.0)}
    assert judged(typed) == ["current_filled_in"]
    assert judged(two) == []
    held = three[LEFT].copy()
    first, last = defects.driven(record)
    start = (first + last) // 2
    held[start : start + 2500] = held[start]
    stuck_channels = three | {LEFT: held}
    assert "channel_stuck" in judged(stuck_channels, placed)
    assert judged(stuck_channels, placed, float(time_s[start])) == []
