"""Every fuse of a run: its current measured or estimated, a verdict, advice on other ratings. docs/methods.md."""

from __future__ import annotations

from dataclasses import dataclass, replace

from amptally.analysis.exposure.current import Current
from amptally.analysis.protection.coordination import NOT_COMPARED, Coordination, coordinate
from amptally.analysis.protection.fuse import NO_DOUBTS, FuseResult, assess_fuse
from amptally.analysis.protection.fuse_advice import FuseAdvice, advice_finding, advise, doubted_advice, none_given
from amptally.analysis.protection.fuse_air import air_reason
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_margin import Unseen, measured_margins, translated_margins
from amptally.analysis.protection.path import lead_limits
from amptally.analysis.protection.supply import most_possible_a, translate
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.tables.fuse_opening_times import FuseTable


@dataclass(frozen=True, slots=True)
class FuseLead:
    """One fuse of the report."""

    result: FuseResult
    advice: FuseAdvice
    findings: tuple[Reason, ...]
    protects: Coordination = NOT_COMPARED
    """Whether it opens before the wires that depend on it overheat."""


def assess_fuses(
    run: Run,
    specs: dict[str, FuseSpec],
    currents: dict[str, Current],
    doubts: Doubts = NO_DOUBTS,
    *,
    description_fits: bool = True,
) -> dict[str, FuseLead]:
    """All fuses by place; `currents` by lead. `doubts` and `description_fits` as in `assess_fuse`."""
    return {
        place: _assess(run, spec, currents[LEAD_OF[place]], doubts, description_fits=description_fits)
        for place, spec in specs.items()
    }


def _assess(run: Run, spec: FuseSpec, current: Current, doubts: Doubts, *, description_fits: bool) -> FuseLead:
    channel = f"{spec.lead}_current_a"
    through, most_a = translate(run, spec, current), most_possible_a(run, spec)
    result = assess_fuse(
        spec,
        current.prepared,
        current.error,
        run.sensor(channel).bandwidth_hz,
        through,
        doubts,
        most_a=most_a,
        description_fits=description_fits,
    )
    if spec.measured_c is not None and not result.margin.is_refused:
        result = replace(result, rule=(*result.rule, air_reason(spec.measured_c)))
    protects = coordinate(run.machine, spec.place, spec.measured_c)
    findings = (*result.findings, *protects.findings)
    refused = doubted_advice(result) if description_fits else none_given(Reason("description_does_not_fit"))
    if refused is not None:
        return FuseLead(result, refused, findings, protects)

    def margin_of(table: FuseTable, derated_a: float) -> tuple[Estimate, Estimate]:
        assert current.prepared is not None
        # `advise` asks only where the fitted fuse's margin has a low end, so nothing is left unresolved here.
        if through is None:
            found = measured_margins(current.prepared, table, derated_a, current.error, Unseen(most_a))
        else:
            found = translated_margins(through, table, derated_a, current.error, Unseen(most_a))
        return found.margin, found.fraction

    advice = advise(spec, result, lead_limits(run.machine, spec.place), margin_of)
    finding = advice_finding(spec.place, result, advice)
    return FuseLead(result, advice, (*findings, *([finding] if finding else [])), protects)
