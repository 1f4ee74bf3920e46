"""Where compiled loops are kept if neither the package nor the user's own place can be written."""

from __future__ import annotations

import os
import tempfile
from collections.abc import MutableMapping
from contextlib import suppress
from pathlib import Path

_VARIABLE = "NUMBA_CACHE_DIR"


def keep_compiled(environment: MutableMapping[str, str] = os.environ) -> None:
    """Names a folder in the system's temporary place, only our own, if there is no better one.

    To be called before the first compiled room is loaded: the compiler gives up without a place.
    """
    own = Path(__file__).parents[1] / "__pycache__"
    if _VARIABLE in environment or _writable(own) or _writable(Path("~/.cache").expanduser()):
        return
    with suppress(OSError):
        place = Path(tempfile.gettempdir()) / f"stackkit-compiled-{_user()}"
        place.mkdir(mode=0o700, exist_ok=True)
        # What is compiled is run: a folder that somebody else made there is not used.
        status = place.lstat()
        foreign = place.is_symlink() or status.st_uid != _user() or status.st_mode & 0o022
        environment[_VARIABLE] = tempfile.mkdtemp(prefix="stackkit-") if foreign else str(place)


def _writable(place: Path) -> bool:
    """Whether it is there and may be written, or may be made."""
    while not place.exists() and place != place.parent:
        place = place.parent
    return os.access(place, os.W_OK | os.X_OK)


def _user() -> int:
    return os.getuid() if hasattr(os, "getuid") else 0
