"""What kind of test each file holds, which tests may run beside others, and how the property tests draw their examples.

`scripts/test` runs everything in two workers; `scripts/test --fast` leaves the slow kinds out and draws few examples.

By default property tests draw the same examples each time, so that a failure is a change of the code and not of the
dice. Looking for new ones is a run of its own: `scripts/test tests/analysis --hypothesis-profile=explore`.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

if "PYTEST_XDIST_WORKER" in os.environ:
    # Workers share the cores. The libraries read these once, when they are loaded.
    cores_each = max((os.cpu_count() or 1) // int(os.environ["PYTEST_XDIST_WORKER_COUNT"]), 1)
    for name in ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, str(cores_each))

KINDS = {
    "tests/test_wheel.py": "wheel",
    "tests/browser": "browser",
    "tests/faults": "faults",
    "tests/first_hour": "processes",
    "tests/studies": "studies",
    "tests/analysis/test_laps_unseen.py": "studies",
    "tests/test_cli.py": "processes",
    "tests/test_alarms.py": "processes",
    "tests/test_logs_from_elsewhere.py": "processes",
    "tests/logger/test_recorder.py": "processes",
    "tests/logger/test_trial.py": "processes",
    "tests/logger/test_simulator_process.py": "processes",
    "tests/analysis/test_summary.py": "processes",
    "tests/dashboard/test_view_command.py": "processes",
    "tests/dashboard/test_web_server.py": "processes",
    "benchmarks/test_benchmarks.py": "processes",
}
"""Marker by file or folder; the markers are described in pyproject.toml."""
ONE_AT_A_TIME = {"wheel", "browser", "faults", "processes"}
"""Kinds that start processes, use ports or pseudo-terminals, or measure time and memory: they share one worker."""

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.register_profile("quick", derandomize=True, deadline=None, max_examples=10)
settings.register_profile("explore", max_examples=2_000, deadline=None)
settings.load_profile("repeatable")


def kind_of(place: str) -> str | None:
    """Marker of a test file, by its path from the root of the checkout."""
    return next((kind for path, kind in KINDS.items() if place == path or place.startswith(f"{path}/")), None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Give each test its marker."""
    moved = [path for path in KINDS if not (config.rootpath / path).exists()]
    if moved:
        raise pytest.UsageError(f"tests/conftest.py: KINDS names what is not there: {', '.join(moved)}")
    for item in items:
        kind = kind_of(Path(item.path).relative_to(config.rootpath).as_posix())
        if kind is not None:
            item.add_marker(kind)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """A worker takes whole files, whose tests share fixtures; all files of `ONE_AT_A_TIME` go to the same worker."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            path = nodeid.split("::")[0]
            return "one at a time" if kind_of(path) in ONE_AT_A_TIME else path

    return ByFile(config, log)
