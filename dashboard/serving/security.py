"""Which requests are answered, and what a browser may do with the answer.

The server listens on the loopback address alone, but pages of other sites run on the same computer: a foreign name that
resolves to 127.0.0.1 is refused by its Host header, a request from another page by its Origin.
"""

from __future__ import annotations

from collections.abc import Sequence

from dash.exceptions import DependencyException
from flask import Flask, Response, request

HOST = "127.0.0.1"
NAMES = ("127.0.0.1", "localhost", "[::1]")
LARGEST_REQUEST = 1 << 20


def content_policy(script_hashes: Sequence[str]) -> str:
    """Everything from this server alone; scripts by file or by hash. Plotly sets style attributes, hence that one."""
    scripts = " ".join(("'self'", *script_hashes))
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {scripts}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data:",
            "connect-src 'self'",
            "font-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        )
    )


def protect(server: Flask, port: int, script_hashes: Sequence[str]) -> None:
    """Check every request and mark every response."""
    hosts = {f"{name}:{port}" for name in NAMES}
    origins = {f"http://{host}" for host in hosts}
    policy = content_policy(script_hashes)
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST

    @server.before_request
    def check() -> Response | None:
        if request.headers.get("Host", "").lower() not in hosts:
            return _refused(f"This page is served as http://{HOST}:{port} only.")
        if request.method not in ("GET", "HEAD") and request.headers.get("Origin", "").lower() not in origins:
            return _refused("This request comes from another page.")
        return None

    @server.errorhandler(DependencyException)
    def no_such_file(_: DependencyException) -> Response:
        return Response("There is no such file.\n", 404, mimetype="text/plain")

    @server.after_request
    def mark(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        return response


def _refused(why: str) -> Response:
    return Response(f"{why}\n", 403, mimetype="text/plain")
