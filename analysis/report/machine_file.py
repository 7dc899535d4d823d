"""What the machine file alone shows, so that `machine check` and a report name the same dangers.

The rules of the file are in `logger.machine.check`; fuses against wires over time, in their air and
against a stall need the thermal memory or the derating and are here. Each of the two commands asks for the other's.
"""

from __future__ import annotations

from collections.abc import Sequence

from amptally.analysis.protection.coordination import coordinate, wires_behind
from amptally.analysis.protection.fuse import missing_limits
from amptally.analysis.protection.fuse_eligibility import fuse_specs, usable_rating
from amptally.analysis.protection.stall import declared_stall, stall_finding, stall_opens_s
from amptally.analysis.results.reason import SEVERITIES, Reason
from amptally.analysis.wording.findings import told
from amptally.logger.machine.check import check
from amptally.logger.machine.description import Machine
from amptally.logger.machine.problem import Problem

_TWINS: dict[str, frozenset[str]] = {
    "fuse_above_wire": frozenset({"fuse_above_wire"}),
    "breaking_capacity": frozenset({"breaking_capacity"}),
    "breaking_capacity_near": frozenset({"breaking_capacity", "breaking_capacity_near"}),
    "fuse_outside_family": frozenset({"fuse_rating_unknown", "fuse_limit_unverified"}),
    "fuse_incomplete": frozenset({"fuse_family_unknown", "fuse_rating_missing"}),
    "fuse_not_seen": frozenset({"fuse_place_differs"}),
}
"""Rules of `machine check` by code, and the findings of a report that say the same of the same lead."""
_BY_AIR = ("fuse_ambient_beyond", "fuse_derating_missing")


def findings_of_file(machine: Machine | None, found: Sequence[Reason]) -> list[Reason]:
    """Dangers and cautions of the machine file that are not among the findings of a run."""
    if machine is None:
        return []
    more = [
        Reason(
            "machine_file",
            problem.severity,
            rule=problem.code,
            where=problem.where,
            evidence=problem.evidence,
            next=problem.next,
        )
        for problem in check(machine)
        if problem.severity != "note"
        and not _among(found, _TWINS.get(problem.code, frozenset()), problem.place, problem.severity)
    ]
    return [
        *more,
        *(each for each in _of_fuses(machine) if not _among(found, {each.code}, each["place"], each.severity)),
    ]


def problems_of_fuses(machine: Machine) -> tuple[Problem, ...]:
    """The findings of a report that follow from the machine file alone, for `machine check`."""
    problems = []
    for finding in _of_fuses(machine):
        words = told(finding)
        where = f"fuse.{finding['place']}"
        problems.append(Problem(finding.severity, finding.code, words.what, words.evidence, words.next, where))
    return tuple(problems)


def _of_fuses(machine: Machine) -> list[Reason]:
    """Fuses against the wires behind them, their air and a stall; dangers and cautions, in no order."""
    found: list[Reason] = []
    for place, spec in fuse_specs(machine).items():
        found += coordinate(place, spec.family, spec.rating_a, wires_behind(machine, place)).findings
        usable, stall = usable_rating(spec), declared_stall(machine, place)
        found += [each for each in missing_limits(spec, usable)[1] if each.code in _BY_AIR]
        if stall is None or usable.table is None or usable.rating_a is None or usable.derated_a is None:
            continue
        opens_s = stall_opens_s(usable.table, usable.rating_a, usable.derated_a, stall.current_a)
        found.append(stall_finding(place, stall, opens_s, usable.derated_a))
    return [each for each in found if each.severity != "note"]


def _among(found: Sequence[Reason], codes: frozenset[str] | set[str], place: object, severity: str) -> bool:
    """Whether a finding at least as grave says one of these codes of the same lead."""
    return any(
        each.code in codes and dict(each.facts).get("place") == place and _rank(each.severity) <= _rank(severity)
        for each in found
    )


def _rank(severity: str) -> int:
    return [str(each) for each in SEVERITIES].index(severity)
