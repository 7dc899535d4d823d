"""Each lead as a path of parts: its wire's limits, and which part has the lowest rating. docs/methods.md, Wire."""

from __future__ import annotations

import math
from dataclasses import dataclass

from amptally.analysis.exposure.current import Current
from amptally.analysis.exposure.exposure import rms_estimate
from amptally.analysis.protection.fuse import NO_DOUBTS
from amptally.analysis.protection.fuse_advice import LeadLimits
from amptally.analysis.protection.fuse_margin import CONTINUOUS_WINDOW_S
from amptally.analysis.protection.wire import (
    Part,
    WeakestPart,
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
from amptally.logger.machine.description import Machine
from amptally.tables.wire_short_time import LONGEST_S


@dataclass(frozen=True, slots=True)
class PathResult:
    """One lead: left, right or main."""

    wire: WireResult
    weakest: WeakestPart | None
    """The part of the path with the lowest rating; None where nothing is rated."""
    findings: tuple[Reason, ...]


def assess_paths(
    machine: Machine | None,
    currents: dict[str, Current],
    doubts: Doubts = NO_DOUBTS,
    *,
    description_fits: bool = True,
) -> dict[str, PathResult]:
    """Every lead whose wire the machine file names, by place; `currents` by lead.

    `doubts` are those of the run; a description that does not fit the measured voltage gives no verdict "under".
    """
    if machine is None:
        return {}
    return {
        place: _assess(machine, place, currents[LEAD_OF[place]], doubts, description_fits=description_fits)
        for place in PLACES
        if place in machine.wires
    }


def lead_limits(machine: Machine | None, place: str) -> LeadLimits:
    """What a fuse at `place` must not be rated above: its wire, and every part that the machine file rates.

    The main lead feeds two motors through one controller, so that twice their ratings count there.
    """
    if machine is None:
        return LeadLimits(None, ())
    wire, fuse = machine.wires.get(place), machine.fuses.get(place)
    motors = 2 if place == "main" else 1
    controller_a = machine.controller.continuous_a if machine.controller else None
    motor_a = machine.motor.rated_a if machine.motor else None
    caps: dict[Part, float | None] = {
        "holder": fuse.holder_a if fuse else None,
        "connector": wire.connector_a if wire else None,
        "cutoff": machine.cutoff.rating_a if machine.cutoff and place == "main" else None,
        "controller": None if controller_a is None else motors * controller_a,
        "motor" if motors == 1 else "both_motors": None if motor_a is None else motors * motor_a,
    }
    return LeadLimits(wire, tuple((part, cap_a) for part, cap_a in caps.items() if cap_a is not None))


def _assess(machine: Machine, place: str, current: Current, doubts: Doubts, *, description_fits: bool) -> PathResult:
    conductor, fuse = machine.wires[place], machine.fuses.get(place)
    ambient_c = machine.wire_air_c(place)
    long_rms, whole_rms, length_s = _rms(current)
    short = [rms_a for window_s, rms_a in current.exposure if window_s <= LONGEST_S and rms_a > 0]

    def hold(value: Estimate, aspect: Aspect) -> Estimate:
        return doubts.hold(value, (f"{LEAD_OF[place]}_current_a", aspect))

    wire = assess_wire(
        conductor,
        rms_600_a=long_rms,
        peak_a=current.peak_a,
        whole_run_rms_a=whole_rms,
        exposure=current.exposure,
        exposure_relative_u=_relative_u(current, min(short, default=0.0)),
        exposure_bound="at_least" if current.error.unseen else "estimate",
        ambient_c=ambient_c,
        rms_window_s=length_s,
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


def _relative_u(current: Current, rms_a: float) -> float | None:
    """1 σ, relative, of the RMS in short windows, from the smallest; None where the sensor's gain is not declared.

    Gain, offset and noise: an offset weighs more in the smaller of two currents.
    """
    if current.error.gain_u is None or rms_a <= 0:
        return None
    return math.hypot(*(u or 0.0 for u in current.error.rms_terms(rms_a, 1.0).values())) / rms_a


def _rms(current: Current) -> tuple[Estimate, Estimate, float]:
    """Largest RMS of 600 s, or of the whole run where it is shorter; RMS of the whole run; the length of the first."""
    exposure = current.prepared
    if exposure is None:
        why = current.mean_a.reasons if current.mean_a.is_refused else (Reason("current_not_measured"),)
        none = refuse("A", *why)
        return none, none, CONTINUOUS_WINDOW_S
    whole = rms_estimate(exposure, exposure.worst(exposure.duration_s), current.error)
    if exposure.duration_s < CONTINUOUS_WINDOW_S:
        return whole, whole, exposure.duration_s
    return current.rms_a[f"{CONTINUOUS_WINDOW_S:g}"], whole, CONTINUOUS_WINDOW_S
