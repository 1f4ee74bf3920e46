"""Reading files in processes of their own: a file that kills its reader costs one frame.

They are started afresh (not forked, which hangs with LibRaw's threads) and know nothing of the
program that started them.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import SimpleQueue
from threading import Timer
from typing import Any, TypeVar

from stackkit.raw.checks import RawFileError

_Found = TypeVar("_Found")
_Process = subprocess.Popen[bytes]

Read = Callable[[Callable[[Path], Any], Path], Any]
"""Calls a function of a path, one that a module names, and returns or raises what it does."""

_PATIENCE = 60.0
"""Seconds that one file may take: a hundred times the largest pictures' on an old laptop."""


@contextmanager
def readers(count: int, patience: float = _PATIENCE) -> Iterator[Read]:
    """Yields a ``Read`` for up to ``count`` threads; each call has a process to itself.

    ``RawFileError`` is raised for a file that kills its process or takes longer than ``patience``
    seconds.  Where the system lets no process be started, files are read in this one.
    """
    free: SimpleQueue[_Process | None] = SimpleQueue()
    for _ in range(count):
        free.put(None)

    def read(function: Callable[[Path], _Found], path: Path) -> _Found:
        process = free.get()
        try:
            process = process or _started()
            if process is None:
                return function(path)
            well, found = _answer(process, function, path, patience)
        except BaseException:
            _stop(process)
            process = None
            raise
        finally:
            free.put(process)
        if well:
            return found  # type: ignore[no-any-return]
        raise found

    try:
        yield read
    finally:
        for _ in range(count):
            _stop(free.get())


def here(function: Callable[[Path], _Found], path: Path) -> _Found:
    """A ``Read`` in this process, for files that one trusts."""
    return function(path)


def _started() -> _Process | None:
    """A process; None where the system lets none be started."""
    command = [sys.executable, "-m", "stackkit.raw.worker"]
    with suppress(OSError):
        # In a session of its own: an interrupt is for the run, which then stops its readers.
        return subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
        )
    return None


def _answer(
    process: _Process, function: Callable[[Path], Any], path: Path, patience: float
) -> tuple[bool, Any]:
    assert process.stdin is not None
    assert process.stdout is not None
    late: list[bool] = []

    def give_up() -> None:
        late.append(True)
        process.kill()

    timer = Timer(patience, give_up)
    timer.daemon = True
    timer.start()
    try:
        pickle.dump((function, path), process.stdin)
        process.stdin.flush()
        well, found = pickle.load(process.stdout)
    except (EOFError, OSError, pickle.UnpicklingError) as fault:
        if late:
            reason = f"reading it took more than {patience:g} seconds"
        else:
            reason = "damaged so badly that it crashed the decoder"
        raise RawFileError(path, reason, "Leave it out, or copy it again.") from fault
    finally:
        timer.cancel()
    return well, found


def _stop(process: _Process | None) -> None:
    if process is None:
        return
    with suppress(OSError):
        process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with suppress(OSError):
                pipe.close()
