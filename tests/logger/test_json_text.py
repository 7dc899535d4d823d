"""Numbers, nesting and letters that break programs are refused where JSON is read, and nowhere later."""

from __future__ import annotations

import json
import struct
import warnings
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import amptally
from amptally.analysis.runs.catalogue import list_runs
from amptally.logger.errors import RunFileError
from amptally.logger.recording.unfinished_journals import main as recover_all
from amptally.logger.storage.edits import Edits, edits_path, read_edits, write_edits
from amptally.logger.storage.journal import MAGIC, JournalReader, JournalWriter
from amptally.logger.storage.json_text import HostileJsonError, read_json
from amptally.logger.storage.metadata import KEY, Metadata, from_json
from amptally.logger.storage.runfile import write_frame
from tests.logger.test_checksums import samples

HOSTILE = {
    "10^400": "1" + "0" * 400,
    "10^5000": "1" + "0" * 5000,
    "2^70": str(2**70),
    "-2^70": str(-(2**70)),
    "1e400": "1e400",
    "NaN": "NaN",
    "Infinity": "-Infinity",
    "4,000 brackets": "[" * 4000 + "]" * 4000,
    "100,000 brackets": "[" * 100_000 + "]" * 100_000,
    "900 objects": '{"a":' * 900 + "1" + "}" * 900,
    "20 lists": "[" * 20 + "]" * 20,
    "lone surrogate": '"\\ud800"',
    "lone surrogate as a key": '{"\\udfff": 1}',
    "a million notes": "[" + ",".join(['""'] * 1_000_000) + "]",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
@pytest.mark.parametrize("inside", ["{}", '{{"a": {}}}', '[1, {{"b": [{}]}}]'])
def test_refused(text: str, inside: str) -> None:
    with pytest.raises(HostileJsonError) as caught:
        read_json(inside.replace("{}", text).replace("{{", "{").replace("}}", "}"))
    assert len(str(caught.value)) < 60


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-(2**62), 2**62) | st.floats(allow_nan=False, allow_infinity=False)
        | st.text(st.characters(exclude_categories=["Cs"])),
        lambda inner: st.lists(inner, max_size=3)
        | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=5), inner, max_size=3),
        max_leaves=10,
    )
)  # fmt: skip
def test_what_the_program_writes_is_read(value: object) -> None:
    try:
        assert read_json(json.dumps(value)) == value
    except HostileJsonError as error:
        assert "nested" in str(error)  # noqa: PT017 (the one thing that may be wrong with it)


@given(st.binary(max_size=60) | st.text(max_size=60))
def test_any_text_is_a_value_or_refused(text: str | bytes) -> None:
    try:
        read_json(text)
    except HostileJsonError as error:
        assert "\n" not in str(error)  # noqa: PT017


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
@pytest.mark.parametrize("key", ["board", "extremes", "alarms", "notes", "gaps", "start_charge", "later"])
def test_metadata(key: str, text: str) -> None:
    for inside in (text, f"[{text}]", f'[{{"a": {text}}}]', f'{{"a": {text}}}'):
        with pytest.raises(RunFileError) as caught:
            from_json(f'{{"schema": 1, "run_id": "x", "{key}": {inside}}}', "x.parquet")
        assert str(caught.value).startswith("x.parquet")
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_edits(tmp_path: Path, text: str) -> None:
    run = tmp_path / "run.parquet"
    for key in ("notes", "lap_marks_s", "schema", "later"):
        edits_path(run).write_text(f'{{"schema": 1, "{key}": [{text}]}}', encoding="utf-8")
        with pytest.raises(RunFileError, match=r"run\.edits\.json cannot be used"):
            read_edits(run)


def test_too_many_notes_and_lap_marks(tmp_path: Path) -> None:
    run = tmp_path / "run.parquet"
    for edits in ({"notes": [""] * 20_000}, {"tags": [""] * 20_000}, {"lap_marks_s": [1] * 200_000}):
        edits_path(run).write_text(json.dumps({"schema": 1, **edits}), encoding="utf-8")
        with pytest.raises(RunFileError, match="at most"):
            read_edits(run)


@pytest.mark.parametrize("edits", [Edits(), Edits(("é \u202e \x1b", "crc32:"), ("checksum",), (1.5, 2.0))])
def test_edits_prove_themselves(tmp_path: Path, edits: Edits) -> None:
    run = tmp_path / "run.parquet"
    write_edits(run, edits)
    assert read_edits(run) == edits
    data = edits_path(run).read_bytes()
    for place, byte in enumerate(data):
        for bit in range(8):
            edits_path(run).write_bytes(data[:place] + bytes([byte ^ 1 << bit]) + data[place + 1 :])
            with pytest.raises(RunFileError):
                read_edits(run)
    for length in range(len(data)):
        edits_path(run).write_bytes(data[:length])
        with pytest.raises(RunFileError):
            read_edits(run)


def test_edits_without_a_checksum_are_read(tmp_path: Path) -> None:
    """Of an older version, or with the line taken out by someone who changed the rest."""
    run = tmp_path / "run.parquet"
    write_edits(run, Edits(("a",)))
    lines = edits_path(run).read_text(encoding="utf-8").splitlines()
    assert "checksum" in lines[1]
    edits_path(run).write_text("\n".join([lines[0], *lines[2:]]).replace('"a"', '"b"'), encoding="utf-8")
    assert read_edits(run).notes == ("b",)


def journal(path: Path, header: str, note: str = "{}") -> None:
    """A journal with two samples as text lines, whatever its header and one of its notes say."""
    writer = JournalWriter(path, {"run_id": path.stem})
    writer.append("note", 5, note.encode()[:4096])
    writer.append("bytes", 10, b"time_us,battery_current_ua\n0,1000\n2000,2000\n4000,1000\n")
    writer.close()
    data, raw = path.read_bytes(), header.encode()
    records = data[data.index(b"\xa5\x4a") :]
    size = struct.pack("<I", len(raw))
    path.write_bytes(MAGIC + size + raw + struct.pack("<I", zlib.crc32(raw)) + records)


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_journal_keeps_no_other_from_recovery(
    tmp_path: Path, text: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    journal(tmp_path / "a.journal", f'{{"run_id": "a", "for_s": {text}}}', text)
    journal(tmp_path / "b.journal", '{"run_id": "b"}')
    assert recover_all([str(tmp_path)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert len(said) == 2
    assert said[0].startswith("a.parquet was recovered")  # without what its header says
    assert said[1].startswith("b.parquet was recovered")
    assert [entry.about is not None for entry in list_runs(tmp_path)] == [True, True]


def test_a_defect_in_one_recovery_keeps_no_other_from_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    for name in "ab":
        journal(tmp_path / f"{name}.journal", f'{{"run_id": "{name}"}}')
    real = JournalReader.__init__

    def fails(self: JournalReader, path: Path) -> None:
        if path.stem == "a":
            raise ZeroDivisionError
        real(self, path)

    monkeypatch.setattr(JournalReader, "__init__", fails)
    assert recover_all([str(tmp_path)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "a.journal was not removed: unexpected ZeroDivisionError, a defect. Please report it."
    assert said[1].startswith("b.parquet was recovered")


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_the_logbook_shows_the_rest(tmp_path: Path, text: str) -> None:
    write_frame(tmp_path / "a.parquet", samples(10), Metadata("a"))
    write_frame(tmp_path / "b.parquet", samples(10), Metadata("b"))
    edits_path(tmp_path / "b.parquet").write_text(f'{{"schema": 1, "notes": [{text}]}}', encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        described = f'{{"schema": 1, "run_id": "c", "board": {{"a": {text}}}}}'
        samples(10).write_parquet(tmp_path / "c.parquet", metadata={KEY: described})
    entries = {entry.path.name: entry for entry in list_runs(tmp_path)}
    assert [name for name, entry in sorted(entries.items()) if entry.about is None] == ["b.parquet", "c.parquet"]
    assert all("\n" not in (entry.problem or "") for entry in entries.values())


BIDI = "a\u202eb\u2066c\u200fd\x1b[31me\x07"


def test_text_of_a_file_steers_neither_terminal_nor_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path, page = tmp_path / "run.parquet", tmp_path / "page.html"
    alarm = {"number": 0, "code": "x" + BIDI, "severity": "caution", "text": BIDI, "at_s": 1.0, "value": 1.0}
    write_frame(path, samples(1000), Metadata("x", notes=(BIDI,), alarms=(alarm,)))
    monkeypatch.setattr("sys.argv", ["amptally", "report", str(path), "--html", str(page)])
    assert amptally.main() == 0
    for text in (capsys.readouterr().out, page.read_text(encoding="utf-8")):
        assert all(letter.isprintable() for letter in text.replace("\n", ""))
        assert "a\ufffdb\ufffdc\ufffdd" in text
    monkeypatch.setattr("sys.argv", ["amptally", "report", str(path), "--json"])
    assert amptally.main() == 0
    text = capsys.readouterr().out
    assert text.isascii()
    assert "\\u202e" in text
    json.loads(text)
