"""A few logs of each kind; `python -m benchmarks.import_study` judges all."""

from __future__ import annotations

import pytest

from tests.studies.imports import judge_import
from tests.studies.unseen_logs import BY_NAME

KINDS = (
    "stepped load every 10 s",
    "pulse test, 1 s",
    "charging, 1 s",
    "drive, 20 Hz, single readings",
    "no battery sensor",
    "battery alone",
    "parallel blocks",
    "one blown fuse",
)


@pytest.mark.parametrize("kind", KINDS)
def test_wrong_units_signs_and_times_are_noticed_and_right_ones_are_not(kind: str) -> None:
    found = judge_import(BY_NAME[kind].make(1))
    assert found.asked is None
    assert (found.turned, found.milliamperes, found.milliseconds) == (True, True, True)


def test_a_flat_charge_is_asked_about_and_a_rest_has_no_current_to_judge() -> None:
    flat = judge_import(BY_NAME["charging, 1 s"].make(0))
    assert flat.asked is not None
    assert "the voltage does not show" in flat.asked
    assert not judge_import(BY_NAME["rest alone, 1 s"].make(0)).milliamperes
