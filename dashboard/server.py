"""Serves the dashboard on the loopback address until Ctrl-C."""

from __future__ import annotations

import os
import socket
import sys
import threading
import webbrowser
from pathlib import Path

from amptally.dashboard.serving.security import HOST

DEFAULT_PORT = 8731
USAGE = 2
_BACKLOG = 1024


def listening_socket(port: int | None) -> socket.socket:
    """A socket that listens on the loopback address, on the default port or else a free one. Raises OSError."""
    wanted = [port] if port is not None else [DEFAULT_PORT, 0]
    for place, number in enumerate(wanted):
        found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if os.name == "posix":
                # A port used a moment ago may be reused; one in use may not.
                found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            found.bind((HOST, number))
            found.listen(_BACKLOG)
            return found
        except OSError:
            found.close()
            if place == len(wanted) - 1:
                raise
    raise AssertionError("no port was tried")


def can_show() -> bool:
    """Whether a browser on this computer has a screen to open on."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def serve(folder: Path, run_id: str | None = None, port: int | None = None, open_browser: bool = True) -> int:
    """Show the runs of a folder, or one of them first, until Ctrl-C; the exit code is returned.

    The address is the last line on stdout. Nothing else is printed while it serves.
    """
    from amptally.dashboard.app import create_app
    from amptally.dashboard.serving.web_server import WebServer

    try:
        listening = listening_socket(port)
    except (OSError, OverflowError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        print(f"amptally: cannot serve on port {port}: {reason}. Name another one with --port.", file=sys.stderr)
        return USAGE
    with listening:
        number = listening.getsockname()[1]
        app = create_app(folder, port=number)
        server = WebServer(app.server, listening)
        address = f"http://{HOST}:{number}/" + (f"run/{run_id}" if run_id else "")
        print(address, flush=True)
        if open_browser and can_show():
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        server.run()
        server.close()
    return 0
