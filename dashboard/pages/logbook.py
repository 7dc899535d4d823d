"""The list of runs in the folder, newest first, with the main figures of those computed."""

from __future__ import annotations

from dash import dcc, html

from amptally.analysis.report.answers import TONE_OF_VERDICT
from amptally.analysis.runs.catalogue import Entry
from amptally.analysis.wording.formatting import moment, short
from amptally.analysis.wording.labels import FUSE_VERDICTS
from amptally.dashboard.address import RUN_PREFIX
from amptally.dashboard.library import MAX_BACKGROUND_SAMPLES, Library, Line
from amptally.dashboard.pages.cards import MARKS
from amptally.dashboard.pages.parts import QUIET, Child, heading, message, plain

PICK_MS = 400
"""Between two runs that are computed in the background."""


def logbook_page(library: Library) -> html.Main:
    """The page."""
    return html.Main(
        [
            html.Header([html.H1("Logbook"), html.P(_where(library), className="facts-line")], className="title"),
            html.Div(logbook_rows(library, library.entries()), id="logbook"),
            dcc.Interval(id="pick", interval=PICK_MS, disabled=not library.waiting(library.entries())),
        ],
        className="logbook",
    )


def _where(library: Library) -> Child:
    return ["Runs in the folder ", html.Span(plain(library.folder.name or str(library.folder)), className="id")]


def logbook_rows(library: Library, entries: list[Entry]) -> list[Child]:
    """The table, the unreadable files, or how to make a first run."""
    readable = [entry for entry in entries if entry.about is not None]
    unreadable = [entry for entry in entries if entry.about is None]
    found: list[Child] = []
    if readable:
        heads = ("started, UTC", "machine", "length", "tightest fuse", "net energy", "worst sag")
        kinds = ("words", "words", "numbers", "words", "numbers", "numbers")
        head = html.Tr([html.Th(text, className=kind, scope="col") for text, kind in zip(heads, kinds, strict=True)])
        body = html.Tbody([_row(library, entry) for entry in readable])
        found.append(html.Div(html.Table([html.Thead(head), body], className="runs"), className="wide"))
    else:
        found.append(_empty())
    if unreadable:
        items = [html.Li(plain(entry.problem or entry.path.name)) for entry in unreadable]
        found.append(
            html.Section(
                [html.H2("Files that cannot be read"), html.Ul(items, className="unreadable")], className="part"
            )
        )
    return found


def _empty() -> Child:
    return message(
        "No run here yet.",
        html.P("A first one without any hardware, in about twenty seconds:"),
        html.Pre("amptally demo"),
        html.P("With a sensor board on a serial port, and a description of your machine:"),
        html.Pre("amptally machine new cart.toml\namptally record /dev/ttyUSB0 --machine cart.toml"),
        html.P("A log of another recorder, as CSV or Parquet:"),
        html.Pre(
            "amptally import drive.csv --time time_s:s --map battery_current_a=current:A --out runs/drive.parquet"
        ),
    )


def _row(library: Library, entry: Entry) -> html.Tr:
    about = entry.about
    assert about is not None
    started = (about.started_utc or "")[:16].replace("T", " ")
    link = dcc.Link(plain(started) or about.run_id, href=f"{RUN_PREFIX}{about.run_id}", className="run")
    name: list[Child] = [plain(about.machine) if about.machine else html.Span("not described", className="quiet")]
    name += [html.Span(plain(tag), className="label") for tag in about.tags]
    name += [html.Span(plain(note), className="quiet note") for note in about.notes[:2]]
    cells = [
        html.Td(link, className="words", **heading("started")),
        html.Td(html.Div(name, className="about"), className="words", **heading("machine")),
        html.Td(moment(about.duration_s), className="numbers", **heading("length")),
    ]
    line = library.line(entry)
    if isinstance(line, Line):
        cells += [
            html.Td(_fuse(line), className="words", **heading("tightest fuse")),
            html.Td(short(line.net_wh), className="numbers", **heading("net energy")),
            html.Td(short(line.worst_sag_v), className="numbers", **heading("worst sag")),
        ]
    else:
        if line is not None:
            status = plain(line)
        else:
            status = "open to compute" if about.samples > MAX_BACKGROUND_SAMPLES else "computing …"
        cells.append(html.Td(status, colSpan=3, className="words quiet", **heading("figures")))
    return html.Tr(cells)


def _fuse(line: Line) -> Child:
    if line.verdict is None or line.margin is None:
        return html.Span("no fuse named", className="quiet")
    tone = TONE_OF_VERDICT[line.verdict]
    margin = f", margin {short(line.margin)}" if line.margin.value is not None else ""
    return html.Span(
        [
            html.Span(MARKS[tone], className="mark", **QUIET),
            f"{line.fuse} fuse: {FUSE_VERDICTS[line.verdict]}{margin}",
        ],
        className=f"tag {tone}",
    )
