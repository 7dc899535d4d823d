"""A drive whose battery current was filled in: what the page shows of it says so, and draws nothing from it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from amptally.dashboard.figures import exposure as exposure_figure
from amptally.dashboard.pages import tables
from amptally.dashboard.pages.cards import cards_of
from tests.analysis.test_doubted_runs import report_of
from tests.studies import defects

REASON = "the current has no part in what the battery's voltage does (finding current_filled_in)"


def test_cards_tables_and_curve_follow_what_is_refused(tmp_path: Path) -> None:
    record = defects.filled(1)(defects.drawn(4), np.random.default_rng(5))
    report = report_of(record, tmp_path)
    cards = {card.title: card for card in cards_of(report)}
    assert cards["Main fuse, 80 A"].tag == "not decided"
    assert cards["Main fuse, 80 A"].strip is None
    assert REASON in cards["Main fuse, 80 A"].answer.text
    assert cards["Left fuse, 40 A"].head.value is not None
    assert cards["Charge"].answer.tone == "unknown"
    assert REASON in cards["Charge"].answer.text
    assert exposure_figure.missing(report, "main") == REASON
    assert exposure_figure.missing(report, "left") is None
    assert REASON in str(tables.energy_facts(report))
    assert REASON in str(tables.fuse_facts(report, "main"))
    assert REASON not in str(tables.fuse_facts(report, "left"))
