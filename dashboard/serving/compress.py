"""Responses gzipped where the browser accepts it: a cart's dashboard may be opened through a slow tunnel."""

from __future__ import annotations

import gzip
import threading

from flask import Flask, Response, request

MIN_BYTES = 1024
QUICK, STATIC = 1, 5
"""Compression levels for an answer computed now and for a file that is compressed once."""
MAX_FILES = 64
_KINDS = ("application/json", "application/javascript", "text/javascript", "text/html", "text/css", "image/svg+xml")


def compress(server: Flask) -> None:
    """Compress responses if the browser accepts it; files that never change under their name are compressed once."""
    cache: dict[str, bytes] = {}
    lock = threading.Lock()

    @server.after_request
    def pack(response: Response) -> Response:
        if (
            response.status_code != 200
            or response.mimetype not in _KINDS
            or "Content-Encoding" in response.headers
            or "gzip" not in request.headers.get("Accept-Encoding", "").lower()
        ):
            return response
        fixed = request.path.startswith("/_dash-component-suites/")
        with lock:
            found = cache.get(request.full_path) if fixed else None
        if found is None:
            response.direct_passthrough = False
            plain = response.get_data()
            if len(plain) < MIN_BYTES:
                return response
            found = gzip.compress(plain, STATIC if fixed else QUICK, mtime=0)
            with lock:
                if fixed and len(cache) < MAX_FILES:
                    cache[request.full_path] = found
        response.set_data(found)
        response.headers["Content-Encoding"] = "gzip"
        response.headers["Vary"] = "Accept-Encoding"
        return response
