"""Small pieces of a page. Text from a file goes in as text alone: the browser never reads it as markup."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from dash import dcc, html

from amptally.analysis.report.text_page import printable
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.formatting import full
from amptally.analysis.wording.results import basis, phrases

Child = Any
"""A component, text, or a list of both."""

QUIET: dict[str, Any] = {"aria-hidden": "true"}
"""For marks that only repeat the words beside them."""


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
    """A box of the figure's height, so that the page does not jump when it arrives; `<name>-box` is hidden if none."""
    graph = dcc.Graph(id=name, config=CONFIG, figure=_blank(height_px), className="graph")
    return html.Div(graph, id=f"{name}-box", className="picture", role="img", **aria(label=label))


def _blank(height_px: int) -> dict[str, Any]:
    hidden = {"visible": False}
    clear = "rgba(0,0,0,0)"
    layout = {"height": height_px, "paper_bgcolor": clear, "plot_bgcolor": clear, "xaxis": hidden, "yaxis": hidden}
    return {"data": [], "layout": layout}


def folded(summary: str, *children: Child) -> html.Details:
    """Content that opens on demand."""
    return html.Details([html.Summary(summary), html.Div(list(children), className="folded")])


def asked_for(summary: str, name: str) -> html.Details:
    """The same for content made only when opened: a long table is slow to build in a browser.

    The number of clicks on `<name>-asked` is odd while it is open.
    """
    return html.Details([html.Summary(summary, id=f"{name}-asked"), html.Div(className="folded", id=name)])


def is_open(clicks: object) -> bool:
    """Whether on-demand content is open."""
    return isinstance(clicks, int) and clicks % 2 == 1


def table(heads: Sequence[str], rows: Iterable[Sequence[Child]], *, words: int = 1) -> html.Div:
    """Figures under their heads; the first `words` columns are words, the others numbers."""
    kinds = ["words" if place < words else "numbers" for place in range(len(heads))]
    head = html.Tr([html.Th(text, className=kind, scope="col") for text, kind in zip(heads, kinds, strict=True)])
    body = [html.Tr([html.Td(cell, className=kind) for cell, kind in zip(row, kinds, strict=True)]) for row in rows]
    return html.Div(html.Table([html.Thead(head), html.Tbody(body)]), className="wide", tabIndex=0)


def facts(rows: Sequence[tuple[str, Estimate | str]]) -> html.Dl | html.P:
    """Names with their values; under an estimate, its basis. A reason that refuses all of them appears once."""
    refusals = {value.reasons if isinstance(value, Estimate) and value.is_refused else () for _, value in rows}
    if len(refusals) == 1 and () not in refusals:
        return html.P(plain(f"Not given: {phrases(refusals.pop())}."), className="refused")
    cells: list[Child] = []
    for name, value in rows:
        cells.append(html.Dt(capitalised(name)))
        if isinstance(value, str):
            cells.append(html.Dd(plain(value)))
        elif value.is_refused or not value.reasons:
            cells.append(html.Dd(plain(full(value)), className="refused" if value.is_refused else ""))
        else:
            cells.append(html.Dd([full(value), html.Small(plain(basis(value)))]))
    return html.Dl(cells, className="facts")


def message(what: str, *more: Child, kind: str = "empty") -> html.Div:
    """Something is missing or went wrong: what, and what to do."""
    return html.Div([html.P(what, className="what"), *more], className=f"message {kind}", role="status")


def capitalised(text: str) -> str:
    """The text with its first letter in capitals, the rest unchanged."""
    return text[:1].upper() + text[1:]


def plain(text: str) -> str:
    """Text of a file, without control characters."""
    return printable(text)
