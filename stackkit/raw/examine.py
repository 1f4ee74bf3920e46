"""A file's kind and its metadata, in one visit."""

from __future__ import annotations

from pathlib import Path

from stackkit.raw.headers.kinds import FileKind, Form, kind
from stackkit.raw.headers.metadata import Metadata, read_metadata


def examine(path: Path) -> tuple[FileKind, Metadata]:
    """The file's kind and its metadata, which are empty if it is no picture."""
    found = kind(path)
    return found, Metadata() if found.form is Form.NONE else read_metadata(path)
