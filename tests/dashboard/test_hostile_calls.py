"""Callbacks that no page makes, files that change under an open page: answered as what they are, never as a defect."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from dash import Dash

from amptally.dashboard.app import create_app
from amptally.dashboard.serving.callback_body import MAX_DEPTH, fits
from tests.dashboard.made_runs import CART, short_drive, write_run_of
from tests.studies.dashboard_calls import OWN, PORT, calls, proper_body

CARDS = "..cards.children...part-words.children...part-bar.className...whole-run.hidden...computed.data.."
RUN = {"id": "run", "property": "data"}


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Dash:
    made = create_app(tmp_path_factory.mktemp("none"), port=PORT)
    made.server.test_client().get("/", headers=OWN)
    return made


def body(app: Dash, output: str, **values: Any) -> dict[str, Any]:
    """A body of the page's script, with these values by the ids of their components; None for the others."""
    made = proper_body(output, app.callback_map[output], random.Random(1))
    for item in made["inputs"] + made["state"]:
        item["value"] = values.get(item["id"])
    return made


def sent(app: Dash, made: Any) -> Any:
    return app.server.test_client().post("/_dash-update-component", json=made, headers=OWN)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_any_call_is_answered(seed: int, tmp_path: Path) -> None:
    answers = calls(tmp_path / "runs", seed, 150)
    assert answers.defects == []
    assert answers.slow == []
    assert answers.statuses[200] > 50
    assert answers.statuses[400] > 20


def test_a_call_of_a_page_is_answered(app: Dash) -> None:
    made = body(app, CARDS, run="none")
    assert fits(json.dumps(made).encode(), app.callback_map)
    answer = sent(app, made)
    assert answer.status_code == 200
    assert "No run with this id" in answer.text


@pytest.mark.parametrize(
    "change",
    [
        {"output": "nothing.children"}, {"output": 3}, {"output": ["page.children"]}, {"inputs": None},
        {"inputs": []}, {"inputs": [RUN]}, {"inputs": {"id": "part"}}, {"state": "run"}, {"state": [RUN, RUN, RUN]},
        {"outputs": None}, {"outputs": [{"id": "page"}]}, {"outputs": {"id": "page", "property": "children"}},
        {"changedPropIds": 3}, {"changedPropIds": [None]}, {"changedPropIds": {"part.data": 1}},
    ],
)  # fmt: skip
def test_other_forms_are_refused_in_a_line(app: Dash, change: dict[str, Any]) -> None:
    answer = sent(app, {**body(app, CARDS, run="none"), **change})
    assert answer.status_code == 400
    assert answer.text.count("\n") == 1


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("run", None),
        ("run", 3),
        ("run", ["none"]),
        ("part", "1,2"),
        ("part", {"from": 1}),
        ("view", [1]),
        ("detail", 1),
    ],
)
def test_values_of_another_kind_are_refused(app: Dash, name: str, value: Any) -> None:
    assert sent(app, body(app, CARDS, **{"run": "none", name: value})).status_code == 400


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b"null", b"\xff\xfe", b"[" * 100_000, b'{"output": NaN}', b'"a"'])
def test_what_is_no_body_is_refused(app: Dash, text: bytes) -> None:
    answer = app.server.test_client().post(
        "/_dash-update-component", data=text, headers=OWN, content_type="application/json"
    )
    assert answer.status_code == 400


def test_nesting_is_bounded(app: Dash) -> None:
    def nested(depth: int) -> bytes:
        value: Any = 1
        for _ in range(depth):
            value = {"see": value}
        return json.dumps(body(app, CARDS, run="none", view=value)).encode()

    assert fits(nested(3), app.callback_map)
    assert not fits(nested(MAX_DEPTH), app.callback_map)


def test_a_number_too_long_to_read_is_refused(app: Dash) -> None:
    text = json.dumps(body(app, CARDS, run="none")).replace("null", "1" * 10_000).encode()
    assert not fits(text, app.callback_map)


@pytest.mark.parametrize("path", ["/_dash-component-suites/dash/none.js", "/_dash-component-suites/none/none.js"])
def test_library_files_that_do_not_exist_are_not_found(app: Dash, path: str) -> None:
    assert app.server.test_client().get(path, headers=OWN).status_code == 404


@pytest.mark.parametrize("damage", ["removed", "cut", "other bytes"])
def test_a_file_that_changes_under_an_open_page(damage: str, tmp_path: Path) -> None:
    """The answer says what is wrong with the file, by its name and without its folder."""
    path = write_run_of(tmp_path, "one", *short_drive(20.0), machine=CART, start_charge=1.0)
    app = create_app(tmp_path, port=PORT)
    app.server.test_client().get("/", headers=OWN)
    made = body(app, CARDS, run="one")
    assert "margin" in sent(app, made).text
    match damage:
        case "removed":
            path.unlink()
        case "cut":
            path.write_bytes(path.read_bytes()[:-100])
        case _:
            path.write_bytes(b"\xff" * 5000)
    text = sent(app, made).text
    assert "No run with this id" in text
    assert "defect" not in text
    assert str(tmp_path) not in text
