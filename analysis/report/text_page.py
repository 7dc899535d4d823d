"""The full report as a terminal page: answers first, then tables, findings, cautions; and its first page."""

from __future__ import annotations

import itertools
import os
import shutil
import textwrap
from collections.abc import Iterable, Sequence
from typing import Protocol, TextIO

from amptally.analysis.report.answers import answers
from amptally.analysis.report.build import Report
from amptally.analysis.report.first_page import MAX_COLUMNS, as_text, first_page, joined
from amptally.analysis.report.rows import (
    Rows,
    battery_rows,
    charge_rows,
    current_rows,
    drive_rows,
    energy_rows,
    fuse_rows,
    wire_rows,
)
from amptally.analysis.report.uncertainty_budget import by_source
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.formatting import full, moment, number
from amptally.analysis.wording.labels import CAUTIONS, FUSE_VERDICTS, LAP_METHODS, WIRE_VERDICTS
from amptally.analysis.wording.results import phrase, phrases
from amptally.analysis.wording.uncertainty import share_of, words_of

MAX_CELL = 60
"""Longer values stand under the columns."""
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

    def columns(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """Names and the values of several leads beside one another."""


class TextPage:
    """Collects lines for a terminal; colour only where it is wanted."""

    def __init__(self, width: int, colour: bool) -> None:
        self.width = width
        self._colour = colour
        self.lines: list[str] = []

    def _style(self, text: str, name: str) -> str:
        style = _STYLE.get(name, "0")
        return f"\x1b[{style}m{text}\x1b[0m" if self._colour and style != "0" else text

    def line(self, text: str, style: str = "plain") -> None:
        """One line as it is."""
        self.lines.append(self._style(printable(text), style))

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

    def columns(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        name_width = max(len(row[0]) for row in (heads, *rows))
        width = max((self.width - 2 - name_width) // (len(heads) - 1) - 2, 12)
        for row in (heads, *rows):
            cells = [textwrap.wrap(printable(cell), width) or [""] for cell in row[1:]]
            for place, parts in enumerate(itertools.zip_longest(*cells, fillvalue="")):
                name = row[0] if place == 0 else ""
                values = "  ".join(f"{part:<{width}}" for part in parts)
                self.lines.append(f"  {name:<{name_width}}  {values}".rstrip())


def wants_colour(stream: TextIO) -> bool:
    """Colour on a terminal, unless NO_COLOR is set."""
    return stream.isatty() and not os.environ.get("NO_COLOR")


def render(report: Report, width: int | None = None, colour: bool = False) -> str:
    """The full report as text for a terminal."""
    page = TextPage(width or min(_columns(), 110), colour)
    compose(page, report)
    return "\n".join(page.lines).strip("\n") + "\n"


def render_first(report: Report, width: int | None = None, colour: bool = False) -> str:
    """The first page alone, as text for a terminal."""
    page = TextPage(width or min(_columns(), MAX_COLUMNS), colour)
    for text, tone in as_text(first_page(report), page.width):
        page.line(text, tone)
    return "\n".join(page.lines) + "\n"


def _columns() -> int:
    return shutil.get_terminal_size((96, 24)).columns


def compose(page: Writer, report: Report) -> None:
    """Write the report, answers first."""
    _title(page, report)
    page.head("Answers")
    for answer in answers(report):
        page.paragraph(answer.text, answer.tone, "• ")
    for part in (_energy, _currents, _fuses, _wires, _battery, _charge, _laps, _drive, _findings, _uncertainty):
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


def _rows(page: Writer, rows: Rows) -> None:
    page.rows((name, _cell(value)) for name, value in rows)


def _energy(page: Writer, report: Report) -> None:
    page.head("Energy")
    _rows(page, energy_rows(report))


def _currents(page: Writer, report: Report) -> None:
    page.head("Currents")
    _columns_of(page, {lead: current_rows(report, lead) for lead in report.currents})


def _fuses(page: Writer, report: Report) -> None:
    if report.fuses:
        page.head("Fuses")
        _columns_of(
            page,
            {
                place: [("verdict", FUSE_VERDICTS[fuse.verdict]), *fuse_rows(report, place)]
                for place, fuse in report.fuses.items()
            },
        )


def _wires(page: Writer, report: Report) -> None:
    if report.paths:
        page.head("Wires")
        _columns_of(
            page,
            {
                place: [("verdict", WIRE_VERDICTS[path.wire.verdict]), *wire_rows(report, place)]
                for place, path in report.paths.items()
            },
        )


def _columns_of(page: Writer, by_place: dict[str, Rows]) -> None:
    """Figures beside one another; long texts under them, where several places share one once."""
    places = list(by_place)
    names = list(dict.fromkeys(name for rows in by_place.values() for name, _ in rows))
    cells = {place: {name: _cell(value) for name, value in rows} for place, rows in by_place.items()}
    short = [name for name in names if all(len(cells[place].get(name, "")) <= MAX_CELL for place in places)]
    page.columns(("", *places), [(name, *(cells[place].get(name, "") for place in places)) for name in short])
    texts: list[tuple[str, str]] = []
    for name in names:
        if name in short:
            continue
        for text in dict.fromkeys(cells[place].get(name, "") for place in places):
            whose = [place for place in places if cells[place].get(name, "") == text]
            texts.append((name if whose == places else f"{name}, {joined(whose)}", text))
    page.rows((name, text) for name, text in texts if text)


def _cell(value: Estimate | str) -> str:
    return value if isinstance(value, str) else full(value)


def _battery(page: Writer, report: Report) -> None:
    page.head("Battery")
    _rows(page, battery_rows(report))


def _charge(page: Writer, report: Report) -> None:
    page.head("Remaining charge, at this load")
    _rows(page, charge_rows(report))


def _laps(page: Writer, report: Report) -> None:
    laps = report.laps
    page.head(f"Laps: {len(laps.each)}" + (f", from {LAP_METHODS[laps.method]}" if laps.method else ""))
    if laps.reasons:
        page.paragraph(phrases(laps.reasons))
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


def _drive(page: Writer, report: Report) -> None:
    page.head("Drive")
    _rows(page, drive_rows(report))
    refused = report.drive.command_map_refused
    if refused is not None:
        page.paragraph(f"No current by command: {phrase(refused)}")
        return
    page.table(
        ("side", "command %", "time s", "mean A", "median A"),
        [
            (
                each.side,
                f"{100 * each.from_share:.0f} to {100 * each.to_share:.0f}",
                number(each.seconds, 1),
                number(each.mean_a, 1),
                number(each.median_a, 1),
            )
            for each in report.drive.command_map
        ],
    )


def _uncertainty(page: Writer, report: Report) -> None:
    sources = by_source(report.uncertainty)
    if not sources:
        return
    page.head("Sources of uncertainty")
    for contributions in sources:
        words = words_of(contributions[0].source, contributions[0].declared)
        shares = ", ".join(share_of(each.value, each.share) for each in contributions)
        page.paragraph(f"{words.what}: {shares}")
        page.paragraph(words.next, "note", "    ")


def _figure(value: float | None, decimals: int) -> str:
    return "–" if value is None else number(value, decimals)


def _findings(page: Writer, report: Report) -> None:
    page.head(f"Findings: {len(report.findings)}")
    for finding in report.findings:
        words = told(finding)
        page.paragraph(f"{finding.severity}: {words.what}", finding.severity)
        page.paragraph(f"{words.evidence}. {words.next}", "note", "    ")
