"""JSON from files that nobody vouches for: numbers, nesting, length and letters are bounded before it is used."""

from __future__ import annotations

import json
from typing import Any

MAX_DEPTH = 16
MAX_VALUES = 500_000
"""Values in one document; a recording at all its limits has less than half of this."""
MAX_INTEGER = 1 << 63
_MAX_DIGITS = 20


class HostileJsonError(ValueError):
    """JSON that is damaged, or larger than anything this program writes."""


def read_json(text: str | bytes) -> Any:
    """The value of a JSON text. Raises HostileJsonError, whose message says in a few words what is wrong."""
    try:
        value = json.loads(text, parse_int=_integer, parse_float=_real, parse_constant=_no_number)
    except HostileJsonError:
        raise
    except RecursionError as error:
        raise HostileJsonError("nested too deeply") from error
    except ValueError as error:
        raise HostileJsonError("not JSON") from error
    _check(value)
    return value


def _integer(digits: str) -> int:
    value = int(digits) if len(digits) <= _MAX_DIGITS else MAX_INTEGER
    if abs(value) >= MAX_INTEGER:
        raise HostileJsonError("a number is too large")
    return value


def _real(digits: str) -> float:
    value = float(digits)
    if value in (float("inf"), float("-inf")):
        raise HostileJsonError("a number is too large")
    return value


def _no_number(name: str) -> float:
    raise HostileJsonError(f"{name} is not a number")


def _check(value: Any) -> None:
    """Bound nesting and number of values, and refuse text that is not Unicode."""
    level, count = [value], 0
    for _ in range(MAX_DEPTH):
        count += len(level)
        if count > MAX_VALUES:
            raise HostileJsonError("too many values")
        below: list[Any] = []
        for item in level:
            if isinstance(item, str):
                _check_text(item)
            elif isinstance(item, list):
                below += item
            elif isinstance(item, dict):
                for key in item:
                    _check_text(key)
                below += item.values()
        if not below:
            return
        level = below
    raise HostileJsonError("nested too deeply")


def _check_text(text: str) -> None:
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise HostileJsonError("a text is not Unicode") from error
