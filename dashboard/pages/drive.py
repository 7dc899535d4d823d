"""One run on one page: the frame, shown at once, and its content once the figures are computed."""

from __future__ import annotations

from dash import dcc, html

from amptally.analysis.report.build import Report
from amptally.analysis.report.rows import fuse_heading, wire_heading
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.formatting import moment, number
from amptally.analysis.wording.labels import CAUTIONS, LAP_METHODS
from amptally.analysis.wording.phrase import counted
from amptally.analysis.wording.results import phrase, phrases
from amptally.dashboard.address import DriveAddress, whole
from amptally.dashboard.figures import volts as volts_figure
from amptally.dashboard.figures.command import HEIGHT_PX as COMMAND_PX
from amptally.dashboard.figures.lanes import Lane, usual_keys
from amptally.dashboard.figures.traces import BOTTOM_PX, HEAD_PX, LANE_PX, TOP_PX
from amptally.dashboard.pages import tables
from amptally.dashboard.pages.cards import MARKS, cards_of, held_together, show_card
from amptally.dashboard.pages.overview import HEIGHT_PX as OVERVIEW_PX
from amptally.dashboard.pages.parts import (
    QUIET,
    Child,
    aria,
    asked_for,
    capitalised,
    data,
    folded,
    message,
    picture,
    plain,
    section,
)
from amptally.dashboard.stores import PLACES

TIGHTEST = "tightest"
USUAL = "usual"
LEAD_FIGURES = ("fuses", "wires", "currents")
NOTHING = html.P("Nothing to show.", className="quiet")


def drive_page(run: Run, run_id: str, address: DriveAddress, lanes: tuple[Lane, ...]) -> html.Main:
    """The page of a run before anything is computed."""
    shown = address.show if address.show is not None else usual_keys(lanes)
    shown = tuple(lane.key for lane in lanes if lane.key in shown)
    height = TOP_PX + BOTTOM_PX + max(len(shown), 1) * (LANE_PX + HEAD_PX)
    waiting = html.Div("Computing …", className="waiting")
    return html.Main(
        [
            dcc.Store(id="run", data=run_id),
            dcc.Store(id="view", data={"see": address.see, "show": address.show}),
            dcc.Store(id="part", data=address.part),
            dcc.Store(id="detail", data={"fuse": address.fuse, "lap": address.lap, "across": address.across}),
            dcc.Store(id="computed"),
            dcc.Store(id="laps-known"),
            dcc.Store(id="deferred"),
            _title(run, run_id),
            html.Div(
                [
                    html.P(id="part-words", className="part-words", role="status"),
                    html.Button("Whole run", id="whole-run", className="strong", hidden=True),
                ],
                className="part-bar",
                id="part-bar",
            ),
            section("answers", "Answers", html.Div(waiting, id="cards", className="cards")),
            _traces(lanes, shown, height),
            section(
                "exposure-part",
                "How much current, for how long",
                html.Div(
                    [
                        html.Span("Fuse", className="label", id="fuse-label"),
                        dcc.RadioItems(
                            [
                                {"label": "tightest", "value": TIGHTEST},
                                *({"label": place, "value": place} for place in PLACES),
                            ],
                            address.fuse or TIGHTEST,
                            id="fuse",
                            inline=True,
                            className="choice",
                        ),
                    ],
                    className="tools",
                ),
                picture("exposure", 400, "Largest RMS current against window length, with the fuse's opening times"),
                html.Div(id="exposure-words"),
                asked_for("As a table: current by window length", "exposure-table"),
                lead="The largest RMS current over any window of each length, against the times in which the fuse may "
                "open at that current.",
            ),
            section(
                "volts-part",
                "Voltage against current",
                picture("volts", 400, "Battery voltage against battery current, shaded by time spent"),
                html.Div(id="volts-words"),
                asked_for("As a table: voltage by current", "volts-table"),
                lead="Time spent at each current and voltage, and how steeply the voltage falls with current.",
            ),
            section("laps-part", "Laps", html.Div(waiting, id="laps")),
            section(
                "drive-part",
                "How it was driven",
                html.Div(id="drive-words"),
                picture("command", COMMAND_PX, "Mean current of each side against the size of its command"),
                asked_for("As a table: current by command", "command-table"),
                lead="Stalls, reversing, charge recovered by braking, and the current of each side by its command.",
            ),
            section("findings-part", "Findings and cautions", html.Div(waiting, id="findings")),
            section(
                "figures-part",
                "All figures",
                html.Div(waiting, id="figures"),
                *(asked_for(f"{kind.capitalize()} of every lead", f"{kind}-figures") for kind in LEAD_FIGURES),
            ),
        ],
        className="drive",
        **data("ends", ",".join(f"{end:.6f}" for end in whole(run))),
    )


def _title(run: Run, run_id: str) -> html.Header:
    machine = run.machine.name if run.machine and run.machine.name else "Machine not described"
    interval = run.interval_s
    rate = f"{1 / interval:.4g} samples/s" if interval else "a single sample"
    started = (run.metadata.start_utc or "start not known")[:16].replace("T", " ")
    utc = " UTC" if run.metadata.start_utc else ""
    line = [f"{plain(started)}{utc}", moment(run.duration_s), f"{run.rows:,} samples".replace(",", " "), rate]
    notes = [html.P(["Note: ", plain(note)], className="note") for note in run.metadata.notes]
    tags = [html.Span(plain(tag), className="label") for tag in run.metadata.tags]
    return html.Header(
        [
            html.H1(plain(machine)),
            html.P([*(html.Span(text) for text in line), html.Span(run_id, className="id")], className="facts-line"),
            *([html.P(tags, className="tags")] if tags else []),
            *notes,
        ],
        className="title",
    )


def _traces(lanes: tuple[Lane, ...], shown: tuple[str, ...], height: int) -> html.Section:
    tools = html.Div(
        [
            html.Div(
                [
                    html.Button("Zoom in", id="zoom-in"),
                    html.Button("Zoom out", id="zoom-out"),
                    html.Button("Earlier", id="earlier"),
                    html.Button("Later", id="later"),
                    html.Button("Fit", id="fit", title="Bring everything into view"),
                ],
                className="buttons",
                role="group",
                **aria(label="View"),
            ),
            html.Button("Compute this view", id="compute-view", className="strong"),
            html.Span(id="view-words", className="view-words", role="status"),
        ],
        className="tools",
    )
    typed = html.Div(
        [
            html.Label("from", htmlFor="type-from"),
            dcc.Input(id="type-from", type="number", debounce=False, step="any", className="typed"),
            html.Label("to", htmlFor="type-to"),
            dcc.Input(id="type-to", type="number", debounce=False, step="any", className="typed"),
            html.Span("s", className="unit"),
            html.Button("Compute this part", id="compute-typed"),
        ],
        className="tools",
    )
    choice = dcc.Checklist(
        [{"label": lane.title, "value": lane.key} for lane in lanes],
        list(shown),
        id="lanes",
        inline=True,
        className="choice",
    )
    return section(
        "traces-part",
        "Traces",
        picture("overview", OVERVIEW_PX, "The whole run; drag across it to compute a part"),
        folded("Type a part instead", typed),
        tools,
        picture("traces", height, "Measured channels against run time"),
        folded("Channels", choice),
        asked_for("As a table: minimum and maximum in 24 equal stretches of the view", "traces-table"),
        lead="Drag across the strip to compute a part of the run. Drag across the traces to zoom in. The minimum and "
        "the maximum of every stretch are drawn, so that no peak is lost.",
    )


def part_words(report: Report, part: tuple[float, float] | None) -> str:
    """The stretch that the figures cover."""
    run = report.run
    if part is None:
        return held_together(f"Every figure is for the whole run, {moment(run.duration_s)}.")
    first, last = run.start_s, run.end_s
    ends = f"{number(first, 2)} to {number(last, 2)} s"
    return held_together(f"Every figure is for {ends}: {moment(last - first)} of the run.")


def answer_cards(report: Report, address: DriveAddress, run_id: str) -> list[Child]:
    """The cards; one that says so where no fuse can be judged."""
    found: list[Child] = [show_card(card, address, run_id) for card in cards_of(report)]
    if not report.fuses:
        why = (
            "The run has no machine description: write one with “amptally machine new cart.toml”, and record or import "
            "with --machine cart.toml."
            if report.run.machine is None
            else "The machine file names no fuse: add [fuse.left], [fuse.right] or [fuse.main]."
        )
        found.insert(0, message("No fuse can be judged.", html.P(why)))
    return found


def laps_part(
    report: Report, chosen: int, address: DriveAddress, run_id: str, channels: list[tuple[str, str]]
) -> Child:
    """Picture and table of laps, or why there are none."""
    laps = report.laps
    if not laps.each:
        return message("No laps in this part of the run.", html.P(capitalised(plain(f"{phrases(laps.reasons)}."))))
    source = LAP_METHODS[laps.method] if laps.method else "an unknown method"
    if laps.method == "signal":
        source = f"{source}, with a confidence of {laps.confidence:.2f} of 1"
    # The usual channel has a value of its own, so that its arrival on the page does not change the address.
    choices = [
        {"label": words.lower(), "value": USUAL if place == 0 else name} for place, (name, words) in enumerate(channels)
    ]
    chosen_value = address.across if address.across in {name for name, _ in channels[1:]} else USUAL
    return [
        html.P(f"{counted(len(laps.each), 'complete lap')}, by {source}.", className="lead"),
        html.Div(
            [
                html.Span("Overlay", className="label"),
                dcc.RadioItems(
                    choices,
                    chosen_value,
                    id={"type": "across", "name": "laps"},
                    inline=True,
                    className="choice",
                ),
            ],
            className="tools",
        ),
        picture("laps-picture", 340, "Laps overlaid"),
        html.P(id="lap-words", className="caption"),
        html.Div(tables.laps_table(report, chosen, address, run_id), id="laps-table"),
    ]


def findings_part(findings: tuple[Reason, ...]) -> Child:
    """Findings, most severe first, then the cautions that always apply."""
    shown = []
    for finding in findings:
        words = told(finding)
        mark = html.Span(MARKS[finding.severity], className="mark", **QUIET)
        sentences = [
            html.P(plain(words.what), className="what"),
            html.P(plain(f"{words.evidence}. {words.next}"), className="evidence"),
        ]
        tag = html.Span([mark, finding.severity], className=f"tag {finding.severity}")
        shown.append(html.Li([tag, html.Div(sentences)], className=finding.severity))
    always = html.Div([html.P(text) for text in CAUTIONS], className="cautions")
    return [html.Ul(shown, className="findings") if shown else html.P("No findings."), always]


def figures_part(report: Report) -> Child:
    """Energy, battery and charge, and the sources of the main results' uncertainty."""
    parts: list[tuple[str, Child]] = [
        ("Energy", tables.energy_facts(report)),
        ("Battery", tables.battery_facts(report)),
        ("Remaining charge", tables.charge_facts(report)),
    ]
    return [
        _sheets(parts),
        html.Div([html.H3("Sources of uncertainty"), tables.uncertainty_table(report)], id="uncertainty"),
    ]


def lead_figures(report: Report, kind: str) -> Child:
    """The figures of every lead, side by side: `kind` is fuses, wires or currents."""
    if kind == "fuses":
        parts = [(fuse_heading(report, place), tables.fuse_facts(report, place)) for place in report.fuses]
    elif kind == "wires":
        parts = [(wire_heading(report, place), tables.wire_facts(report, place)) for place in report.paths]
    else:
        parts = [(f"{lead.capitalize()} current", tables.current_facts(report, lead)) for lead in report.currents]
    if not parts:
        return message(f"No {kind.removesuffix('s')} can be judged: the machine file names none.")
    return _sheets(parts)


def _sheets(parts: list[tuple[str, Child]]) -> html.Div:
    sheets = [html.Section([html.H3(title), body], className="sheet") for title, body in parts]
    return html.Div(sheets, className="sheets")


def drive_words(report: Report) -> Child:
    """Figures of how the machine was driven, and why there is no picture of current by command."""
    refused = report.drive.command_map_refused
    if refused is None:
        return tables.drive_facts(report)
    why = html.P(capitalised(plain(f"{phrase(refused)}.")))
    return [tables.drive_facts(report), message("No picture of current by command.", why)]


def volts_words(report: Report) -> Child:
    """The lines in words; or why there is no picture."""
    absent = volts_figure.missing(report)
    if absent is not None:
        return message(f"No picture: {absent}.")
    known, refused = volts_figure.lines(report)
    legend: Child = (
        html.Ul(
            [html.Li([html.Span(className=f"swatch dash{place}"), words]) for place, (words, _, _) in enumerate(known)],
            className="legend",
        )
        if known
        else message("No line of resistance.", html.P(refused or ""))
    )
    return legend
