"""What a run did to a wire: ampacity, short-time heating, voltage drop and loss. Worked example: docs/methods.md."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from amptally.analysis.results.estimate import COVERAGE_FACTOR, Bound, Estimate, as_reasons, refuse
from amptally.analysis.results.finding import Finding
from amptally.analysis.results.propagation import power_of
from amptally.tables import wire_ampacity as table
from amptally.tables.fuse_above_wire import fuse_against_wire
from amptally.tables.wire_ampacity import Ampacity
from amptally.tables.wire_gauge import CountedSize, counted_size, gauge_name, sae_area_ratio
from amptally.tables.wire_resistance import ALPHA_PER_K, STRANDING_U, resistance_ohm
from amptally.tables.wire_short_time import LONGEST_S, SOURCE, ShortTime, adiabatic_current_a, short_time_k

LENGTH_U = 0.05  # 1 σ, relative: a tape measure along a loom; common practice, no source

Verdict = Literal["under", "over", "unknown"]


@dataclass(frozen=True, slots=True)
class Conductor:
    """One wire of the machine file; give `awg` or `mm2`. Of both the smaller counts."""

    awg: int | None = None
    """American wire gauge."""
    mm2: float | None = None
    """Copper area [mm²]."""
    length_m: float | None = None
    """Out and back, all the copper that the current passes [m]."""
    insulation_c: float | None = None
    """Temperature the insulation is rated for [°C], as printed on the wire."""

    @property
    def size(self) -> CountedSize | None:
        """The size that counts; None when neither gauge nor area is given."""
        return counted_size(self.awg, self.mm2)

    @property
    def area_mm2(self) -> float | None:
        """Copper area [mm²] that counts; None when neither gauge nor area is given."""
        return None if self.size is None else self.size.area_mm2

    def describe(self) -> str:
        """The wire in words, as the report's `conductor`."""
        counted = self.size
        size = "size not given" if counted is None else f"{counted.area_mm2:.3g} mm²"
        if counted is not None and counted.awg is not None:
            size = f"{gauge_name(counted.awg)} ({size})"
        length = "length not given" if self.length_m is None else f"{self.length_m:g} m round trip"
        rated = "insulation not given" if self.insulation_c is None else f"{self.insulation_c:g} °C insulation"
        return f"{size}, {length}, {rated}"


@dataclass(frozen=True, slots=True)
class WireResult:
    """One wire of the report; the fields are the report's keys."""

    conductor: str
    """The wire in words."""
    ampacity_a: float | None
    """None when not supported; `ampacity_basis` says why."""
    ampacity_basis: str
    """Where the ampacity comes from."""
    margin: Estimate
    """Ampacity over the greatest 10 min RMS."""
    adiabatic_margin: Estimate
    """Least ratio, over windows of 5 s and less, of the current that heats the wire to its limit to the RMS."""
    drop_v: Estimate
    """Voltage lost in the wire at the peak current."""
    loss_w: Estimate
    """Heat in the wire at the RMS of the whole run."""
    verdict: Verdict
    """over: a value below 1. under: both low ends at 1 or more. Else unknown."""
    rule: str
    """What was measured, against which limit, with what margin."""


def ampacity(conductor: Conductor, ambient_c: float | None = None) -> Ampacity:
    """The ampacity of a wire in air at `ambient_c` [°C], None where it is not given."""
    return table.ampacity(conductor.awg, conductor.mm2, conductor.insulation_c, ambient_c)


def ampacity_basis(limit: Ampacity) -> str:
    """Where an ampacity comes from and what was done to the table; why there is none."""
    if limit.value_a is None:
        return _no_ampacity(limit)
    rows = " and ".join(map(gauge_name, limit.rows_awg))
    said = [f"{table.SOURCE}, " + (f"log-log between rows {rows}" if limit.interpolated else f"row {rows}")]
    if limit.column_c == limit.insulation_c:
        said.append(f"column for {limit.column_c:g} °C insulation")
    else:
        said.append(f"column for {limit.column_c:g} °C, the next below the insulation's {limit.insulation_c:g} °C")
    if limit.air_factor < 1:
        said.append(f"times {limit.air_factor:.3g} for air at {limit.air_c:g} °C")
    else:
        said.append(f"in air of {limit.air_c:g} °C" + ("" if limit.air_given else ", air not given"))
    return "; ".join(said)


def _no_ampacity(limit: Ampacity) -> str:
    if limit.missing == "size":
        return "neither awg nor mm2 is given for this wire"
    if limit.missing == "insulation":
        return "insulation_c is not given: without the insulation's rated temperature no ampacity holds"
    if limit.missing == "insulation_below_table":
        return f"{limit.insulation_c:g} °C insulation is below the table's {table.COLUMNS_C[0]:g} °C ({table.SOURCE})"
    if limit.missing == "air_too_hot":
        return f"air at {limit.air_c:g} °C is not below the {limit.column_c:g} °C of the insulation's column"
    reach = f"{gauge_name(max(table.AMPACITY_A))} to {gauge_name(min(table.AMPACITY_A))}"
    return f"{limit.area_mm2:.3g} mm² is outside the table ({reach}; {table.SOURCE})"


def short_time_basis(short: ShortTime) -> str:
    """Where a k comes from."""
    if short.from_formula:
        return (
            f"from {short.start_c:g} °C to PVC's limit of {short.end_c:g} °C by the formula (from memory); the table "
            "ends at 90 °C"
        )
    span = f"PVC from {short.start_c:g} to {short.end_c:g} °C"
    others = "".join(f" and {k:g} ({what})" for what, k in short.passed_over)
    lower = f", the lower of {short.k:g} (PVC){others}" if others else ""
    return f"{span}{lower}, {SOURCE}"


def assess_wire(
    conductor: Conductor,
    *,
    rms_600_a: Estimate,
    peak_a: Estimate,
    whole_run_rms_a: Estimate,
    exposure: Sequence[tuple[float, float]],
    exposure_relative_u: float | None = None,
    exposure_bound: Bound = "estimate",
    ambient_c: float | None = None,
    rms_window_s: float = 600.0,
) -> WireResult:
    """Compare one lead's currents with what its wire carries.

    `exposure` holds (window [s], greatest RMS [A]); windows above 5 s are passed over. `exposure_relative_u` is the
    relative 1 σ of those RMS values (None: sensor not declared), `exposure_bound` is "at_least" when samples may have
    missed a shorter peak. `rms_window_s` is the length `rms_600_a` covers, when the run is shorter than ten minutes.
    """
    limit = ampacity(conductor, ambient_c)
    margin = _margin(limit, rms_600_a, rms_window_s)
    adiabatic, at_window_s = _adiabatic_margin(conductor, exposure, exposure_relative_u, exposure_bound)
    drop, loss = _drop_and_loss(conductor, limit, ambient_c, rms_600_a, peak_a, whole_run_rms_a)
    verdict = verdict_of(margin, adiabatic)
    rule = _rule(limit, margin, rms_600_a, rms_window_s, adiabatic, at_window_s)
    text = conductor.describe()
    return WireResult(text, limit.value_a, ampacity_basis(limit), margin, adiabatic, drop, loss, verdict, rule)


def _margin(limit: Ampacity, rms_a: Estimate, window_s: float) -> Estimate:
    if limit.value_a is None:
        return refuse("", ampacity_basis(limit))
    note = "the ampacity table states no tolerance of its own"
    if window_s < 600:
        note = f"RMS of the whole run, {window_s:.0f} s, shorter than 10 min; {note}"
    terms = {"ampacity between rows": limit.relative_u}
    return power_of(limit.value_a, rms_a, -1, "", terms, note=note)


def _adiabatic_margin(
    conductor: Conductor, exposure: Sequence[tuple[float, float]], relative_u: float | None, bound: Bound
) -> tuple[Estimate, float | None]:
    area = conductor.area_mm2
    if area is None or conductor.insulation_c is None:
        return refuse("", "awg or mm2, and insulation_c, are needed for the short-time limit"), None
    short = short_time_k(conductor.insulation_c)
    if short is None:
        return refuse("", f"no short-time limit is published for {conductor.insulation_c:g} °C insulation"), None
    usable = [(window, rms) for window, rms in exposure if 0 < window <= LONGEST_S and rms > 0]
    if not usable:
        return refuse("", "no window of 5 s or less with current in it"), None
    ratios = [(adiabatic_current_a(short.k, area, window) / rms, window) for window, rms in usable]
    least, at_window_s = min(ratios)
    half = COVERAGE_FACTOR * (relative_u or 0.0)
    one = Estimate(
        1.0, 1 / (1 + half), 1 + half, "", reasons=as_reasons("" if relative_u is not None else "sensor not declared")
    )
    less_copper = 1 - _sae_ratio(conductor)
    terms = {"copper area": STRANDING_U}
    note = f"k {short.k:.0f}: {short_time_basis(short)}"
    result = power_of(least, one, 1, "", terms, doubt_low=less_copper * least, note=note)
    if bound == "at_least":
        result = result.bounded("at_most", "a shorter peak may have been missed")
    return result, at_window_s


def _sae_ratio(conductor: Conductor) -> float:
    size = conductor.size
    return 1.0 if size is None or size.awg is None else sae_area_ratio(size.awg)


def _drop_and_loss(
    conductor: Conductor,
    limit: Ampacity,
    ambient_c: float | None,
    rms_600_a: Estimate,
    peak_a: Estimate,
    whole_run_rms_a: Estimate,
) -> tuple[Estimate, Estimate]:
    area, length = conductor.area_mm2, conductor.length_m
    if area is None or length is None:
        reason = "awg or mm2, and length_m, are needed for the wire's resistance"
        return refuse("V", reason), refuse("W", reason)
    air = table.BASE_AIR_C if ambient_c is None else ambient_c
    rise, rise_u, how = _temperature_rise(limit, rms_600_a)
    ohm = resistance_ohm(area, length, air + rise)
    # An SAE cable of the gauge may hold less copper than ASTM's size: more resistance, on one side only.
    more = 1 / _sae_ratio(conductor) - 1
    terms = {
        "length": LENGTH_U,
        "copper area": STRANDING_U,
        "conductor temperature": ALPHA_PER_K * rise_u / (1 + ALPHA_PER_K * (air + rise - 20)),
    }
    note = f"{1000 * ohm:.2f} mΩ, copper at {air + rise:.0f} °C ({how})"

    def scaled(current_a: Estimate, exponent: int, unit: str) -> Estimate:
        doubt = 0.0 if current_a.value is None else more * ohm * abs(current_a.value) ** exponent
        return power_of(ohm, current_a, exponent, unit, terms, doubt_high=doubt, note=note)

    return scaled(peak_a, 1, "V"), scaled(whole_run_rms_a, 2, "W")


def _temperature_rise(limit: Ampacity, rms_a: Estimate) -> tuple[float, float, str]:
    """(rise [K], its 1 σ [K], how): by the square of the load, as in `air_factor`, up to the column's temperature."""
    if limit.value_a is None or rms_a.value is None or limit.column_c is None:
        return 25.0, 25.0 / math.sqrt(3), "0 to 50 K above the air, load or limit not known"
    to_limit = limit.column_c - limit.air_c
    rise = to_limit * min((rms_a.value / limit.value_a) ** 2, 1.0)
    # Half the rise as 1 σ: a run shorter than the wire's warm-up stays cooler, a bundled wire runs hotter.
    return rise, rise / 2, "from the load"


def verdict_of(margin: Estimate, adiabatic: Estimate) -> Verdict:
    """The verdict from both margins."""
    both = (margin, adiabatic)
    if any(each.value is not None and each.value < 1 for each in both):
        return "over"
    if all(each.low is not None and each.low >= 1 for each in both):
        return "under"
    return "unknown"


def _rule(
    limit: Ampacity,
    margin: Estimate,
    rms_a: Estimate,
    window_s: float,
    adiabatic: Estimate,
    at_window_s: float | None,
) -> str:
    if margin.value is None or limit.value_a is None:
        long = f"no margin on the ampacity: {margin.refused}"
    else:
        window = "10 min" if window_s >= 600 else f"{window_s:.0f} s"
        long = f"{window} RMS {rms_a.value:.1f} A against an ampacity of {limit.value_a:.1f} A, {_times(margin)}"
    if adiabatic.value is None:
        return f"{long}; no short-time margin: {adiabatic.refused}"
    return f"{long}; tightest window of 5 s or less is {at_window_s:g} s, {_times(adiabatic)} on the adiabatic limit"


def _times(margin: Estimate) -> str:
    low = "" if margin.low is None else f"{margin.low:.2f}"
    high = "" if margin.high is None else f"{margin.high:.2f}"
    span = {"at_most": "at most", "at_least": "at least"}.get(margin.bound)
    return f"margin {span} {margin.value:.2f}" if span else f"margin {margin.value:.2f} ({low} to {high})"


@dataclass(frozen=True, slots=True)
class WeakestPart:
    """The part of a current path with the lowest rating."""

    name: str
    """Fuse, wire, connector, cutoff or controller, as the caller named it."""
    rating_a: float
    """Its rating [A]."""
    basis: str
    """Where the rating comes from."""
    unrated: tuple[str, ...]
    """Parts whose rating is not known: any of them may be weaker."""


def weakest_part(parts: Sequence[tuple[str, float | None, str]]) -> WeakestPart | None:
    """The part with the lowest rating among (name, rating [A] or None, basis); the first of equals."""
    rated = [(rating, name, basis) for name, rating, basis in parts if rating is not None]
    if not rated:
        return None
    rating, name, basis = min(rated, key=lambda part: part[0])
    return WeakestPart(name, rating, basis, tuple(name for name, amps, _ in parts if amps is None))


def fuse_over_wire(lead: str, fuse_rating_a: float, limit: Ampacity, fuse: str | None = None) -> Finding | None:
    """The finding that a fuse lets its wire carry more than its ampacity; None when it does not, or it stays open.

    `fuse` names the fuse where it is not the lead's own: the main one protects a lead that has none.
    """
    found = fuse_against_wire(fuse_rating_a, limit)
    if found.severity is None or found.ratio is None:
        return None
    of = "its wire" if fuse is None else f"the {lead} wire"
    carries = f"{limit.value_a:.1f} A" if limit.value_a is not None else f"at most {limit.most_a:.1f} A"
    return Finding(
        found.severity,
        "fuse_above_wire",
        f"The {fuse or lead} fuse is rated {'at least ' if found.at_least else ''}{found.ratio:.2f} times what {of} "
        "carries.",
        f"fuse {fuse_rating_a:g} A, ampacity {carries} ({ampacity_basis(limit)})",
        "Fit a smaller fuse, or a wire whose ampacity is at least the fuse's rating.",
    )
