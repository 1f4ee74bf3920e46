"""Which files make the session, what role each has, and in what order."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from stackkit.raw.metadata import Metadata


class Role(StrEnum):
    """What a file is in the session."""

    LIGHT = "light"
    OTHER = "other"


@dataclass(frozen=True)
class Frame:
    """One file of the folder.  ``reason`` says why a file that is no light is left out."""

    path: Path
    role: Role
    metadata: Metadata
    reason: str = ""
    size: tuple[int, int] | None = None


@dataclass(frozen=True)
class Session:
    """The files in time order (file order where times are missing)."""

    frames: tuple[Frame, ...]

    @property
    def lights(self) -> tuple[Frame, ...]:
        """The frames that can be stacked, in order."""
        return tuple(frame for frame in self.frames if frame.role is Role.LIGHT)
