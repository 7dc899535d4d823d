"""Every fuse of a run: its current found or estimated, judged, and what other ratings would meet. docs/methods.md."""

from __future__ import annotations

from dataclasses import dataclass, replace

from amptally.analysis.exposure.current import Current
from amptally.analysis.protection.fuse import FuseResult, assess_fuse
from amptally.analysis.protection.fuse_advice import FuseAdvice, advice_finding, advise, none_given
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_margin import measured_margins, translated_margins
from amptally.analysis.protection.path import lead_limits
from amptally.analysis.protection.supply import translate
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.finding import Finding
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.runs.run import Run
from amptally.tables.fuse_opening_times import FuseTable


@dataclass(frozen=True, slots=True)
class FuseLead:
    """One fuse of the report."""

    result: FuseResult
    advice: FuseAdvice
    who: str
    """How findings name it."""
    findings: tuple[Finding, ...]


def assess_fuses(run: Run, specs: dict[str, FuseSpec], currents: dict[str, Current]) -> dict[str, FuseLead]:
    """All fuses by place; `currents` by lead."""
    return {place: _assess(run, spec, currents[LEAD_OF[place]]) for place, spec in specs.items()}


def settled(leads: dict[str, FuseLead], results: dict[str, FuseResult], mismatch: str | None) -> dict[str, FuseLead]:
    """The leads with the results that doubts about the data leave, and without comfort from a wrong description.

    `mismatch` says that the description is not this machine's. Advice on figures that changed is taken back.
    """
    found = {}
    for place, lead in leads.items():
        after = results[place]
        same = (after.margin, after.continuous_fraction) == (lead.result.margin, lead.result.continuous_fraction)
        if not same:
            why = after.margin.refused or after.margin.basis.split(";")[0]
            lead = FuseLead(after, none_given(f"No other rating is named: {why}."), lead.who, after.findings)
        found[place] = lead if mismatch is None else _doubted(lead, mismatch)
    return found


def _assess(run: Run, spec: FuseSpec, current: Current) -> FuseLead:
    lead = spec.lead
    corner_hz = run.sensor(f"{lead}_current_a").bandwidth_hz
    through = None
    if spec.place != "main":
        through = translate(run, lead, current, spec.position, spec.capacitors)
    result = assess_fuse(spec, current.prepared, current.error, corner_hz, through)

    def margin_of(table: FuseTable, derated_a: float) -> tuple[Estimate, Estimate]:
        assert current.prepared is not None
        doubts = ["as for the fitted rating"] if result.margin.bound == "at_most" else []
        if result.current_from == "measured" or through is None:
            found = measured_margins(current.prepared, table, derated_a, current.error, doubts)
        else:
            found = translated_margins(through, table, derated_a, current.error, doubts)
        return found.margin, found.fraction

    advice = advise(spec, result, lead_limits(run, spec.place), margin_of)
    told = advice_finding(spec.who, result, advice)
    return FuseLead(result, advice, spec.who, (*result.findings, *([told] if told else [])))


def _doubted(lead: FuseLead, mismatch: str) -> FuseLead:
    """The figures against the fuse that is named stand, and so does a danger; no comfort is taken from them."""
    result = lead.result
    advice = none_given("No other rating is named: the machine description does not fit the measured voltage.")
    if result.margin.value is None:
        return FuseLead(result, advice, lead.who, result.findings)
    if result.verdict in ("below", "near"):
        rule = f"{result.rule} The verdict is withdrawn: the machine description does not fit the measured voltage."
        result = replace(result, verdict="unknown", rule=rule)
    found = Finding(
        "caution",
        "fuse_description_doubted",
        f"{lead.who}: compared with the fuse of a description that does not fit the measured voltage.",
        f"{mismatch} The fuse may be another one too, so that no margin of 1 or more becomes a verdict",
        "Report again with the description of this machine: --machine FILE.",
    )
    kept = tuple(finding for finding in result.findings if finding.code != "fuse_near")
    return FuseLead(result, advice, lead.who, (*kept, found))
