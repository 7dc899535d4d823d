"""Every fuse of a run: its current measured or estimated, a verdict, advice on other ratings. docs/methods.md."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType

from amptally.analysis.exposure.current import Current
from amptally.analysis.protection.command_limit import most_by_command_a
from amptally.analysis.protection.coordination import NOT_COMPARED, Coordination, coordinate
from amptally.analysis.protection.fuse import NO_DOUBTS, FuseResult, assess_fuse, unseen_for
from amptally.analysis.protection.fuse_advice import (
    FuseAdvice,
    advice_finding,
    advise,
    doubted_advice,
    none_given,
    same_on_both,
)
from amptally.analysis.protection.fuse_air import air_reason
from amptally.analysis.protection.fuse_eligibility import FuseSpec, usable_rating
from amptally.analysis.protection.fuse_margin import Unseen, measured_margins, translated_margins
from amptally.analysis.protection.path import lead_limits
from amptally.analysis.protection.stall import Stall, stall_finding, stall_opens_s
from amptally.analysis.protection.supply import highest_stall_a, most_possible_a, translate
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.leads import LEAD_OF, SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part
from amptally.tables.fuse_opening_times import FuseTable

NO_ADVICE = none_given(Reason("fuse_current_missing"))


@dataclass(frozen=True, slots=True)
class FuseLead:
    """One fuse of the report."""

    result: FuseResult
    advice: FuseAdvice
    findings: tuple[Reason, ...]
    protects: Coordination = NOT_COMPARED
    """Whether it opens before the wires that depend on it overheat."""
    stall_opens_s: tuple[float, float | None] | None = None
    """When it opens at the motors' stall current, no sooner and no later; None where it need never, or is not known."""


def assess_fuses(
    run: Run,
    specs: dict[str, FuseSpec],
    currents: dict[str, Current],
    doubts: Doubts = NO_DOUBTS,
    *,
    breaking: Mapping[str, Reason] = MappingProxyType({}),
    description_fits: bool = True,
) -> dict[str, FuseLead]:
    """All fuses by place; `currents` by lead. `doubts` and `description_fits` as in `assess_fuse`.

    `breaking` are the findings of short circuits by place: no rating of a body suits that does not interrupt them.
    """
    leads = {
        place: _assess(run, spec, currents[LEAD_OF[place]], doubts, breaking, description_fits=description_fits)
        for place, spec in specs.items()
    }
    if all(side in leads and leads[side].advice.given for side in SIDES):
        left, right = (leads[side] for side in SIDES)
        if left.result.family == right.result.family:
            advice = same_on_both(left.advice, right.advice)
            leads |= {side: replace(leads[side], advice=each) for side, each in zip(SIDES, advice, strict=True)}
    for place, lead in leads.items():
        judged = description_fits and doubted_advice(lead.result) is None
        finding = advice_finding(place, lead.result, lead.advice) if judged else None
        if finding is not None:
            leads[place] = replace(lead, findings=(*lead.findings, finding))
    return leads


def driven_s(run: Run, lead: str) -> float:
    """How long the machine was driven [s]: from the first to the last load of the battery, else of the lead itself."""
    current = run.smooth("battery_current_a") or run.smooth(f"{lead}_current_a")
    if current is None or len(current.time_s) < 2:
        return run.duration_s
    driven = current.time_s[driven_part(run, current)]
    return float(driven[-1] - driven[0]) if len(driven) > 1 else run.duration_s


def _assess(
    run: Run,
    spec: FuseSpec,
    current: Current,
    doubts: Doubts,
    breaking: Mapping[str, Reason],
    *,
    description_fits: bool,
) -> FuseLead:
    channel, place = f"{spec.lead}_current_a", spec.place
    through, sensor = translate(run, spec, current), run.sensor(channel)
    # Minimum and maximum of every interval say how high the current went in this lead, not in another one.
    peak_a = current.peak_a.high if through is None and current.peak_a.bound == "estimate" else None
    stall_a, most_in = highest_stall_a(run), None
    if stall_a is not None:
        most_in = partial(most_by_command_a, run, spec, stall_a)
    unseen = Unseen(most_possible_a(run, spec), averages=sensor.averages, peak_a=peak_a, most_in=most_in)
    length_s = driven_s(run, spec.lead)
    result = assess_fuse(
        spec,
        current.prepared,
        current.error,
        sensor.bandwidth_hz,
        through,
        doubts,
        unseen=unseen,
        driven_s=length_s,
        description_fits=description_fits,
    )
    if spec.measured_c is not None and not result.margin.is_refused:
        result = replace(result, rule=(*result.rule, air_reason(spec.measured_c)))
    limits = lead_limits(run.machine, place, spec.measured_c, breaking.get(place))
    protects = coordinate(place, spec.family, spec.rating_a, limits.behind)
    opens_s, at_stall = _at_stall(spec, limits.stall)
    lead = FuseLead(result, NO_ADVICE, (*result.findings, *protects.findings, *at_stall), protects, opens_s)
    refused = doubted_advice(result) if description_fits else none_given(Reason("description_does_not_fit"))
    if refused is not None:
        return replace(lead, advice=refused)

    def margin_of(table: FuseTable, derated_a: float) -> tuple[Estimate, Estimate]:
        assert current.prepared is not None
        carried = current.prepared if through is None else through.likely
        between, _ = unseen_for(table, place, carried, sensor.bandwidth_hz, unseen)
        if through is None:
            found = measured_margins(current.prepared, table, derated_a, current.error, between, length_s)
        else:
            found = translated_margins(through, table, derated_a, current.error, between, length_s)
        return found.margin, found.fraction

    return replace(lead, advice=advise(spec, result, limits, margin_of))


def _at_stall(spec: FuseSpec, stall: Stall | None) -> tuple[tuple[float, float | None] | None, tuple[Reason, ...]]:
    """When the fuse opens at the motors' stall current, and the finding on it."""
    usable = usable_rating(spec)
    if stall is None or usable.table is None or usable.rating_a is None or usable.derated_a is None:
        return None, ()
    opens_s = stall_opens_s(usable.table, usable.rating_a, usable.derated_a, stall.current_a)
    return opens_s, (stall_finding(spec.place, stall, opens_s, usable.derated_a),)
