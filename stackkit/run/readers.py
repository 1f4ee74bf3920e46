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
from threading import Event, Timer
from typing import Any, TypeVar

from stackkit.errors import RawFileError

_Found = TypeVar("_Found")
_Process = subprocess.Popen[bytes]

Read = Callable[[Callable[[Path], Any], Path], Any]
"""Calls a function of a path, defined at module level, and returns or raises what it does."""

_ADVICE = "Leave it out, or copy it again."
_PATIENCE = 60.0
"""Seconds that one file may take: a hundred times the largest pictures' on an old laptop."""


@contextmanager
def readers(count: int, patience: float = _PATIENCE) -> Iterator[Read]:
    """Yields a ``Read`` for up to ``count`` threads; each call has a process to itself.

    ``RawFileError`` is raised for a file that kills its process twice (once may be the system's
    doing, for want of memory) or takes longer than ``patience`` seconds.  Where the system lets no
    process be started, files are read in this one.
    """
    running: set[_Process] = set()
    closing = Event()
    free: SimpleQueue[_Process | None] = SimpleQueue()
    for _ in range(count):
        free.put(None)

    def ask(function: Callable[[Path], _Found], path: Path) -> tuple[bool, Any]:
        process = free.get()
        try:
            process = process or _started()
            if process is None:
                return True, function(path)
            running.add(process)
            return _answer(process, function, path, patience)
        except BaseException:
            if process is not None:
                running.discard(process)
                _stop(process)
                process = None
            raise
        finally:
            free.put(process)

    def read(function: Callable[[Path], _Found], path: Path) -> _Found:
        try:
            well, found = ask(function, path)
        except _CrashError:
            if closing.is_set():
                raise
            well, found = ask(function, path)
        if well:
            return found  # type: ignore[no-any-return]
        raise found

    try:
        yield read
    finally:
        closing.set()
        # Busy ones, too: a thread waiting for an answer then gets an error.
        for process in tuple(running):
            _stop(process)


class _CrashError(RawFileError):
    """The process died."""


def here(function: Callable[[Path], _Found], path: Path) -> _Found:
    """A ``Read`` in this process, for files that one trusts."""
    return function(path)


def _started() -> _Process | None:
    """A process; None where the system lets none be started."""
    command = [sys.executable, "-m", "stackkit.run.reader"]
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
            raise RawFileError(path, reason, _ADVICE) from fault
        raise _CrashError(path, "damaged so badly that it crashed the decoder", _ADVICE) from fault
    finally:
        timer.cancel()
    return well, found


def _stop(process: _Process) -> None:
    with suppress(OSError):
        process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with suppress(OSError):
                pipe.close()
