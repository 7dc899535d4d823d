"""Calls that no page makes, at the dashboard over a folder whose files are spoilt and removed meanwhile."""

from __future__ import annotations

import json
import logging
import random
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from amptally.dashboard.app import create_app
from tests.dashboard.made_runs import CART, short_drive, write_run_of
from tests.studies.damage import Answer, Bench
from tests.studies.fuzz_inputs import spoil

PORT = 8731
OWN = {"Host": f"127.0.0.1:{PORT}", "Origin": f"http://127.0.0.1:{PORT}"}
DEFECT = b"defect of amptally"
SLOW_S = 10.0
CALLS_OF_A_CASE = 25
_WORDS = (
    "", "one", "two", "..", "left", "main", "battery,left", "left_current_a", "dark", "\x00", "\ud800", "\u202e",
    "1e999", "x" * 5000, "/run/one", "/run/two?from=1", "?from=2&to=9&lap=3", "?from=9&from=x&show=%00", "-1", "<b>",
)  # fmt: skip
_NUMBERS = (0, 1, -1, 2, 0.5, 3.25, 1e308, -1e308, 2**70, 10**400, True, 59.99, 1e-300, 60)
_KEYS = ("see", "show", "fuse", "lap", "across", "part", "each", "theme", "narrow", "from", "to", "")
_PATHS = (
    "/", "/run/one", "/run/", "/run/%00", "/nowhere", "/_dash-layout", "/_dash-dependencies", "/_reload-hash",
    "/_favicon.ico", "/assets/none.css", "/assets/%00", "/_dash-component-suites/dash/none.js",
    "/_dash-component-suites/none/none.js", "/_dash-component-suites/dash/../../x", "/_dash-update-component",
    "/_dash-component-suites/plotly/../x.js", "/_dash-component-suites/", "/_alive_token",
)  # fmt: skip


@dataclass
class Answers:
    """What the calls were answered with."""

    statuses: Counter[int] = field(default_factory=Counter)
    defects: list[str] = field(default_factory=list)
    slow: list[str] = field(default_factory=list)

    @property
    def calls(self) -> int:
        return sum(self.statuses.values())


def any_value(rng: random.Random, depth: int = 3) -> Any:
    """Any JSON value, with names and numbers that a page's stores hold among others."""
    kind = rng.randrange(8 if depth else 5)
    if kind < 2:
        return rng.choice(_WORDS)
    if kind < 4:
        return rng.choice(_NUMBERS)
    if kind == 4:
        return None
    if kind < 7:
        return {rng.choice(_KEYS): any_value(rng, depth - 1) for _ in range(rng.randrange(5))}
    return [any_value(rng, depth - 1) for _ in range(rng.choice((0, 1, 2, 2, 2, 3)))]


def proper_body(output: str, callback: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """A body as a page posts it, its values of the right kind or nearly so."""
    names = output.removeprefix("..").removesuffix("..").split("...")
    outputs = [dict(zip(("id", "property"), name.rsplit(".", 1), strict=True)) for name in names if "." in name]
    several = output.startswith("..")

    def items(registered: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return [{**item, "value": _likely(f"{item['id']}.{item['property']}", rng)} for item in registered]

    return {
        "output": output,
        "outputs": outputs if several else (outputs or [None])[0],
        "inputs": items(callback["inputs"]),
        "state": items(callback["state"]),
        "changedPropIds": [f"{item['id']}.{item['property']}" for item in callback["inputs"][:1]],
    }


def _likely(name: str, rng: random.Random) -> Any:
    """A value of the kind that this property has, from a page or from somebody who knows the kinds."""
    part = rng.choice((None, [3, 20], [5.5, 5.6], [1e3, 1e9], [-1e308, 1e308], [20, 3], [0, 1e-9], any_value(rng)))
    match name.rsplit(".", 1)[1]:
        case "n_clicks" | "n_intervals":
            return rng.choice((None, 0, 1, 1, 3, 2**80))
        case "pathname":
            return rng.choice(("/", "/run/one", "/run/two", "/run/none", None))
        case "search":
            return rng.choice(_WORDS)
        case "id":
            return name
    match name.split(".")[0]:
        case "run":
            return rng.choice(("one", "one", "two", "none", ""))
        case "part":
            return part if isinstance(part, list) else None
        case "screen":
            return rng.choice(({"theme": "dark", "narrow": True}, {"theme": [], "narrow": 3}, {}))
        case "computed" | "deferred":
            return rng.choice(({"part": part}, {"part": None}, {}, None))
    loose = {key: any_value(rng) for key in rng.sample(_KEYS, 4)}
    return rng.choice((None, {}, loose, {"each": [[1, 2], [2, 3]], "part": part}, {"see": part, "show": ["left"]}))


def calls(folder: Path, seed: int, count: int, *, spoil_files: bool = True) -> Answers:
    """Make so many calls; `folder` is filled with two runs, whose files are spoilt, removed and put back in between."""
    rng = random.Random(seed)
    folder.mkdir(exist_ok=True)
    whole: dict[Path, bytes] = {}
    for run_id, seconds in (("one", 30.0), ("two", 6.0)):
        path = write_run_of(folder, run_id, *short_drive(seconds, 0.02), machine=CART, start_charge=1.0)
        whole[path] = path.read_bytes()
    app = create_app(folder, port=PORT)
    client = app.server.test_client()
    client.get("/", headers=OWN)
    callbacks = list(app.callback_map.items())
    answers = Answers()
    logging.getLogger("amptally.dashboard").setLevel(logging.CRITICAL)
    for _ in range(count):
        if spoil_files and rng.random() < 0.05:
            for path, data in whole.items():
                match rng.randrange(4):
                    case 0:
                        path.unlink(missing_ok=True)
                    case 1:
                        path.write_bytes(spoil(data, rng, 1))
                    case _:
                        path.write_bytes(data)
        method, where, data = _call(rng, callbacks)
        began = time.monotonic()
        try:
            with client.open(where, method=method, data=data, headers=OWN, content_type="application/json") as answer:
                status, text = answer.status_code, answer.get_data()
        except Exception as error:  # the server of the tests lets exceptions through
            status, text = 500, repr(error).encode()
        answers.statuses[status] += 1
        if status >= 500 or DEFECT in text:
            answers.defects.append(f"{method} {where} {data[:600]!r}: {status} {_named(text)}")
        if time.monotonic() - began > SLOW_S:
            answers.slow.append(f"{method} {where} {data[:300]!r}")
    return answers


def a_call(rng: random.Random, bench: Bench) -> Answer:
    """A case of the damage study: some calls over files of a folder that is spoilt meanwhile."""
    with tempfile.TemporaryDirectory(dir=bench.folder) as folder:
        found = calls(Path(folder) / "runs", rng.getrandbits(32), CALLS_OF_A_CASE)
    return Answer("defect", found.defects[0]) if found.defects else Answer("right")


def _named(text: bytes) -> str:
    """The part of an answer that names the error."""
    at = max(text.find(b"could not be shown"), 0)
    return text[at : at + 120].decode(errors="replace")


def _call(rng: random.Random, callbacks: list[tuple[str, dict[str, Any]]]) -> tuple[str, str, bytes]:
    if rng.random() < 0.1:
        return rng.choice(("GET", "GET", "HEAD", "POST", "OPTIONS", "PUT")), rng.choice(_PATHS), b""
    served = [known for known in callbacks if "callback" in known[1]]
    body: Any = proper_body(*rng.choice(callbacks if rng.random() < 0.05 else served), rng)
    match rng.randrange(8):
        case 0:
            body[rng.choice(list(body))] = any_value(rng)
        case 1:
            del body[rng.choice(list(body))]
        case 2:
            for item in body["inputs"] + body["state"]:
                if rng.random() < 0.4:
                    item[rng.choice(("value", "value", "id", "property"))] = any_value(rng)
    if rng.random() < 0.02:
        body = any_value(rng)
    text = json.dumps(body).encode()
    if rng.random() < 0.1:
        text = spoil(text, rng, 1)
    if rng.random() < 0.01:
        text = b"[" * 5000 + text
    return "POST", "/_dash-update-component", text
