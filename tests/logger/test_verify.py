"""`amptally verify`: which runs are whole, which part of the others is not."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

import amptally
from amptally.logger.storage.edits import Edits, edits_path, write_edits
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import open_run, write_frame
from tests.logger.test_checksums import METADATA, samples

OLD = Path(__file__).parents[1] / "frozen" / "schema-1.parquet"


def verify(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str]:
    monkeypatch.setattr("sys.argv", ["amptally", "verify", *map(str, arguments)])
    code = amptally.main()
    out, err = capsys.readouterr()
    return code, out + err


def spoil(path: Path, place: int) -> None:
    data = bytearray(path.read_bytes())
    data[place] ^= 4
    path.write_bytes(data)


def test_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("a", "b"):
        write_frame(tmp_path / f"{name}.parquet", samples(150_000), METADATA)
    assert verify(monkeypatch, capsys, tmp_path) == (
        0, "".join(f"{tmp_path}/{name}.parquet: whole, 150,000 samples\n" for name in "ab")
    )  # fmt: skip
    proof = open_run(tmp_path / "b.parquet").proof
    assert proof is not None
    spoil(tmp_path / "b.parquet", proof.parts[1].start + 9)
    code, text = verify(monkeypatch, capsys, tmp_path)
    whole, bad = text.splitlines()
    assert code == 3
    assert whole.endswith("a.parquet: whole, 150,000 samples")
    assert "b.parquet is damaged: samples 60,001 to 120,000 of 150,000 are not as they were written. Copy" in bad


def test_json_names_the_part_and_its_times(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(150_000), METADATA)
    proof = open_run(path).proof
    assert proof is not None
    spoil(path, proof.parts[1].end - 1)
    code, text = verify(monkeypatch, capsys, path, "--json")
    (run,) = json.loads(text)["runs"]
    assert (code, run["state"], run["samples"]) == (3, "damaged", 150_000)
    # Sampled every 2 ms: sample 60,000 at 119.998 s, sample 120,001 at 240 s.
    part = {"first_sample": 60_001, "last_sample": 120_000, "after_s": 119.998, "until_s": 240.0}
    assert run["damaged"] == [part]


def test_a_damaged_footer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(100), METADATA)
    spoil(path, -30)
    path.with_suffix(".journal").touch()
    code, text = verify(monkeypatch, capsys, path)
    assert code == 3
    assert text.count("\n") == 1
    assert "its footer is not as it was written" in text
    assert f"amptally recover {tmp_path}/run.journal --out FILE" in text


def test_a_run_without_checksums_is_said_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(OLD, tmp_path / "old.parquet")
    code, text = verify(monkeypatch, capsys, tmp_path)
    assert code == 0
    assert "has no checksums" in text
    code, text = verify(monkeypatch, capsys, tmp_path, "--json")
    assert json.loads(text)["runs"][0]["state"] == "no_checksums"


def test_damaged_edits_are_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(100), METADATA)
    write_edits(path, Edits(notes=("wet gravel",), lap_marks_s=(1.0, 21.5)))
    assert verify(monkeypatch, capsys, path)[0] == 0
    text = edits_path(path).read_text(encoding="utf-8")
    edits_path(path).write_text(text.replace("21.5", "31.5"), encoding="utf-8")
    code, said = verify(monkeypatch, capsys, path)
    assert code == 3
    assert "run.edits.json cannot be used (it does not fit its checksum" in said


@pytest.mark.parametrize("make", [lambda _: None, lambda path: path.mkdir()])
def test_nothing_to_verify(
    tmp_path: Path, make: object, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    make(tmp_path / "x")  # type: ignore[operator]
    code, text = verify(monkeypatch, capsys, tmp_path / "x")
    assert code == 3
    assert text.count("\n") == 1


def test_a_name_cannot_steer_the_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a\x1b[31m\u202eb.parquet"
    write_frame(path, samples(3), Metadata("x"))
    code, text = verify(monkeypatch, capsys, path)
    assert code == 0
    assert text.strip().isprintable()
    path.write_bytes(b"x")
    code, text = verify(monkeypatch, capsys, path)
    assert code == 3
    assert text.strip().isprintable()


@pytest.mark.parametrize("part", [1, 2])
def test_what_comes_before_the_damage_is_still_reported(
    tmp_path: Path, part: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(150_000), METADATA)
    proof = open_run(path).proof
    assert proof is not None
    spoil(path, proof.parts[part].start + 9)
    for arguments, code in (((), 3), (("--to", "119"), 0), (("--from", "10", "--to", "118"), 0)):
        monkeypatch.setattr("sys.argv", ["amptally", "report", str(path), *arguments])
        assert amptally.main() == code
        assert code == 0 or "damaged: samples" in capsys.readouterr().err
