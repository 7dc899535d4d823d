"""Each lead as a path of parts: its wire's limits, and which part has the lowest rating. docs/methods.md, Wire."""

from __future__ import annotations

from dataclasses import dataclass

from amptally.analysis.exposure.current import Current
from amptally.analysis.protection.coordination import wires_behind
from amptally.analysis.protection.fuse import NO_DOUBTS
from amptally.analysis.protection.fuse_advice import LeadLimits
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.stall import declared_stall
from amptally.analysis.protection.supply import most_possible_a, translate
from amptally.analysis.protection.wire import (
    Part,
    WeakestPart,
    WireCurrent,
    WireResult,
    ampacity,
    assess_wire,
    fuse_over_wire,
    weakest_part,
)
from amptally.analysis.quality.doubts import Aspect, Doubts
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.leads import LEAD_OF, PLACES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.logger.machine.description import Machine


@dataclass(frozen=True, slots=True)
class PathResult:
    """One lead: left, right or main."""

    wire: WireResult
    weakest: WeakestPart | None
    """The part of the path with the lowest rating; None where nothing is rated."""
    findings: tuple[Reason, ...]


def assess_paths(
    run: Run,
    currents: dict[str, Current],
    doubts: Doubts = NO_DOUBTS,
    *,
    measured_c: float | None = None,
    description_fits: bool = True,
) -> dict[str, PathResult]:
    """Every lead whose wire the machine file names, by place; `currents` by lead.

    `measured_c` is the air at the fuses, and with it at the wires, where the run measured it [°C]. `doubts` are those
    of the run; a description that does not fit the measured voltage gives no verdict "under".
    """
    machine = run.machine
    if machine is None:
        return {}
    return {
        place: _assess(
            run, machine, place, currents[LEAD_OF[place]], doubts, measured_c, description_fits=description_fits
        )
        for place in PLACES
        if place in machine.wires
    }


def lead_limits(
    machine: Machine | None, place: str, measured_c: float | None = None, breaking: Reason | None = None
) -> LeadLimits:
    """What a fuse at `place` must not be rated above: the wires behind it, and the parts in its lead.

    What a motor or a controller is rated for is no limit of a fuse: it opens too late for either, and they are judged
    apart. `measured_c` is the measured air [°C], `breaking` the finding that the body does not interrupt a short
    circuit.
    """
    behind, stall = wires_behind(machine, place, measured_c), declared_stall(machine, place)
    if machine is None:
        return LeadLimits(place, (), ())
    wire, fuse = machine.wires.get(place), machine.fuses.get(place)
    caps: dict[Part, float | None] = {
        "holder": fuse.holder_a if fuse else None,
        "connector": wire.connector_a if wire else None,
        "cutoff": machine.cutoff.rating_a if machine.cutoff and place == "main" else None,
    }
    given = tuple((part, cap_a) for part, cap_a in caps.items() if cap_a is not None)
    return LeadLimits(place, behind, given, breaking, stall)


def _assess(
    run: Run,
    machine: Machine,
    place: str,
    current: Current,
    doubts: Doubts,
    measured_c: float | None,
    *,
    description_fits: bool,
) -> PathResult:
    conductor, fuse = machine.wires[place], machine.fuses.get(place)
    ambient_c = machine.wire_air_c(place) if measured_c is None else measured_c

    def hold(value: Estimate, aspect: Aspect) -> Estimate:
        return doubts.hold(value, (f"{LEAD_OF[place]}_current_a", aspect))

    wire = assess_wire(
        conductor,
        wire_current(run, machine, place, current),
        ambient_c=ambient_c,
        hold=hold,
        description_fits=description_fits,
    )
    limit = ampacity(conductor, ambient_c)
    findings = []
    named, protecting = machine.protecting_fuse(place) or (place, None)
    if protecting is not None and protecting.rating_a is not None:
        over = fuse_over_wire(place, protecting.rating_a, limit, named)
        findings += [] if over is None else [over]
    if wire.verdict == "over":
        findings.append(Reason("wire_over", "danger", place=place, rule=wire.rule))
    parts: list[tuple[Part, float | None]] = [
        ("fuse", fuse.rating_a if fuse else None),
        ("wire", limit.value_a),
        ("connector", conductor.connector_a),
    ]
    if place == "main":
        parts.append(("cutoff", machine.cutoff.rating_a if machine.cutoff else None))
    else:
        parts.append(("controller", machine.controller.continuous_a if machine.controller else None))
    return PathResult(wire, weakest_part(parts), tuple(findings))


def wire_current(run: Run, machine: Machine, place: str, current: Current) -> WireCurrent | tuple[Reason, ...]:
    """The current of the wire at `place`, which sits in the same leg as its fuse; or why it is not known."""
    exposure, fuse = current.prepared, machine.fuses.get(place)
    if exposure is None:
        return current.mean_a.reasons if current.mean_a.is_refused else (Reason("current_not_measured"),)
    position, capacitors = (fuse.position, fuse.capacitors) if fuse else (None, None)
    leg = FuseSpec(place, None, None, position=position, sensed=run.sensed, capacitors=capacitors)
    largest_a = most_possible_a(run, leg)
    if leg.sensor.sees:
        return WireCurrent(exposure, exposure, exposure, (), current.error, current.peak_a, largest_a)
    through = translate(run, leg, current)
    if through is None:
        return (Reason("wire_place_unknown", place=place),)
    peak_a = refuse("A", Reason("neither_side_bounded"), *through.how)
    if through.lower is not None:
        peak_a = Estimate(through.likely.peak_a, through.lower.peak_a, None, "A", "at_least", through.how)
    return WireCurrent(through.likely, through.lower, through.upper, through.how, current.error, peak_a, largest_a)
