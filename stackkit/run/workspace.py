"""Where a run's intermediate files lie: found again after a kill, held by one run at a time.

The folder carries the key of its run, made of everything that decides the result: the files that
went in, by name, size and times, the options, and the version.  A folder with another key is stale
and is cleared.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path

from stackkit.errors import OutputError
from stackkit.run.checkpoints import Checkpoints
from stackkit.run.files import PREFIX, RESULTS, clear_stale, held, reason, working_folder
from stackkit.run.walk import Branch, tree

BYTES = 2 + 1 / 8
"""Bytes per sample here: its code, and whether it is rejected."""

_FOLDER = f"{PREFIX}scratch"
_KEY = "key"
_BYTES_OF_RESULT = {
    "stack.fits": 26,
    "stack.tif": 12,
    "preview.png": 1,
    "pictures.zip": 2,
    "report.html": 3,
    "stack.dng": 6,
    "gradient.fits": 12,
}
"""Bytes a place of the grid: value, variance and coverage as a measurement, three numbers for
editing, a preview, a page with its pictures, and what is made for those who ask."""


@dataclass(frozen=True)
class Task:
    """What determines the result of a run: the files and folders that it reads, the options
    ``asked`` for (a value with a complete ``repr``), and the names of the files it makes in
    ``out``, which are no input.
    """

    reads: tuple[Path, ...]
    asked: object
    out: Path
    made: tuple[str, ...]


@dataclass(frozen=True)
class Workspace:
    """``folder`` for intermediate files; ``checkpoints`` for the steps' results, None where the run
    cannot be resumed; ``changed`` lists the files read by the run that have changed since it began;
    ``out`` is where the results go, if anywhere, whose files are ``made``; ``note``: a remark on
    the folder for the user, mostly empty.
    """

    folder: Path
    checkpoints: Checkpoints | None = None
    changed: Callable[[], list[str]] = list
    out: Path | None = None
    made: tuple[str, ...] = ()
    note: str = ""


def check_room(place: Workspace, pixels: int, frames: int, sampling: int = 1) -> Workspace:
    """The same place, whose checkpoints leave the room that ``frames`` frames need.

    Raises ``OutputError`` when there is not enough for their intermediate files in
    ``place.folder``, or for their results, on a grid of ``sampling`` places a pixel, in
    ``place.out``.
    """
    there = sum(file.stat().st_size for file in place.folder.iterdir())
    passing = max(int(pixels * frames * BYTES) - there, 0)
    share = sum(_BYTES_OF_RESULT.get(name, 0) for name in place.made)
    results = int(pixels * sampling**2 * share)
    together = place.out is not None and _on_one_disk(place.folder, place.out)
    needs = {place.folder: passing + results if together else passing}
    if place.out is not None and not together:
        needs[place.out] = results
    for where, need in needs.items():
        free = shutil.disk_usage(where).free
        if free < need:
            raise OutputError(
                f"There is too little room in {where}: {frames} frames need about "
                f"{_megabytes(need)} there, and {_megabytes(free)} are free. Free some space, or "
                f"name another place with {'--scratch' if where == place.folder else '--out'}."
            )
    checkpoints = (
        replace(place.checkpoints, spare=needs[place.folder]) if place.checkpoints else None
    )
    return replace(place, checkpoints=checkpoints)


def _on_one_disk(one: Path, other: Path) -> bool:
    return one.stat().st_dev == other.stat().st_dev


def _megabytes(size: int) -> str:
    return f"{size / 1e6:,.1f} MB"


@contextmanager
def passing(place: Path | None) -> Iterator[Workspace]:
    """A folder in ``place`` (None: the system's temporary one) that goes with the block."""
    with working_folder(place) as folder:
        yield Workspace(folder)


@contextmanager
def workspace(task: Task, place: Path | None, *, keep: bool) -> Iterator[Workspace]:
    """The folder of a run, within ``place`` (None: where its results go).

    It is removed when the block succeeds, unless it is to be kept, and when it fails for a reason
    that would recur; after a kill or an interruption it stays for the same run.  Raises
    ``OutputError`` when another run is at work on ``out``, or the folder cannot be made.
    """
    out, folder = task.out, _folder(task.out, place)
    with held(out):
        before = _signatures(task)
        key = _key(before, task.asked)
        clear_stale(out)
        if place is not None:  # another time it was not
            shutil.rmtree(_folder(out, None), ignore_errors=True)
        note = _of_another_version(folder)
        if not _is_of(folder, key):
            _made_anew(folder, key)
        with held(folder):
            try:
                changed = partial(_changed, before, task)
                yield Workspace(folder, Checkpoints(folder), changed, out, task.made, note)
            except KeyboardInterrupt:
                raise  # the same command goes on from here
            except OutputError as error:
                shutil.rmtree(folder, ignore_errors=True)
                raise OutputError(str(error).replace(str(folder), str(place or out))) from error
            except BaseException:
                shutil.rmtree(folder, ignore_errors=True)
                raise
            if not keep:
                shutil.rmtree(folder, ignore_errors=True)


def _folder(out: Path, place: Path | None) -> Path:
    """One folder for each ``out``, whatever else is in ``place``."""
    if place is None:
        return out / _FOLDER
    own = hashlib.sha256(os.fsencode(os.path.realpath(out))).hexdigest()[:16]
    return place / f"{_FOLDER}-{own}"


def _is_of(folder: Path, key: str) -> bool:
    try:
        return (folder / _KEY).read_text(encoding="ascii") == _key_text(key)
    except (OSError, ValueError):
        return False


def _key_text(key: str) -> str:
    return f"{key} {version('stackkit')}"


def _of_another_version(folder: Path) -> str:
    """A sentence when the folder is that of an interrupted run of another version, else nothing."""
    try:
        _, _, old = (folder / _KEY).read_text(encoding="ascii").partition(" ")
    except (OSError, ValueError):
        return ""
    if old == version("stackkit"):
        return ""
    return (
        f"An interrupted run of another version ({old or 'before 0.2'}) was found; this run starts "
        "from the beginning."
    )


def _made_anew(folder: Path, key: str) -> None:
    try:
        if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
            folder.unlink()
        elif folder.exists():
            shutil.rmtree(folder)
        folder.mkdir(parents=True)
        (folder / _KEY).write_text(_key_text(key), encoding="ascii")
    except OSError as error:
        raise OutputError(f"Cannot write to {folder.parent}: {reason(error)}") from error


Signatures = Mapping[str, tuple[int, ...]]
"""Size, times, disk and number on it of every file, by its path."""


def _signatures(task: Task) -> Signatures:
    """Of all files that a task reads, but for hidden ones and results.

    None of them is opened.  Errors are left to the code that will read them.
    """
    out = os.path.realpath(task.out)
    made = {os.path.join(out, name) for name in (*task.made, *RESULTS)}
    found: dict[str, tuple[int, ...]] = {}
    for top in task.reads:
        branches = tree(top, lambda _: False) if top.is_dir() else [Branch(top, (top,))]
        for path in (file for branch in branches for file in branch.files):
            with suppress(OSError):
                status = path.stat()
                if os.path.realpath(path) not in made:
                    times = (status.st_mtime_ns, status.st_ctime_ns)
                    found[str(path)] = (status.st_size, *times, status.st_dev, status.st_ino)
    return found


def _key(read: Signatures, asked: object) -> str:
    text = repr((version("stackkit"), sorted(read.items()), asked))
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()


def _changed(before: Signatures, task: Task) -> list[str]:
    after = _signatures(task)
    return sorted(path for path, own in before.items() if after.get(path) != own)
