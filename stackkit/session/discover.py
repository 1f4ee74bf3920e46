"""Which files lie in the folders given, at any depth, and what each is called.

Hidden ones and the results of earlier runs are skipped.  Only files named like such results are
opened.
"""

from __future__ import annotations

import stat
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from stackkit.errors import InputError, why
from stackkit.run.walk import inode, tree


@dataclass(frozen=True)
class File:
    """``name``: what it is called where names are shown, its path within the folder given;
    ``reason``: why nothing can be known of it (a folder that cannot be read), else empty.
    """

    path: Path
    name: str
    reason: str = ""


def files_in(
    paths: Sequence[Path], closed: Callable[[Path], bool], besides: Sequence[Path] = ()
) -> list[File]:
    """The files that ``paths`` are, or that lie in them.

    Folders within for which ``closed`` is true and the files and folders ``besides`` are passed
    over.  A folder within that cannot be read is in the list, with the reason.  Raises
    ``InputError`` for a path that cannot be read, or a folder without files.
    """
    apart = {inode(path) for path in besides} - {None}

    def shut(folder: Path) -> bool:
        return closed(folder) or inode(folder) in apart

    found: list[File] = []
    several = sum(path.is_dir() for path in paths) > 1
    for path in paths:
        own = [
            file
            for file in (_within(path, shut) if _is_folder(path) else [File(path, path.name)])
            if not apart or inode(file.path) not in apart
        ]
        before = f"{path.name}/" if several and path.is_dir() else ""
        found += [File(file.path, before + file.name, file.reason) for file in own]
    often = Counter(file.name for file in found)
    return [
        file if often[file.name] == 1 else File(file.path, str(file.path), file.reason)
        for file in found
    ]


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
            reason = f"cannot be read: {branch.reason}"
            found.append(File(branch.path, f"{_called(branch.path, top)}/", reason))
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
