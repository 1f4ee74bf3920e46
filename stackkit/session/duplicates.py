"""Which files are copies of others, whole or broken off, by their bytes."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Hashable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

_HEAD = 2**14
"""Bytes that distinguish nearly all files: a picture's time, thumbnail or first rows."""
_PIECE = 2**20
"""Bytes compared at a time."""

_Key = TypeVar("_Key", bound=Hashable)


def same_files(paths: Sequence[Path]) -> dict[Path, Path]:
    """For each file that is the same as one before it, by link or by content, that one.

    Only files of equal size are read, and only those whole whose starts and ends agree.  A file
    that cannot be read is nobody's copy.
    """
    status = {}
    for path in paths:
        with suppress(OSError):
            status[path] = path.stat()
    originals: dict[Path, Path] = {}
    for group in _grouped((path, (own.st_dev, own.st_ino)) for path, own in status.items()):
        originals |= dict.fromkeys(group[1:], group[0])
    single = [path for path in status if path not in originals]
    for alike in _grouped((path, status[path].st_size) for path in single):
        for likely in _grouped(_keyed(alike, _ends)):
            for group in _grouped(_keyed(likely, _digest)):
                originals |= dict.fromkeys(group[1:], group[0])
    return {path: _first(path, originals) for path in originals}


def broken_off(paths: Sequence[Path], whole: Sequence[Path]) -> dict[Path, Path]:
    """For each of ``paths`` whose bytes are the start of one longer file of ``whole``, that one.

    Of several such files the longest, if the others are starts of it as well: else nobody knows
    which one it is a copy of.
    """
    heads = {}
    for path in dict.fromkeys((*paths, *whole)):
        if path.is_file():  # a pipe would never end
            with suppress(OSError), path.open("rb") as file:
                heads[path] = file.read(_HEAD), os.fstat(file.fileno()).st_size
    by_head: dict[bytes, list[Path]] = {}
    for path in whole:
        if path in heads:
            by_head.setdefault(heads[path][0], []).append(path)
    found = {}
    for path in paths:
        head, size = heads.get(path, (b"", 0))
        if size >= _HEAD:
            likely = by_head.get(head, [])
        else:
            likely = [w for start, same in by_head.items() if start.startswith(head) for w in same]
        longer = [w for w in likely if size and heads[w][1] > size and _starts(w, path)]
        if longer:
            longest = max(longer, key=lambda w: heads[w][1])
            if all(w == longest or _starts(longest, w) for w in longer):
                found[path] = longest
    return found


def _grouped(keyed: Iterable[tuple[Path, _Key]]) -> list[list[Path]]:
    """The groups of two and more that have one key."""
    groups: dict[_Key, list[Path]] = {}
    for path, key in keyed:
        groups.setdefault(key, []).append(path)
    return [group for group in groups.values() if len(group) > 1]


def _keyed(paths: Sequence[Path], key: Callable[[Path], bytes]) -> Iterable[tuple[Path, bytes]]:
    for path in paths:
        with suppress(OSError):
            yield path, key(path)


def _first(path: Path, originals: dict[Path, Path]) -> Path:
    while path in originals:
        path = originals[path]
    return path


def _ends(path: Path) -> bytes:
    with path.open("rb") as file:
        start = file.read(_HEAD)
        file.seek(max(file.seek(0, os.SEEK_END) - _HEAD, 0))
        return hashlib.sha256(start + file.read(_HEAD)).digest()


def _digest(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def _starts(whole: Path, part: Path) -> bool:
    """Whether the bytes of ``part`` are the first ones of ``whole``."""
    try:
        with whole.open("rb") as a, part.open("rb") as b:
            while piece := b.read(_PIECE):
                if a.read(len(piece)) != piece:
                    return False
    except OSError:
        return False
    return True
