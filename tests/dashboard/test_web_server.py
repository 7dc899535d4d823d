"""The server under connections that send nothing, or a byte now and then."""

from __future__ import annotations

import http.client
import resource
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from amptally.dashboard.server import listening_socket
from amptally.dashboard.serving import web_server
from amptally.dashboard.serving.security import HOST, LARGEST_REQUEST
from amptally.dashboard.serving.web_server import WebServer

SLOW = 1500


def hello(environ, start_response):  # type: ignore[no-untyped-def]
    environ["wsgi.input"].read()
    start_response("200 OK", [("Content-Type", "text/plain")])
    return [b"hello"]


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    monkeypatch.setattr(web_server, "REQUEST_S", 2)
    limits = resource.getrlimit(resource.RLIMIT_NOFILE)
    with listening_socket(0) as listening:
        server = WebServer(hello, listening)
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        yield listening.getsockname()[1]
        server.close()
        thread.join(10)
    resource.setrlimit(resource.RLIMIT_NOFILE, limits)


def ask(port: int) -> tuple[int, bytes, str | None]:
    connection = http.client.HTTPConnection(HOST, port, timeout=20)
    try:
        connection.request("GET", "/")
        answer = connection.getresponse()
        return answer.status, answer.read(), answer.getheader("Server")
    finally:
        connection.close()


def ended(connection: socket.socket, patience_s: float = 30.0) -> bool:
    """Whether the other side closes the connection in time."""
    connection.settimeout(patience_s)
    try:
        while connection.recv(4096):
            pass
    except TimeoutError:
        return False
    except ConnectionError:
        return True
    return True


def test_it_answers_and_names_no_versions(port: int) -> None:
    assert ask(port) == (200, b"hello", "amptally")


def test_silent_connections_do_not_keep_others_out_and_are_closed(port: int) -> None:
    """As many as a page of another site could open: the half of them stay silent, the others begin a request."""
    # The server's end of each is in this process too.
    wanted = 2 * SLOW + 300
    if resource.getrlimit(resource.RLIMIT_NOFILE)[1] < wanted:
        pytest.skip(f"the system allows this process fewer than {wanted} open files")
    slow = []
    try:
        for number in range(SLOW):
            connection = socket.create_connection((HOST, port), timeout=20)
            slow.append(connection)
            if number % 2:
                connection.sendall(b"GET / HTTP/1.1\r\nHost: ")
        assert ask(port)[0] == 200
        assert all(ended(connection) for connection in slow)
        assert ask(port)[0] == 200
    finally:
        for connection in slow:
            connection.close()


def test_a_request_that_comes_drop_by_drop_is_closed(port: int) -> None:
    with socket.create_connection((HOST, port), timeout=20) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\n")
        for number in range(200):
            time.sleep(0.1)
            try:
                connection.sendall(b"X-%d: 1\r\n" % number)
            except ConnectionError:
                break
        else:
            pytest.fail("after 20 s of headers the connection is still open")


def test_a_body_larger_than_any_page_posts_is_refused(port: int) -> None:
    with socket.create_connection((HOST, port), timeout=20) as connection:
        connection.sendall(b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: %d\r\n\r\n" % (LARGEST_REQUEST + 1))
        assert connection.recv(100).startswith(b"HTTP/1.1 413 ")


@pytest.mark.parametrize(
    "text", [b"\x00" * 100, b"GET / HTTP/9.9\r\n\r\n", b"A" * 400_000 + b"\r\n\r\n", b"\x16\x03\x01"]
)
def test_what_is_no_request_ends(port: int, text: bytes) -> None:
    with socket.create_connection((HOST, port), timeout=20) as connection:
        try:
            connection.sendall(text)
        except ConnectionError:
            return
        assert ended(connection)
    assert ask(port)[0] == 200
