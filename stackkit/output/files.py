"""How results reach the disk: under a temporary name beside the target, then renamed."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stackkit.errors import OutputError


@contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """Yields a temporary path beside ``target`` and renames it onto it when all went well.

    Whatever ends the block early, the temporary file is removed and ``target`` is as it was.
    Raises ``OutputError`` with the reason when the disk refuses.
    """
    temporary = target.with_name(f".{target.name}.part-{os.getpid()}{target.suffix}")
    try:
        yield temporary
        _settle(temporary)
        os.replace(temporary, target)
    except OSError as error:
        raise OutputError(f"Cannot write {target}: {reason(error)}") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _settle(path: Path) -> None:
    """Waits until the bytes are on the disk: a file renamed before that can be empty afterwards.

    It is also where some disks first say that they are full.
    """
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def reason(error: OSError) -> str:
    """What a failed write means and what to do, in plain words."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "the disk is full. Free some space or choose another --out."
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "no permission to write there. Choose another --out."
    if error.errno == errno.EFBIG:
        return "the disk's format allows no file of that size. Choose an --out on another disk."
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return "the folder does not exist. Make it first or choose another --out."
    if error.errno == errno.EISDIR:
        return "a folder has that name. Move it away or choose another --out."
    return f"{error.strerror or error}."


@contextmanager
def working_folder(place: Path | None) -> Iterator[Path]:
    """A hidden folder in ``place`` (None: the system's temporary one) that goes with the block.

    Raises ``OutputError`` when it cannot be made; what a writer says of a file in it is said of
    ``place``, which the person knows.
    """
    where = place or Path(tempfile.gettempdir())
    try:
        folder = tempfile.TemporaryDirectory(prefix=".stackkit-", dir=where)
    except OSError as error:
        raise OutputError(f"Cannot write to {where}: {reason(error)}") from error
    with folder as name:
        try:
            yield Path(name)
        except OutputError as error:
            raise OutputError(str(error).replace(name, str(where))) from error
