"""Results of a run's steps, kept on disk: the same run goes on from there after a kill.

An entry is a pickle behind a short header with its checksum.  Files that belong to the entry but
lie beside it (mosaics, masks) have checksums, too.  Entries that do not match are made again; so
nothing need be flushed, and a torn entry costs only one step.  A long step keeps parts of its
entry, ``name.00001`` and so on, which are removed when the whole entry is written.
"""

from __future__ import annotations

import io
import os
import pickle
import shutil
import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future
from contextlib import suppress
from dataclasses import dataclass, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any, BinaryIO, TypeVar
from zlib import crc32

_Made = TypeVar("_Made")

_HEAD = struct.Struct("<8sIQ")
_MARK = b"skshelf1"
_CHUNK = 2**20
"""Bytes read at a time."""
_PLAIN = {
    ("builtins", "set"),
    ("builtins", "frozenset"),
    ("builtins", "complex"),
    ("collections", "OrderedDict"),
    ("datetime", "datetime"),
    ("datetime", "timedelta"),
    ("datetime", "timezone"),
    ("pathlib", "Path"),
    ("pathlib", "PosixPath"),
    ("pathlib", "WindowsPath"),
    ("pathlib._local", "PosixPath"),
    ("pathlib._local", "WindowsPath"),
    ("numpy", "ndarray"),
    ("numpy", "dtype"),
    ("numpy._core.multiarray", "_reconstruct"),
    ("numpy._core.multiarray", "scalar"),
    ("numpy._core.numeric", "_frombuffer"),
    ("numpy.core.multiarray", "_reconstruct"),
    ("numpy.core.multiarray", "scalar"),
    ("numpy.core.numeric", "_frombuffer"),
}


@dataclass(frozen=True)
class Checkpoints:
    """A folder of entries; all of one run, or of the same run begun before.

    Bytes that must stay free beside them are ``spare``: the results come first.
    """

    folder: Path
    spare: int = 0


def checkpointed(
    checkpoints: Checkpoints | None,
    name: str,
    make: Callable[[], _Made],
    files: Sequence[Path] = (),
) -> _Made:
    """What ``make`` returns, or what it returned when the run got here before.

    ``files``: files it writes besides, which must still be unchanged.  Without checkpoints it is
    simply made.  A disk without room for the entry is no error.
    """
    if checkpoints is None:
        return make()
    try:
        found: _Made = _take(_entry(checkpoints, name), files)
    except _NoEntryError:
        found = make()
        if _lay(checkpoints, name, found, files):
            _drop(_parts(checkpoints, name))
    return found


class CheckpointedPool(Executor):
    """A pool whose ``map`` keeps the result of each item as a part of the entry ``name``."""

    def __init__(self, pool: Executor, checkpoints: Checkpoints | None, name: str) -> None:
        self._pool, self._checkpoints, self._name = pool, checkpoints, name

    def map(  # type: ignore[override]
        self, fn: Callable[..., _Made], *iterables: Iterable[Any]
    ) -> Iterator[_Made]:
        """Like the pool's own."""

        def one(number: int, *item: Any) -> _Made:
            return checkpointed(self._checkpoints, f"{self._name}.{number:05d}", lambda: fn(*item))

        items = [list(items) for items in iterables]
        return self._pool.map(one, range(len(items[0])), *items)

    def submit(self, fn: Callable[..., _Made], /, *args: Any, **known: Any) -> Future[_Made]:
        """The pool's own: nothing is kept."""
        return self._pool.submit(fn, *args, **known)


def newest(
    checkpoints: Checkpoints | None, name: str, files: Sequence[Path], start: _Made
) -> _Made:
    """The latest state of a step done file by file, kept by :func:`advance`; else ``start``."""
    for part in reversed(_parts(checkpoints, name) if checkpoints else []):
        done = part.stem.rpartition(".")[2]
        if done.isdigit():
            with suppress(_NoEntryError):
                found: _Made = _take(part, files[: int(done)])
                return found
    return start


def advance(
    checkpoints: Checkpoints | None, name: str, files: Sequence[Path], done: int, reached: object
) -> None:
    """Keep the state that a step has ``reached`` when ``done`` of its ``files`` are finished."""
    if checkpoints is not None:
        before = _parts(checkpoints, name)
        part = f"{name}.{done:05d}"
        if _lay(checkpoints, part, reached, files[:done]):
            _drop(path for path in before if path != _entry(checkpoints, part))


class _NoEntryError(Exception):
    """There is no entry, or not the one that was written."""


def _entry(checkpoints: Checkpoints, name: str) -> Path:
    return checkpoints.folder / f"{name}.step"


def _parts(checkpoints: Checkpoints, name: str) -> list[Path]:
    return sorted(checkpoints.folder.glob(f"{name}.*.step"))


def _drop(entries: Iterable[Path]) -> None:
    with suppress(OSError):
        for path in entries:
            path.unlink()


def _take(path: Path, files: Sequence[Path]) -> Any:
    try:
        with path.open("rb") as file:
            mark, checksum, length = _HEAD.unpack(file.read(_HEAD.size))
            if mark != _MARK or (checksum, length) != _summed(file):
                raise _NoEntryError
            file.seek(_HEAD.size)
            sums, found = _Reader(file).load()
    except (OSError, struct.error, pickle.UnpicklingError, EOFError) as fault:
        raise _NoEntryError from fault
    if sums != [_sum_of(beside) for beside in files]:
        raise _NoEntryError
    return found


def _lay(checkpoints: Checkpoints, name: str, made: object, files: Sequence[Path]) -> bool:
    """Whether there was room for the entry."""
    path = _entry(checkpoints, name)
    temporary = path.with_suffix(".part")
    try:
        with temporary.open("wb") as file:
            file.write(_HEAD.pack(_MARK, 0, 0))
            out = _Summing(file)
            pickle.dump(([_sum_of(beside) for beside in files], made), out, protocol=5)
            file.seek(0)
            file.write(_HEAD.pack(_MARK, out.checksum, out.length))
        if shutil.disk_usage(path.parent).free >= checkpoints.spare:
            os.replace(temporary, path)
            return True
    except OSError:
        pass
    with suppress(OSError):
        temporary.unlink(missing_ok=True)
    return False


class _Summing(io.RawIOBase):
    """Writes through and keeps the sum, so that a picture is never in memory twice."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self.checksum, self.length = file, 0, 0

    def writable(self) -> bool:
        """It is."""
        return True

    def write(self, data: Any) -> int:
        """The bytes on to the file."""
        view = memoryview(data).cast("B")
        self.checksum = crc32(view, self.checksum)
        self.length += len(view)
        self._file.write(view)
        return len(view)


class _Reader(pickle.Unpickler):
    """Makes our own data and arrays, calls nothing else: a folder may come from anybody."""

    def find_class(self, module: str, name: str) -> Any:
        """The class, if it is one that entries hold."""
        found = super().find_class(module, name) if _ours(module) else None
        data = isinstance(found, type) and (is_dataclass(found) or issubclass(found, Enum))
        if data or (module, name) in _PLAIN:
            return super().find_class(module, name)
        raise pickle.UnpicklingError(f"{module}.{name} has no place in an entry")


def _ours(module: str) -> bool:
    return module == "stackkit" or module.startswith("stackkit.")


def _summed(file: BinaryIO) -> tuple[int, int]:
    """Checksum and length of what is left of the file."""
    checksum = length = 0
    while data := file.read(_CHUNK):
        checksum, length = crc32(data, checksum), length + len(data)
    return checksum, length


def _sum_of(path: Path) -> tuple[int, int] | None:
    """The same of a whole file; None where there is none."""
    try:
        with path.open("rb") as file:
            return _summed(file)
    except OSError:
        return None
