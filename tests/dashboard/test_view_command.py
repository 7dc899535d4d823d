"""`amptally view`: a real process that prints its address, serves it on loopback alone, and ends quietly on Ctrl-C."""

from __future__ import annotations

import argparse
import contextlib
import http.client
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from amptally.dashboard.cli import add_commands, port_number
from amptally.dashboard.server import DEFAULT_PORT, listening_socket

PROGRAM = (
    "import argparse, sys; from amptally.dashboard.cli import add_commands; p = argparse.ArgumentParser();"
    "add_commands(p.add_subparsers()); a = p.parse_args(sys.argv[1:]); sys.exit(a.run(a))"
)
ROOT = Path(__file__).parents[2]


def started(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "view", *arguments],
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_serves_until_interrupted(tmp_path: Path) -> None:
    with started(str(tmp_path), "--no-browser") as process:
        try:
            assert process.stdout is not None
            address = process.stdout.readline().strip()
            host, port = address.removeprefix("http://").rstrip("/").split(":")
            assert host == "127.0.0.1"
            connection = http.client.HTTPConnection(host, int(port), timeout=10)
            connection.request("GET", "/")
            answer = connection.getresponse()
            assert answer.status == 200
            assert b"amptally" in answer.read()
            assert answer.headers["Server"] == "amptally"
            connection.close()
            with (
                pytest.raises(ConnectionRefusedError),
                contextlib.closing(socket.create_connection((own_address(), int(port)), 2)),
            ):
                pass
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=10)
        finally:
            process.kill()
    assert process.returncode == 0
    assert out == ""
    assert err == ""


def own_address() -> str:
    """An address of this computer that is not the usual loopback one; all of 127/8 leads here on Linux."""
    return "127.0.0.2"


def test_a_taken_port_gives_way_to_a_free_one() -> None:
    with contextlib.ExitStack() as stack:
        with contextlib.suppress(OSError):
            stack.enter_context(listening_socket(DEFAULT_PORT))
        other = stack.enter_context(listening_socket(None))
        assert other.getsockname()[0] == "127.0.0.1"
        assert other.getsockname()[1] != DEFAULT_PORT


def test_a_requested_port_in_use_is_reported(tmp_path: Path) -> None:
    with listening_socket(0) as taken:
        port = taken.getsockname()[1]
        with started(str(tmp_path), "--no-browser", "--port", str(port)) as process:
            out, err = process.communicate(timeout=30)
    assert process.returncode == 2
    assert out == ""
    assert err.count("\n") == 1
    assert f"port {port}" in err


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    file = tmp_path / "run.parquet"
    file.write_bytes(b"")
    with started(str(file)) as process:
        _, err = process.communicate(timeout=30)
    assert process.returncode == 2
    assert "Name the folder" in err


@pytest.mark.parametrize("text", ["0", "65536", "x", "-1", "8731.5", ""])
def test_no_port(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError):
        port_number(text)


def test_building_the_parser_imports_nothing_heavy() -> None:
    code = (
        "import sys, argparse, amptally.dashboard.cli; p = argparse.ArgumentParser();"
        "amptally.dashboard.cli.add_commands(p.add_subparsers());"
        "print([m for m in ('dash', 'plotly', 'numpy', 'polars', 'flask') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_defaults() -> None:
    parser = argparse.ArgumentParser()
    add_commands(parser.add_subparsers())
    found = parser.parse_args(["view"])
    assert (found.folder, found.port, found.no_browser) == (Path("runs"), None, False)
