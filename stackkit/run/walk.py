"""Folders and the visible files in them, at any depth, without the results of earlier runs."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stackkit.errors import why
from stackkit.run.files import COMPARISON, FILES, MOVING, RESULTS

_RESULTS = {FILES["record"]: RESULTS, COMPARISON[0]: COMPARISON}
"""What lies beside a record of ours, by the record's name."""
_SIGN = b'"stackkit-'
_START = 200
"""Bytes within which a record of ours names its schema."""
Inode = tuple[int, int]


@dataclass(frozen=True)
class Branch:
    """A folder, its visible files and folders in order, and why they cannot be read."""

    path: Path
    files: tuple[Path, ...] = ()
    folders: tuple[Path, ...] = ()
    reason: str = ""


def tree(top: Path, closed: Callable[[Path], bool]) -> Iterator[Branch]:
    """``top`` and the visible folders in it at any depth, but for those in ``closed`` ones.

    Each is visited once, whatever links lead to it, by its own name if it has one here.  A link to
    a folder above ``top`` is not followed.
    """
    real = Path(os.path.realpath(top))
    seen = {inode(folder) for folder in real.parents}
    waiting: list[Path] = [top]
    links: list[Path] = []
    while waiting or links:
        folder = waiting.pop() if waiting else links.pop(0)
        own = inode(folder)
        if own is not None and own in seen:
            continue
        seen.add(own)
        branch = _branch(folder)
        yield branch
        entered = [inner for inner in branch.folders if not closed(inner)]
        # Links wait until everything reachable without one is known.
        links += [inner for inner in entered if inner.is_symlink()]
        waiting += [inner for inner in reversed(entered) if not inner.is_symlink()]


def _branch(folder: Path) -> Branch:
    try:
        with os.scandir(folder) as entries:
            every = sorted((entry.name, _leads_to_folder(entry)) for entry in entries)
    except OSError as error:
        return Branch(folder, reason=why(error))
    ours = _results(folder, {name for name, _ in every})
    shown = [(name, inner) for name, inner in every if name[0] != "." and name not in ours]
    return Branch(
        folder,
        tuple(folder / name for name, inner in shown if not inner),
        tuple(folder / name for name, inner in shown if inner),
    )


def _leads_to_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:
        return False


def _results(folder: Path, names: set[str]) -> set[str]:
    """Names of what earlier runs wrote into the folder, or were about to write."""
    ours = set(RESULTS) if MOVING in names else set()
    for record, beside in _RESULTS.items():
        path = folder / record
        with suppress(OSError):
            if record in names and stat.S_ISREG(path.stat().st_mode):
                with path.open("rb") as file:
                    if _SIGN in file.read(_START):
                        ours.update(beside)
    return ours


def inode(path: Path) -> Inode | None:
    """Disk and number on it; None where there is nothing."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
