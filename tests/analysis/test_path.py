"""Each lead as a path of parts: which currents its wire is held against, the weakest part, what caps its fuse."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.exposure.current import Current, assess_current
from amptally.analysis.protection.path import PathResult, assess_paths, lead_limits
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.leads import LEADS
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import refusal
from amptally.logger.machine.description import parse
from tests.analysis.build_runs import CART, Floats, doubted, value_of, write_run

T_S = np.arange(0, 60, 0.01)
WIRED = """
[wire.left]
awg = 10
length_m = 2
insulation_c = 75
connector_a = 45
[wire.main]
awg = 4
length_m = 1
insulation_c = 105
[fuse.left]
family = "blade_large"
rating_a = 40
[fuse.main]
rating_a = 80
[cutoff]
rating_a = 100
[controller]
continuous_a = 50
[motor]
rated_a = 30
"""


def paths_of(
    folder: Path, machine: str | None, channels: dict[str, Any], t_s: Floats = T_S, **given: Any
) -> tuple[dict[str, PathResult], dict[str, Current]]:
    run = Run.open(write_run(folder / f"r{len(list(folder.iterdir()))}.parquet", t_s, channels, machine=machine))
    currents = {lead: assess_current(run, lead, [], [], Doubts()) for lead in LEADS}
    return assess_paths(run, currents, **given), currents


def steady(amps: float = 20.0) -> dict[str, Any]:
    return {"battery_current_a": amps, "left_current_a": amps}


def codes(path: PathResult) -> set[str]:
    return {finding.code for finding in path.findings}


def test_a_wire_is_held_against_its_own_lead(tmp_path: Path) -> None:
    # 33 CFR 183.425 Table 5: 10 AWG at 75 °C carries 40 A, 4 AWG at 105 °C 160 A.
    found, _ = paths_of(tmp_path, WIRED, {"battery_current_a": 32.0, "left_current_a": 20.0})
    assert set(found) == {"main", "left"}
    assert value_of(found["left"].wire.margin) == pytest.approx(40 / 20, rel=1e-6)
    assert value_of(found["main"].wire.margin) == pytest.approx(160 / 32, rel=1e-6)
    # R of 2 m of 5.261 mm² (MT: IEC 60028, 6.554 mΩ at 20 °C) is a little more when warm; drop at 20 A
    assert 6.554e-3 * 20 < value_of(found["left"].wire.drop_v) < 1.25 * 6.554e-3 * 20


def test_the_hottest_moment_counts_and_what_came_before_it(tmp_path: Path) -> None:
    # One time constant of 10 AWG at 75 °C in 30 °C, by hand: c A ΔT/(I² ρ/A) with 3.45e6 J/m³K, 5.261 mm², 45 K, 40 A
    # and ρ = (1 + 0.00393 · 55)/58e6 Ωm: 127.8 s. Twenty minutes are nine of them, so that only the current counts.
    t_s = np.arange(0, 2400, 0.1)
    amps = np.where(t_s < 1200, 10.0, 30.0)
    found, _ = paths_of(tmp_path, WIRED, {"left_current_a": amps}, t_s)
    assert value_of(found["left"].wire.margin) == pytest.approx(40 / 30, rel=1e-4)
    # Loss is that of the whole run: RMS √((30² + 10²)/2) = 22.36 A.
    warm_ohm = value_of(found["left"].wire.drop_v) / 30
    assert value_of(found["left"].wire.loss_w) == pytest.approx(warm_ohm * 500, rel=1e-2)


# TM6, references section 13: 10 AWG at 105 °C carries 60 A; 120 A for 120 s give 3.0 times the rise
def test_a_wire_that_two_minutes_bring_to_two_hundred_degrees_is_over(tmp_path: Path) -> None:
    t_s = np.arange(0, 1200, 0.1)
    machine = WIRED.replace("insulation_c = 75", "insulation_c = 105")
    burst = np.where((t_s > 300) & (t_s <= 420), 120.0, 0.0)
    found, currents = paths_of(tmp_path, machine, {"left_current_a": burst}, t_s)
    wire = found["left"].wire
    assert value_of(wire.margin) == pytest.approx(1 / math.sqrt(3.0), rel=0.01)
    # The largest ten minutes are 53.7 A and every pulse of 5 s is far below its limit: both say nothing of it.
    assert value_of(currents["left"].rms_a["600"]) < 60
    assert value_of(wire.adiabatic_margin) > 1.5
    assert (wire.verdict, "wire_over" in codes(found["left"])) == ("over", True)


def test_a_run_that_starts_loaded_starts_warm(tmp_path: Path) -> None:
    found, _ = paths_of(tmp_path, WIRED, {"left_current_a": 30.0}, np.arange(0, 20, 0.01))
    margin = found["left"].wire.margin
    assert value_of(margin) == pytest.approx(40 / 30, rel=1e-6)
    assert "wire_started_loaded" in {reason.code for reason in margin.reasons}
    # Cold before, 20 s of 127.8 s would have warmed it by 1 − e^(−0.1565) = 0.1449 of 0.5625: margin up to 3.50.
    assert margin.high is not None
    assert margin.high > 3.4


def test_a_gap_leaves_a_margin_open_below_unless_the_file_bounds_the_current(tmp_path: Path) -> None:
    t_s = np.concatenate([np.arange(0, 100, 0.01), np.arange(104, 200, 0.01)])
    burst = {"left_current_a": np.where((t_s > 50) & (t_s <= 52), 100.0, 20.0)}
    open_below, _ = paths_of(tmp_path, WIRED, burst, t_s)
    wire = open_below["left"].wire
    # Twice the burst may have flowed in the gap.
    assert (wire.margin.bound, wire.adiabatic_margin.bound, wire.verdict) == ("at_most", "at_most", "unknown")
    assert "gaps_may_hide_more" in {reason.code for reason in wire.margin.reasons}
    # 100 A at most, declared: in 4 s of 127.8 s it warms the wire by 3.08 % of (100/40)² on top of (20/40)².
    bounded = WIRED.replace("continuous_a = 50", "continuous_a = 50\npeak_a = 100")
    wire = paths_of(tmp_path, bounded, burst, t_s)[0]["left"].wire
    rise = 0.25 + (6.25 - 0.25) * -math.expm1(-4 / 127.8)
    assert wire.margin.bound == "estimate"
    assert wire.margin.low is not None
    assert 0.85 / math.sqrt(rise) < wire.margin.low < 1 / math.sqrt(rise)
    # 100 · 5.261/√5 = 235 A over √((4 · 100² + 20²)/5) = 89.9 A: 2.6 by the adiabatic rule, less missing copper.
    assert wire.adiabatic_margin.low is not None
    assert 0.8 * 235.3 / 89.9 < wire.adiabatic_margin.low < 235.3 / 89.9
    assert wire.verdict == "under"
    # A gap that could hide no more than was seen anyway leaves everything as it is.
    assert paths_of(tmp_path, WIRED, steady(20.0), t_s)[0]["left"].wire.verdict == "under"


def test_a_lead_measured_beyond_the_controller_is_not_judged_by_that_current(tmp_path: Path) -> None:
    supply = WIRED.replace("rating_a = 40", 'rating_a = 40\nposition = "supply_leg"')
    beyond = supply.replace("continuous_a = 50", 'continuous_a = 50\nsensed = "motor_lead"')
    # A motor's 50 A bound its supply from above alone, where no commands tell the duty.
    wire = paths_of(tmp_path, beyond, steady(50.0))[0]["left"].wire
    assert (wire.margin.bound, wire.adiabatic_margin.bound, wire.verdict) == ("at_least", "at_least", "unknown")
    assert "supply_carries_at_most_motor" in {reason.code for reason in wire.margin.reasons}
    # 30 A in the motor: the supply carried no more, and 40 A are allowed for ever.
    assert paths_of(tmp_path, beyond, steady(30.0))[0]["left"].wire.verdict == "under"
    # Half duty: 25 A before the capacitors.
    pulses = {"pulse_a_us": 1750.0, "pulse_b_us": 1500.0, "battery_voltage_v": 25.0}
    mixed = beyond.replace("continuous_a = 50", 'continuous_a = 50\nmixing = "controller"')
    wire = paths_of(tmp_path, mixed, steady(50.0) | pulses)[0]["left"].wire
    assert value_of(wire.margin) == pytest.approx(40 / 25, rel=1e-3)
    assert wire.margin.low is not None
    assert wire.margin.low < 40 / 25
    # Measured in the supply leg, a wire in the motor lead carried that much or more.
    motor = WIRED.replace("rating_a = 40", 'rating_a = 40\nposition = "motor_lead"')
    seen = motor.replace("continuous_a = 50", 'continuous_a = 50\nsensed = "supply_leg"')
    assert paths_of(tmp_path, seen, steady(30.0))[0]["left"].wire.verdict == "unknown"
    assert paths_of(tmp_path, seen, steady(100.0))[0]["left"].wire.verdict == "over"
    # Where it is not known what the sensor sees, nothing is said.
    unknown = beyond.replace('sensed = "motor_lead"', 'sensed = "unknown"')
    wire = paths_of(tmp_path, unknown, steady(50.0))[0]["left"].wire
    assert (wire.margin.reasons[0].code, wire.verdict) == ("wire_place_unknown", "unknown")
    assert wire.drop_v.is_refused


def test_the_weakest_part_of_each_lead_is_named(tmp_path: Path) -> None:
    found, _ = paths_of(tmp_path, WIRED, steady())
    left, main = found["left"].weakest, found["main"].weakest
    assert left is not None
    assert main is not None
    assert (left.part, left.rating_a, left.unrated) == ("fuse", 40, ())
    assert (main.part, main.rating_a, main.unrated) == ("fuse", 80, ("connector",))
    weaker, _ = paths_of(tmp_path, WIRED.replace("connector_a = 45", "connector_a = 25"), steady())
    assert weaker["left"].weakest is not None
    assert weaker["left"].weakest.part == "connector"


def test_a_fuse_above_its_wire(tmp_path: Path) -> None:
    # ABYC E-11 (second-hand): the next size up may stand to 150 % of the ampacity; above it is a danger.
    for rating, severity in ((40, None), (60, "caution"), (80, "danger")):
        found, _ = paths_of(tmp_path, WIRED.replace("rating_a = 40", f"rating_a = {rating}"), steady())
        grave = {finding.code: finding.severity for finding in found["left"].findings}
        assert grave.get("fuse_above_wire") == severity


def test_a_lead_without_a_fuse_hangs_on_the_main_one(tmp_path: Path) -> None:
    # 33 CFR 183.425 Table 5: 10 AWG at 75 °C carries 40 A; ABYC E-11 (second-hand): 80 A is above 150 % of it.
    bare = WIRED.replace('[fuse.left]\nfamily = "blade_large"\nrating_a = 40\n', "")
    found, _ = paths_of(tmp_path, bare, steady())
    (above,) = (finding for finding in found["left"].findings if finding.code == "fuse_above_wire")
    assert above.severity == "danger"
    assert told(above).what == "The main fuse is rated 2.00 times what the left wire carries."


def test_an_overloaded_wire_is_a_danger(tmp_path: Path) -> None:
    found, _ = paths_of(tmp_path, WIRED, steady(50.0))
    assert found["left"].wire.verdict == "over"
    assert "wire_over" in codes(found["left"])
    assert found["main"].wire.verdict == "under"


def test_air_at_the_fuse_is_air_at_the_wire(tmp_path: Path) -> None:
    warm = WIRED.replace("rating_a = 40", "rating_a = 40\nambient_c = 60")
    found, _ = paths_of(tmp_path, warm, steady())
    # √((75 − 60)/(75 − 30)) of 40 A: docs/methods.md, Ampacity and margin
    assert found["left"].wire.ampacity_a == pytest.approx(40 * (15 / 45) ** 0.5, rel=1e-6)


def test_a_lead_that_was_not_measured(tmp_path: Path) -> None:
    found, _ = paths_of(tmp_path, WIRED, {"battery_current_a": 20.0})
    wire = found["left"].wire
    assert "was measured" in (refusal(wire.margin) or "")
    assert wire.verdict == "unknown"
    assert wire.ampacity_a is not None
    assert found["left"].weakest is not None


def test_a_bare_wire_and_no_machine(tmp_path: Path) -> None:
    found, _ = paths_of(tmp_path, "[wire.right]\nlength_m = 1\n", {"right_current_a": 5.0})
    assert found["right"].weakest is None
    assert found["right"].wire.verdict == "unknown"
    assert paths_of(tmp_path, None, steady())[0] == {}
    assert paths_of(tmp_path, "[fuse.left]\nrating_a = 40\n", steady())[0] == {}


def test_a_current_that_was_widened_already_is_not_widened_again(tmp_path: Path) -> None:
    scale = doubted("channels_disagree", variant="near", widths=(("scale", 0.1),))
    once, currents = paths_of(tmp_path, WIRED, steady(), doubts=scale)
    left = currents["left"]
    held = replace(left, peak_a=scale.hold(left.peak_a, ("left_current_a", "peak")))
    run = Run.open(next(tmp_path.glob("*.parquet")))
    again = assess_paths(run, {**currents, "left": held}, scale)
    assert held.peak_a.low is not None
    assert left.peak_a.low is not None
    assert held.peak_a.low < left.peak_a.low
    low, twice = again["left"].wire.drop_v.low, once["left"].wire.drop_v.low
    assert low is not None
    assert twice is not None
    # The drop of a current 10 % lower is 10 % lower; the wire's own terms come in quadrature, so that it is no less.
    assert twice * (1 - 1e-9) <= low <= 0.95 * value_of(once["left"].wire.drop_v)


def test_a_description_that_does_not_fit_takes_back_under_alone(tmp_path: Path) -> None:
    for amps, verdict in ((20.0, "unknown"), (50.0, "over")):
        found, _ = paths_of(tmp_path, WIRED, steady(amps), description_fits=False)
        assert found["left"].wire.verdict == verdict
        assert (Reason("verdict_withdrawn") in found["left"].wire.rule) == (verdict == "unknown")


def test_doubts_reach_the_verdict_of_their_own_lead(tmp_path: Path) -> None:
    plain, _ = paths_of(tmp_path, WIRED, steady())
    assert (plain["left"].wire.verdict, plain["main"].wire.verdict) == ("under", "under")
    cut, _ = paths_of(tmp_path, WIRED, steady(), doubts=doubted("cut_top"))
    left = cut["left"].wire
    assert (left.margin.bound, left.adiabatic_margin.bound, left.verdict) == ("at_most", "at_most", "unknown")
    assert (left.drop_v.bound, left.loss_w.bound) == ("at_least", "at_least")
    assert cut["main"] == plain["main"]
    # A danger needs no certainty about how large it is: cut tops of 50 A were 50 A or more.
    assert paths_of(tmp_path, WIRED, steady(50.0), doubts=doubted("cut_top"))[0]["left"].wire.verdict == "over"
    stuck, _ = paths_of(tmp_path, WIRED, steady(50.0), doubts=doubted("channel_stuck"))
    wire = stuck["left"].wire
    for value in (wire.margin, wire.adiabatic_margin, wire.drop_v, wire.loss_w):
        assert [each.code for each in value.reasons][:1] == ["doubted"]
        assert value.is_refused
    assert (wire.verdict, codes(stuck["left"])) == ("unknown", set())


def test_a_doubt_widens_a_wire_s_margin_across_its_line(tmp_path: Path) -> None:
    # 40 A over 38 A is 1.05; a share of 0.1 on both sides reaches below 1.
    scale = doubted("channels_disagree", variant="near", widths=(("scale", 0.1),))
    wire = paths_of(tmp_path, WIRED, steady(38.0), doubts=scale)[0]["left"].wire
    assert wire.margin.low == pytest.approx(40 / 38 * 0.9, rel=1e-6)
    assert wire.verdict == "unknown"
    assert paths_of(tmp_path, WIRED, steady(38.0))[0]["left"].wire.verdict == "under"


def limits(machine: str, place: str) -> dict[str, float]:
    return dict(lead_limits(parse(machine, "cart.toml"), place).caps)


def test_what_caps_a_fuse_of_each_lead() -> None:
    machine = WIRED.replace("rating_a = 40", "rating_a = 40\nholder_a = 60")
    # What motor and controller are rated for caps no fuse: it opens too late for either.
    assert limits(machine, "left") == {"holder": 60, "connector": 45}
    assert limits(machine, "main") == {"cutoff": 100}
    assert limits(CART, "left") == {}
    assert lead_limits(None, "left").behind == ()
    assert [behind.place for behind in lead_limits(parse(machine, "cart.toml"), "main").behind] == ["main"]
