"""The first page of a report, at most 40 lines of 100 columns: what each part did, and what to look at first.

Findings stand with the part they are about, those of several fuses or wires once; what is missing is counted by its
reason, never line by line. What does not fit is on the full report, and the page says so.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from amptally.analysis.driving.manoeuvre import commanded
from amptally.analysis.report.answers import TONE_OF_VERDICT, Tone, by_margin
from amptally.analysis.report.build import Report
from amptally.analysis.report.rows import Rows, battery_rows, charge_rows, current_rows, drive_rows, energy_rows
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason, Severity
from amptally.analysis.runs.charging import on_charger
from amptally.analysis.wording import at_a_glance as glance
from amptally.analysis.wording.catalogue import topic_of
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.formatting import moment
from amptally.analysis.wording.labels import CAUTIONS
from amptally.analysis.wording.results import phrase
from amptally.logger.channels import BY_SI_NAME

MAX_LINES, MAX_COLUMNS = 40, 100
_PLACES = ("main", "left", "right")
_LABEL = 19
_MARKS: dict[str, str] = {"danger": "!!", "caution": "! ", "unknown": "? "}
OF_ITS_LINE = ("fuse_past", "fuse_inside", "fuse_near", "wire_over", "receiver_below_minimum", "receiver_near_minimum")
"""Findings that the line of the part itself states; what to do about them stands there."""
OF_THIS_RUN = ("run_shorter_than_window", "charge_ends_before_cutoff", "battery_is_the_sum")
"""Refusals that nothing could supply: they are no lack."""
Group = Literal["protection", "battery", "driving", "recording"]
GROUPS: tuple[Group, ...] = ("protection", "battery", "driving", "recording")
_GROUP_OF: dict[str, Group] = {
    "protection": "protection",
    "battery": "battery",
    "forecast": "battery",
    "laps": "driving",
    "driving": "driving",
}
"""Group of a finding by the topic that words it; those of any other topic are about the recording."""
_OTHER_CHANNELS = (
    ("pulse_a_us", "pulses"),
    ("pulse_b_us", "pulses"),
    ("left_wheel_count", "wheel counts"),
    ("right_wheel_count", "wheel counts"),
    ("mark", "marks"),
)


@dataclass(frozen=True, slots=True)
class Line:
    """One entry of the page."""

    label: str
    text: str
    tone: Tone = "plain"
    more: str = ""
    """What to do about it; left out where the page would get too long."""


@dataclass(frozen=True, slots=True)
class FirstPage:
    """The page as data, for terminal and paper."""

    title: str
    measured: str
    groups: dict[Group, tuple[Line, ...]]
    missing: tuple[str, ...]
    """What is not given, by what is missing, most figures first."""
    errors_declared: bool
    """Whether the machine file holds what the sensors may be wrong by."""
    notes: int
    """Findings that are notes: on the full report alone."""

    @property
    def brackets(self) -> str:
        """What the numbers in brackets are."""
        undeclared = "" if self.errors_declared else ", without the sensors' errors, which the machine file lacks"
        return f"In brackets: 95 % interval{undeclared}."


NOTHING_TO_COMPARE = Line(
    "Fuses and wires",
    "not compared: no machine file names any. Write one with: amptally machine new cart.toml --ask, then report with "
    "--machine cart.toml.",
    "unknown",
)


def first_page(report: Report) -> FirstPage:
    """What the page says."""
    lines: dict[Group, list[Line]] = {
        "protection": [*_fuses(report), *_wires(report)] or [NOTHING_TO_COMPARE],
        "battery": _battery(report),
        "driving": _driving(report),
        "recording": [],
    }
    said = [finding for finding in report.findings if finding.code in OF_ITS_LINE]
    findings = [finding for finding in report.findings if finding.severity != "note" and finding not in said]
    for line, group in _merged(findings):
        if line.tone == "danger":  # before everything that may rest on it
            lines["protection"].insert(sum(each.label == "Danger" for each in lines["protection"]), line)
        else:
            lines[group].append(line)
    groups = {group: tuple(lines[group]) for group in GROUPS}
    notes = sum(finding.severity == "note" for finding in report.findings)
    declared = all(finding.code not in ("sensor_undeclared", "no_machine") for finding in report.findings)
    return FirstPage(_title(report), _measured(report), groups, tuple(_missing(report)), declared, notes)


def _title(report: Report) -> str:
    run = report.run
    machine = run.machine.name if run.machine and run.machine.name else "Machine not described"
    started = f", {run.metadata.start_utc[:16].replace('T', ' ')} UTC" if run.metadata.start_utc else ""
    return f"{machine}: run {run.metadata.run_id}{started}"


def _measured(report: Report) -> str:
    run = report.run
    rate = f"{1 / run.interval_s:.3g} samples/s" if run.interval_s else "a single sample"
    lost_s = sum(gap.end_s - gap.start_s for gap in run.gaps() if gap.end_s is not None)
    whole = f", {moment(lost_s)} of it missing" if lost_s else ""
    return f"{moment(run.duration_s)} at {rate}{whole}. Measured: {_channels(report) or 'nothing'}."


def _channels(report: Report) -> str:
    """Channels by quantity: "battery, left and right current; battery voltage"."""
    by_quantity: dict[str, list[str]] = {}
    for channel in BY_SI_NAME.values():
        of_what, _, quantity = channel.label.lower().rpartition(" ")
        measured = channel.si_name in report.run.columns and report.run.has(channel.si_name)
        if measured and quantity in ("current", "voltage", "temperature"):
            by_quantity.setdefault(quantity, []).append(of_what)
    listed = [f"{joined(names)} {quantity}" for quantity, names in by_quantity.items()]
    listed += dict.fromkeys(name for channel, name in _OTHER_CHANNELS if report.run.has(channel))
    return ", ".join(listed)


def _fuses(report: Report) -> Iterator[Line]:
    for place, fuse in by_margin(report):
        rated = f" {fuse.rating_a:g} A" if fuse.rating_a else ""
        at_s, window_s = fuse.tightest_at_s, fuse.tightest_window_s
        doing = None
        if at_s is not None and window_s is not None:
            doing = commanded(report.run, at_s - window_s, window_s, report.drive.stalls)
        tone = "unknown" if fuse.margin.is_refused else TONE_OF_VERDICT[fuse.verdict]
        yield Line(
            f"{place.capitalize()} fuse{rated}", glance.fuse_line(fuse, doing), tone, _advice(report, place, "fuse_")
        )


def _advice(report: Report, place: str, code: str) -> str:
    """What to do about what a line states."""
    found = (each for each in report.findings if each.code in OF_ITS_LINE and each.code.startswith(code))
    return next((told(each).next for each in found if dict(each.facts).get("place", place) == place), "")


def _wires(report: Report) -> Iterator[Line]:
    wires = {place: path.wire for place, path in report.paths.items()}
    below = {place: wire for place, wire in wires.items() if wire.verdict == "under"}
    if below:
        yield Line("Wires" if len(below) > 1 else f"{next(iter(below)).capitalize()} wire", glance.wires_line(below))
    for place, wire in wires.items():
        if place not in below:
            tone: Tone = "danger" if wire.verdict == "over" else "unknown"
            yield Line(f"{place.capitalize()} wire", glance.wire_line(wire), tone, _advice(report, place, "wire_"))


def _battery(report: Report) -> list[Line]:
    machine, sag = report.run.machine, report.sag
    found = [Line("Battery", glance.battery_line(sag))]
    if not sag.receiver_min_v.is_refused:
        minimum_v = machine.receiver.minimum_v if machine and machine.receiver else None
        severity = next((each.severity for each in report.findings if each.code.startswith("receiver_")), "")
        tone: Tone = "danger" if severity == "danger" else "caution" if severity else "plain"
        text, advice = glance.receiver_line(sag, minimum_v), _advice(report, "", "receiver_")
        found.append(Line("Receiver supply", text, tone, advice))
    charge = report.charge
    text = glance.charge_line(charge.state_of_charge, report.laps_per_charge, report.laps_remaining, charge.remaining)
    found.append(Line("Charge", text, "unknown" if charge.remaining.runtime_s.is_refused else "plain"))
    return found


def _driving(report: Report) -> list[Line]:
    charged = on_charger(report.run)
    charged_alone = charged is not None and bool(charged["alone"])
    found = [Line("Energy", glance.energy_line(report.energy, charged=charged_alone))]
    found.append(Line("Peak current", glance.current_line(report.currents)))
    found.append(Line("Laps", glance.laps_line(report.laps)))
    return found


def _merged(findings: Iterable[Reason]) -> Iterator[tuple[Line, Group]]:
    """Findings as lines; those that say the same, as gravely, of several fuses, wires or sides are one."""
    same: dict[tuple[str, Severity, str, str], list[str]] = {}
    for finding in findings:
        place = next((str(fact) for name, fact in finding.facts if name in ("place", "side", "lead")), "")
        words = told(finding)
        what = words.what
        for name in (place, place.capitalize()):
            what = what.replace(name, "\0", 1) if name else what
        after = words.next.replace(place, "\0") if place else words.next
        same.setdefault((finding.code, finding.severity, what, after), []).append(place)
    for (code, severity, what, after), places in same.items():
        text = what.replace("\0", joined(places))
        group = _GROUP_OF.get(topic_of(code), "recording")
        advice = after.replace("\0", "/".join(_in_order(places)))
        yield Line(severity.capitalize(), text[:1].upper() + text[1:], _tone(severity), advice), group


def _tone(severity: Severity) -> Tone:
    return "danger" if severity == "danger" else "caution"


def _in_order(places: list[str]) -> list[str]:
    return sorted(dict.fromkeys(places), key=lambda name: _PLACES.index(name) if name in _PLACES else len(_PLACES))


def joined(places: list[str]) -> str:
    """Places as a list in a sentence, each once: "main, left and right"."""
    ordered = _in_order(places)
    return ordered[0] if len(ordered) == 1 else f"{', '.join(ordered[:-1])} and {ordered[-1]}"


def _missing(report: Report) -> Iterator[str]:
    """Each reason that keeps figures from being given, with their number."""
    rows: Rows = [
        *energy_rows(report), *battery_rows(report), *charge_rows(report), *drive_rows(report),
        *(row for lead in report.currents for row in current_rows(report, lead)),
    ]  # fmt: skip
    refused = [value for _, value in rows if isinstance(value, Estimate) and value.is_refused]
    counted = Counter(value.reasons[0] for value in refused)
    merged: Counter[str] = Counter()
    for reason, count in counted.items():
        if reason.code in OF_THIS_RUN:
            continue
        merged[phrase(reason)] += count
    for words, count in merged.most_common():
        yield f"{words}: {count} {'figure' if count == 1 else 'figures'}"


def as_text(page: FirstPage, width: int = MAX_COLUMNS) -> list[tuple[str, Tone]]:
    """The lines of the page with their tones, at most `MAX_LINES` where nothing but dangers has to be shown."""
    for shorter in (_as_it_is, _without_advice, _cautions_counted):
        lines = list(_laid_out(shorter(page), min(width, MAX_COLUMNS)))
        if len(lines) <= MAX_LINES:
            break
    return lines


def _as_it_is(page: FirstPage) -> FirstPage:
    return page


def _without_advice(page: FirstPage) -> FirstPage:
    """What to do about dangers alone."""

    def short(line: Line) -> Line:
        return line if line.tone == "danger" else replace(line, more="")

    groups = {group: tuple(map(short, lines)) for group, lines in page.groups.items()}
    return replace(page, groups=groups, missing=page.missing[:3])


def _cautions_counted(page: FirstPage) -> FirstPage:
    """Of the cautions their number alone."""
    groups, left_out = {}, 0
    for group, lines in _without_advice(page).groups.items():
        groups[group] = tuple(line for line in lines if line.label != "Caution")
        left_out += len(lines) - len(groups[group])
    if left_out:
        counted = Line("Caution", f"{left_out} on the full report (--full).", "caution")
        groups["recording"] = (*groups["recording"], counted)
    return replace(page, groups=groups, missing=page.missing[:2])


def _laid_out(page: FirstPage, width: int) -> Iterator[tuple[str, Tone]]:
    for text in (*textwrap.wrap(page.title, width), *textwrap.wrap(page.measured, width)):
        yield text, "plain"
    yield "", "plain"
    for lines in page.groups.values():
        for line in lines:
            yield from _entry(line, width)
    if page.missing:
        yield from _entry(Line("Not given", "; ".join(page.missing[:4]) + "."), width)
    yield "", "plain"
    more = f"{page.notes} notes and every figure" if page.notes else "Every figure"
    for text in textwrap.wrap(f"{page.brackets} {more}: --full. {CAUTIONS[1]}", width):
        yield text, "plain"


def _entry(line: Line, width: int) -> Iterator[tuple[str, Tone]]:
    mark = _MARKS.get(line.tone, "  ")
    text = f"{line.text} {line.more}".strip()
    indent = " " * (_LABEL + len(mark) + 1)
    wrapped = textwrap.wrap(text, max(width - len(indent), 20)) or [""]
    yield f"{mark} {line.label:<{_LABEL}}{wrapped[0]}", line.tone
    for rest in wrapped[1:]:
        yield indent + rest, line.tone
