"""Builds the application: frame, address, pages, callbacks, protection."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from dash import Dash, dcc, html

from amptally.dashboard.callbacks import register, show_trouble
from amptally.dashboard.library import Library
from amptally.dashboard.serving.callback_body import check_callbacks
from amptally.dashboard.serving.compress import compress
from amptally.dashboard.serving.security import protect

ASSETS = Path(__file__).parent / "assets"
_INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
<script src="/assets/theme.js"></script>
{%css%}
</head>
<body>
{%app_entry%}
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>
"""


def create_app(folder: Path, *, port: int) -> Dash:
    """The dashboard over the runs of a folder, as served on a loopback port."""
    app = Dash(
        "amptally",
        assets_folder=str(ASSETS),
        assets_ignore=r"theme\.js",
        title="amptally",
        update_title="",
        index_string=_INDEX,
        serve_locally=True,
        suppress_callback_exceptions=True,
        add_log_handler=False,
        enable_mcp=False,
        compress=False,
        on_error=partial(show_trouble, folder=folder),
    )
    app.enable_dev_tools(
        debug=False, dev_tools_ui=False, dev_tools_hot_reload=False, dev_tools_disable_version_check=True
    )
    app.layout = html.Div(
        [
            dcc.Location(id="address", refresh=False),
            dcc.Store(id="screen"),
            html.Header(
                [
                    dcc.Link([html.Span(className="sign"), "amptally"], href="/", className="home"),
                    html.Nav([dcc.Link("Logbook", href="/")]),
                    html.Button("Theme", id="theme-button", title="Switch between light and dark"),
                ],
                className="top",
            ),
            html.Div(id="trouble"),
            html.Div(html.Div("Opening …", className="waiting"), id="page"),
        ],
        className="frame",
    )
    register(app, Library(folder))
    compress(app.server)
    protect(app.server, port, app.csp_hashes())
    check_callbacks(app)
    return app
