"""Each lead as a path of parts: its wire's limits, and which part has the lowest rating. docs/methods.md, Wire."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from amptally.analysis.exposure.current import Current
from amptally.analysis.exposure.exposure import rms_estimate
from amptally.analysis.protection.fuse_advice import LeadLimits
from amptally.analysis.protection.fuse_margin import CONTINUOUS_WINDOW_S
from amptally.analysis.protection.wire import (
    Conductor,
    WeakestPart,
    WireResult,
    ampacity,
    ampacity_basis,
    assess_wire,
    fuse_over_wire,
    weakest_part,
)
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.finding import Finding
from amptally.analysis.results.leads import PLACES
from amptally.analysis.runs.run import Run
from amptally.tables.wire_short_time import LONGEST_S


@dataclass(frozen=True, slots=True)
class PathResult:
    """One lead: left, right or main."""

    wire: WireResult
    weakest: WeakestPart | None
    """The part of the path with the lowest rating; None where nothing is rated."""
    findings: tuple[Finding, ...]


def assess_paths(run: Run, currents: dict[str, Current]) -> dict[str, PathResult]:
    """Every lead whose wire the machine file names; `currents` by place (main is the battery's lead)."""
    if run.machine is None:
        return {}
    return {place: _assess(run, place, currents[place]) for place in PLACES if place in run.machine.wires}


def withdrawn(paths: dict[str, PathResult], mismatch: str | None) -> dict[str, PathResult]:
    """The paths without a verdict "under" where the description is not this machine's (`mismatch`)."""
    return paths if mismatch is None else {place: _doubted(path) for place, path in paths.items()}


def _doubted(path: PathResult) -> PathResult:
    if path.wire.verdict != "under":
        return path
    rule = f"{path.wire.rule}; verdict withdrawn: the machine description does not fit the measured voltage"
    return replace(path, wire=replace(path.wire, verdict="unknown", rule=rule))


def lead_limits(run: Run, place: str) -> LeadLimits:
    """What a fuse of this lead must not be rated above: its wire, and every part that the machine file rates.

    The main lead feeds two motors through one controller, so that twice their ratings count there.
    """
    machine = run.machine
    if machine is None:
        return LeadLimits(None, ())
    wire, fuse = machine.wires.get(place), machine.fuses.get(place)
    motors = 2 if place == "main" else 1
    controller_a = machine.controller.continuous_a if machine.controller else None
    motor_a = machine.motor.rated_a if machine.motor else None
    caps = {
        "holder": fuse.holder_a if fuse else None,
        "connector": wire.connector_a if wire else None,
        "cutoff": machine.cutoff.rating_a if machine.cutoff and place == "main" else None,
        "controller": None if controller_a is None else motors * controller_a,
        "motor" if motors == 1 else "both motors": None if motor_a is None else motors * motor_a,
    }
    conductor = None if wire is None else Conductor(wire.awg, wire.mm2, wire.length_m, wire.insulation_c)
    return LeadLimits(conductor, tuple((what, cap) for what, cap in caps.items() if cap is not None))


def _assess(run: Run, place: str, current: Current) -> PathResult:
    machine = run.machine
    assert machine is not None
    described = machine.wires[place]
    conductor = Conductor(described.awg, described.mm2, described.length_m, described.insulation_c)
    fuse = machine.fuses.get(place)
    ambient = machine.wire_air_c(place)
    long_rms, whole_rms, length = _rms(current)
    short = [rms_a for window_s, rms_a in current.exposure if window_s <= LONGEST_S and rms_a > 0]
    wire = assess_wire(
        conductor,
        rms_600_a=long_rms,
        peak_a=current.peak_a,
        whole_run_rms_a=whole_rms,
        exposure=current.exposure,
        exposure_relative_u=_relative_u(current, min(short, default=0.0)),
        exposure_bound="at_least" if current.error.unseen else "estimate",
        ambient_c=ambient,
        rms_window_s=length,
    )
    limit = ampacity(conductor, ambient)
    findings = []
    protecting = machine.protecting_fuse(place)
    named, protector = protecting if protecting is not None else (place, None)
    over = None
    if protector is not None and protector.rating_a is not None:
        over = fuse_over_wire(place, protector.rating_a, limit, None if named == place else named)
    if over is not None:
        findings.append(over)
    if wire.verdict == "over":
        findings.append(
            Finding(
                "danger",
                "wire_over",
                f"The {place} lead carried more than its wire is rated for.",
                wire.rule,
                "Stop using it loaded like this; fit a thicker wire, and let someone licensed check the work.",
            )
        )
    parts = [
        ("fuse", fuse.rating_a if fuse else None, "printed on it"),
        ("wire", limit.value_a, ampacity_basis(limit)),
        ("connector", described.connector_a, "machine file"),
    ]
    if place == "main":
        parts.append(("cutoff", machine.cutoff.rating_a if machine.cutoff else None, "machine file"))
    else:
        parts.append(("controller", machine.controller.continuous_a if machine.controller else None, "machine file"))
    return PathResult(wire, weakest_part(parts), tuple(findings))


def _relative_u(current: Current, rms_a: float) -> float | None:
    """1 σ, relative, of the RMS in short windows, from the least of them; None where the sensor's gain is not declared.

    Gain, offset and noise: an offset weighs more in the smaller of two currents.
    """
    if current.error.gain_u is None or rms_a <= 0:
        return None
    return math.hypot(*(u or 0.0 for u in current.error.rms_terms(rms_a, 1.0).values())) / rms_a


def _rms(current: Current) -> tuple[Estimate, Estimate, float]:
    """Largest RMS of 600 s, or of the whole run where it is shorter; RMS of the whole run; the length of the first."""
    exposure = current.prepared
    if exposure is None:
        none = refuse("A", current.mean_a.refused or "the current was not measured")
        return none, none, CONTINUOUS_WINDOW_S
    whole = rms_estimate(exposure, exposure.worst(exposure.duration_s), current.error)
    if exposure.duration_s < CONTINUOUS_WINDOW_S:
        return whole, whole, exposure.duration_s
    return current.rms_a[f"{CONTINUOUS_WINDOW_S:g}"], whole, CONTINUOUS_WINDOW_S
