"""Sessions as far as headers tell, for tests that need no stars."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stackkit.session.grouping import Session, chosen, listed


def scan(paths: Sequence[Path], **options: Any) -> Session:
    """The session in ``paths`` that holds most samples."""
    return chosen(listed(paths, **options))
