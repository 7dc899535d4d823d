"""One recording: port → journal → decoder → observers, and at the end the run file.

The port is read and the journal written in threads of their own (`capture.py`), as are messages to the operator
(`notifier.py`): nothing in this module can delay incoming bytes.
"""

from __future__ import annotations

import contextlib
import json
import secrets
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn

from amptally.logger.errors import BoardTextError, LoggerError, PortError, SegmentError, StorageError
from amptally.logger.machine.description import Machine
from amptally.logger.recording.alarms import Observer
from amptally.logger.recording.capture import Capture, host_us
from amptally.logger.recording.first_look import FirstLook
from amptally.logger.recording.keys import Keys
from amptally.logger.recording.link import Link
from amptally.logger.recording.listening import Heard, listen
from amptally.logger.recording.notifier import Notifier
from amptally.logger.recording.ports import DEFAULT_BAUD, Port, PortEnded
from amptally.logger.recording.progress import Progress, Status, clock_text
from amptally.logger.recording.recovery import decoder_for, rebuild, run_header
from amptally.logger.recording.retention import Retention
from amptally.logger.recording.run_builder import RunBuilder, program_version
from amptally.logger.recording.stopping import Stop, StopRequests
from amptally.logger.recording.unfinished_journals import BackgroundRecovery, holds_nothing, unfinished_journals
from amptally.logger.storage.journal import SLOW_SYNC_S, JournalReader, JournalWriter, Record
from amptally.logger.storage.metadata import SCHEMA
from amptally.logger.wire.frames import Kind
from amptally.logger.wire.text_header import NOTHING_SAID, Said

RETRY_S = 600.0
"""How long to wait for an unplugged port."""
_ASK_AGAIN_S = 1.0
SILENT_S = 10.0
DISK_WARN_BYTES = 500 << 20
DISK_STOP_BYTES = 100 << 20
RETENTION_S = 20.0
"""Time between two checks of the space used by runs."""
_TURN_S = 0.1
"""Pause between two batches: decoding twenty small frames at once costs little more than decoding one."""
_LINGER_S = 0.2
"""How long to keep reading after the stop command: the board still sends its buffer and its extremes."""


@dataclass(frozen=True, slots=True)
class Options:
    """The operator's options."""

    port: str
    baud: int | None
    """None: the usual rates one after the other, until bytes make sense."""
    out: Path
    machine: Machine
    for_s: float | None = None
    """Run time after which the recording stops."""
    notes: tuple[str, ...] = ()
    rested_h: float | None = None
    start_charge: float | None = None
    keep_journal: bool = False
    wait_s: float = 0.0
    """How long to wait at the start for the port to appear."""
    ring_bytes: int | None = None
    """Maximum total size of the runs in the folder; the oldest are removed. None: nothing is removed."""
    said: Said = NOTHING_SAID
    """What the operator says about text lines."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """Result of a recording."""

    path: Path | None
    """The run file; None where no sample arrived."""
    journal: Path | None
    """The journal, where it was not removed."""
    exit_code: int
    stop_reason: str


def new_run_id() -> str:
    """A unique name that sorts by time, without host or user name."""
    return f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}-{secrets.token_hex(2)}"


class Recorder:
    """Records one run. `run` returns when the run file is written."""

    def __init__(
        self,
        options: Options,
        *,
        observers: tuple[Observer, ...] = (),
        on_status: Callable[[Status], None] = lambda _: None,
        say: Callable[[str], None] = lambda _: None,
        keys: Keys | None = None,
    ) -> None:
        self._options = options
        self._keys = keys
        self._look = FirstLook(options.said, options.machine)
        self._judged = False
        """The first values of text lines have been judged."""
        self._listeners = (on_status, say)
        self._run_id = new_run_id()
        self._journal_path = options.out / f"{self._run_id}.journal"
        self._stop_requests = StopRequests(self._journal_path.with_suffix(".stop"))
        self._observers = observers
        self._said: set[str] = set()
        self._decoding = True

    def run(self) -> Outcome:
        """Record until asked to stop.

        Raises PortError where the port cannot be opened, StorageError where nothing can be written.
        """
        options = self._options
        try:
            options.out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StorageError(
                f"Cannot make the folder {options.out}: {error.strerror}. Name another with --out."
            ) from error
        self._notifier = Notifier(*self._listeners)
        self._retention = (
            None if options.ring_bytes is None else Retention(options.out, options.ring_bytes, self._notifier.say)
        )
        recovery = self._recover_unfinished()
        try:
            link = Link(
                options.port,
                options.baud or DEFAULT_BAUD,
                self._journal_path,
                check=self._stop_requests.check,
                say=self._notifier.say,
            )
            with self._stop_requests.listening():
                try:
                    return self._run(link)
                finally:
                    link.release()
        finally:
            if recovery is not None:
                recovery.end()
            self._notifier.end()

    def _recover_unfinished(self) -> BackgroundRecovery | None:
        """Report journals of interrupted recordings; in unattended mode recover them in the background."""
        options = self._options
        left = unfinished_journals(options.out)
        if self._retention is not None:
            self._retention.trim()
            return BackgroundRecovery(options.out, options.keep_journal, self._notifier.say) if left else None
        left = [journal for journal in left if not holds_nothing(journal)]
        if left:
            more = "" if len(left) == 1 else f" and {len(left) - 1} more"
            self._notifier.say(
                f"An earlier recording was interrupted. Write its run file with: amptally recover {left[0]}{more}"
            )
        return None

    def _run(self, link: Link) -> Outcome:
        try:
            port = link.open(self._options.wait_s)
        except Stop as asked:
            self._notifier.say("No sample was recorded: the port never opened.")
            return Outcome(None, None, asked.exit_code or 4, asked.reason)
        try:
            heard = self._listen(link, port)
        except Stop as asked:
            self._notifier.say("No sample was recorded.")
            return Outcome(None, None, asked.exit_code or 4, asked.reason)
        header = self._header(link)
        return self._record(link, port, header, JournalWriter(self._journal_path, header), heard)

    def _listen(self, link: Link, port: Port) -> Heard:
        """Find out what the board sends. Raises BoardTextError where that must be asked, Stop."""
        options = self._options
        # Stop first, so that a board that is still running resets its extremes at the start of this recording.
        link.send(Kind.IDENTIFY, Kind.STOP, Kind.START)
        heard = listen(
            port,
            lambda: FirstLook(options.said, options.machine),
            options.baud,
            check=self._stop_requests.check,
            ask=lambda: link.send(Kind.START),
        )
        self._look, link.baud = heard.look, heard.baud
        refused = None
        if heard.tried and heard.state == "garbage":
            rates = ", ".join(map(str, heard.tried))
            refused = BoardTextError(
                f"{options.port}: bytes arrive, but make no sense at any of these baud rates: {rates}. Write the "
                "rate of the sketch (Serial.begin) after --baud; check that ground is connected and that TX of the "
                "board leads to RX."
            )
        elif heard.state in ("text", "unread"):
            self._judged = heard.state == "text"
            question = heard.look.question()
            if question is not None:
                refused = BoardTextError(f"{options.port}: {question.what}", question.maps, question.time)
        if refused is not None and self._retention is None:
            raise refused
        if refused is not None:
            self._notifier.say(f"{refused} The bytes are recorded all the same.")
        if heard.tried and heard.state != "garbage":
            self._notifier.say(f"{options.port}: the board speaks at {heard.baud} baud.")
        for note in heard.look.notes():
            self._notifier.say(note)
        return heard

    def _header(self, link: Link) -> dict[str, Any]:
        options = self._options
        return {
            "schema": SCHEMA,
            "program": program_version(),
            "run_id": self._run_id,
            "utc": datetime.now(UTC).isoformat(timespec="microseconds"),
            "host_us": host_us(),
            "machine": options.machine.text,
            "for_s": options.for_s,
            # A note that is not valid Unicode must not stop the recording.
            "notes": [note.encode("utf-8", "replace").decode() for note in options.notes],
            "rested_h": options.rested_h,
            "start_charge": options.start_charge,
            "baud": link.baud,
            "text": options.said.as_json(),
        }

    def _record(self, link: Link, port: Port, header: dict[str, Any], journal: JournalWriter, heard: Heard) -> Outcome:
        options = self._options
        limit = None if options.for_s is None else round(options.for_s * 1e6)
        builder = RunBuilder(
            options.out, self._run_id, limit_us=limit, observers=self._observers, decoder=decoder_for(header)
        )
        try:
            for record in heard.records:
                journal.append(record.kind, record.host_us, record.payload)
            self._judged = self._judged or heard.look.heard
            self._decode(builder, *heard.records)
            self._follow(link, port, journal, builder)
        except Stop as reached:
            stop = reached
        except StorageError as error:
            self._notifier.say(str(error))
            stop = Stop("disk full or not writable", 5)
        with contextlib.suppress(StorageError):
            self._observe(journal, builder)
        with contextlib.suppress(StorageError):
            journal.note(
                host_us(), what="stop", reason=stop.reason, understood=builder.understood or builder.from_newer_board
            )
        self._restore(journal)
        with contextlib.suppress(StorageError):
            journal.close()
        return self._finish(builder, header, stop)

    def _restore(self, journal: JournalWriter) -> None:
        """A folder that was removed while recording is made again for what it held."""
        out = self._options.out
        try:
            if journal.restore():
                self._notifier.say(f"{out} was removed or renamed while recording. It was made again for this run.")
        except StorageError as error:
            self._notifier.say(f"{out} was removed while recording, and this run with it: {error}")

    def _follow(self, link: Link, port: Port, journal: JournalWriter, builder: RunBuilder) -> NoReturn:
        """The loop; leaves only by raising Stop or StorageError."""
        progress = Progress(time.monotonic())
        capture = Capture(port, journal)
        # No sample has arrived since the port was opened again. Bytes may have: a busy server says so and hangs up.
        silent, samples = False, 0
        try:
            while True:
                arrived = capture.take(_TURN_S)
                self._decode(builder, *(item for item in arrived if isinstance(item, Record)))
                silent = silent and self._decoding and builder.samples == samples
                ended = arrived[-1] if arrived else None
                if isinstance(ended, PortEnded):
                    raise Stop("source ended", 0)
                if isinstance(ended, StorageError):
                    raise ended
                if isinstance(ended, LoggerError):
                    capture.end()
                    if not silent:
                        self._notifier.say(
                            f"{str(ended).removesuffix('.')}. Waiting up to ten minutes for it to come back. "
                            "The samples so far are safe."
                        )
                        self._note(journal, builder, what="unplugged")
                    port = self._reopen(link, silent)
                    self._note(journal, builder, what="reopened")
                    silent, samples = True, builder.samples
                    capture = Capture(port, journal)
                    link.send(Kind.IDENTIFY, Kind.START)
                self._observe(journal, builder)
                self._obey_keys(journal, builder)
                if progress.due("status", 0.25):
                    self._notifier.show(progress.status(builder, journal, self._keys.note if self._keys else None))
                    self._watch(progress, journal, builder)
                    if progress.silent_s(builder) > _ASK_AGAIN_S and progress.due("ask", _ASK_AGAIN_S):
                        link.send(Kind.START)  # a board after a reset waits for this; a running one ignores it
        finally:
            link.send(Kind.STOP)
            capture.end(linger_s=_LINGER_S)
            link.close()
            self._decode(builder, *capture.rest())

    def _decode(self, builder: RunBuilder, *records: Record) -> None:
        """Decode records of the journal. If that fails or the disk is full, only raw bytes are recorded after that."""
        if not self._decoding:
            return
        if not self._judged:
            for record in records:
                if record.kind == "bytes":
                    self._look.feed(record.payload, record.host_us * 1e-6)
        try:
            builder.accept(records)
        except Exception as error:
            self._decoding = False
            why = str(error) if isinstance(error, StorageError) else f"Decoding failed, which is a defect: {error!r}."
            self._notifier.say(
                f"{why} Raw bytes are still recorded. Afterwards write the run file with: amptally recover "
                f"{self._journal_path}"
            )

    def _note(self, journal: JournalWriter, builder: RunBuilder, what: str) -> None:
        now = host_us()
        journal.note(now, what=what)
        self._decode(builder, Record("note", now, b'{"what": "%s"}' % what.encode()))

    def _obey_keys(self, journal: JournalWriter, builder: RunBuilder) -> None:
        """Laps and notes of the operator go into the journal like the board's bytes. Raises Stop."""
        for pressed in self._keys.poll() if self._keys else ():
            now = host_us()
            run_us = builder.run_us_at(now)
            if pressed.what == "quit":
                raise Stop("key q", 0)
            note: dict[str, object]
            if pressed.what == "mark":
                note = {"what": "mark", "run_us": run_us}
            else:
                note = {"what": "note", "text": f"at {clock_text(run_us / 1e6)}: {pressed.text}"}
            self._decode(builder, Record("note", now, json.dumps(note).encode()))
            journal.note(now, **note)
            said = f"mark {builder.marks}" if pressed.what == "mark" else "note stored"
            self._notifier.say(f"{clock_text(run_us / 1e6)}: {said}.")

    def _observe(self, journal: JournalWriter, builder: RunBuilder) -> None:
        """Report new alarms. Each change is written to the journal, so that alarms survive a kill."""
        for alarm in builder.observe():
            fresh = alarm["number"] not in builder.alarms
            note = {"what": "alarm", **alarm}
            now = host_us()
            self._decode(builder, Record("note", now, json.dumps(note).encode()))
            if fresh:
                self._notifier.say(f"Alarm at {alarm['at_s']:.1f} s: {alarm['text']}.")
            journal.note(now, **note)

    def _reopen(self, link: Link, silent: bool) -> Port:
        try:
            return link.reopen(RETRY_S, silent=silent)
        except PortError as error:
            raise Stop("port missing", 4) from error
        except Stop as asked:
            lost = asked.exit_code == 0  # asked to stop while the port is missing
            raise (Stop("port missing", 4) if lost else asked) from None

    def _watch(self, progress: Progress, journal: JournalWriter, builder: RunBuilder) -> None:
        """Checks that may end the recording or warn the operator while it runs."""
        self._stop_requests.check()
        for_s = self._options.for_s
        if for_s is not None and (builder.run_s if self._decoding else progress.host_s) >= for_s:
            raise Stop("time reached", 0)
        silent_s = progress.silent_s(builder)
        if for_s is not None and silent_s > SILENT_S and progress.host_s > for_s + SILENT_S:
            raise Stop("no more samples", 4)
        self._judge_late_text()
        if not builder.understood and progress.host_s > 3:
            self._say_once(self._not_understood(builder))
        elif self._decoding and builder.samples and silent_s > SILENT_S:
            self._say_once("No sample for 10 s. Is the board still powered and connected? Still listening.")
        for trouble in builder.trouble:
            self._say_once(f"An alarm or display failed and is switched off for this recording: {trouble}")
        self._watch_disk(progress, journal)

    def _judge_late_text(self) -> None:
        """Lines that began after the first look: what would have been asked is said, and the recording goes on."""
        if self._judged or self._look.state(host_us() * 1e-6) not in ("text", "unread", "frames", "garbage"):
            return
        self._judged = True
        question = self._look.question()
        for text in [str(question)] if question else self._look.notes():
            self._notifier.say(f"{self._options.port}: {text}")

    def _watch_disk(self, progress: Progress, journal: JournalWriter) -> None:
        needed = DISK_STOP_BYTES + journal.size // 2
        try:
            self._journal_path.stat()  # another folder may have taken the place of the one that was removed
            free = free_bytes(self._options.out)
            if self._retention is not None and (free < needed or progress.due("retention", RETENTION_S)):
                self._retention.trim()
                self._retention.free(2 * needed - free)
                free = free_bytes(self._options.out)
        except OSError as error:
            raise StorageError(f"{self._options.out} is no longer accessible: {error.strerror}.") from error
        if free < needed:
            raise Stop("disk nearly full", 5)
        if free < DISK_WARN_BYTES:
            self._say_once(
                f"Only {free >> 20} MB are free under {self._options.out}. Free some space, or the recording will stop."
            )
        if journal.slowest_sync_s > SLOW_SYNC_S:
            self._say_once("This disk syncs slowly: a power cut may lose more than half a second of data.")

    def _not_understood(self, builder: RunBuilder) -> str:
        port, baud = self._options.port, self._options.baud or DEFAULT_BAUD
        if builder.from_newer_board:
            return f"{port}: the board uses a newer version of the wire format than this program. Update amptally."
        question = self._look.question()
        if builder.bytes and question is not None:
            return f"{port}: {question} Still listening."
        if builder.bytes:
            return (
                f"{port}: bytes arrive at {baud} baud, but no frame or text line is valid. Either the baud rate "
                "is wrong (--baud), or the board does not use the format of docs/wire-format.md. Still listening."
            )
        return f"{port}: nothing arrives. Is the board powered, and is this its port? Still listening."

    def _say_once(self, text: str) -> None:
        if text not in self._said:
            self._said.add(text)
            self._notifier.say(text)

    def _finish(self, builder: RunBuilder, header: dict[str, Any], stop: Stop) -> Outcome:
        options, journal = self._options, self._journal_path
        path = options.out / f"{self._run_id}.parquet"
        if self._retention is not None:
            self._retention.trim(more=journal.stat().st_size // 2 if journal.exists() else 0)
        recover = f"amptally recover {journal}"
        if not self._decoding:
            builder.discard_segments()
            return Outcome(None, journal, 5, stop.reason)
        try:
            try:
                metadata = builder.finish(path, run_header(header, builder.clock), stop.reason)
            except SegmentError as error:
                self._notifier.say(f"{error} The run is being decoded from the journal again.")
                builder.discard_segments()
                metadata = rebuild(JournalReader(journal), path, header, stop.reason)
        except Exception as error:
            why = (
                str(error)
                if isinstance(error, LoggerError)
                else f"Writing the run failed, which is a defect: {error!r}."
            )
            if not journal.exists():  # gone with its folder, as was said
                return Outcome(None, None, 5, stop.reason)
            self._notifier.say(f"{why} The recorded bytes are in {journal}. Free some space, then run: {recover}")
            return Outcome(None, journal, 5, stop.reason)
        if metadata is None:
            why = self._not_understood(builder).removesuffix(" Still listening.")
            if not builder.bytes:
                journal.unlink(missing_ok=True)
                self._notifier.say(f"No sample was recorded: {why}")
                return Outcome(None, None, stop.exit_code or 4, stop.reason)
            self._notifier.say(f"No sample was recorded: {why} The raw bytes are in {journal}")
            return Outcome(None, journal, stop.exit_code or 4, stop.reason)
        if not options.keep_journal:
            journal.unlink(missing_ok=True)
        if self._retention is not None:
            self._retention.add_newest(path)
        return Outcome(path, journal if options.keep_journal else None, stop.exit_code, stop.reason)


def free_bytes(folder: Path) -> int:
    """Free space on the disk of `folder`."""
    return shutil.disk_usage(folder).free
