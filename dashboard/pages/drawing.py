"""Callbacks that draw the computed part: exposure, voltage against current, laps, and the tables beside them."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from dash import Dash, Input, Output, State, html, no_update

from amptally.analysis.report.build import Report
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.wording.results import refusal, sentences
from amptally.dashboard.address import pair, word
from amptally.dashboard.figures import command as command_figure
from amptally.dashboard.figures import exposure as exposure_figure
from amptally.dashboard.figures import laps as laps_figure
from amptally.dashboard.figures import volts as volts_figure
from amptally.dashboard.library import Library
from amptally.dashboard.pages import tables
from amptally.dashboard.pages.cards import held_together
from amptally.dashboard.pages.drive import LEAD_FIGURES, NOTHING, TIGHTEST, drive_words, lead_figures, volts_words
from amptally.dashboard.pages.parts import Child, is_open, message, plain
from amptally.dashboard.stores import PLACES, address_of, lap_of, place_of
from amptally.dashboard.theme import Screen

OTHER_LEAD = (
    "this current was measured on the other side of the controller; the margin on the card is estimated from it"
)


def _picture(
    app: Dash, library: Library, name: str, words: str, draw: Callable[[Report, Screen], tuple[Any, Child]]
) -> None:
    """A picture of the computed part and the words beside it; hidden where `draw` gives None for it."""

    @app.callback(
        Output(name, "figure"),
        Output(f"{name}-box", "hidden"),
        Output(words, "children"),
        Input("deferred", "data"),
        Input("screen", "data"),
        State("run", "data"),
    )
    def picture(computed: Any, screen_data: Any, run_id: Any) -> Any:
        screen = Screen.parse(screen_data)
        if not computed or screen is None:
            return (no_update,) * 3
        figure, beside = draw(library.report(str(run_id), pair(computed.get("part"))), screen)
        return no_update if figure is None else figure, figure is None, beside


def _table(app: Dash, library: Library, name: str, make: Callable[[Report], Child]) -> None:
    """Figures of the computed part, made when they are unfolded."""

    @app.callback(
        Output(name, "children"),
        Input(f"{name}-asked", "n_clicks"),
        Input("deferred", "data"),
        State("run", "data"),
        prevent_initial_call=True,
    )
    def table(clicks: Any, computed: Any, run_id: Any) -> Child:
        if not is_open(clicks) or not computed:
            return no_update
        return make(library.report(str(run_id), pair(computed.get("part"))))


def register_pictures(app: Dash, library: Library) -> None:
    """Register the callbacks of the pictures."""

    @app.callback(
        Output("exposure", "figure"),
        Output("exposure-box", "hidden"),
        Output("exposure-words", "children"),
        Output("fuse", "options"),
        Input("deferred", "data"),
        Input("detail", "data"),
        Input("screen", "data"),
        State("run", "data"),
    )
    def exposure(computed: Any, detail: Any, screen_data: Any, run_id: Any) -> Any:
        screen = Screen.parse(screen_data)
        if not computed or screen is None:
            return (no_update,) * 4
        report = library.report(str(run_id), pair(computed.get("part")))
        place = place_of(detail) or tightest_place(report)
        options = [{"label": f"tightest ({tightest_place(report)})", "value": TIGHTEST}] + [
            {"label": fuse_label(report, name), "value": name} for name in PLACES
        ]
        absent = exposure_figure.missing(report, place)
        if absent is not None:
            return no_update, True, message(f"No curve: {plain(absent)}."), options
        beside: list[Child] = []
        if exposure_figure.limits_of(report, place) is None:
            fuse = report.fuses.get(place)
            why = f"the machine file names no {place} fuse" if fuse is None else refusal(fuse.margin) or OTHER_LEAD
            beside.append(message("No band is drawn, only the curve.", html.P(plain(f"Reason: {why}."))))
        else:
            rule, protects = report.fuses[place].rule, report.fuse_leads[place].protects
            beside.append(html.P(held_together(plain(sentences(rule))), className="caption"))
            beside.append(
                html.P(held_together(f"Fuse and wire: {plain(sentences(protects.why))}"), className="caption")
            )
        return exposure_figure.exposure_figure(report, place, screen), False, beside, options

    @app.callback(
        Output("exposure-table", "children"),
        Input("exposure-table-asked", "n_clicks"),
        Input("deferred", "data"),
        Input("detail", "data"),
        State("run", "data"),
        prevent_initial_call=True,
    )
    def exposure_table(clicks: Any, computed: Any, detail: Any, run_id: Any) -> Child:
        if not is_open(clicks) or not computed:
            return no_update
        report = library.report(str(run_id), pair(computed.get("part")))
        place = place_of(detail) or tightest_place(report)
        return tables.exposure_table(report, place) if exposure_figure.missing(report, place) is None else NOTHING

    def volts(report: Report, screen: Screen) -> tuple[Any, Child]:
        drawn = volts_figure.volts_figure(report, screen) if volts_figure.missing(report) is None else None
        return drawn, volts_words(report)

    def volts_table(report: Report) -> Child:
        return tables.volts_table(report) if volts_figure.missing(report) is None else NOTHING

    def command(report: Report, screen: Screen) -> tuple[Any, Child]:
        drawn = command_figure.command_figure(report, screen.theme) if report.drive.command_map else None
        return drawn, drive_words(report)

    def command_table(report: Report) -> Child:
        return tables.command_table(report) if report.drive.command_map else NOTHING

    _picture(app, library, "volts", "volts-words", volts)
    _table(app, library, "volts-table", volts_table)
    _picture(app, library, "command", "drive-words", command)
    _table(app, library, "command-table", command_table)
    for kind in LEAD_FIGURES:
        _table(app, library, f"{kind}-figures", partial(lead_figures, kind=kind))

    @app.callback(
        Output("laps-picture", "figure"),
        Output("laps-table", "children"),
        Output("lap-words", "children"),
        Input("detail", "data"),
        Input("screen", "data"),
        Input("laps-picture", "id"),
        State("computed", "data"),
        State("part", "data"),
        State("view", "data"),
        State("run", "data"),
    )
    def laps(detail: Any, screen_data: Any, _: str, __: Any, part_data: Any, view_data: Any, run_id: Any) -> Any:
        screen = Screen.parse(screen_data)
        if screen is None:
            return (no_update,) * 3
        part = pair(part_data)
        report, opened = library.report(str(run_id), part), library.open(str(run_id))
        if not report.laps.each:
            return (no_update,) * 3
        chosen = lap_of(detail, len(report.laps.each))
        lap = chosen or laps_figure.hardest_lap(report)
        known = laps_figure.channels_of(opened)
        wanted = word((detail or {}).get("across"))
        name = wanted if wanted in {si_name for si_name, _ in known} else known[0][0]
        why = "chosen in the table" if chosen else "the one with the highest peak"
        return (
            laps_figure.laps_figure(report, opened, name, lap, screen.theme),
            tables.laps_table(report, lap, address_of(part, view_data, detail), str(run_id)),
            f"In front: lap {lap}, {why}. The others are drawn behind it in grey.",
        )


def tightest_place(report: Report) -> str:
    """The fuse with the smallest margin; else the first lead that was measured."""
    margins = {place: fuse.margin.value for place, fuse in report.fuses.items() if fuse.margin.value is not None}
    if margins:
        return min(margins, key=lambda place: margins[place])
    measured = [place for place in PLACES if report.currents[LEAD_OF[place]].exposure]
    return measured[0] if measured else "main"


def fuse_label(report: Report, place: str) -> str:
    """The fuse with its rating."""
    fuse = report.fuses.get(place)
    return f"{place}, {fuse.rating_a:g} A" if fuse and fuse.rating_a else place
