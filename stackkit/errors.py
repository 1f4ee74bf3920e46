"""The faults a person can meet, each with a sentence that says what to do."""

from __future__ import annotations

import errno
from pathlib import Path


class StackkitError(Exception):
    """Something about the data or the disk that ends the run; the text is for the person."""


class InputError(StackkitError):
    """The frames cannot be found, read or used."""


class OutputError(StackkitError):
    """A result cannot be written."""


class UsageError(StackkitError):
    """The command was asked for something it cannot do as asked."""


class RawFileError(InputError):
    """A file that cannot serve as a frame; ``reason`` says why in a few words, for lists."""

    def __init__(self, path: Path, reason: str, advice: str = "") -> None:
        super().__init__(f"{path}: {reason}. {advice}".rstrip())
        self.reason = reason
        self._told = (path, reason, advice)

    def __reduce__(self) -> tuple[type[RawFileError], tuple[Path, str, str]]:
        return type(self), self._told  # it comes from another process (readers.py)


def why(error: OSError) -> str:
    """Why reading failed, in plain words."""
    words = {
        errno.EACCES: "permission denied",
        errno.EPERM: "permission denied",
        errno.ENOENT: "it does not exist",
        errno.ELOOP: "the link leads back to itself",
        errno.EIO: "the disk or card reports a fault",
    }
    return words.get(error.errno or 0, error.strerror or str(error))
