"""How a machine was driven: worked cases, reasons for refusing, and the simulated cart's truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.controller.command import Commands, read_commands
from amptally.analysis.controller.pulses import sparse
from amptally.analysis.driving.driving import (
    DriveUse,
    assess_drive,
    command_map,
    left_share,
    peak_recovered,
    ratio,
    reversing,
)
from amptally.analysis.driving.stall import assess_stalls, merge, on_spans, standing
from amptally.analysis.integrals.energy import energy_used
from amptally.analysis.laps.laps import assess_laps
from amptally.analysis.quality.doubts import Doubt, Doubts
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Floats, Run, Series
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import phrase, refusal
from tests.analysis.build_runs import CART, consistent, sides, value_of, write_run
from tests.analysis.simulated import MOTOR_LEAD, demo, demo_report
from tests.dashboard.made_runs import CART as DEMO_CART
from tests.strategies import examples

T_S = np.arange(0, 60, 0.01)


def run_of(folder: Path, channels: dict[str, Any], machine: str | None = CART, t_s: Floats = T_S) -> Run:
    path = folder / f"r{len(list(folder.iterdir()))}.parquet"
    return Run.open(write_run(path, t_s, channels, machine=machine))


def codes(result: Estimate) -> list[str]:
    return [reason.code for reason in result.reasons]


def drive_of(run: Run) -> DriveUse:
    return assess_drive(run, energy_used(run, Doubts()), assess_laps(run, Doubts()), Doubts())


def turning(rate_hz: Any) -> Floats:
    """A running count at so many counts a second."""
    return np.floor(np.cumsum(np.broadcast_to(np.asarray(rate_hz, float), T_S.shape)) * 0.01)


def pulses(throttle: Any, steering: Any = 0.0) -> dict[str, Any]:
    """Sticks from −1 to 1 as the two pulses."""
    return {
        name: 1500 + 500 * np.broadcast_to(np.asarray(value, float), T_S.shape)
        for name, value in (("pulse_a_us", throttle), ("pulse_b_us", steering))
    }


DRIVEN = np.where((T_S > 5) & (T_S < 50), 0.5, 0.0)
"""The throttle: rest, half ahead, rest."""


def test_a_wheel_held_for_three_seconds(tmp_path: Path) -> None:
    rate = np.where(DRIVEN == 0, 0.0, np.where((T_S > 20) & (T_S < 23), 0.0, 30.0))
    free = turning(np.where(DRIVEN, 30.0, 0))
    channels = {**pulses(DRIVEN), "left_wheel_count": turning(rate), "right_wheel_count": free}
    drive = drive_of(run_of(tmp_path, channels))
    (stall,) = drive.stalls
    assert stall.side == "left"
    assert (stall.start_s, stall.end_s) == pytest.approx((20, 23), abs=0.05)
    low, value, high = sides(drive.stall_s)
    assert low <= 3 <= high
    # Two counts of 1/30 s, each twice over, are what the pickup leaves open.
    assert high - low == pytest.approx(4 / 30, abs=0.03)
    assert value == pytest.approx(3, abs=0.05)
    (finding,) = [finding for finding in drive.findings if finding.code == "wheel_stalled"]
    assert (finding["side"], finding["stalls"]) == ("left", 1)
    assert finding["longest_s"] == pytest.approx(3, abs=0.05)
    assert told(finding).what == "The left wheel stood still under command."


def test_starting_creeping_and_waiting(tmp_path: Path) -> None:
    """A start is no stall; a wheel that creeps over an edge of its pickup stands; without a command nothing stalls."""
    starting = turning(np.where(T_S > 5.35, np.where(DRIVEN, 30.0, 0), 0))
    assert drive_of(run_of(tmp_path, {**pulses(DRIVEN), "left_wheel_count": starting})).stalls == ()
    creeping = np.where(DRIVEN == 0, 0.0, np.where((T_S > 20) & (T_S < 23), 0.6, 30.0))
    drive = drive_of(run_of(tmp_path, {**pulses(DRIVEN), "left_wheel_count": turning(creeping)}))
    assert len(drive.stalls) == 1
    assert value_of(drive.stall_s) == pytest.approx(3, abs=0.1)
    slow = np.where(DRIVEN == 0, 0.0, np.where((T_S > 20) & (T_S < 23), 6.0, 30.0))
    assert drive_of(run_of(tmp_path, {**pulses(DRIVEN), "left_wheel_count": turning(slow)})).stalls == ()
    waiting = drive_of(run_of(tmp_path, {**pulses(0.0), "left_wheel_count": turning(0.0)}))
    assert sides(waiting.stall_s)[:2] == (0.0, 0.0)


def test_a_coarse_pickup_is_given_its_time(tmp_path: Path) -> None:
    """One count a second while driving: 3 s without one say nothing, 12 s do."""
    for held_s, stalls in ((3.0, 0), (12.0, 1)):
        rate = np.where(DRIVEN == 0, 0.0, np.where((T_S > 20) & (20 + held_s > T_S), 0.0, 1.0))
        drive = drive_of(run_of(tmp_path, {**pulses(DRIVEN), "left_wheel_count": turning(rate)}))
        assert len(drive.stalls) == stalls


def test_both_wheels_held_count_once(tmp_path: Path) -> None:
    rate = np.where(DRIVEN == 0, 0.0, np.where((T_S > 20) & (T_S < 24), 0.0, 30.0))
    late = np.where(DRIVEN == 0, 0.0, np.where((T_S > 22) & (T_S < 25), 0.0, 30.0))
    channels = {**pulses(DRIVEN), "left_wheel_count": turning(rate), "right_wheel_count": turning(late)}
    drive = drive_of(run_of(tmp_path, channels))
    assert len(drive.stalls) == 2
    assert value_of(drive.stall_s) == pytest.approx(5, abs=0.1)


def test_a_gap_hides_a_stall_and_is_doubt() -> None:
    t_s = np.concatenate((np.arange(0, 20, 0.01), np.arange(24, 40, 0.01)))
    gap_after = np.diff(t_s) > 1
    counts = Series(t_s, np.floor(np.where(t_s < 20, t_s, t_s - 4) * 30), gap_after)
    spans, _, hidden_s = standing(counts, t_s, np.full(len(t_s), 0.5), 0.08)
    assert spans == []
    assert hidden_s == pytest.approx(4, abs=0.1)


MOTOR = "[motor]\nresistance_ohm = 0.2\n"
# 125 A at 25 V and I = V / R (Ohm's law): 0.2 Ω, although the cold winding is said to have a third of it.
BOTH = "[motor]\nresistance_ohm = 0.067\nstall_a = 125\nrated_voltage_v = 25\n"


@pytest.mark.parametrize(("sensed", "held_a"), [("motor_lead", 0.5 * 24 / 0.2), ("supply_leg", 0.5**2 * 24 / 0.2)])
@pytest.mark.parametrize("motor", [MOTOR, BOTH])
def test_without_pickups_a_stall_is_read_off_the_current(
    tmp_path: Path, motor: str, sensed: str, held_a: float
) -> None:
    # V = I R + K ω (references.md section 10, (P)): at ω = 0 half the voltage drives 60 A through 0.2 Ω; the supply
    # carries half of that (duty).
    machine = CART.replace('sensed = "supply_leg"', f'sensed = "{sensed}"') + motor
    amps = np.where(DRIVEN == 0, 0.0, np.where((T_S > 20) & (T_S < 23), held_a, 0.2 * held_a))
    run = run_of(tmp_path, {**pulses(DRIVEN), "left_current_a": amps, "battery_voltage_v": 24.0}, machine)
    drive = drive_of(run)
    assert value_of(drive.stall_s) == pytest.approx(3, abs=0.05)
    assert codes(drive.stall_s) == ["stall_seen_by_current"]
    unsure = np.where((T_S > 20) & (T_S < 23), 0.6 * held_a, 0.2 * held_a) * (DRIVEN > 0)
    less = {**pulses(DRIVEN), "left_current_a": unsure, "battery_voltage_v": 24.0}
    low, value, high = sides(drive_of(run_of(tmp_path, less, machine)).stall_s)
    assert (low, value) == (0.0, 0.0)
    assert high == pytest.approx(3, abs=0.05)


def test_a_stall_without_pickups_or_motor_is_refused(tmp_path: Path) -> None:
    known = {**pulses(DRIVEN), "left_current_a": 20.0, "battery_voltage_v": 24.0}
    for channels, machine, why in (
        (known, CART, "motor.resistance_ohm or stall_a"),
        ({**pulses(DRIVEN), "left_current_a": 20.0}, CART + MOTOR, "battery voltage"),
        (known, CART.replace('sensed = "supply_leg"', 'sensed = "unknown"') + MOTOR, "unknown"),
        ({"left_wheel_count": turning(3.0)}, CART, "no command pulses"),
        (known, None, "controller.mixing"),
    ):
        drive = drive_of(run_of(tmp_path, channels, machine))
        assert why in (refusal(drive.stall_s) or ""), drive.stall_s
        assert drive.stalls == ()


def test_reversing_is_counted_and_turning_on_the_spot_is_not(tmp_path: Path) -> None:
    throttle = np.where((T_S >= 10) & (T_S < 14), -0.4, np.where((T_S >= 30) & (T_S < 31), -0.4, 0.3))
    steering = np.where((T_S >= 40) & (T_S < 45), 0.6, 0.0)
    commands = read_commands(run := run_of(tmp_path, pulses(np.where(T_S >= 40, -0.1, throttle), steering)))
    seconds, share = reversing(run, commands)
    # 4 s, 1 s, and from 40 s a creep of −0.1 backwards, of which 5 s turn on the spot: 15 s more
    low, value, high = sides(seconds)
    assert low <= value <= high
    assert value == pytest.approx(20, abs=0.02)
    assert low == pytest.approx(5, abs=0.05)  # −0.1 lies within the widest usual dead band, 50 µs (from memory)
    assert value_of(share) == pytest.approx(20 / 59.99, rel=1e-3)
    known = CART.replace("[controller]\n", "[controller]\ndead_band_us = 30\n")
    run = run_of(tmp_path, pulses(throttle), known)
    low, value, high = sides(reversing(run, read_commands(run))[0])
    assert value == pytest.approx(5, abs=0.02)
    assert high - low < 0.1


def test_charge_won_back(tmp_path: Path) -> None:
    # 12.5 A out for 36 s and 2 A back for 18 s: 0.125 and 0.010 Ah (docs/nomenclature.md), 8 %
    amps = np.where(T_S < 36, 12.5, np.where(T_S < 54, -2.0, 0.0))
    drive = drive_of(run_of(tmp_path, {"battery_current_a": amps}))
    assert value_of(drive.regenerated_ah) == pytest.approx(0.010, rel=2e-3)
    assert value_of(drive.regenerated_fraction) == pytest.approx(0.08, rel=2e-3)
    assert value_of(drive.peak_recovered_a) == pytest.approx(2.0)
    assert drive.peak_recovered_a.bound == "at_least"
    assert drive.peak_recovered_at_s == pytest.approx(36.0)
    out = drive_of(run_of(tmp_path, {"battery_current_a": 5.0}))
    assert (value_of(out.peak_recovered_a), out.peak_recovered_at_s) == (0.0, None)
    unmeasured, at_s = peak_recovered(run_of(tmp_path, {"mark": 0.0}))
    assert refusal(unmeasured) == "no battery current was measured"
    assert at_s is None


amount = st.floats(0.01, 100)


@given(amount, amount, amount, amount)
def test_a_ratio_holds_every_ratio_of_its_parts(part: float, more: float, whole: float, further: float) -> None:
    found = ratio(Estimate(part, part / 2, part + more, "Ah"), Estimate(whole, 0.6 * whole, whole + further, "Ah"))
    consistent(found)
    assert found.low is not None
    assert found.high is not None
    for top in (part / 2, part + more):
        for bottom in (0.6 * whole, whole + further):
            assert found.low * (1 - 1e-9) <= top / bottom <= found.high * (1 + 1e-9)


def test_open_ratios() -> None:
    open_above = Estimate(1.0, 0.9, None, "Ah", "at_least")
    closed = Estimate(2.0, 1.9, 2.1, "Ah")
    assert ratio(open_above, closed).bound == "at_least"
    assert ratio(closed, open_above).bound == "at_most"
    assert codes(ratio(open_above, open_above)) == ["share_unbounded"]
    assert ratio(refuse("Ah", Reason("why")), closed).reasons == (Reason("why"),)
    assert codes(ratio(closed, Estimate(0.0, 0.0, 0.1, "Ah"))) == ["nothing_discharged"]


def test_the_left_share(tmp_path: Path) -> None:
    run = run_of(tmp_path, {"left_current_a": 6.0, "right_current_a": 4.0})
    assert value_of(left_share(energy_used(run, Doubts()))) == pytest.approx(0.6)
    one = run_of(tmp_path, {"left_current_a": 6.0})
    assert "no right current" in (refusal(left_share(energy_used(one, Doubts()))) or "")
    idle = run_of(tmp_path, {"left_current_a": 6.0, "right_current_a": 0.0})
    assert codes(left_share(energy_used(idle, Doubts()))) == ["channel_charge_near_zero"]


def test_current_by_command(tmp_path: Path) -> None:
    """Left takes 20 A per unit of command both ways, right the square; empty bins are left out."""
    throttle = np.where(T_S < 20, 0.25, np.where(T_S < 40, -0.65, 1.0))
    channels = {**pulses(throttle), "left_current_a": 20 * np.abs(throttle), "right_current_a": 30 * throttle**2}
    run = run_of(tmp_path, channels)
    bins, refused = command_map(run, read_commands(run), Doubts())
    assert refused is None
    assert [each.side for each in bins] == ["left"] * 3 + ["right"] * 3
    assert [each.from_share for each in bins] == pytest.approx([0.2, 0.6, 0.9] * 2)
    assert [each.to_share for each in bins] == pytest.approx([0.3, 0.7, 1.0] * 2)
    left, right = bins[:3], bins[3:]
    assert [each.mean_a for each in left] == pytest.approx([5, 13, 20], abs=1e-5)
    assert [each.median_a for each in right] == pytest.approx([30 * 0.0625, 30 * 0.4225, 30], abs=0.026)
    assert [each.seconds for each in left] == pytest.approx([20, 20, 19.99], abs=0.011)
    assert sum(each.samples for each in left) == len(T_S) - 1


def test_no_map_says_why(tmp_path: Path) -> None:
    for channels, words in (({"left_current_a": 5.0}, "command pulses"), (pulses(0.5), "were not measured")):
        run = run_of(tmp_path, channels)
        bins, refused = command_map(run, read_commands(run), Doubts())
        assert bins == ()
        assert refused is not None
        assert words in phrase(refused)


def doubt(*channels: str, variant: str) -> Doubts:
    return Doubts.of([Doubt(Reason("channels_disagree", "danger"), channels, variant)])


def test_the_command_map_loses_the_side_that_is_refused(tmp_path: Path) -> None:
    both = {"left_current_a": 5.0, "right_current_a": 4.0}
    run = run_of(tmp_path, {**pulses(0.5), **both})
    commands = read_commands(run)
    bins, refused = command_map(run, commands, doubt("left_current_a", variant="left"))
    assert {each.side for each in bins} == {"right"}
    assert refused is None
    bins, refused = command_map(run, commands, doubt(*both, variant="both"))
    assert bins == ()
    assert refused == Reason("doubted", "danger", finding="channels_disagree")


times = st.lists(st.floats(0, 100), min_size=2, max_size=30, unique=True).map(sorted)


@given(times, st.integers(0, 2**30))
def test_spans_are_where_the_flag_is_and_their_union_is_no_longer(moments: list[float], bits: int) -> None:
    on = np.array([bool(bits >> place & 1) for place in range(len(moments))])
    spans = on_spans(np.array(moments), on, moments[-1] + 1)
    steps = np.diff([*moments, moments[-1] + 1])
    assert sum(end - start for start, end in spans) == pytest.approx(float(steps[on].sum()))
    assert merge(spans) == spans
    assert merge([*spans, *spans]) == spans


@examples(0.3)
@given(st.integers(0, 2**32 - 1))
def test_stalls_of_any_counts_are_within_the_run_and_its_commands(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t_s = np.cumsum(rng.exponential(0.05, 400))
    moved = np.cumsum(rng.random(400) < rng.choice([0.0, 0.02, 0.5])).astype(float)
    counts = Series(t_s, moved, rng.random(399) < 0.01)
    asked = np.repeat(rng.uniform(0, 1, 40), 10)
    spans, slack_s, hidden_s = standing(counts, t_s, asked, 0.3)
    for start, end in spans:
        assert t_s[0] <= start < end <= t_s[-1] + 1e-9
        inside = (t_s >= start) & (t_s < end)
        assert (asked[inside] > 0.3).all()
    assert slack_s >= 0
    assert hidden_s >= 0


def test_the_simulated_cart_meets_its_bench_leg(tmp_path: Path) -> None:
    """Truth of the simulator: where a rotor turns forward at less than a tenth of what its duty gives, for 0.5 s."""
    drive, report = demo(), demo_report(tmp_path, DEMO_CART)
    duty, rotor = drive.true["left_duty"], drive.true["left_rotor_rad_s"]
    driving = duty > 0.3
    usual = np.median(rotor[driving] / duty[driving])
    slow = (duty > 0.08) & (rotor < 0.1 * usual * duty)
    spells = on_spans(np.arange(len(slow)) * 0.01, slow, len(slow) * 0.01)
    (spell,) = [span for span in spells if span[1] - span[0] >= 0.5]
    (stall,) = report.drive.stalls
    low, value, high = sides(report.drive.stall_s)
    assert stall.side == "left"
    assert stall.start_s == pytest.approx(spell[0], abs=0.15)
    # Its command ends a little before its duty does: the controller's slope.
    assert low - 0.08 <= spell[1] - spell[0] <= high + 0.08
    assert value == pytest.approx(spell[1] - spell[0], abs=0.15)
    assert "wheel_stalled" in {finding.code for finding in report.findings}


def test_the_simulated_cart_backs_off_and_brakes(tmp_path: Path) -> None:
    drive, report = demo(), demo_report(tmp_path, DEMO_CART)
    low, value, high = sides(report.drive.reversing_s)
    both = drive.true["left_duty"] + drive.true["right_duty"]
    assert value == pytest.approx(float((both < -0.16).sum()) * 0.01, abs=0.15)
    assert low < high
    battery = drive.true["battery_current_a"]
    true_ah = -float(np.minimum(battery, 0).sum()) * 0.01 / 3600
    low, value, high = sides(report.drive.regenerated_ah)
    assert low < true_ah < high
    assert value_of(report.drive.peak_recovered_a) == pytest.approx(-float(battery.min()), rel=0.05)
    assert report.drive.peak_recovered_at_s == pytest.approx(float(battery.argmin()) * 0.01, abs=0.2)
    low, value, high = sides(report.drive.left_share)
    charges = [float(drive.true[f"{side}_current_a"].sum()) for side in ("left", "right")]
    assert low < charges[0] / sum(charges) < high
    assert len(report.drive.laps_left_share) == len(report.laps.each) == 9


def test_the_simulated_stall_without_pickups(tmp_path: Path) -> None:
    """From the current alone the same stall is found, and called an estimate."""
    (tmp_path / "a").mkdir()
    counted = demo_report(tmp_path / "a", DEMO_CART).drive
    without = ("left_wheel_count", "right_wheel_count")
    for place, machine in (("supply", DEMO_CART), ("motor", MOTOR_LEAD)):
        (tmp_path / place).mkdir()
        found = demo_report(tmp_path / place, machine, motor_lead=place == "motor", without=without).drive
        assert codes(found.stall_s) == ["stall_seen_by_current"]
        longest = max(found.stalls, key=lambda stall: stall.end_s - stall.start_s)
        assert longest.side == "left"
        assert longest.start_s == pytest.approx(counted.stalls[0].start_s, abs=0.5)


@given(st.integers(0, 2**32 - 1))
def test_changes_hold_what_all_samples_say(seed: int) -> None:
    """At every moment the same value, between any two the same sampled time, and the same gaps."""
    rng = np.random.default_rng(seed)
    t_s = np.cumsum(rng.exponential(1, 80))
    whole = Series(t_s, np.cumsum(rng.random(80) < 0.2).astype(float), rng.random(79) < 0.1)
    found = sparse(whole)
    place = np.searchsorted(found.time_s, t_s, "right") - 1
    assert np.array_equal(found.value[place], whole.value)
    assert found.sampled_s == pytest.approx(whole.sampled_s)
    ends = [np.stack((each.time_s[:-1], each.time_s[1:]))[:, each.gap_after] for each in (found, whole)]
    assert np.array_equal(*ends)


def test_a_long_run_read_in_stretches_says_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pulses and counts, kept by their changes, lose nothing."""
    (tmp_path / "a").mkdir()
    short = demo_report(tmp_path / "a", DEMO_CART).drive
    monkeypatch.setattr("amptally.analysis.runs.run.CACHED_ROWS", 10_000)
    monkeypatch.setattr("amptally.analysis.runs.samples.AT_ONCE_ROWS", 10_000)
    monkeypatch.setattr("amptally.analysis.runs.samples.STRETCH_ROWS", 4_000)
    (tmp_path / "b").mkdir()
    long = demo_report(tmp_path / "b", DEMO_CART).drive
    assert long.stalls == short.stalls
    for name in ("stall_s", "reversing_s", "reversing_fraction", "peak_recovered_a"):
        assert sides_or_low(getattr(long, name)) == pytest.approx(sides_or_low(getattr(short, name)), rel=1e-3)
    for one, other in zip(long.command_map, short.command_map, strict=True):
        assert (one.side, one.from_share) == (other.side, other.from_share)
        assert (one.samples, one.median_a) == (other.samples, other.median_a)
        assert (one.mean_a, one.seconds) == pytest.approx((other.mean_a, other.seconds))


def sides_or_low(result: Estimate) -> tuple[float, float]:
    assert result.value is not None
    assert result.low is not None
    return result.low, result.value


def test_commands_without_mixing_or_pulses(tmp_path: Path) -> None:
    assert isinstance(read_commands(run_of(tmp_path, pulses(0.5))), Commands)
    stall_s, stalls = assess_stalls(run_of(tmp_path, {"mark": 0.0}), Reason("no_command_pulses"))
    assert (stall_s.reasons, stalls) == ((Reason("no_command_pulses"),), ())


@pytest.mark.parametrize(("left_a", "right_a", "named"), [(4.0, 6.0, True), (6.0, 4.0, True), (4.8, 5.2, False)])
def test_one_side_that_draws_more_straight_ahead(tmp_path: Path, left_a: float, right_a: float, named: bool) -> None:
    """40 : 60 straight ahead is a finding; on a circuit the outer side works more, and that is none."""
    turn = np.where((T_S > 20) & (T_S < 40), 0.3, 0.0)
    channels = {
        **pulses(DRIVEN, turn),
        "left_current_a": np.where(turn > 0, 9.0, left_a) * (DRIVEN > 0),
        "right_current_a": np.where(turn > 0, 1.0, right_a) * (DRIVEN > 0),
    }
    found = [finding for finding in drive_of(run_of(tmp_path, channels)).findings if finding.code == "sides_uneven"]
    assert len(found) == named
    if named:
        assert found[0]["left_share"] == pytest.approx(left_a / (left_a + right_a), abs=0.001)
        assert found[0]["straight_s"] == pytest.approx(23, abs=1)
        assert ("right" if right_a > left_a else "left") in told(found[0]).what
        assert "40 : 60" in told(found[0]).evidence or "60 : 40" in told(found[0]).evidence


def test_a_charge_is_not_what_braking_gave_back(tmp_path: Path) -> None:
    t_s = np.arange(0, 600, 0.1)
    braking = {"battery_current_a": np.where(t_s % 60 < 20, -10.0, 20.0)}
    drive = drive_of(run_of(tmp_path, braking, t_s=t_s))
    assert value_of(drive.regenerated_ah) == pytest.approx(10 * 200 / 3600, rel=0.01)
    charged = {"battery_current_a": np.where(t_s < 300, 20.0, -5.0)}
    drive = drive_of(run_of(tmp_path, charged, t_s=t_s))
    for value in (drive.regenerated_ah, drive.regenerated_fraction, drive.peak_recovered_a):
        assert codes(value) == ["battery_charged"]
    assert drive.peak_recovered_at_s is None
    assert "on a charger" in refusal(drive.regenerated_ah)
