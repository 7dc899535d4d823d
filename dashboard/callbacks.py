"""The callbacks: the address chooses a page, the stores of a page choose what is drawn and computed.

assets/amptally.js writes user actions to those stores and to the address; everything here reads them.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, html, no_update, set_props

from amptally.analysis.errors import AnalysisError
from amptally.analysis.runs.folder import OPENING_ERRORS
from amptally.dashboard.address import DriveAddress, pair, run_id_of, whole
from amptally.dashboard.figures import laps as laps_figure
from amptally.dashboard.figures.lanes import lanes_of
from amptally.dashboard.figures.traces import traces_figure
from amptally.dashboard.library import Library
from amptally.dashboard.pages import tables
from amptally.dashboard.pages.drawing import register_pictures
from amptally.dashboard.pages.drive import (
    NOTHING,
    answer_cards,
    drive_page,
    figures_part,
    findings_part,
    laps_part,
    part_words,
)
from amptally.dashboard.pages.logbook import logbook_page, logbook_rows
from amptally.dashboard.pages.overview import overview_figure
from amptally.dashboard.pages.parts import Child, is_open, message, plain
from amptally.dashboard.stores import MAX_MARKED, address_of, lap_of, laps_of, view_of
from amptally.dashboard.theme import Screen

_log = logging.getLogger(__name__)


def register(app: Dash, library: Library) -> None:
    """Register all callbacks."""
    register_browser(app)
    register_pictures(app, library)

    @app.callback(Output("page", "children"), Input("address", "pathname"), Input("address", "search"))
    def page(pathname: str | None, search: str | None) -> Child:
        if pathname in (None, "", "/"):
            return logbook_page(library)
        run_id = run_id_of(pathname)
        if run_id is None:
            return html.Main(message("There is no such page.", html.P(html.A("To the list of runs", href="/"))))
        try:
            opened = library.open(run_id)
            return drive_page(opened.run, run_id, DriveAddress.parse(search), lanes_of(opened.run))
        except Exception as error:
            return html.Main(trouble(error, library.folder))

    @app.callback(
        Output("logbook", "children"),
        Output("pick", "disabled"),
        Input("pick", "n_intervals"),
        prevent_initial_call=True,
    )
    def pick(_: int) -> Any:
        entries = library.entries()
        changed = library.compute_next(entries)
        done = not library.waiting(entries)
        return (logbook_rows(library, entries), done) if changed or done else (no_update, no_update)

    @app.callback(
        Output("traces", "figure"),
        Output("overview", "figure"),
        Output("view-words", "children"),
        Input("view", "data"),
        Input("part", "data"),
        Input("screen", "data"),
        Input("laps-known", "data"),
        State("run", "data"),
    )
    def traces(view_data: Any, part_data: Any, screen_data: Any, laps_known: Any, run_id: Any) -> Any:
        screen = Screen.parse(screen_data)
        if screen is None:
            return (no_update,) * 3
        opened = library.open(str(run_id))
        part = pair(part_data)
        laps = laps_of(laps_known) if laps_known and pair(laps_known.get("part")) == part else ()
        view = view_of(opened, view_data, part, laps)
        theme = screen.theme
        shown = f"{view.see[0]:.2f} to {view.see[1]:.2f} s in view"
        if not view.lanes:
            shown += "; no channel is chosen"
        return traces_figure(opened, view, theme), overview_figure(opened, whole(opened.run), view, theme), shown

    @app.callback(
        Output("traces-table", "children"),
        Input("traces-table-asked", "n_clicks"),
        Input("view", "data"),
        Input("part", "data"),
        State("run", "data"),
        prevent_initial_call=True,
    )
    def traces_table(clicks: Any, view_data: Any, part_data: Any, run_id: Any) -> Child:
        if not is_open(clicks):
            return no_update
        opened = library.open(str(run_id))
        return tables.traces_table(opened, view_of(opened, view_data, pair(part_data), ()))

    @app.callback(
        Output("cards", "children"),
        Output("part-words", "children"),
        Output("part-bar", "className"),
        Output("whole-run", "hidden"),
        Output("computed", "data"),
        Input("part", "data"),
        State("run", "data"),
        State("view", "data"),
        State("detail", "data"),
    )
    def compute(part_data: Any, run_id: Any, view_data: Any, detail: Any) -> Any:
        part = pair(part_data)
        bar = ("part-bar", True) if part is None else ("part-bar of-part", False)
        try:
            report = library.report(str(run_id), part)
            # Not an output of this callback: the traces would wait for it before they are first drawn.
            each = [(lap.start_s, lap.end_s) for lap in report.laps.each[:MAX_MARKED]]
            set_props("laps-known", {"data": {"part": part, "each": each}})
            cards = answer_cards(report, address_of(part, view_data, detail), str(run_id))
            return cards, part_words(report, part), *bar, {"part": part}
        except Exception as error:
            cards = trouble(error, library.folder)
        words = "No figures." if part is None else f"No figures for {part[0]:g} to {part[1]:g} s of the run."
        return cards, words, *bar, None

    @app.callback(
        Output("findings", "children"),
        Output("figures", "children"),
        Output("laps", "children"),
        Input("deferred", "data"),
        State("run", "data"),
        State("view", "data"),
        State("detail", "data"),
    )
    def rest(computed: Any, run_id: Any, view_data: Any, detail: Any) -> Any:
        if not computed:
            return (NOTHING,) * 3
        part = pair(computed.get("part"))
        report, opened = library.report(str(run_id), part), library.open(str(run_id))
        chosen = lap_of(detail, len(report.laps.each)) or laps_figure.hardest_lap(report)
        address = address_of(part, view_data, detail)
        return (
            findings_part(report.findings),
            figures_part(report),
            laps_part(report, chosen, address, str(run_id), laps_figure.channels_of(opened)),
        )


def register_browser(app: Dash) -> None:
    """The callbacks that run in the browser: assets/amptally.js."""
    in_browser: Callable[..., None] = app.clientside_callback
    in_browser(ClientsideFunction("amptally", "screen"), Output("screen", "data"), Input("theme-button", "n_clicks"))
    in_browser(ClientsideFunction("amptally", "deferred"), Output("deferred", "data"), Input("computed", "data"))
    acts = (
        ("traces", Input("traces", "relayoutData")),
        ("overview", Input("overview", "selectedData")),
        ("lanes", Input("lanes", "value")),
        ("fuse", Input("fuse", "value")),
        ("across", Input({"type": "across", "name": ALL}, "value")),
    )
    for name, source in acts:
        in_browser(ClientsideFunction("amptally", name), source, prevent_initial_call=True)


def trouble(error: Exception, folder: Path) -> Child:
    """Message for a failure: the reason, or that it is a defect; the terminal has the details.

    A run's file may be damaged, replaced or removed at any time after it was opened.
    """
    home = html.P(html.A("To the list of runs", href="/"))
    if isinstance(error, (AnalysisError, *OPENING_ERRORS)):
        return message(plain(str(error).replace(f"{folder}{os.sep}", "")), home, kind="error")
    _log.error("dashboard", exc_info=error)
    what = (
        f"This could not be shown: {type(error).__name__}. It is a defect of amptally; the terminal shows the details."
    )
    return message(what, home, kind="error")


def show_trouble(error: Exception, folder: Path) -> None:
    """For callbacks that draw: the page stays as it is, with what went wrong at its top."""
    set_props("trouble", {"children": trouble(error, folder)})
