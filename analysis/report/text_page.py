"""The report as a terminal page: answers first, then tables, findings, cautions."""

from __future__ import annotations

import os
import shutil
import textwrap
from collections.abc import Iterable, Sequence
from typing import Protocol, TextIO

from amptally.analysis.report.answers import answers
from amptally.analysis.report.build import Report
from amptally.analysis.report.text_driving import write_drive
from amptally.analysis.report.uncertainty_budget import by_source
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.formatting import full, moment, number
from amptally.analysis.wording.of_protection import conductor, part_name
from amptally.analysis.wording.other_ratings import other_ratings
from amptally.analysis.wording.results import phrase, sentences

CAUTIONS = (
    "Batteries of this size can weld tools and burn. Disconnect the battery before touching wires, take rings off, "
    "keep the wheels off the ground while testing, and have an emergency stop within reach.",
    "These figures say what was measured, against which limit, with what margin. They do not replace local codes or "
    "the judgement of a licensed person.",
)
SOURCES = {
    None: "none to compare",
    "measured": "measured in this fuse's lead",
    "estimated": "estimated through the controller's duty, not measured",
    "bounded": "only bounded by the current measured in the other lead",
}
_STYLE = {"head": "1", "danger": "1;31", "caution": "33", "note": "2", "unknown": "2", "plain": "0"}


class Writer(Protocol):
    """What a report is written into; each kind of page lays it out in its own way."""

    def title(self, text: str) -> None:
        """What the page is about."""

    def head(self, text: str) -> None:
        """A section's heading."""

    def paragraph(self, text: str, style: str = "plain", lead: str = "  ") -> None:
        """Running text; `style` marks its weight, `lead` stands before it where lines are indented."""

    def rows(self, rows: Iterable[tuple[str, str]]) -> None:
        """Names and values in two columns."""

    def table(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A table of figures, right-aligned."""


class TextPage:
    """Collects lines for a terminal; colour only where it is wanted."""

    def __init__(self, width: int, colour: bool) -> None:
        self.width = width
        self._colour = colour
        self.lines: list[str] = []

    def _style(self, text: str, name: str) -> str:
        style = _STYLE.get(name, "0")
        return f"\x1b[{style}m{text}\x1b[0m" if self._colour and style != "0" else text

    def title(self, text: str) -> None:
        self.lines.append(self._style(printable(text), "head"))

    def head(self, text: str) -> None:
        self.lines += ["", self._style(printable(text), "head")]

    def paragraph(self, text: str, style: str = "plain", lead: str = "  ") -> None:
        hang = " " * len(lead)
        wrapped = textwrap.wrap(printable(text), self.width, initial_indent=lead, subsequent_indent=hang)
        self.lines += [self._style(line, style) for line in wrapped]

    def rows(self, rows: Iterable[tuple[str, str]]) -> None:
        rows = list(rows)
        name_width = max((len(name) for name, _ in rows), default=0)
        for name, value in rows:
            indent = " " * (name_width + 4)
            wrapped = textwrap.wrap(printable(value), max(self.width - len(indent), 20)) or [""]
            self.lines.append(f"  {name:<{name_width}}  {wrapped[0]}")
            self.lines += [indent + more for more in wrapped[1:]]

    def table(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        widths = [max(len(row[place]) for row in (heads, *rows)) for place in range(len(heads))]
        for row in (heads, *rows):
            cells = (f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True))
            self.lines.append("  " + "  ".join(cells))


def wants_colour(stream: TextIO) -> bool:
    """Colour on a terminal, unless NO_COLOR is set."""
    return stream.isatty() and not os.environ.get("NO_COLOR")


def render(report: Report, width: int | None = None, colour: bool = False) -> str:
    """The whole page as text for a terminal."""
    page = TextPage(width or min(shutil.get_terminal_size((96, 24)).columns, 110), colour)
    compose(page, report)
    return "\n".join(page.lines).strip("\n") + "\n"


def compose(page: Writer, report: Report) -> None:
    """Write the report, answers first."""
    _title(page, report)
    page.head("Answers")
    for answer in answers(report):
        page.paragraph(answer.text, answer.tone, "• ")
    for part in (_energy, _currents, _fuses, _wires, _battery, _charge, _laps, write_drive, _findings, _uncertainty):
        part(page, report)
    page.head("Cautions")
    for text in CAUTIONS:
        page.paragraph(text)


def _title(page: Writer, report: Report) -> None:
    run = report.run
    machine = run.machine.name if run.machine and run.machine.name else "machine not described"
    page.title(f"Run {run.metadata.run_id}: {printable(machine)}")
    interval = run.interval_s
    rate = f"{1 / interval:.4g} samples/s" if interval else "a single sample"
    started = f", started {run.metadata.start_utc}" if run.metadata.start_utc else ""
    page.paragraph(f"{moment(run.duration_s)}, {run.rows} samples, {rate}{printable(started)}")
    for note in run.metadata.notes:
        page.paragraph(f"note: {printable(note)}")


def printable(text: str) -> str:
    """Text of a file without anything that could steer a terminal."""
    return "".join(character if character.isprintable() else "�" for character in text)


def _energy(page: Writer, report: Report) -> None:
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


def _currents(page: Writer, report: Report) -> None:
    for lead, current in report.currents.items():
        page.head(f"{lead.capitalize()} current")
        rows = [("peak", full(current.peak_a)), ("mean", full(current.mean_a))]
        rows += [(f"RMS {window} s", full(value)) for window, value in current.rms_a.items()]
        page.rows(rows)


def _fuses(page: Writer, report: Report) -> None:
    for place, lead in report.fuse_leads.items():
        fuse = lead.result
        page.head(f"{place.capitalize()} fuse: {fuse.verdict}")
        page.rows(
            [
                ("rating", f"{fuse.rating_a:g} A" if fuse.rating_a else "not given"),
                ("derated", f"{fuse.derated_a:.1f} A" if fuse.derated_a else "not given"),
                ("margin to earliest", full(fuse.margin)),
                ("margin to latest", full(fuse.margin_latest)),
                ("above rating", full(fuse.seconds_above_rating)),
                ("continuous share", full(fuse.continuous_fraction)),
                ("current", SOURCES[fuse.current_from]),
                ("rule", sentences(fuse.rule)),
                ("other ratings", other_ratings(lead.advice)),
            ]
        )


def _wires(page: Writer, report: Report) -> None:
    for place, path in report.paths.items():
        wire = path.wire
        page.head(f"{place.capitalize()} wire: {wire.verdict}")
        ampacity = f"{wire.ampacity_a:.1f} A" if wire.ampacity_a else "not given"
        rows = [
            ("conductor", conductor(wire.conductor)),
            ("ampacity", f"{ampacity}: {phrase(wire.ampacity_basis)}"),
            ("margin", full(wire.margin)),
            ("adiabatic margin", full(wire.adiabatic_margin)),
            ("drop at peak", full(wire.drop_v)),
            ("loss", full(wire.loss_w)),
        ]
        if path.weakest is not None:
            weakest = path.weakest
            unrated = f"; not rated: {', '.join(map(part_name, weakest.unrated))}" if weakest.unrated else ""
            rows.append(("lowest rating", f"{part_name(weakest.part)}, {weakest.rating_a:.3g} A{unrated}"))
        page.rows(rows)


def _battery(page: Writer, report: Report) -> None:
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


def _charge(page: Writer, report: Report) -> None:
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


def _laps(page: Writer, report: Report) -> None:
    laps = report.laps
    page.head(f"Laps: {len(laps.each)}" + (f", from {laps.method}" if laps.method else ""))
    if laps.each:
        page.table(
            ("lap", "start s", "time s", "net Wh", "net Ah", "peak A"),
            [
                (
                    str(place),
                    f"{lap.start_s:.1f}",
                    f"{lap.end_s - lap.start_s:.2f}",
                    _figure(lap.net_wh, 2),
                    _figure(lap.net_ah, 3),
                    _figure(lap.peak_a, 1),
                )
                for place, lap in enumerate(laps.each, 1)
            ],
        )
    if not laps.each and laps.reason:
        page.paragraph(laps.reason)
    page.rows([("per full charge", full(report.laps_per_charge)), ("left", full(report.laps_remaining))])


def _uncertainty(page: Writer, report: Report) -> None:
    found = by_source(report.uncertainty)
    if not found:
        return
    page.head("What the intervals rest on")
    for what, shares, following in found:
        page.paragraph(f"{what}: {', '.join(shares)}")
        page.paragraph(following, "note", "    ")


def _figure(value: float | None, decimals: int) -> str:
    return "–" if value is None else number(value, decimals)


def _findings(page: Writer, report: Report) -> None:
    page.head(f"Findings: {len(report.findings)}")
    for finding in report.findings:
        words = told(finding)
        page.paragraph(f"{finding.severity}: {words.what}", finding.severity)
        page.paragraph(f"{words.evidence}. {words.next}", "note", "    ")
