"""Runs that are hard to read stretch by stretch give what they give read at once: silences, delays, rare channels."""

from __future__ import annotations

import gc
import threading
import weakref
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

from amptally.analysis.exposure.run_exposure import prepare_exposure
from amptally.analysis.integrals.sums import curve_sums, power_sums
from amptally.analysis.laps.table import lap_table
from amptally.analysis.quality.clipping import PeakLevel
from amptally.analysis.report.single_pass import single_pass
from amptally.analysis.runs import run
from amptally.analysis.runs.long_envelope import LongEnvelope
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.sample_times import MAX_SINGLE, SampleTimes
from amptally.analysis.signals.series import Floats, run_to_end
from amptally.logger.storage.runfile import RunFile
from tests.analysis.build_runs import CART, in_stretches, write_run

ROWS = 24_000
STEP_S = 0.002


def drive(**hidden: slice | Floats) -> tuple[Floats, dict[str, Floats]]:
    """A battery under load that changes every half second; some samples of a channel were not taken."""
    rng = np.random.default_rng(8)
    amps = np.repeat(rng.uniform(-5, 30, ROWS // 250), 250) + rng.normal(0, 0.2, ROWS)
    channels = {"battery_current_a": amps, "battery_voltage_v": 25 - 0.03 * amps + rng.normal(0, 0.01, ROWS)}
    for name, where in hidden.items():
        channels[name][where] = np.nan
    return np.arange(ROWS) * STEP_S, channels


def recorded(folder: Path, delays_s: tuple[float, float] = (0.0, 0.0), **hidden: slice | Floats) -> Path:
    said = "".join(
        f"[sensors.battery_{what}]\ndelay_s = {late_s}\n"
        for what, late_s in zip(("current", "voltage"), delays_s, strict=True)
        if late_s
    )
    time_s, channels = drive(**hidden)
    return write_run(folder / "a.parquet", time_s, channels, machine=CART + said)


RARE = np.arange(ROWS) % 100 != 7
AWKWARD: dict[str, dict[str, object]] = {
    "silent voltage over a stretch's end": {"battery_voltage_v": slice(3900, 4300)},
    "silent current over a stretch's end": {"battery_current_a": slice(3700, 4100)},
    "rare voltage": {"battery_voltage_v": RARE},
    "rare current": {"battery_current_a": RARE},
    "late by more than the margin": {"delays_s": (0.5, 0.5)},
    "one later than the other": {"delays_s": (1.0, 0.6)},
}


@pytest.mark.parametrize("case", AWKWARD)
def test_power_is_that_of_the_run_read_at_once(tmp_path: Path, case: str) -> None:
    path = recorded(tmp_path, **AWKWARD[case])  # type: ignore[arg-type]
    names = "battery_current_a", "battery_voltage_v"
    whole = power_sums(Run.open(path), *names)
    with in_stretches():
        parts = power_sums(Run.open(path), *names)
    assert parts.samples == whole.samples
    assert (parts.first_s, parts.last_s) == (whole.first_s, whole.last_s)
    assert parts.sampled_s == pytest.approx(whole.sampled_s, rel=1e-9)
    assert parts.total.net == pytest.approx(whole.total.net, rel=1e-9)
    assert parts.across == pytest.approx(whole.across, rel=1e-9)
    assert (parts.peak_w, parts.volts) == pytest.approx((whole.peak_w, whole.volts), rel=1e-9)


def test_a_silence_beyond_reach_is_a_gap(tmp_path: Path) -> None:
    path = recorded(tmp_path, battery_voltage_v=slice(3000, 9500))
    names = "battery_current_a", "battery_voltage_v"
    whole = power_sums(Run.open(path), *names)
    with in_stretches():
        parts = power_sums(Run.open(path), *names)
    assert parts.sampled_s == pytest.approx(whole.sampled_s, rel=1e-9)
    assert parts.total.net == pytest.approx(whole.total.net, rel=1e-9)
    assert parts.samples < whole.samples
    assert sum(parts.across) > 0


@pytest.mark.parametrize("case", AWKWARD)
def test_laps_are_those_of_the_run_read_at_once(tmp_path: Path, case: str) -> None:
    path = recorded(tmp_path, **AWKWARD[case])  # type: ignore[arg-type]
    bounds_s = [1.0 + 4.1 * lap for lap in range(12)]
    whole = lap_table(Run.open(path), bounds_s)
    with in_stretches():
        parts = lap_table(Run.open(path), bounds_s)
    for one, other in zip(parts, whole, strict=True):
        assert one.net_ah == pytest.approx(other.net_ah, rel=1e-9)
        assert one.net_wh == pytest.approx(other.net_wh, rel=1e-9)
        assert one.gap_s == pytest.approx(other.gap_s, abs=1e-9)


def test_gaps_on_both_sides_of_a_lone_sample(tmp_path: Path) -> None:
    hidden = np.zeros(ROWS, bool)
    hidden[3000:9000] = True
    hidden[6500] = False
    path = recorded(tmp_path, battery_current_a=hidden)  # type: ignore[arg-type]
    whole = curve_sums(Run.open(path), "battery_current_a")
    with in_stretches():
        parts = curve_sums(Run.open(path), "battery_current_a")
    assert parts.sampled_s == pytest.approx(whole.sampled_s)
    assert parts.total.net == pytest.approx(whole.total.net)


def test_a_channel_that_begins_late_does_not_make_others_be_read_again(tmp_path: Path) -> None:
    path = recorded(tmp_path, battery_voltage_v=slice(0, 15_000))
    read, asked = RunFile.read, []

    def counted(file: RunFile, names: tuple[str, ...], start: int = 0, rows: int | None = None, **how: bool) -> object:
        if len(names) > 1:
            asked.append(start)
        return read(file, names, start, rows, **how)

    with in_stretches(), patch.object(RunFile, "read", counted):
        single_pass(Run.open(path))
    assert sorted(asked) == list(range(0, ROWS, 4000))


def test_another_thread_reads_for_itself(tmp_path: Path) -> None:
    path = recorded(tmp_path)
    names = ["battery_current_a", "battery_voltage_v"]
    with in_stretches():
        shared, apart = Run.open(path), Run.open(path)
        seen: list[object] = []

        def look() -> Iterator[None]:
            for _ in shared.blocks(names[0]):
                other = threading.Thread(
                    target=lambda: seen.append(shared._pass_reader) or run_to_end(shared.extremes_pass(names[1]))
                )
                other.start()
                other.join()
                yield

        shared.run_passes([look(), *(shared.extremes_pass(name) for name in names)])
        assert seen
        assert all(each is None for each in seen)
        for name in names:
            kept, wanted = shared.series(name), apart.series(name)
            assert kept is not None
            assert wanted is not None
            assert np.array_equal(kept.value, wanted.value)


def test_nothing_is_left_of_a_survey_that_fails(tmp_path: Path) -> None:
    def fails() -> Iterator[None]:
        yield
        raise MemoryError

    with in_stretches():
        broken = Run.open(recorded(tmp_path))
        with pytest.raises(MemoryError):
            broken.run_passes([broken.extremes_pass("battery_current_a"), fails()])
        assert broken._pass_reader is None
        assert broken.series("battery_current_a") is not None


def test_a_run_goes_with_its_last_user(tmp_path: Path) -> None:
    path = recorded(tmp_path)
    gc.disable()
    try:
        with in_stretches():
            opened = Run.open(path)
            single_pass(opened, [0.1, 1.0])
            assert prepare_exposure(opened, "battery") is not None
            gone = weakref.ref(opened)
            del opened
            assert gone() is None
    finally:
        gc.enable()


def test_a_level_held_for_long_takes_little_memory() -> None:
    for level in (0.0, 5.0):
        tops = PeakLevel()
        for _ in range(10):
            tops.add(np.full(100_000, level))
        assert sum(each.nbytes for part in tops.stretches for each in part) < 10_000


def test_times_of_single_rows_hold_nothing_else() -> None:
    times = SampleTimes("a", 1_000_000, lambda start, rows: np.arange(start, start + rows) * 1000, 1.0)
    times.of(0, 100_000)
    for row in range(2 * MAX_SINGLE):
        assert times.of(row, 1).base is None
    assert len(times._single) <= MAX_SINGLE


def test_a_gap_between_two_stretches_is_drawn(tmp_path: Path) -> None:
    time_s, channels = drive()
    time_s[4000:] += 2.0
    time_s[5500:] += 2.0
    path = write_run(tmp_path / "a.parquet", time_s, channels)
    with in_stretches(), patch.object(run, "CACHED_ROWS", 0):
        envelope = LongEnvelope.of(Run.open(path), "battery_current_a")
    assert envelope is not None
    gaps = np.flatnonzero(envelope.extremes.gap_after)
    assert envelope.extremes.time_s[gaps] == pytest.approx([time_s[3999], time_s[5499]])
