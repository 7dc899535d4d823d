"""kill -9 at random moments: at most 0.5 s is lost, and what is left can always be read."""

from __future__ import annotations

from pathlib import Path

from amptally.logger.recording.recovery import recover
from amptally.logger.storage.journal import JournalReader
from tests.faults.checks import missing, numbers, sound
from tests.faults.harness import RecorderProcess, live_board
from tests.studies.kills import RATE_HZ, study

MOST_LOST_S = 0.5


def test_twenty_kills() -> None:
    kills = study(20, seed=20, parallel=4)
    assert [kill for kill in kills if kill.unreadable] == []
    # A machine that keeps the board waiting for the processor does so to the recorder.
    assert [kill for kill in kills if kill.lost > (MOST_LOST_S + 4 * kill.stalled_s) * RATE_HZ] == []
    assert sum(kill.sent for kill in kills) > 20 * 100
    assert {kill.moment for kill in kills} == {"starting", "recording", "sealing", "stopping"}


def test_what_a_kill_left_is_recovered_again_and_again(tmp_path: Path) -> None:
    """A recovery that is itself killed leaves the journal, and the next one is none the worse for the litter."""
    with live_board() as (board, port), RecorderProcess(port, tmp_path / "runs") as recorder:
        recorder.wait_for(lambda: board.written >= 400)
        recorder.kill()
        sent = board.written
    journal = next((tmp_path / "runs").glob("*.journal"))
    run_id = JournalReader(journal).header["run_id"]
    for litter in (f".{run_id}.seg-0001.parquet", f".{run_id}.seg-0002.parquet.part", f".{run_id}.parquet.part"):
        (journal.parent / litter).write_bytes(b"PAR1 half a file")
    before = journal.read_bytes()
    path, metadata = recover(journal, None)
    assert metadata.stop_reason == "recovered"
    most_lost_s = MOST_LOST_S + 4 * board.slowest_turn_s  # a machine that keeps the board waiting does so to both
    assert missing(numbers(sound(path)), max(sent, open_end(path))) <= most_lost_s * RATE_HZ
    assert recover(journal, None)[0] == path
    assert journal.read_bytes() == before
    left = {found.name for found in journal.parent.iterdir()} - {f".{run_id}.seg-0002.parquet.part"}
    assert left == {journal.name, path.name}


def open_end(path: Path) -> int:
    """One more than the last sample of a run: the board may have sent more between the kill and the count."""
    return numbers(sound(path))[-1] + 1
