"""A few cases of each kind from the damage study, and proof that it sees what it looks for."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from tests.studies import damage
from tests.studies.damage import CASES, MUST_BE_NONE, SHARES, Answer, Bench, asked, command, judged, tried


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return Bench(tmp_path)


@pytest.mark.parametrize("kind", CASES)
def test_damage_is_one_line_or_makes_no_difference(kind: str, bench: Bench) -> None:
    answers = [tried(kind, seed, bench) for seed in range(12 * SHARES[kind])]
    assert [answer for answer in answers if answer.what in MUST_BE_NONE] == []
    assert {answer.what for answer in answers} >= {"one line"}


def test_wrong_values_are_seen_where_checksums_are_missing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same damage to the same files, and a reader that does not look at the checksums."""
    monkeypatch.setattr("amptally.logger.storage.checksums.Proof.check", lambda *_: None)
    run = bench.whole_run(random.Random(1))
    whole, path, answers = run.read_bytes(), bench.clear() / "run.parquet", []
    for place in range(100, 2000, 100):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 2]) + whole[place + 1 :])
        answers.append(asked(random.Random(5), path, whole, bench.reports[run]).what)
    assert "wrong" in answers


def test_defects_and_noise_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    def ends(code: int, out: str = "", err: str = "") -> Answer:
        monkeypatch.setattr(damage.amptally, "main", lambda: (sys.stdout.write(out), sys.stderr.write(err), code)[2])
        return judged(command("report"))

    assert ends(0, "fine").what == "right"
    assert ends(3, err="amptally: x is damaged.\n").what == "one line"
    assert ends(3).what == "defect"
    assert ends(1, err="amptally: unexpected ValueError. This is a defect\n").what == "defect"
    assert ends(3, err="amptally: one\namptally: two\n").what == "defect"
    assert ends(0, err="thread panicked at somewhere\n").what == "defect"
    assert ends(0, "a\u202eb").what == "defect"
