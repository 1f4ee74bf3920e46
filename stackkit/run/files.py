"""How results reach the disk: under a temporary name beside the target, then renamed."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stackkit.errors import OutputError, UsageError

try:
    import fcntl
except ImportError:  # not on every system
    fcntl = None  # type: ignore[assignment]

PREFIX = ".stackkit-"
"""Prefix of the names of our temporary files and folders."""
FILES = {
    "fits": "stack.fits",
    "tiff": "stack.tif",
    "preview": "preview.png",
    "jpeg": "preview.jpg",
    "pictures": "pictures.zip",
    "report": "report.html",
    "record": "run.json",
}
"""What a run writes, by kind.  The record comes last: when it is there, the run is complete."""
ON_REQUEST = {"dng": "stack.dng", "gradient": "gradient.fits"}
"""What it writes in addition on request."""
RESULTS = (*FILES.values(), *ON_REQUEST.values())
"""Names of all that a run may write."""
COMPARISON = ("compare.json", "compare.html", "crops")
"""What a comparison writes besides: its record, its page, its folder of crops."""
MOVING = f"{PREFIX}moving"
"""Lies in the folder while complete results are moved there: until then they are no results."""
_PASSING = f"{PREFIX}passing-"
_YOUNG = 60.0
"""Seconds after which a folder that no run holds is stale."""


def check_output(folder: Path, force: bool) -> bool:
    """Make ``folder`` ready for results; True when it was newly made.

    Raises ``UsageError`` when it holds results and ``force`` is not given, ``OutputError`` when it
    cannot be made or written to.
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file. Name a folder for the results with --out.")
    present = [name for name in RESULTS if (folder / name).exists()]
    if present and not force and not (folder / MOVING).exists():
        raise UsageError(
            f"{folder} already has results ({', '.join(present)}). "
            "Choose another --out, or give --force to replace them."
        )
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"Cannot make the folder {folder}: {reason(error)}") from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputError(
            f"Cannot write to {folder}: no permission to write there. Choose another --out."
        )
    return made


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

    Some disks report only here that they are full.
    """
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def reason(error: OSError) -> str:
    """What a failed write means and what to do, in plain words."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "the disk is full. Free some space, or name another place."
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "no permission to write there. Name another place."
    if error.errno == errno.EFBIG:
        return "the disk's format allows no file of that size. Name a place on another disk."
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return "the folder does not exist. Make it first, or name another place."
    if error.errno == errno.EISDIR:
        return "a folder has that name. Move it away, or name another place."
    return f"{error.strerror or error}."


_TRIES = 50
"""Times at most that a working folder is removed until it is gone."""


@contextmanager
def working_folder(place: Path | None) -> Iterator[Path]:
    """A hidden folder in ``place`` (None: the system's temporary one) that goes with the block.

    Such folders of runs that were killed are cleared away.  Raises ``OutputError`` when it cannot
    be made; errors of files in it name ``place``, which the user knows.
    """
    where = place or Path(tempfile.gettempdir())
    clear_stale(where, older=_YOUNG)
    try:
        folder = tempfile.TemporaryDirectory(prefix=_PASSING, dir=where, ignore_cleanup_errors=True)
    except OSError as error:
        raise OutputError(f"Cannot write to {where}: {reason(error)}") from error
    try:
        with folder as name, held(Path(name)):
            try:
                yield Path(name)
            except OutputError as error:
                raise OutputError(str(error).replace(name, str(where))) from error
    finally:
        # After an interruption a thread may have put one more file there meanwhile.
        for _ in range(_TRIES):
            if not Path(folder.name).exists():
                break
            shutil.rmtree(folder.name, ignore_errors=True)


def clear_stale(where: Path, older: float = 0.0) -> None:
    """Remove the working folders in ``where`` that no run holds any more, ``older`` (s) ones only:
    one that is just being made is not held yet.
    """
    now = time.time()
    for folder in where.glob(f"{_PASSING}*"):
        with suppress(OSError, OutputError):
            if now - folder.stat().st_mtime >= older:
                with held(folder):
                    shutil.rmtree(folder)


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Locks the folder while the block lasts; the system releases it when the process dies.

    Raises ``OutputError``, at once, when another run holds it.  Where the system or the disk has no
    such locks, nothing is locked.
    """
    if fcntl is None:
        yield
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError as error:
        raise OutputError(f"Cannot read {folder}: {reason(error)}") from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise OutputError(
                f"Another run is at work on {folder} at this moment. Wait until it is done, or "
                "choose another --out."
            ) from error
        except OSError:
            pass
        yield
    finally:
        os.close(handle)


def ascii_text(text: str) -> str:
    r"""``text`` in the characters FITS allows (4.0, section 4.2.1); others as in ``\u00e9``."""
    return "".join(
        c if " " <= c <= "~" else c.encode("unicode_escape").decode("ascii") for c in text
    )
