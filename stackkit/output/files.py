"""How results reach the disk: under a temporary name beside the target, then renamed."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
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
        os.replace(temporary, target)
    except OSError as error:
        raise OutputError(f"Cannot write {target}: {reason(error)}") from error
    finally:
        temporary.unlink(missing_ok=True)


def reason(error: OSError) -> str:
    """What a failed write means and what to do, in plain words."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "the disk is full. Free some space or choose another --out."
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "no permission to write there. Choose another --out."
    return f"{error.strerror or error}."
