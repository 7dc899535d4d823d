"""Wrong-typed calls at the dashboard, over good, damaged and vanished runs: `a_call` is a case of the damage study."""

from __future__ import annotations

import json
import logging
import random
import shutil
from dataclasses import dataclass
from typing import Any

from flask.testing import FlaskClient

from amptally.dashboard.app import create_app
from tests.studies.damage import HOSTILE, Answer, Bench
from tests.studies.fuzz_inputs import LIES, spoil

PORT = 8111
OWN = {"Host": f"127.0.0.1:{PORT}", "Origin": f"http://127.0.0.1:{PORT}"}
PATHS = ("/", "/run/0", "/run/1", "/run/2", "/run/gone", "/run/fuzz", "/run/drive", "/run/../x", "/x", "/run/drive/")
SEARCHES = (
    "",
    "?from=1&to=2",
    "?from=x",
    "?from=1e400",
    "?channels=left_current_a",
    "?" + "a" * 5000,
    "?to=-1&from=nan",
)


@dataclass
class _Served:
    client: FlaskClient
    callbacks: list[dict[str, Any]]


_served: dict[str, _Served] = {}


def served(rng: random.Random, bench: Bench) -> _Served:
    """The dashboard over a folder of eight runs, of which some are damaged; made once for a bench."""
    key = str(bench.folder)
    if key not in _served:
        logging.disable(logging.CRITICAL)
        folder = bench.folder / "served"
        folder.mkdir()
        for place in range(8):
            shutil.copy(bench.whole_run(rng), folder / f"{place}.parquet")
        for place in (5, 6):
            path = folder / f"{place}.parquet"
            path.write_bytes(spoil(path.read_bytes(), rng, 3))
        client = create_app(folder, port=PORT).server.test_client()
        callbacks = client.get("/_dash-dependencies", headers=OWN).get_json()
        _served[key] = _Served(client, [callback for callback in callbacks if not callback["clientside_function"]])
    return _served[key]


def a_call(rng: random.Random, bench: Bench) -> Answer:
    """One callback with at least one value that no page sends."""
    app = served(rng, bench)
    gone = bench.folder / "served" / "gone.parquet"
    if rng.random() < 0.1:
        shutil.copy(rng.choice(bench.signed), gone)
    else:
        gone.unlink(missing_ok=True)
    callback = rng.choice(app.callbacks)
    inputs, state = ([_drawn(rng, each) for each in callback[name]] for name in ("inputs", "state"))
    outputs = [_target(name) for name in callback["output"].strip(".").split("...")]
    body = {
        "output": callback["output"],
        "outputs": outputs if callback["output"].startswith("..") else outputs[0],
        "inputs": inputs,
        "state": state,
        "changedPropIds": [f"{each['id']}.{each['property']}" for each in inputs[:1]],
    }
    text = json.dumps(body)
    answer = app.client.post("/_dash-update-component", data=text, headers=OWN, content_type="application/json")
    if answer.status_code >= 500 or "defect" in answer.get_data(as_text=True):
        return Answer("defect", f"{answer.status_code} {text[:900]}")
    return Answer("right" if answer.status_code < 300 else "one line")


def _target(name: str) -> dict[str, str]:
    where, _, what = name.rpartition(".")
    return {"id": where, "property": what.split("@")[0]}


def _drawn(rng: random.Random, place: dict[str, Any]) -> dict[str, Any]:
    values: tuple[object, ...] = (*PATHS, *SEARCHES, *LIES, *HOSTILE, 0, 1, "left_current_a", ["left_current_a"])
    if place["property"] in ("pathname", "search") and rng.random() < 0.5:
        values = PATHS if place["property"] == "pathname" else SEARCHES
    return {**place, "value": rng.choice(values)}
