"""The web server: bounded threads and connections, and no patience with a connection that sends nothing."""

from __future__ import annotations

import logging
import socket
from typing import TYPE_CHECKING

from waitress.channel import HTTPChannel
from waitress.server import BaseWSGIServer, create_server

from amptally.dashboard.serving.security import LARGEST_REQUEST

if TYPE_CHECKING:
    from _typeshed.wsgi import WSGIApplication

REQUEST_S = 10
"""A connection without a complete request for so long is closed."""
_THREADS = 8
_CONNECTIONS = 4000
_SPARE_FILES = 100
"""File descriptors left for run files, the terminal and the answers themselves."""


class _Channel(HTTPChannel):
    """A request counts from its first byte: one that comes in drop by drop is closed like one that does not come."""

    def handle_read(self) -> None:
        since = self.last_activity
        super().handle_read()
        if self.request is not None and not self.requests:
            self.last_activity = since


class WebServer:
    """Serves an application on a listening socket until `close`, or until Ctrl-C in `run`."""

    def __init__(self, application: WSGIApplication, listening: socket.socket) -> None:
        logging.getLogger("waitress").setLevel(logging.ERROR)  # how long its queue is concerns nobody at a terminal
        server = create_server(
            application,
            sockets=[listening],
            ident="amptally",
            threads=_THREADS,
            connection_limit=min(_CONNECTIONS, _most_files() - _SPARE_FILES),
            channel_timeout=REQUEST_S,
            cleanup_interval=2,
            max_request_body_size=LARGEST_REQUEST,
            asyncore_use_poll=True,
            log_socket_errors=False,
            clear_untrusted_proxy_headers=True,
        )
        assert isinstance(server, BaseWSGIServer)  # one socket, one server
        server.channel_class = _Channel
        self._server = server

    def run(self) -> None:
        """Serve until Ctrl-C."""
        self._server.run()

    def close(self) -> None:
        """Stop listening; connections end."""
        self._server.task_dispatcher.shutdown(timeout=1)
        self._server.close()


def _most_files() -> int:
    """Raise the number of open files to what the system lets this process have; the number is returned."""
    try:
        import resource
    except ImportError:  # a system without this limit
        return _CONNECTIONS + _SPARE_FILES
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _CONNECTIONS + _SPARE_FILES
    allowed = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    if soft != resource.RLIM_INFINITY and soft < allowed:
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (allowed, hard))
        except (ValueError, OSError):
            return soft
        return allowed
    return wanted if soft == resource.RLIM_INFINITY else soft
