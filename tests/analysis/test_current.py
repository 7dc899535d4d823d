"""Peak, mean and RMS of one lead, from a run file: waveforms, what samples can miss, what the board adds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.exposure.current import Current, assess_current
from amptally.analysis.exposure.exposure import FIXED_WINDOWS_S
from amptally.analysis.quality.clipping import sensor_clipped
from amptally.analysis.quality.doubts import Doubt, Doubts
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.results import basis, refusal
from tests.analysis.build_runs import CART, Floats, consistent, measured, sides, value_of, write_run

PHASE_S = np.arange(0, 10.0005, 0.001)


def current_of(folder: Path, t_s: Floats, channels: dict[str, Any], lead: str = "left", **metadata: Any) -> Current:
    name = f"run{len(list(folder.iterdir()))}.parquet"
    found = assess_current(Run.open(write_run(folder / name, t_s, channels, **metadata)), lead, [], [], Doubts())
    for result in (found.peak_a, found.mean_a, *found.rms_a.values()):
        consistent(result)
    return found


def clipped_of(folder: Path) -> int | None:
    """Samples at full scale in the run written last."""
    doubt = sensor_clipped(Run.open(folder / f"run{len(list(folder.iterdir())) - 1}.parquet"), "left")
    return None if doubt is None else int(doubt.reason["samples"])


@pytest.mark.parametrize(
    ("wave", "mean", "rms", "crest"),
    # ../shared/references.md section 4; a cycle of 1 s in 1000 samples
    [
        (10 * np.sin(2 * np.pi * PHASE_S), 0.0, 7.07107, 1.41421),  # EN1
        (np.maximum(10 * np.sin(2 * np.pi * PHASE_S), 0), 3.18310, 5.00000, 2.00000),  # EN2
        (np.abs(10 * np.sin(2 * np.pi * PHASE_S)), 6.36620, 7.07107, 1.41421),  # EN3
        (5 + 4 * np.sin(2 * np.pi * PHASE_S), 5.000, 5.74456, 1.56670),  # EN5
    ],
    ids=["EN1", "EN2", "EN3", "EN5"],
)
def test_EN_mean_rms_and_crest(tmp_path: Path, wave: Floats, mean: float, rms: float, crest: float) -> None:
    found = current_of(tmp_path, PHASE_S, {"left_current_a": wave})
    assert value_of(found.mean_a) == pytest.approx(mean, rel=2e-4, abs=1e-6)
    window_s, last = found.exposure[-1]
    assert window_s == pytest.approx(10.0)
    assert last == pytest.approx(rms, rel=2e-4)
    assert value_of(found.rms_a["10"]) == pytest.approx(rms, rel=2e-4)
    assert value_of(found.peak_a) / last == pytest.approx(crest, rel=2e-4)


def test_EN4_pulse_of_20_A_at_duty_0_3(tmp_path: Path) -> None:
    # EN4: rms = A √D = 10.95445, crest = 1/√D = 1.82574; edges of 1 µs, 10 ms between the other samples
    grid = np.arange(0, 10.005, 0.01)
    t_s = np.unique(np.round(np.concatenate((grid, np.arange(10) + 0.300001, np.arange(1, 10) - 0.000001)), 6))
    amps = np.where((t_s % 1.0 < 0.3000005) & (t_s < 9.9999995), 20.0, 0.0)
    found = current_of(tmp_path, t_s, {"left_current_a": amps})
    assert value_of(found.mean_a) == pytest.approx(6.000, rel=1e-5)
    assert found.exposure[-1][1] == pytest.approx(10.95445, rel=1e-5)
    assert value_of(found.peak_a) / found.exposure[-1][1] == pytest.approx(1.82574, rel=1e-5)


def test_windows_that_the_samples_cannot_support_are_refused(tmp_path: Path) -> None:
    # ../shared/data/README.md: rows at 60 s cannot support a 1 s RMS
    t_s, amps, _ = measured("lead_acid_12v_1p5a_discharge.csv")
    found = current_of(tmp_path, t_s, {"battery_current_a": amps}, "battery")
    for window in ("0.1", "1", "10", "60"):
        assert refusal(found.rms_a[window]) == (
            f"a window of {window} s is shorter than two sample intervals of 60 s; a higher sample rate would show it"
        )
    assert value_of(found.rms_a["600"]) == pytest.approx(1.54, abs=0.005)


def test_windows_longer_than_the_run_are_refused(tmp_path: Path) -> None:
    found = current_of(tmp_path, np.arange(0, 3, 0.01), {"left_current_a": 5.0})
    assert refusal(found.rms_a["1"]) is None
    assert refusal(found.rms_a["10"]) == "the run lasts 2.99 s, shorter than this window of 10 s"
    assert list(found.rms_a) == [f"{window:g}" for window in FIXED_WINDOWS_S]
    assert found.exposure[-1][0] == pytest.approx(2.99)


def test_a_sampled_peak_is_a_lower_bound_with_its_interval(tmp_path: Path) -> None:
    # ../shared/references.md, trap 12: "peak >= x", with the sampling interval
    t_s = np.arange(0, 30, 0.02)
    found = current_of(tmp_path, t_s, {"left_current_a": np.where(t_s == t_s[700], -42.0, 5.0)})
    assert (found.peak_a.value, found.peak_a.bound, found.peak_a.high) == (42.0, "at_least", None)
    assert found.peak_at_s == pytest.approx(14.0)
    assert "samples 20 ms apart can miss a shorter peak" in basis(found.peak_a)


def test_the_peak_of_a_noisy_steady_current_does_not_exceed_the_truth(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    t_s = np.arange(0, 200, 0.002)
    machine = CART + "[sensors.left_current]\nnoise = 0.3\noffset_u = 0\ngain_u = 0\n"
    found = current_of(tmp_path, t_s, {"left_current_a": 10 + rng.normal(0, 0.3, len(t_s))}, machine=machine)
    assert found.peak_a.low is not None
    assert found.peak_a.low <= 10.0 < value_of(found.peak_a) - 1.0


def test_interval_extremes_make_the_peak_an_estimate(tmp_path: Path) -> None:
    t_s = np.arange(0, 20, 0.1)
    channels = {
        "left_current_a": 5.0,
        "left_current_min_a": np.where(t_s == t_s[50], -66.0, 4.0),
        "left_current_max_a": np.where(t_s == t_s[80], 61.0, 6.0),
    }
    machine = CART + "[sensors.left_current]\noffset_u = 0.1\ngain_u = 0.01\n"
    found = current_of(tmp_path, t_s, channels, machine=machine)
    low, value, high = sides(found.peak_a)
    assert (found.peak_a.bound, value, found.peak_at_s) == ("estimate", 66.0, pytest.approx(5.0))
    assert (high - value, value - low) == pytest.approx((1.96 * np.hypot(0.66, 0.1),) * 2, rel=1e-6)


@pytest.mark.parametrize("missing", ["one extreme", "a sample", "time"])
def test_extremes_with_something_missing_leave_it_a_lower_bound(tmp_path: Path, missing: str) -> None:
    t_s = np.arange(0, 20, 0.1)
    if missing == "time":
        t_s = np.where(t_s > 10, t_s + 30, t_s)
    channels: dict[str, Any] = {"left_current_a": 5.0, "left_current_min_a": 4.0, "left_current_max_a": 6.0}
    if missing == "one extreme":
        del channels["left_current_min_a"]
    elif missing == "a sample":
        channels["left_current_max_a"] = np.where(t_s == t_s[60], np.nan, 6.0)
    assert current_of(tmp_path, t_s, channels).peak_a.bound == "at_least"


def extremes(least: int, greatest: int, duration_ms: int = 20_000) -> dict[str, Any]:
    channels = {"left_current_ua": {"least": least, "greatest": greatest, "rms": 1}}
    return {"boot": 1, "board_us": 0, "duration_ms": duration_ms, "channels": channels}


def test_the_board_s_own_extreme_is_kept_though_no_sample_shows_it(tmp_path: Path) -> None:
    t_s = np.arange(0, 20, 0.1)
    found = current_of(tmp_path, t_s, {"left_current_a": 5.0}, extremes=(extremes(-88_000_000, 50_000_000),))
    assert (found.peak_a.value, found.peak_at_s) == (88.0, None)
    assert "not seen in any sample" in basis(found.peak_a)
    corrected = current_of(
        tmp_path,
        t_s,
        {"left_current_a": 5.0},
        extremes=(extremes(0, 50_500_000),),
        machine=CART + "[sensors.left_current]\noffset = 0.5\ngain = 0.25\n",
    )
    assert value_of(corrected.peak_a) == pytest.approx(40.0)


@pytest.mark.parametrize(
    "frame",
    [
        {},
        {"channels": 3},
        {"channels": {"left_current_ua": {"least": None}}},
        extremes(-(2**31), 2**31 - 1),  # beyond what a stored current can be
        extremes(0, 90_000_000, duration_ms=3_600_000),  # began long before the recording
    ],
)
def test_extremes_that_are_not_the_run_s_are_passed_over(tmp_path: Path, frame: dict[str, Any]) -> None:
    found = current_of(tmp_path, np.arange(0, 20, 0.1), {"left_current_a": 5.0}, extremes=(frame,))
    assert value_of(found.peak_a) == 5.0


def test_extremes_of_the_whole_run_are_not_those_of_a_part(tmp_path: Path) -> None:
    path = write_run(
        tmp_path / "r.parquet", np.arange(0, 20, 0.1), {"left_current_a": 5.0}, extremes=(extremes(0, 88_000_000),)
    )
    assert value_of(assess_current(Run.open(path, from_s=5.0), "left", [], [], Doubts()).peak_a) == 5.0


def test_interval_rms_is_used_where_it_covers_the_run(tmp_path: Path) -> None:
    t_s = np.arange(0, 20, 0.1)
    whole = current_of(tmp_path, t_s, {"left_current_a": 5.0, "left_current_rms_a": 8.0})
    assert value_of(whole.rms_a["10"]) == pytest.approx(8.0)
    assert value_of(whole.mean_a) == pytest.approx(5.0)
    holed = np.where(t_s < 10, np.nan, 8.0)
    part = current_of(tmp_path, t_s, {"left_current_a": 5.0, "left_current_rms_a": holed})
    assert value_of(part.rms_a["10"]) == pytest.approx(5.0)
    assert part.exposure[-1][0] == pytest.approx(19.9)


def test_a_reading_at_full_scale_is_counted_and_only_a_lower_bound(tmp_path: Path) -> None:
    t_s = np.arange(0, 20, 0.1)
    machine = CART + "[sensors.left_current]\nfull_scale = 50\n"
    flat = np.where((t_s > 5) & (t_s < 6), 50.0, 10.0)
    found = current_of(tmp_path, t_s, {"left_current_a": flat}, machine=machine)
    assert clipped_of(tmp_path) == ((t_s > 5) & (t_s < 6)).sum()
    assert "at the sensor's full scale" in basis(found.peak_a)
    only_inside = {"left_current_a": 10.0, "left_current_min_a": 9.0, "left_current_max_a": flat}
    assert current_of(tmp_path, t_s, only_inside, machine=machine).peak_a.bound == "at_least"
    assert clipped_of(tmp_path) == ((t_s > 5) & (t_s < 6)).sum()
    current_of(tmp_path, t_s, {"left_current_a": flat})
    assert clipped_of(tmp_path) is None


def test_mean_is_over_sampled_time(tmp_path: Path) -> None:
    # 10 s at 10 A, a gap of 40 s, 10 s at 20 A: 15 A, not what a line across the gap would give
    t_s = np.concatenate((np.arange(0, 10.05, 0.1), np.arange(50, 60.05, 0.1)))
    machine = CART + "[sensors.left_current]\noffset_u = 0.2\ngain_u = 0.01\n"
    found = current_of(tmp_path, t_s, {"left_current_a": np.where(t_s < 20, 10.0, 20.0)}, machine=machine)
    low, value, high = sides(found.mean_a)
    assert value == pytest.approx(15.0, rel=1e-6)
    assert (high - value, value - low) == pytest.approx((1.96 * np.hypot(0.2, 0.15),) * 2, rel=1e-3)
    assert found.rms_a["10"].bound == "estimate"
    assert found.rms_a["60"].bound == "at_least"


@pytest.mark.parametrize("count", [1, 2, 3])
def test_tiny_runs(tmp_path: Path, count: int) -> None:
    found = current_of(tmp_path, np.arange(count) * 0.01, {"left_current_a": 5.0})
    assert value_of(found.peak_a) == 5.0
    assert "inf" not in basis(found.peak_a)
    if count == 1:
        assert refusal(found.mean_a) == "too few samples"
        assert found.exposure == ()


def test_a_lead_that_was_not_measured(tmp_path: Path) -> None:
    found = current_of(tmp_path, np.arange(0, 20, 0.1), {"left_current_a": 5.0}, "right")
    for result in (found.peak_a, found.mean_a, *found.rms_a.values()):
        assert refusal(result) == "no right current was measured"
    assert (found.exposure, found.prepared, found.peak_at_s) == ((), None, None)


def test_a_current_whose_size_is_refused_offers_nothing_to_compare(tmp_path: Path) -> None:
    t_s = np.arange(0, 20, 0.1)
    run = Run.open(write_run(tmp_path / "r.parquet", t_s, {"left_current_a": 10.0 + np.sin(t_s)}))

    def under(code: str, **fields: Any) -> Current:
        doubt = Doubt(Reason(code, "danger"), ("left_current_a",), **fields)
        return assess_current(run, "left", [], [], Doubts.of([doubt]))

    why = (Reason("doubted", "danger", finding="channels_disagree"),)
    stuck = under("channels_disagree", variant="left")
    assert (stuck.exposure, stuck.prepared, stuck.peak_at_s) == ((), None, None)
    assert {each.reasons[0] for each in (stuck.peak_a, stuck.mean_a, *stuck.rms_a.values())} == set(why)
    assert stuck.spacing is not None
    # A sign leaves |i| as it was; cut peaks leave the curve, as a lower limit.
    reversed_sign = under("channels_disagree", variant="left_sign")
    assert (reversed_sign.mean_a.value, reversed_sign.prepared is None) == (None, False)
    assert reversed_sign.rms_a["1"].bound == "estimate"
    cut = under("cut_top")
    assert (cut.rms_a["1"].bound, cut.mean_a.bound, bool(cut.exposure)) == ("at_least", "at_least", True)
    # A zero that moved by 0.5 A widens by that.
    shifted, plain = under("zero_shift", widths=(("A", 0.5),)), assess_current(run, "left", [], [], Doubts())
    assert shifted.rms_a["1"].high == pytest.approx((plain.rms_a["1"].high or 0.0) + 0.5)
