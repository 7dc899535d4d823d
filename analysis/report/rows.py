"""The figures of a report as names and values, section by section: the same in terminal, HTML and dashboard."""

from __future__ import annotations

from typing import TypeAlias

from amptally.analysis.report.build import Report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.formatting import full, moment, number
from amptally.analysis.wording.labels import (
    BLOCKS,
    ENDS_BY,
    FUSE_CURRENT,
    FUSE_VERDICTS,
    NOT_GIVEN,
    START_CHARGE_FROM,
    WIRE_VERDICTS,
)
from amptally.analysis.wording.of_protection import conductor
from amptally.analysis.wording.other_ratings import other_ratings
from amptally.analysis.wording.results import phrase, sentences

Rows: TypeAlias = list[tuple[str, Estimate | str]]
MAX_STALLS = 12
"""Stalls listed one by one."""


def energy_rows(report: Report) -> Rows:
    """Energy and charge: discharged, recovered, net; power."""
    energy = report.energy
    return [
        ("energy discharged", energy.discharged_wh),
        ("energy recovered", energy.recovered_wh),
        ("net energy", energy.net_wh),
        ("charge discharged", energy.discharged_ah),
        ("charge recovered", energy.recovered_ah),
        ("net charge", energy.net_ah),
        ("mean power", energy.mean_power_w),
        ("peak power", energy.peak_power_w),
    ]


def current_rows(report: Report, lead: str) -> Rows:
    """Peak, mean and the largest RMS over fixed windows."""
    current = report.currents[lead]
    rows: Rows = [("peak", current.peak_a), ("mean", current.mean_a)]
    return [*rows, *((f"RMS over {window} s", value) for window, value in current.rms_a.items())]


def fuse_heading(report: Report, place: str) -> str:
    """The fuse with its verdict."""
    return f"{place.capitalize()} fuse: {FUSE_VERDICTS[report.fuses[place].verdict]}"


def wire_heading(report: Report, place: str) -> str:
    """The wire with its verdict."""
    return f"{place.capitalize()} wire: {WIRE_VERDICTS[report.paths[place].wire.verdict]}"


def fuse_rows(report: Report, place: str) -> Rows:
    """Rating, margins, and the rule they follow."""
    lead = report.fuse_leads[place]
    fuse = lead.result
    return [
        ("rating", f"{fuse.rating_a:g} A" if fuse.rating_a else NOT_GIVEN),
        ("derated", f"{fuse.derated_a:.1f} A" if fuse.derated_a else NOT_GIVEN),
        ("margin to earliest opening", fuse.margin),
        ("margin to latest opening", fuse.margin_latest),
        ("time above rating", fuse.seconds_above_rating),
        ("continuous share of rating", fuse.continuous_fraction),
        ("current", FUSE_CURRENT[fuse.current_from]),
        ("rule", sentences(fuse.rule)),
        ("fuse and wire", sentences(lead.protects.why)),
        ("other ratings", other_ratings(lead.advice)),
    ]


def wire_rows(report: Report, place: str) -> Rows:
    """Ampacity and its basis, margins, drop and loss, the weakest part of the lead."""
    path = report.paths[place]
    wire = path.wire
    ampacity = f"{wire.ampacity_a:.1f} A" if wire.ampacity_a else NOT_GIVEN
    rows: Rows = [
        ("conductor", conductor(wire.conductor)),
        ("ampacity", f"{ampacity}: {phrase(wire.ampacity_basis)}"),
        ("margin", wire.margin),
        ("adiabatic margin", wire.adiabatic_margin),
        ("drop at peak", wire.drop_v),
        ("loss", wire.loss_w),
    ]
    if path.weakest is not None:
        weakest = path.weakest
        unrated = f"; not rated: {', '.join(weakest.unrated)}" if weakest.unrated else ""
        rows.append(("lowest rating in this lead", f"{weakest.part}, {weakest.rating_a:.3g} A{unrated}"))
    return rows


def battery_rows(report: Report) -> Rows:
    """Voltages, resistance, blocks, receiver supply, balance of currents."""
    sag = report.sag
    rows: Rows = [
        ("rest voltage", sag.rest_voltage_v),
        ("minimum voltage", sag.min_voltage_v),
        ("greatest drop under load", sag.load_drop_v),
        ("worst sag", sag.worst_sag_v),
        *((f"resistance {scale:g} s after a step", value) for scale, value in sag.resistance.by_scale.items()),
        ("open-circuit voltage", sag.resistance.open_circuit_v),
        ("lower block above the upper one, at rest", sag.block_imbalance_v),
        ("minimum of receiver supply", sag.receiver_min_v),
        ("battery current less left and right", sag.balance_residual_a),
    ]
    if sag.weak_block:
        rows.append(("weak block", sag.weak_block))
    return rows


def charge_rows(report: Report) -> Rows:
    """Start charge, and what the battery still gives at this load."""
    charge, laps, left = report.charge, report.laps_per_charge, report.charge.remaining
    whole = charge.start.whole
    start = whole if whole.is_refused else f"{full(whole)}, {START_CHARGE_FROM[charge.start.source]}"
    return [
        ("charge at the start", start),
        ("state of charge at the end", charge.state_of_charge),
        *((f"of {name}", each) for name, each in zip(BLOCKS, charge.block_charge, strict=False)),
        ("remaining charge", left.charge_ah),
        ("remaining energy", left.energy_wh),
        ("remaining runtime", left.runtime_s),
        ("remaining distance", left.distance_m),
        ("ended by", ENDS_BY[left.ends_by] if left.ends_by else NOT_GIVEN),
        *(
            (f"{touch.limit_v:g} V touched {how}", when)
            for touch in left.touches
            for how, when in (("at peaks", touch.at_peaks_s), ("at mean load", touch.at_mean_s))
        ),
        ("laps per full charge", laps),
        ("remaining laps", report.laps_remaining),
    ]


def drive_rows(report: Report) -> Rows:
    """Stalls, reversing, recovered charge, balance of both sides."""
    drive = report.drive
    rows: Rows = [("stalled under command", drive.stall_s)]
    if drive.stalls:
        rows.append(("stalls", _stalls(report)))
    rows += [
        ("commanded backwards", drive.reversing_s),
        ("share of the time backwards", drive.reversing_fraction),
        ("recovered charge", drive.regenerated_ah),
        ("share of the discharged charge", drive.regenerated_fraction),
        ("peak recovered current", drive.peak_recovered_a),
    ]
    if drive.peak_recovered_at_s is not None:
        rows.append(("time of that peak", moment(drive.peak_recovered_at_s)))
    rows.append(("left side's share of the charge", drive.left_share))
    shares = [share for share in drive.laps_left_share if share is not None]
    if shares:
        span = f"{number(min(shares), 3)} to {number(max(shares), 3)} in {len(shares)} laps"
        rows.append(("left side's share, by lap", span))
    return rows


def _stalls(report: Report) -> str:
    stalls = report.drive.stalls
    listed = [
        f"{stall.side} wheel, {stall.end_s - stall.start_s:.2f} s from {moment(stall.start_s)}"
        for stall in stalls[:MAX_STALLS]
    ]
    more = len(stalls) - MAX_STALLS
    return "; ".join(listed) + (f"; and {more} more" if more > 0 else "")
