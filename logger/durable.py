"""Making what was written survive a power cut."""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make a new name itself survive a power cut, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_text_atomically(path: Path, text: str) -> None:
    """Replace `path` as a whole: a reader sees the old text or the new one. Raises OSError."""
    temporary = path.with_name(f".{path.name}.part")
    with temporary.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(temporary, path)
    sync_folder(path.parent)
