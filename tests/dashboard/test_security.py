"""Who may ask, what a browser may do with the answer, and ids that are no paths."""

from __future__ import annotations

import gzip
import json
import re
from typing import Any

import pytest
from flask.testing import FlaskClient

from amptally.dashboard.app import create_app
from amptally.dashboard.serving.compress import MIN_BYTES
from tests.dashboard.made_runs import CART, short_drive, write_run_of

PORT = 8731
HERE = {"Host": f"127.0.0.1:{PORT}"}
OWN = {**HERE, "Origin": f"http://127.0.0.1:{PORT}"}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    folder = tmp_path_factory.mktemp("runs")
    write_run_of(folder, "one", *short_drive(20.0), machine=CART, start_charge=1.0)
    (folder.parent / "outside.parquet").write_bytes((folder / "one.parquet").read_bytes())
    return create_app(folder, port=PORT).server.test_client()


def call(client: FlaskClient, pathname: str, headers: dict[str, str]) -> Any:
    """What the browser posts when an address is opened."""
    body = {
        "output": "page.children",
        "outputs": {"id": "page", "property": "children"},
        "inputs": [
            {"id": "address", "property": "pathname", "value": pathname},
            {"id": "address", "property": "search", "value": ""},
        ],
        "changedPropIds": ["address.pathname"],
        "state": [],
    }
    return client.post("/_dash-update-component", json=body, headers=headers)


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        f"evil.example:{PORT}",
        "127.0.0.1",
        "127.0.0.1:80",
        f"127.0.0.1.evil.example:{PORT}",
        f"0.0.0.0:{PORT}",
        "",
    ],
)
def test_another_host_is_refused(client: FlaskClient, host: str) -> None:
    """A name that an attacker points at 127.0.0.1 reaches nothing (DNS rebinding), whatever is asked for."""
    for path in ("/", "/run/one", "/_dash-layout", "/_dash-dependencies", "/assets/style.css"):
        with client.get(path, headers={"Host": host}) as answer:
            assert answer.status_code == 403


@pytest.mark.parametrize("host", [f"127.0.0.1:{PORT}", f"localhost:{PORT}", f"LOCALHOST:{PORT}", f"[::1]:{PORT}"])
def test_loopback_names_are_served(client: FlaskClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "origin", [None, "null", "http://evil.example", f"https://127.0.0.1:{PORT}", "http://127.0.0.1:1"]
)
def test_posts_of_other_pages_are_refused(client: FlaskClient, origin: str | None) -> None:
    """Callbacks included: they are the only posts there are."""
    headers = HERE if origin is None else {**HERE, "Origin": origin}
    assert call(client, "/", headers).status_code == 403
    assert client.put("/", headers=headers).status_code == 403


def test_own_posts_are_answered(client: FlaskClient) -> None:
    answer = call(client, "/run/one", OWN)
    assert answer.status_code == 200
    assert "Seedling-tray cart" in json.dumps(answer.json)


@pytest.mark.parametrize("path", ["/", "/run/one", "/_dash-layout", "/assets/amptally.js", "/nowhere"])
def test_every_answer_is_marked(client: FlaskClient, path: str) -> None:
    with client.get(path, headers=HERE) as answer:
        headers = answer.headers
    policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["frame-ancestors"] == "'none'"
    assert policy["connect-src"] == "'self'"
    # Scripts: files of this server, and inline ones by hash; neither eval nor inline without one.
    assert re.fullmatch(r"'self'( 'sha256-[A-Za-z0-9+/=]+')+", policy["script-src"])
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert "Access-Control-Allow-Origin" not in headers


def test_refusals_are_marked_too(client: FlaskClient) -> None:
    refused = client.get("/", headers={"Host": "evil.example"})
    assert refused.mimetype == "text/plain"
    assert refused.headers["X-Content-Type-Options"] == "nosniff"


def test_the_page_names_no_other_server(client: FlaskClient) -> None:
    """Scripts, styles and icons come from here; no link leaves out its scheme."""
    page = client.get("/", headers=HERE).text
    sources = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert len(sources) > 8
    assert all(source.startswith("/") and not source.startswith("//") for source in sources)


@pytest.mark.parametrize(
    "run_id",
    [
        "..", "../outside", "..%2Foutside", "%2e%2e/outside", "....//outside", "/etc/passwd", "one.parquet",
        "one/../one", "outside", "", ".", "one\x00", "x" * 500, "<script>", "one;ls",
    ],
)  # fmt: skip
def test_ids_are_no_paths(client: FlaskClient, run_id: str) -> None:
    """Only an id that a listed run has opens one; everything else says so and reads nothing."""
    answer = json.dumps(call(client, f"/run/{run_id}", OWN).json)
    assert "Seedling-tray cart" not in answer
    assert "No run with this id" in answer


@pytest.mark.parametrize("path", ["/assets/../app.py", "/assets/%2e%2e/app.py", "/assets/..%2f..%2fpyproject.toml"])
def test_assets_stay_inside_their_folder(client: FlaskClient, path: str) -> None:
    answer = client.get(path, headers=HERE)
    assert "create_app" not in answer.text
    assert "[project]" not in answer.text


def test_large_posts_are_refused(client: FlaskClient) -> None:
    big = client.post("/_dash-update-component", data=b"x" * (2 << 20), headers=OWN, content_type="application/json")
    assert big.status_code in (400, 413)


def test_answers_are_packed_where_the_browser_takes_it(client: FlaskClient) -> None:
    plain = client.get("/_dash-dependencies", headers=HERE)
    packed = client.get("/_dash-dependencies", headers={**HERE, "Accept-Encoding": "gzip, deflate"})
    assert len(plain.data) > MIN_BYTES
    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.data) == plain.data
    assert len(packed.data) < len(plain.data)
