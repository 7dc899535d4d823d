"""The report as a terminal page: answers first, then tables, findings, cautions."""

from __future__ import annotations

import os
import shutil
import textwrap
from collections.abc import Iterable
from typing import TextIO

from analysis.answers import answers
from analysis.report import Report
from analysis.words import full, moment

CAUTIONS = (
    "Batteries of this size can weld tools and burn. Disconnect the battery before touching wires, take rings off, "
    "keep the wheels off the ground while testing, and have an emergency stop within reach.",
    "These figures say what was measured, against which limit, with what margin. They do not replace local codes or "
    "the judgement of a licensed person.",
)
_STYLE = {"head": "1", "danger": "1;31", "caution": "33", "note": "2", "unknown": "2", "plain": "0"}


class Page:
    """Collects lines; colour only where it is wanted."""

    def __init__(self, width: int, colour: bool) -> None:
        self.width = width
        self._colour = colour
        self.lines: list[str] = []

    def style(self, text: str, name: str) -> str:
        """`text` in the style, where colour is on."""
        return f"\x1b[{_STYLE[name]}m{text}\x1b[0m" if self._colour and _STYLE[name] != "0" else text

    def head(self, text: str) -> None:
        """A section's heading."""
        self.lines += ["", self.style(text, "head")]

    def paragraph(self, text: str, style: str = "plain", lead: str = "  ") -> None:
        """Wrapped text; continuation lines indented under the first."""
        hang = " " * len(lead)
        wrapped = textwrap.wrap(text, self.width, initial_indent=lead, subsequent_indent=hang)
        self.lines += [self.style(line, style) for line in wrapped]

    def rows(self, rows: Iterable[tuple[str, str]]) -> None:
        """Names and values in two columns."""
        rows = list(rows)
        name_width = max((len(name) for name, _ in rows), default=0)
        for name, value in rows:
            indent = " " * (name_width + 4)
            wrapped = textwrap.wrap(value, max(self.width - len(indent), 20)) or [""]
            self.lines.append(f"  {name:<{name_width}}  {wrapped[0]}")
            self.lines += [indent + more for more in wrapped[1:]]


def wants_colour(stream: TextIO) -> bool:
    """Colour on a terminal, unless NO_COLOR is set."""
    return stream.isatty() and not os.environ.get("NO_COLOR")


def render(report: Report, width: int | None = None, colour: bool = False) -> str:
    """The whole page as text."""
    page = Page(width or min(shutil.get_terminal_size((96, 24)).columns, 110), colour)
    _title(page, report)
    page.head("Answers")
    for answer in answers(report):
        page.paragraph(answer.text, answer.tone if answer.tone in _STYLE else "plain", "• ")
    _energy(page, report)
    _currents(page, report)
    _fuses(page, report)
    _wires(page, report)
    _battery(page, report)
    _charge(page, report)
    _laps(page, report)
    _findings(page, report)
    page.head("Cautions")
    for text in CAUTIONS:
        page.paragraph(text)
    return "\n".join(page.lines).strip("\n") + "\n"


def _title(page: Page, report: Report) -> None:
    run = report.run
    machine = run.machine.name if run.machine and run.machine.name else "machine not described"
    page.lines.append(page.style(f"Run {run.metadata.run_id}: {printable(machine)}", "head"))
    interval = run.interval_s
    rate = f"{1 / interval:.4g} samples/s" if interval else "a single sample"
    started = f", started {run.metadata.start_utc}" if run.metadata.start_utc else ""
    page.lines.append(f"  {moment(run.duration_s)}, {run.rows} samples, {rate}{started}")
    for note in run.metadata.notes:
        page.paragraph(f"note: {printable(note)}")


def printable(text: str) -> str:
    """Text of a file without anything that could steer a terminal."""
    return "".join(character if character.isprintable() else "�" for character in text)


def _energy(page: Page, report: Report) -> None:
    energy = report.energy
    page.head("Energy")
    page.rows(
        [
            ("out", f"{full(energy.discharged_wh)}; {full(energy.discharged_ah)}"),
            ("recovered", f"{full(energy.recovered_wh)}; {full(energy.recovered_ah)}"),
            ("net", f"{full(energy.net_wh)}; {full(energy.net_ah)}"),
            ("mean power", full(energy.mean_power_w)),
            ("peak power", full(energy.peak_power_w)),
        ]
    )


def _currents(page: Page, report: Report) -> None:
    for lead, current in report.currents.items():
        page.head(f"{lead.capitalize()} current")
        rows = [("peak", full(current.peak_a)), ("mean", full(current.mean_a))]
        rows += [(f"RMS {window} s", full(value)) for window, value in current.rms_a.items()]
        page.rows(rows)


def _fuses(page: Page, report: Report) -> None:
    for place, fuse in report.fuses.items():
        page.head(f"{place.capitalize()} fuse: {fuse.verdict}")
        page.rows(
            [
                ("rating", f"{fuse.rating_a:g} A" if fuse.rating_a else "not given"),
                ("derated", f"{fuse.derated_a:.1f} A" if fuse.derated_a else "not given"),
                ("margin to earliest", full(fuse.margin)),
                ("margin to latest", full(fuse.margin_latest)),
                ("above rating", full(fuse.seconds_above_rating)),
                ("continuous share", full(fuse.continuous_fraction)),
                ("rule", fuse.rule),
            ]
        )


def _wires(page: Page, report: Report) -> None:
    for place, path in report.paths.items():
        wire = path.wire
        page.head(f"{place.capitalize()} wire: {wire.verdict}")
        ampacity = f"{wire.ampacity_a:.1f} A" if wire.ampacity_a else "not given"
        rows = [
            ("conductor", wire.conductor),
            ("ampacity", f"{ampacity}: {wire.ampacity_basis}"),
            ("margin", full(wire.margin)),
            ("adiabatic margin", full(wire.adiabatic_margin)),
            ("drop at peak", full(wire.drop_v)),
            ("loss", full(wire.loss_w)),
        ]
        if path.weakest is not None:
            unrated = f"; not rated: {', '.join(path.weakest.unrated)}" if path.weakest.unrated else ""
            rows.append(("lowest rating", f"{path.weakest.name}, {path.weakest.rating_a:.3g} A{unrated}"))
        page.rows(rows)


def _battery(page: Page, report: Report) -> None:
    sag = report.sag
    page.head("Battery")
    rows = [
        ("rest voltage", full(sag.rest_voltage_v)),
        ("least voltage", full(sag.min_voltage_v)),
        ("worst sag", full(sag.worst_sag_v)),
        *((f"resistance {scale:g} s", full(value)) for scale, value in sag.resistance.by_scale.items()),
        ("open circuit", full(sag.resistance.open_circuit_v)),
        ("lower − upper block", full(sag.block_imbalance_v)),
        ("receiver supply", full(sag.receiver_min_v)),
        ("battery − left − right", full(sag.balance_residual_a)),
    ]
    if sag.weak_block:
        rows.append(("weak block", sag.weak_block))
    page.rows(rows)


def _charge(page: Page, report: Report) -> None:
    charge = report.charge
    page.head("Charge left, at this load")
    page.rows(
        [
            ("state of charge", full(charge.state_of_charge)),
            ("charge", full(charge.remaining.charge_ah)),
            ("energy", full(charge.remaining.energy_wh)),
            ("runtime", full(charge.remaining.runtime_s)),
            ("distance", full(charge.remaining.distance_m)),
        ]
    )


def _laps(page: Page, report: Report) -> None:
    laps = report.laps
    page.head(f"Laps: {len(laps.each)}" + (f", from {laps.method}" if laps.method else ""))
    if laps.each:
        page.lines.append("     start       time      net Wh    net Ah    peak A")
    for place, lap in enumerate(laps.each, 1):
        cells = [
            "–" if value is None else f"{value:.{decimals}f}"
            for value, decimals in ((lap.net_wh, 2), (lap.net_ah, 3), (lap.peak_a, 1))
        ]
        timed = f"{lap.end_s - lap.start_s:8.2f} s"
        page.lines.append(f"  {place:2d} {lap.start_s:7.1f} s {timed}  {cells[0]:>8}  {cells[1]:>8}  {cells[2]:>8}")
    if not laps.each and laps.reason:
        page.paragraph(laps.reason)
    page.rows([("per full charge", full(report.laps_per_charge)), ("left", full(report.laps_remaining))])


def _findings(page: Page, report: Report) -> None:
    page.head(f"Findings: {len(report.findings)}")
    for finding in report.findings:
        page.paragraph(f"{finding.severity}: {finding.what}", finding.severity)
        page.paragraph(f"{finding.evidence}. {finding.next}", "note", "    ")
