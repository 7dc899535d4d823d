"""`machine check` and the report give one answer about the same fuse and wire."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given
from hypothesis import strategies as st

from amptally.analysis.exposure.exposure import CurrentError, Exposure
from amptally.analysis.protection.fuse import assess_fuse
from amptally.analysis.protection.fuse_eligibility import FuseSpec, fuse_specs
from amptally.analysis.protection.wire import ampacity, fuse_over_wire
from amptally.analysis.report.build import build_report
from amptally.analysis.report.machine_file import problems_of_fuses
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.logger.machine.check import check
from amptally.logger.machine.description import parse
from amptally.logger.machine.fields import SECTIONS, Wire
from amptally.logger.machine.problem import RULES, Problem
from amptally.logger.machine.spec import Spec, toml
from amptally.logger.machine.template import template
from tests.analysis.build_runs import write_run
from tests.strategies import examples

# Every row of 33 CFR 183.425 Table 5 that `awg` can name, gauges beside and beyond it, and metric sizes.
GAUGES = (20, 18, 16, 14, 12, 10, 8, 6, 4, 3, 2, 1, 0)
AREAS_MM2 = (0.5, 0.75, 1.5, 2.5, 4.0, 6.0, 10.0, 25.0, 50.0, 107.0, 120.0)
INSULATION_C = (None, 50, 60, 75, 80, 85, 90, 105, 125, 150, 200, 250)
AIR_C = (None, 20, 40, 50, 70)
RATINGS_A = (1, 7.5, 15, 20, 30, 35, 40, 60, 80, 150, 500)


def checked(wire: dict[str, object], rating_a: float, air_c: float | None) -> str | None:
    """Severity of `fuse_above_wire` in `machine check`; None where it does not find it."""
    lines = ["[fuse.left]", 'family = "strip_sf51"', f"rating_a = {rating_a:g}"]
    lines += [] if air_c is None else [f"ambient_c = {air_c:g}"]
    lines += ["[wire.left]", *(f"{name} = {value}" for name, value in wire.items() if value is not None)]
    found = [each for each in check(parse("\n".join(lines), "cart.toml")) if each.code == "fuse_above_wire"]
    return found[0].severity if found else None


def reported(wire: dict[str, object], rating_a: float, air_c: float | None) -> str | None:
    """The same of the report."""
    found = fuse_over_wire("left", rating_a, ampacity(Wire(**wire), air_c))  # type: ignore[arg-type]
    return None if found is None else found.severity


@pytest.mark.parametrize("insulation_c", INSULATION_C)
@pytest.mark.parametrize(
    "size",
    [
        *({"awg": awg} for awg in GAUGES),
        *({"mm2": area} for area in AREAS_MM2),
        *({"awg": awg, "mm2": area} for awg, area in ((10, 10.0), (10, 2.5), (8, 8.37), (12, 3.3))),
    ],
    ids=lambda size: "_".join(f"{value:g}{name}" for name, value in size.items()),
)
def test_a_fuse_is_above_its_wire_in_both_or_in_neither(size: dict[str, object], insulation_c: float | None) -> None:
    wire = {**size, "insulation_c": insulation_c}
    for rating_a, air_c in itertools.product(RATINGS_A, AIR_C):
        assert checked(wire, rating_a, air_c) == reported(wire, rating_a, air_c), (rating_a, air_c)


@pytest.mark.parametrize("family", ["blade_mini", "blade_medium", "blade_large", "strip_sf30", "strip_sf51"])
def test_a_rating_that_no_list_names_is_doubted_in_both(family: str) -> None:
    second = np.arange(0, 100, 0.01)
    exposure = Exposure.from_interval_rms(second, np.full(len(second), 5.0), np.zeros(len(second) - 1, bool))
    for rating_a in (0.5, 1, 2, 7.5, 20, 25, 30, 32, 35, 40, 45, 60, 80, 100, 500, 501):
        text = f'[fuse.left]\nfamily = "{family}"\nrating_a = {rating_a:g}\n'
        outside = "fuse_outside_family" in {each.code for each in check(parse(text, "cart.toml"))}
        result = assess_fuse(FuseSpec("left", family, rating_a, 20.0), exposure, CurrentError(0.001, 0.0, 0.0), 100.0)
        unlisted = any("no list at hand names" in told(finding).evidence for finding in result.findings)
        assert outside == (unlisted or result.derated_a is None), rating_a


@pytest.mark.parametrize("position", [None, "supply_leg", "motor_lead", "unknown"])
@pytest.mark.parametrize("sensed", [None, "supply_leg", "motor_lead", "unknown"])
def test_a_sensor_in_the_other_lead_is_found_by_both_or_by_neither(position: str | None, sensed: str | None) -> None:
    lines = ["[fuse.left]", 'family = "blade_large"', "rating_a = 40"]
    lines += [] if position is None else [f'position = "{position}"']
    lines += [] if sensed is None else ["[controller]", f'sensed = "{sensed}"']
    machine = parse("\n".join(lines), "cart.toml")
    second = np.arange(0, 100, 0.01)
    exposure = Exposure.from_interval_rms(second, np.full(len(second), 5.0), np.zeros(len(second) - 1, bool))
    result = assess_fuse(fuse_specs(machine)["left"], exposure)
    checks, reports = {each.code for each in check(machine)}, {each.code for each in result.findings}
    assert ("fuse_not_seen" in checks) == ("fuse_place_differs" in reports)
    # Where the file leaves the sensor's place open, that is its own finding in both.
    unseen = "fuse_position_missing" in checks or "controller_sensed_missing" in checks
    assert unseen or not reports & {"fuse_place_unknown", "fuse_place_assumed"}


# Ohm's law: 24 V / 20 mΩ = 1200 A (scope of ISO 8820-3:2015: 1000 A); 12 AWG at 75 °C 25 A (33 CFR 183.425 Table 5).
GRAVE = """
[battery]
chemistry = "agm"
blocks = 2
arrangement = "series"
block_voltage_v = 12
resistance_ohm = 0.010
[fuse.left]
family = "blade_large"
rating_a = 60
[wire.left]
awg = 14
insulation_c = 60
[controller]
maximum_v = 20
[charger]
voltage_v = 33.6
"""


def likely(spec: Spec) -> st.SearchStrategy[object]:
    """Values of a field near those of its example, so that machines are plausible and contradict themselves often."""
    match spec.kind:
        case "choice":
            return st.sampled_from(spec.words)
        case "number" | "integer":
            factors = st.sampled_from((0.1, 0.3, 0.5, 1.0, 1.0, 2.0, 3.0, 10.0, 1000.0))
            values = factors.map(lambda factor: min(max(float(spec.example) * factor, spec.low), spec.high))
            return values if spec.kind == "number" else values.map(lambda value: max(round(value), int(spec.low)))
        case "boolean":
            return st.booleans()
        case "text":
            return st.just(spec.example)


@st.composite
def machine_files(draw: st.DrawFn) -> str:
    """A machine file of some sections with some fields."""
    lines = []
    for section in SECTIONS.values():
        if section.name == "sensors":
            continue
        for header in [f"{section.name}.{place}" for place in section.places] or [section.name]:
            most = min(len(section.specs), 12)
            names = draw(
                st.lists(st.sampled_from(sorted(section.specs)), unique=True, min_size=most // 2, max_size=most)
            )
            lines.append(f"[{header}]")
            for name in names:
                value = draw(likely(section.specs[name]))
                text = str(value).lower() if isinstance(value, bool) else toml(value)
                lines.append(f"{name} = {text}")
    return "\n".join(lines)


Said = tuple[str, str | None, str]
"""(code of the rule, lead, severity)."""


def said_by_report(finding: Reason) -> Said:
    """One taken over from the file by the rule's own code."""
    facts = dict(finding.facts)
    if finding.code == "machine_file":
        rule, where = str(facts["rule"]), str(facts["where"])
        return rule, Problem(finding.severity, rule, "", "", "", where).place, finding.severity
    place = facts.get("place")
    return finding.code, None if place is None else str(place), finding.severity


@pytest.fixture(scope="module")
def quiet_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run that measured one temperature: whatever a report finds dangerous in it, the machine file says."""
    second = np.arange(0, 4, 0.5)
    return write_run(tmp_path_factory.mktemp("runs") / "quiet.parquet", second, {"motor_temp_c": 20.0 + 0 * second})


def report_of(run: Path, text: str) -> tuple[Reason, ...]:
    """The findings of a report on the run with this machine file."""
    file = run.with_name("cart.toml")
    file.write_text(text, encoding="utf-8")
    return build_report(Run.open(run, machine=file), with_ledger=False).findings


@examples(0.5, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(text=machine_files())
@example(text=GRAVE)
def test_a_danger_of_the_file_is_in_machine_check_and_in_the_report(quiet_run: Path, text: str) -> None:
    machine = parse(text, "cart.toml")
    checked = {(each.code, each.place, each.severity) for each in (*check(machine), *problems_of_fuses(machine))}
    reported = {said_by_report(finding) for finding in report_of(quiet_run, text)}
    for code, place, severity in checked:
        # What the report's own rule says as gravely of the same lead, it says under its own code.
        said = {(name, place, severity) for name in (code, *TWIN.get(code, ()))} & reported
        assert severity == "note" or said, (code, place)
    dangers = {each for each in reported if each[2] == "danger"}
    assert dangers <= checked


TWIN = {
    "breaking_capacity_near": ("breaking_capacity",),
    "fuse_outside_family": ("fuse_rating_unknown", "fuse_limit_unverified"),
    "fuse_incomplete": ("fuse_family_unknown", "fuse_rating_missing"),
    "fuse_not_seen": ("fuse_place_differs",),
}


def test_every_danger_of_a_file_is_among_those_compared() -> None:
    machine = parse(GRAVE, "cart.toml")
    grave = {each.code for each in (*check(machine), *problems_of_fuses(machine)) if each.severity == "danger"}
    rules = {code for code, (severity, _) in RULES.items() if severity == "danger"}
    assert grave == rules | {"fuse_wire_coordination"}


def test_the_untouched_template_is_said_to_be_empty_by_both(quiet_run: Path) -> None:
    machine = parse(template(), "cart.toml")
    assert [problem.code for problem in check(machine)] == ["nothing_filled_in"]
    assert problems_of_fuses(machine) == ()
    (finding,) = (each for each in report_of(quiet_run, template()) if each.code == "machine_file")
    assert told(finding).what == "Nothing is filled in: the file describes no machine."
