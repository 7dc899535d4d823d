"""Nothing but the pseudo-terminal tests assumes one system: imports, signals, and the remedies that messages name."""

from __future__ import annotations

import ast
import errno
import os
from pathlib import Path

import pytest
import serial

from amptally.logger.recording import lock, ports
from amptally.logger.storage import durable
from tests.faults.harness import ROOT

PACKAGES = ("logger", "analysis", "dashboard")
POSIX_ONLY = {"fcntl", "grp", "pty", "pwd", "resource", "syslog", "termios", "tty"}
WINDOWS_ONLY = {"msvcrt", "winreg", "_winapi"}
EVERYWHERE = {"SIGINT", "SIGTERM", "SIG_IGN", "SIG_DFL"}
"""Names of the signal module that every system has."""
POSIX_CALLS = {"getuid", "geteuid", "fork", "setsid", "mkfifo", "openpty", "ttyname", "chown", "nice", "set_blocking"}


def modules() -> list[Path]:
    return [path for package in PACKAGES for path in (ROOT / package).rglob("*.py")] + sorted(
        (ROOT / "amptally").glob("*.py")
    )


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_what_one_system_lacks_is_asked_for_with_care(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in tree.body:
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        assert not {name.split(".")[0] for name in names} & (POSIX_ONLY | WINDOWS_ONLY), f"{path}: {names} at the top"
    text = path.read_text(encoding="utf-8")
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if node.value.id == "signal" and node.attr.startswith("SIG"):
                assert node.attr in EVERYWHERE, f"{path}: signal.{node.attr} is not everywhere"
            if node.value.id == "os" and node.attr in POSIX_CALLS:
                guards = ("hasattr(os", "AttributeError", "ImportError", 'os.name == "posix"', "OSError")
                assert any(guard in text for guard in guards), f"{path}: os.{node.attr} without a guard"


@pytest.mark.parametrize(
    ("error", "words"),
    [
        # How pyserial words it on each system.
        (serial.SerialException(errno.ENOENT, "could not open port /dev/ttyUSB0"), ("No such file", "amptally ports")),
        (serial.SerialException(errno.EBUSY, "could not open port /dev/cu.usb"), ("busy", "close that program")),
        (serial.SerialException("could not open port 'COM5': FileNotFoundError(2, 'x', None, 2)"), ("amptally ports",)),
        (serial.SerialException("could not open port 'COM5': OSError(22, 'x', None, 121)"), ("amptally ports",)),
        (ValueError("invalid URL"), ("socket://",)),
    ],
)
def test_a_port_that_cannot_be_opened_comes_with_a_remedy(error: Exception, words: tuple[str, ...]) -> None:
    found = ports._cannot_open("COM5", error)
    assert isinstance(found, ports.PortMissing) == (not isinstance(error, ValueError))
    for word in words:
        assert word in str(found)
    assert "\n" not in str(found)


def test_the_remedy_for_a_refusal_is_that_of_the_system() -> None:
    assert "dialout" in ports._NOT_ALLOWED["linux"]
    assert "close that program" in ports._NOT_ALLOWED["win32"]
    windows = serial.SerialException("could not open port 'COM5': PermissionError(13, 'Access is denied.', None, 5)")
    said = str(ports._cannot_open("COM5", windows))
    assert ports._REMEDY[errno.EACCES] in said


def test_a_folder_that_cannot_be_synced_is_no_obstacle(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some file systems refuse to sync a folder; a disk that fails is another matter."""

    def refuse(number: int) -> None:
        def fsync(handle: int) -> None:  # noqa: ARG001
            raise OSError(number, os.strerror(number))

        monkeypatch.setattr(os, "fsync", fsync)

    refuse(errno.EINVAL)
    durable.sync_folder(tmp_path)
    refuse(errno.EIO)
    with pytest.raises(OSError, match="Input/output"):
        durable.sync_folder(tmp_path)


def test_a_file_system_without_locks_goes_by_the_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lock, "_lock", lambda _: None)
    journal = tmp_path / "a.journal"
    held = lock.PortLock("socket://a:1", journal)
    text = next(lock.lock_folder().glob("*.lock"))
    assert [holder.journal for holder in lock.holders()] == []  # ours is no obstacle to ourselves
    text.write_text(text.read_text().replace(str(os.getpid()), str(os.getppid())))
    assert [holder.pid for holder in lock.holders()] == [os.getppid()]
    held.release()
