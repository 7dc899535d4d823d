"""What a run did to a wire: ampacity, short-time heating, voltage drop and loss. Worked example: docs/methods.md."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.estimate import COVERAGE_FACTOR, Bound, Estimate, refuse
from analysis.finding import Finding
from analysis.propagate import power_of
from analysis.tables import adiabatic_k as short
from analysis.tables import ampacity_abyc as abyc
from analysis.tables import awg as gauge

RHO_20_OHM_MM2_PER_M = 1 / 58  # annealed copper at 20 °C, IEC 60028:1925
ALPHA_PER_K = 0.00393  # from memory; reproduces the 75 °C columns of NEC chapter 9 table 8 (second-hand)
LENGTH_U = 0.05  # 1 σ, relative: a tape measure along a loom; common practice, no source
STRANDING_U = 0.02  # 1 σ, relative: stranded copper is about 2 % above solid, NEC chapter 9 table 8 (second-hand)
NEXT_SIZE_UP = 1.5  # ABYC E-11, second-hand: a fuse above the ampacity only up to 150 % of it

Verdict = Literal["under", "over", "unknown"]


@dataclass(frozen=True, slots=True)
class Conductor:
    """One wire of the machine file; give `awg` or `mm2`."""

    awg: int | None = None
    """American wire gauge."""
    mm2: float | None = None
    """Copper area [mm²]; it counts when both are given."""
    length_m: float | None = None
    """Out and back, all the copper that the current passes [m]."""
    insulation_c: float | None = None
    """Temperature the insulation is rated for [°C], as printed on the wire."""

    @property
    def area_mm2(self) -> float | None:
        """Copper area [mm²]; None when neither gauge nor area is given."""
        if self.mm2 is not None:
            return self.mm2
        return None if self.awg is None else gauge.area_mm2(self.awg)

    def describe(self) -> str:
        """The wire in words, as the report's `conductor`."""
        area = self.area_mm2
        size = "size not given" if area is None else f"{area:.3g} mm²"
        if self.mm2 is None and self.awg is not None:
            size = f"{self.awg} AWG ({size})"
        length = "length not given" if self.length_m is None else f"{self.length_m:g} m round trip"
        rated = "insulation not given" if self.insulation_c is None else f"{self.insulation_c:g} °C insulation"
        return f"{size}, {length}, {rated}"


@dataclass(frozen=True, slots=True)
class Ampacity:
    """The current a wire carries without passing its insulation's temperature."""

    value_a: float | None
    """None when nothing supports a value; `basis` then says why."""
    basis: str
    """Table, what was done to it, and whose arithmetic that is."""
    relative_u: float = 0.0
    """1 σ of what this module did to the table, relative; the table states none of its own."""


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

    def as_json(self) -> dict[str, object]:
        """The report's object."""
        return {
            "conductor": self.conductor,
            "ampacity_a": self.ampacity_a,
            "ampacity_basis": self.ampacity_basis,
            "margin": self.margin.as_json(),
            "adiabatic_margin": self.adiabatic_margin.as_json(),
            "drop_v": self.drop_v.as_json(),
            "loss_w": self.loss_w.as_json(),
            "verdict": self.verdict,
            "rule": self.rule,
        }


def resistance_ohm(area_mm2: float, length_m: float, temperature_c: float) -> float:
    """R = ρ₂₀ L/S (1 + α (T − 20)) of copper, length_m [m] being the whole path out and back."""
    return RHO_20_OHM_MM2_PER_M * length_m / area_mm2 * (1 + ALPHA_PER_K * (temperature_c - 20))


def ambient_factor(insulation_c: float, ambient_c: float, base_c: float) -> float:
    """Factor on an ampacity given at `base_c` for air at `ambient_c`: √((Tc − Ta)/(Tc − Tbase)).

    Heat I²R leaves in proportion to the rise above the air. Source: NEC ampacity data on a cable distributor's page,
    second-hand, where the base is 40 °C. Zero when the air is at the insulation's limit.
    """
    if insulation_c <= base_c:
        raise ValueError(f"insulation for {insulation_c:g} °C has no rise above the table's {base_c:g} °C air")
    return math.sqrt(max(insulation_c - ambient_c, 0.0) / (insulation_c - base_c))


def ampacity(conductor: Conductor, ambient_c: float | None = None) -> Ampacity:
    """Ampacity from the ABYC column, log-log between its rows, for insulation up to 105 °C and the air given.

    Insulation rated higher than the column is taken as 105 °C, air cooler than the column's base as the base: both
    leave the limit low. Lower insulation scales by √((Tins − T₀)/(105 − T₀)): own arithmetic, the form of
    `ambient_factor` with one air temperature and two limits.
    """
    area, rated = conductor.area_mm2, conductor.insulation_c
    if area is None:
        return Ampacity(None, "neither awg nor mm2 is given for this wire")
    if rated is None:
        return Ampacity(None, "insulation_c is not given: without the insulation's rated temperature no ampacity holds")
    column = _column_value(area)
    if column is None:
        reach = f"{max(abyc.AMPACITY_A)} to {min(abyc.AMPACITY_A)} AWG"
        return Ampacity(None, f"{area:.3g} mm² is outside the table ({reach}; {abyc.SOURCE})")
    value, relative_u, how = column
    basis = [abyc.SOURCE + how]
    limit, base = min(rated, abyc.INSULATION_C), abyc.BASE_AMBIENT_C
    air = base if ambient_c is None else max(ambient_c, base)
    if limit <= air:
        return Ampacity(None, f"air at {air:g} °C is not below the insulation's {limit:g} °C")
    if limit < abyc.INSULATION_C:
        value *= math.sqrt((limit - base) / (abyc.INSULATION_C - base))
        basis.append(f"scaled to {limit:g} °C insulation by own arithmetic")
    elif rated > limit:
        basis.append(f"{rated:g} °C insulation taken as {limit:g}")
    if air > base:
        value *= ambient_factor(limit, air, base)
        basis.append(f"scaled to air at {air:g} °C")
    told = "air not given, " if ambient_c is None else ""
    basis.append(f"{told}base of {base:g} °C from memory")
    return Ampacity(value, "; ".join(basis), relative_u)


def _column_value(area_mm2: float) -> tuple[float, float, str] | None:
    """(A, relative 1 σ, how) of the 105 °C column at an area; None outside the column. 1 % counts as a row's size."""
    rows = sorted((gauge.area_mm2(size), amps, size) for size, amps in abyc.AMPACITY_A.items())
    for area, amps, size in rows:
        if abs(area_mm2 / area - 1) <= 0.01:
            return amps, 0.0, f", row {size} AWG"
    if not rows[0][0] < area_mm2 < rows[-1][0]:
        return None
    areas, amps_of_rows, sizes = zip(*rows, strict=True)
    upper = int(np.searchsorted(areas, area_mm2))
    log_amps = np.interp(math.log(area_mm2), np.log(areas), np.log(amps_of_rows))
    how = f", log-log between rows {sizes[upper - 1]} and {sizes[upper]} AWG"
    return math.exp(float(log_amps)), abyc.INTERPOLATION_U, how


def adiabatic_k(start_c: float, end_c: float) -> float:
    """k = 226 √ln(1 + (Te − Ts)/(234.5 + Ts)) of copper, in A·√s/mm² (formula from memory)."""
    return 226.0 * math.sqrt(math.log(1 + (end_c - start_c) / (234.5 + start_c)))


def short_time_k(insulation_c: float) -> tuple[float, str]:
    """(k, basis) for a wire whose insulation is rated `insulation_c`, at that temperature when the pulse begins.

    The machine file does not say what the insulation is made of, so the lowest k that fits the temperature counts.
    """
    if insulation_c <= 70:
        return short.K_BY_INSULATION[("PVC", 70, 160)], f"PVC from 70 to 160 °C, {short.SOURCE}"
    if insulation_c <= 90:
        k = short.K_BY_INSULATION[("PVC", 90, 160)]
        return k, f"PVC from 90 to 160 °C, the lower of 100 (PVC) and 143 (XLPE), {short.SOURCE}"
    text = "from 105 °C to PVC's limit of 160 °C by the formula (from memory); the table ends at 90 °C"
    return adiabatic_k(abyc.INSULATION_C, 160.0), text


def adiabatic_current_a(k: float, area_mm2: float, window_s: float) -> float:
    """The current that brings the conductor to its limit in `window_s` with no heat lost: I = k S/√t, up to 5 s."""
    if not 0 < window_s <= short.LONGEST_S:
        raise ValueError(f"the adiabatic rule holds above 0 and up to {short.LONGEST_S:g} s, not for {window_s:g} s")
    return k * area_mm2 / math.sqrt(window_s)


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
    return WireResult(text, limit.value_a, limit.basis, margin, adiabatic, drop, loss, verdict, rule)


def _margin(limit: Ampacity, rms_a: Estimate, window_s: float) -> Estimate:
    if limit.value_a is None:
        return refuse("", limit.basis)
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
    k, basis = short_time_k(conductor.insulation_c)
    usable = [(window, rms) for window, rms in exposure if 0 < window <= short.LONGEST_S and rms > 0]
    if not usable:
        return refuse("", "no window of 5 s or less with current in it"), None
    ratios = [(adiabatic_current_a(k, area, window) / rms, window) for window, rms in usable]
    least, at_window_s = min(ratios)
    half = COVERAGE_FACTOR * (relative_u or 0.0)
    one = Estimate(1.0, 1 / (1 + half), 1 + half, "", basis="" if relative_u is not None else "sensor not declared")
    less_copper = 1 - _sae_ratio(conductor)
    terms = {"copper area": STRANDING_U}
    result = power_of(least, one, 1, "", terms, doubt_low=less_copper * least, note=f"k {k:.0f}: {basis}")
    if bound == "at_least":
        result = result.bounded("at_most", "a shorter peak may have been missed")
    return result, at_window_s


def _sae_ratio(conductor: Conductor) -> float:
    by_area = conductor.mm2 is not None or conductor.awg is None
    return 1.0 if by_area else gauge.sae_area_ratio(conductor.awg or 0)


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
    air = abyc.BASE_AMBIENT_C if ambient_c is None else ambient_c
    rise, rise_u, how = _temperature_rise(conductor, limit, air, rms_600_a)
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


def _temperature_rise(conductor: Conductor, limit: Ampacity, air_c: float, rms_a: Estimate) -> tuple[float, float, str]:
    """(rise [K], its 1 σ [K], how): by the square of the load, as in `ambient_factor`, up to the insulation's limit."""
    if limit.value_a is None or rms_a.value is None or conductor.insulation_c is None:
        return 25.0, 25.0 / math.sqrt(3), "0 to 50 K above the air, load or limit not known"
    to_limit = min(conductor.insulation_c, abyc.INSULATION_C) - max(air_c, abyc.BASE_AMBIENT_C)
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


def fuse_over_wire(lead: str, fuse_rating_a: float, limit: Ampacity) -> Finding | None:
    """The finding that a fuse lets its wire carry more than its ampacity; None when it does not, or limit unknown.

    ABYC E-11 (second-hand) lets the next fuse size up stand, to 150 % of the ampacity: a caution; above that a danger.
    """
    if limit.value_a is None or fuse_rating_a <= limit.value_a:
        return None
    ratio = fuse_rating_a / limit.value_a
    return Finding(
        "caution" if ratio <= NEXT_SIZE_UP else "danger",
        "fuse_above_wire",
        f"The {lead} fuse is rated {ratio:.2f} times what its wire carries.",
        f"fuse {fuse_rating_a:g} A, ampacity {limit.value_a:.1f} A ({limit.basis})",
        "Fit a smaller fuse, or a wire whose ampacity is at least the fuse's rating.",
    )
