"""What processes that read files are asked to do by the tests of them.

In a module of its own, which they load quickly.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from stackkit.errors import RawFileError
from stackkit.raw.decode import Mosaic, decode


def deadly(path: Path) -> Mosaic:
    """Reads a file; the second frame kills the process that reads it."""
    if path.name == "night_0002.dng":
        os._exit(139)
    return decode(path)


def name_of(path: Path) -> str:
    print("a decoder that talks")
    return path.name


def die(path: Path) -> None:
    os.kill(os.getpid(), signal.SIGSEGV if path.name == "crash" else signal.SIGKILL)


def die_once(path: Path) -> str:
    if not path.exists():
        path.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "read"


def hang(path: Path) -> None:  # noqa: ARG001
    time.sleep(60)


def devour(path: Path) -> int:
    return len(path.name * 2**33)


def refuse(path: Path) -> None:
    raise RawFileError(path, "no good", "Leave it.")


def process_of(path: Path) -> int:  # noqa: ARG001
    return os.getpid()
