"""How inner loops are compiled, and where the compiled code is kept: one place for both."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numba

FAST = {"contract", "reassoc", "nsz", "arcp"}
"""Liberties with the order of additions, not with NaN; ``isfinite`` takes x from x, which additions
in another order make 0: ask ``isnan``."""
_VARIABLE = "NUMBA_CACHE_DIR"


def cache_folder(environment: Mapping[str, str] = os.environ) -> str | None:
    """The folder for compiled code, None where the compiler finds a place by itself.

    It writes beside the sources or into the user's cache.  Where neither can be written it would
    give up; then a folder of our own in the system's temporary place serves.
    """
    own = Path(__file__).parent / "__pycache__"
    if _VARIABLE in environment or _writable(own) or _writable(Path("~/.cache").expanduser()):
        return None
    with suppress(OSError):
        place = Path(tempfile.gettempdir()) / f"stackkit-compiled-{_user()}"
        place.mkdir(mode=0o700, exist_ok=True)
        # Compiled code is run: a folder that somebody else made there is not used.
        status = place.lstat()
        foreign = place.is_symlink() or status.st_uid != _user() or status.st_mode & 0o022
        return tempfile.mkdtemp(prefix="stackkit-") if foreign else str(place)
    return None


def _writable(place: Path) -> bool:
    """Whether it is there and may be written, or may be made."""
    while not place.exists() and place != place.parent:
        place = place.parent
    return os.access(place, os.W_OK | os.X_OK)


def _user() -> int:
    return os.getuid() if hasattr(os, "getuid") else 0


if _folder := cache_folder():
    numba.config.CACHE_DIR = _folder


def is_compiled(function: Any) -> bool:
    """Whether the code of a loop lies in the cache already, for some kind of arguments."""
    with suppress(AttributeError, OSError):  # numba's own affair: if it changes, nothing is told
        return bool(function._cache._cache_file._load_index())
    return True


def jit(function: Any = None, **options: Any) -> Any:
    """Compile a loop on its first call and keep the code for the next run.

    The interpreter's lock is released, so that threads work side by side; division by zero gives
    infinity or NaN, as in numpy.  ``options`` as ``numba.njit`` has them.
    """
    options = {"cache": True, "nogil": True, "error_model": "numpy", **options}
    return numba.njit(**options) if function is None else numba.njit(**options)(function)
