"""Which files lie in the folders given, at any depth, and what each is called.

Hidden ones are passed over, so are the results of earlier runs.  Nothing is opened but what calls
itself such a result.
"""

from __future__ import annotations

import os
import stat
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stackkit.errors import InputError
from stackkit.output.files import COMPARISON, FILES, MOVING, RESULTS
from stackkit.raw.checks import why

_RESULTS = {FILES["record"]: RESULTS, COMPARISON[0]: COMPARISON}
"""What lies beside a record of ours, by the record's name."""
_SIGN = b'"stackkit-'
_START = 200

Inode = tuple[int, int]


@dataclass(frozen=True)
class File:
    """``name``: what it is called where names are shown, its path within the folder given;
    ``reason``: why nothing can be known of it (a folder that cannot be read), else empty.
    """

    path: Path
    name: str
    reason: str = ""


@dataclass(frozen=True)
class Branch:
    """A folder, its visible files and folders in order, and why they cannot be read."""

    path: Path
    files: tuple[Path, ...] = ()
    folders: tuple[Path, ...] = ()
    reason: str = ""


def files_in(
    paths: Sequence[Path], closed: Callable[[Path], bool], besides: Sequence[Path] = ()
) -> list[File]:
    """The files that ``paths`` are, or that lie in them.

    Folders within for which ``closed`` is true and the files and folders ``besides`` are passed
    over.  A folder within that cannot be read is in the list, with the reason.  Raises
    ``InputError`` for a path that cannot be read, or a folder without files.
    """
    apart = {_inode(path) for path in besides} - {None}

    def shut(folder: Path) -> bool:
        return closed(folder) or _inode(folder) in apart

    found: list[File] = []
    several = sum(path.is_dir() for path in paths) > 1
    for path in paths:
        own = [
            file
            for file in (_within(path, shut) if _is_folder(path) else [File(path, path.name)])
            if not apart or _inode(file.path) not in apart
        ]
        before = f"{path.name}/" if several and path.is_dir() else ""
        found += [File(file.path, before + file.name, file.reason) for file in own]
    often = Counter(file.name for file in found)
    return [
        file if often[file.name] == 1 else File(file.path, str(file.path), file.reason)
        for file in found
    ]


def tree(top: Path, closed: Callable[[Path], bool]) -> Iterator[Branch]:
    """``top`` and the visible folders in it at any depth, but for those in ``closed`` ones.

    Each is visited once, whatever links lead to it, by its own name if it has one here.  A link
    that leads up to what ``top`` lies in is not followed.
    """
    real = Path(os.path.realpath(top))
    seen = {_inode(folder) for folder in real.parents}
    waiting: list[Path] = [top]
    links: list[Path] = []
    while waiting or links:
        folder = waiting.pop() if waiting else links.pop(0)
        own = _inode(folder)
        if own is not None and own in seen:
            continue
        seen.add(own)
        branch = _branch(folder)
        yield branch
        entered = [inner for inner in branch.folders if not closed(inner)]
        # Links wait until all is known that needs no link.
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


def _is_folder(path: Path) -> bool:
    """Whether it is one.  Raises ``InputError`` when it is not there."""
    try:
        return stat.S_ISDIR(path.stat().st_mode)
    except FileNotFoundError as error:
        raise InputError(f"There is no folder or file {path}. Check the name.") from error
    except OSError as error:
        raise InputError(f"Cannot read {path}: {why(error)}.") from error


def _within(top: Path, closed: Callable[[Path], bool]) -> list[File]:
    found: list[File] = []
    inner = False
    for branch in tree(top, closed):
        if branch.reason and branch.path == top:
            raise InputError(f"Cannot read {top}: {branch.reason}.")
        if branch.reason:
            told = f"cannot be read: {branch.reason}"
            found.append(File(branch.path, f"{_called(branch.path, top)}/", told))
        inner = inner or bool(branch.folders)
        found += [File(path, _called(path, top)) for path in branch.files]
    if not found:
        what = "holds no files of its own, nor do the folders in it" if inner else "is empty"
        raise InputError(
            f"There is nothing to stack: {top} {what}. Give the folder that holds the raw files."
        )
    return found


def _called(path: Path, top: Path) -> str:
    return path.relative_to(top).as_posix()


def _inode(path: Path) -> Inode | None:
    """Disk and number on it; None where there is nothing."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
