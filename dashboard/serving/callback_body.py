"""The body of a callback, checked before Dash reads it: a browser, or whatever else posts here, may send anything.

Dash takes the form of a body for granted and answers others with a server error. What passes has a known callback with
its own inputs and states in their order, and values of the kinds that the pages' script writes; what is inside of
dictionaries is checked where it is used (`address.py`, `stores.py`).
"""

from __future__ import annotations

import json
from typing import Any, NoReturn

from dash import Dash
from flask import Flask, Response, request

PATH = "/_dash-update-component"
MAX_DEPTH = 16
REASON = "This is not a call that a page of amptally makes. Reload the page.\n"

_STORES = (dict, type(None))
_KINDS: dict[str, tuple[type, ...]] = {
    "run.data": (str,),
    "part.data": (list, type(None)),
    "pathname": (str, type(None)),
    "search": (str, type(None)),
    "n_clicks": (int, type(None)),
    "n_intervals": (int, type(None)),
    "id": (str,),
    "data": _STORES,
}
"""What a value may be, by `id.property` or else by its property."""


def check_callbacks(app: Dash) -> None:
    """Answer 400 to every callback whose body no page writes."""

    server: Flask = app.server

    @server.before_request
    def check() -> Response | None:
        if request.path.rstrip("/") != PATH or request.method != "POST":
            return None
        if request.mimetype != "application/json" or not fits(request.get_data(), app.callback_map):
            return Response(REASON, 400, mimetype="text/plain")
        return None


def fits(text: bytes, callbacks: dict[str, Any]) -> bool:
    """Whether a body is one of a registered callback."""
    try:
        body = json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError):
        return False
    if not isinstance(body, dict) or not _shallow(body, MAX_DEPTH) or not isinstance(body.get("output"), str):
        return False
    callback = callbacks.get(body["output"])
    if callback is None or "callback" not in callback:
        return False
    changed = body.get("changedPropIds", [])
    return (
        _are(body.get("inputs"), callback["inputs"])
        and _are(body.get("state", []), callback["state"])
        and isinstance(changed, list)
        and all(isinstance(name, str) for name in changed)
        and _outputs_fit(body.get("outputs"), body["output"])
    )


def _are(sent: Any, registered: list[dict[str, Any]]) -> bool:
    """Whether the values sent are those registered, in order, each of its kind."""
    if not isinstance(sent, list) or len(sent) != len(registered):
        return False
    return all(
        isinstance(item, dict)
        and item.get("id") == known["id"]
        and item.get("property") == known["property"]
        and isinstance(item.get("value"), _kinds(known["id"], known["property"]))
        for item, known in zip(sent, registered, strict=True)
    )


def _kinds(name: str, prop: str) -> tuple[type, ...]:
    return _KINDS.get(f"{name}.{prop}") or _KINDS[prop]


def _outputs_fit(sent: Any, output: str) -> bool:
    """Whether the outputs are those of the callback's name: `a.b` or `..a.b...c.d..`."""
    several = output.startswith("..")
    each = sent if several else [sent]
    if not isinstance(each, list) or not all(isinstance(item, dict) for item in each):
        return False
    names = [f"{item.get('id')}.{item.get('property')}" for item in each]
    return output == (f"..{'...'.join(names)}.." if several else names[0])


def _shallow(value: Any, depth: int) -> bool:
    if isinstance(value, dict):
        value = list(value.values())
    return not isinstance(value, list) or (depth > 0 and all(_shallow(item, depth - 1) for item in value))


def _no_number(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")
