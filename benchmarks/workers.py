"""The processes over which the studies spread their drives."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from amptally.analysis.report.summary import end_with_parent


def study_pool(workers: int) -> ProcessPoolExecutor:
    """So many processes, which end with this one: a study that is killed leaves none behind."""
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=end_with_parent)
