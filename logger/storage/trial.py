"""First full read of a Parquet file that has no checksums, in a process that may die.

On some damage the Parquet library asks for more memory than there is, and the system ends its process: no error can be
caught there. One process serves all files of a program, with a limit on its memory and on the time for each file.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import subprocess
import sys
import threading
from collections import OrderedDict
from collections.abc import Collection
from pathlib import Path

from amptally.logger.errors import NewerSchemaError, RunFileError
from amptally.logger.storage.checksums import Stamp

MAX_MEMORY = 1 << 30
"""Bytes that a trial may use beyond those of the program itself."""
MAX_ROWS_AT_ONCE = 240_000
SECONDS = 20.0
BYTES_PER_S = 5_000_000
"""A file may take this long: SECONDS, and its size at this rate."""
MAX_KNOWN = 10_000

_FOOTER, _SAMPLES, _TABLE = "footer", "samples", "table"
_known: OrderedDict[tuple[Path, Stamp, str, tuple[str, ...]], list[str] | None] = OrderedDict()
"""The answers so far."""
_lock = threading.Lock()
_process: subprocess.Popen[str] | None = None


def try_footer(path: Path) -> None:
    """Read the footer of a run file once, in the other process.

    A file is not tried again until it changes, whether it passed or not. Raises RunFileError (or NewerSchemaError),
    which names the file, and OSError.
    """
    _try(path, _FOOTER)


def try_samples(path: Path) -> None:
    """The same for all samples of a run file."""
    _try(path, _SAMPLES)


def try_table(path: Path, columns: Collection[str] = ()) -> None:
    """The same for some columns of any Parquet file; all of them where none is named."""
    _try(path, _TABLE, tuple(sorted(columns)))


def _try(path: Path, what: str, columns: tuple[str, ...] = ()) -> None:
    stamp = Stamp.of(path)
    key = path.absolute(), stamp, what, columns
    with _lock:
        if key not in _known:
            _known[key] = _ask([str(path.absolute()), what, columns], SECONDS + stamp.size / BYTES_PER_S)
            while len(_known) > MAX_KNOWN:
                _known.popitem(last=False)
        answer = _known.get(key)
    if answer is None:
        raise RunFileError(
            f"{path} is damaged: reading it took too much memory or time. Recover its journal, or copy it again."
        )
    if answer:
        error, text = answer[0], answer[1].replace(str(path.absolute()), str(path))
        raise (NewerSchemaError if error == NewerSchemaError.__name__ else RunFileError)(text)


def _ask(question: list[object], seconds: float) -> list[str] | None:
    """The answer of the other process: empty where all is well; None where the process ended or was ended."""
    global _process
    if _process is None or _process.poll() is not None:
        _process = subprocess.Popen(
            # -P: the folder in which the program was started is no place to import from.
            [sys.executable, "-P", "-m", "amptally.logger.storage.trial", str(MAX_MEMORY)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # where the Parquet library writes its panics
            text=True,
            env={**os.environ, "POLARS_MAX_THREADS": "1", "RUST_BACKTRACE": "0"},
            start_new_session=os.name == "posix",  # Ctrl-C is for the program, which then ends this process
        )
    assert _process.stdin is not None
    assert _process.stdout is not None
    timer = threading.Timer(seconds, _process.kill)
    timer.start()
    try:
        _process.stdin.write(json.dumps(question) + "\n")
        _process.stdin.flush()
        line = _process.stdout.readline()
    except OSError:
        line = ""
    finally:
        timer.cancel()
    if not line:
        _stop()
        return None
    return [str(part) for part in json.loads(line)]


@atexit.register
def _stop() -> None:
    """End the other process, if there is one."""
    global _process
    if _process is not None:
        process, _process = _process, None
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def main() -> int:
    """Answer for each file named on stdin: [] where it was read, else the error's name and its message."""
    from amptally.logger.storage.runfile import read_footer, read_samples, read_table

    _limit_memory(int(sys.argv[1]))
    for line in sys.stdin:
        name, what, columns = json.loads(line)
        try:
            if what == _FOOTER:
                read_footer(Path(name))
            elif what == _SAMPLES:
                read_samples(Path(name))
            else:
                read_table(Path(name), columns)
        except (RunFileError, OSError) as error:
            answer = [type(error).__name__, str(error)]
        except MemoryError:
            return 1
        else:
            answer = []
        print(json.dumps(answer), flush=True)
    return 0


def _limit_memory(more: int) -> None:
    """Let this process take so many bytes more than it has, where the system can."""
    if sys.platform != "linux":
        return
    import resource

    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    used = pages * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + more, used + more))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


if __name__ == "__main__":
    sys.exit(main())
