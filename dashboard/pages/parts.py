"""Small pieces of a page. Text from a file goes in as text alone: the browser never reads it as markup."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from dash import dcc, html

from amptally.analysis.report.text_page import printable
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.formatting import full

Child = Any
"""A component, text, or a list of both."""

QUIET: dict[str, Any] = {"aria-hidden": "true"}
"""For marks that only repeat what words beside them say."""


def aria(**names: str) -> dict[str, Any]:
    """Attributes for screen readers."""
    return {f"aria-{name}": value for name, value in names.items()}


def data(name: str, value: str) -> dict[str, Any]:
    """An attribute for the style sheet or the script."""
    return {f"data-{name}": value}


def heading(text: str) -> dict[str, Any]:
    """The column head that a cell shows on a narrow screen."""
    return data("head", text)


CONFIG: Any = {"displayModeBar": False, "responsive": True, "doubleClick": "reset", "scrollZoom": False}


def section(name: str, title: str, *children: Child, lead: Child = None) -> html.Section:
    """One part of a page with its heading."""
    head: list[Child] = [html.H2(title)]
    if lead is not None:
        head.append(html.P(lead, className="lead"))
    return html.Section([*head, *children], id=name, className="part")


def picture(name: str, height_px: int, label: str) -> html.Div:
    """A place for a figure that does not jump when it comes; `<name>-box` is hidden where there is none."""
    graph = dcc.Graph(id=name, config=CONFIG, figure=_blank(height_px), className="graph")
    return html.Div(graph, id=f"{name}-box", className="picture", role="img", **aria(label=label))


def _blank(height_px: int) -> dict[str, Any]:
    hidden = {"visible": False}
    clear = "rgba(0,0,0,0)"
    layout = {"height": height_px, "paper_bgcolor": clear, "plot_bgcolor": clear, "xaxis": hidden, "yaxis": hidden}
    return {"data": [], "layout": layout}


def folded(summary: str, *children: Child) -> html.Details:
    """Something that opens on demand."""
    return html.Details([html.Summary(summary), html.Div(list(children), className="folded")])


def asked_for(summary: str, name: str) -> html.Details:
    """The same for what is made only once somebody opens it: a long table is slow to build in a browser.

    The clicks on `<name>-asked` are odd while it is open.
    """
    return html.Details([html.Summary(summary, id=f"{name}-asked"), html.Div(className="folded", id=name)])


def is_open(clicks: object) -> bool:
    """Whether somebody has opened what is made on demand."""
    return isinstance(clicks, int) and clicks % 2 == 1


def table(heads: Sequence[str], rows: Iterable[Sequence[Child]], *, words: int = 1) -> html.Div:
    """Figures under their heads; the first `words` columns are words, the others numbers."""
    kinds = ["words" if place < words else "numbers" for place in range(len(heads))]
    head = html.Tr([html.Th(text, className=kind, scope="col") for text, kind in zip(heads, kinds, strict=True)])
    body = [html.Tr([html.Td(cell, className=kind) for cell, kind in zip(row, kinds, strict=True)]) for row in rows]
    return html.Div(html.Table([html.Thead(head), html.Tbody(body)]), className="wide", tabIndex=0)


def facts(rows: Sequence[tuple[str, Estimate | str]]) -> html.Dl | html.P:
    """Names with their values; under an estimate, what its interval rests on. One reason for all is said once."""
    reasons = {value.refused if isinstance(value, Estimate) else None for _, value in rows}
    if len(reasons) == 1 and None not in reasons:
        return html.P(plain(f"Not given: {reasons.pop()}."), className="refused")
    cells: list[Child] = []
    for name, value in rows:
        cells.append(html.Dt(name))
        if isinstance(value, str):
            cells.append(html.Dd(value))
        elif value.refused is not None or not value.basis:
            cells.append(html.Dd(plain(full(value)), className="" if value.refused is None else "refused"))
        else:
            cells.append(html.Dd([full(value), html.Small(plain(value.basis))]))
    return html.Dl(cells, className="facts")


def message(what: str, *more: Child, kind: str = "empty") -> html.Div:
    """Something is missing or went wrong: what, and what to do."""
    return html.Div([html.P(what, className="what"), *more], className=f"message {kind}", role="status")


def plain(text: str) -> str:
    """Text of a file, without control characters."""
    return printable(text)
