"""What a short circuit behind each fuse may drive, by the sheet and by what a run measured, against what it interrupts.

docs/methods.md, Breaking capacity.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.logger.machine.description import Machine
from amptally.tables.battery_rest_voltage import FULL_TO_NOMINAL
from amptally.tables.fuse_breaking_capacity import ShortCircuit, sheet_short_circuit, short_circuit
from amptally.tables.fuse_families import FAMILIES, FuseFamily


@dataclass(frozen=True, slots=True)
class Source:
    """The battery as a run measured it: what it stands at without current, and its resistance at a time scale."""

    volts_v: Estimate
    """Open-circuit voltage, or the rest voltage where there is none."""
    resistance_ohm: Estimate
    scale_s: float
    """Time after a step at which the resistance was read: a shorter one is smaller, so that more current flows."""

    @classmethod
    def of(cls, volts: tuple[Estimate, ...], resistance: Mapping[float, Estimate]) -> Source | None:
        """The first of `volts` [V] that was measured, and the resistance [Ω] of the shortest time scale; None without.

        `resistance` is by time scale in s.
        """
        shortest_s = min((scale for scale, value in resistance.items() if not value.is_refused), default=None)
        measured = next((value for value in volts if not value.is_refused), None)
        if shortest_s is None or measured is None:
            return None
        return cls(measured, resistance[shortest_s], shortest_s)


SHORTEST_SCALE_S = 0.1
"""A resistance at a longer time than this bounds a short circuit from below alone."""


def assess_breaking(
    machine: Machine | None, measured: Source | None, *, description_fits: bool = True
) -> dict[str, Reason]:
    """Findings `breaking_capacity` and `breaking_capacity_near` by place of the fuse; none where nothing says so.

    Where the machine file does not fit the measured voltage its sheet is left out, and what was measured counts.
    """
    found = {}
    for place, fuse in machine.fuses.items() if machine is not None else ():
        assert machine is not None
        if fuse.family not in FAMILIES:
            continue
        family, lead_ohm = FAMILIES[fuse.family], machine.ohm_before_fuse(place)
        sheet = machine.source if description_fits else None
        by_sheet = None if sheet is None else sheet_short_circuit(family, sheet[0], sheet[1] + lead_ohm)
        by_run = None if measured is None else _of_run(family, measured, lead_ohm)
        verdicts = {each.verdict for each in (by_sheet, by_run) if each is not None}
        if verdicts & {"above", "near"}:
            above = "above" in verdicts
            found[place] = Reason(
                "breaking_capacity" if above else "breaking_capacity_near",
                "danger" if above else "caution",
                place=place,
                family=family.name,
                capacity_a=family.breaking_capacity_a,
                by=_evidence(by_sheet, by_run, sheet, measured, lead_ohm),
            )
    return found


def _of_run(family: FuseFamily, measured: Source, lead_ohm: float) -> ShortCircuit:
    """By the measured values; the ends of both intervals that give most current."""
    volts, ohm = measured.volts_v, measured.resistance_ohm
    assert volts.value is not None
    assert ohm.value is not None
    low_ohm = None if ohm.low is None or measured.scale_s > SHORTEST_SCALE_S else ohm.low + lead_ohm
    return short_circuit(family, volts.value, ohm.value + lead_ohm, high_v=volts.high, low_ohm=low_ohm)


def _evidence(
    by_sheet: ShortCircuit | None,
    by_run: ShortCircuit | None,
    sheet: tuple[float, float] | None,
    measured: Source | None,
    lead_ohm: float,
) -> tuple[Reason, ...]:
    """Both prospective currents, the measured one first."""
    reasons = []
    if by_run is not None and measured is not None:
        reasons.append(
            Reason(
                "short_circuit_measured",
                likely_a=by_run.likely_a,
                high_a=by_run.high_a,
                volts_v=measured.volts_v.value,
                resistance_ohm=measured.resistance_ohm.value,
                scale_s=measured.scale_s,
                lead_ohm=lead_ohm,
            )
        )
    if by_sheet is not None and sheet is not None:
        reasons.append(
            Reason(
                "short_circuit_of_sheet",
                likely_a=by_sheet.likely_a,
                high_a=by_sheet.high_a,
                volts_v=sheet[0],
                full_v=FULL_TO_NOMINAL * sheet[0],
                resistance_ohm=sheet[1],
                lead_ohm=lead_ohm,
            )
        )
    return tuple(reasons)
