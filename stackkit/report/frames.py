"""The session's frames as the page shows them: how each was used, in words and as a symbol."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from stackkit.report.document import data_uri
from stackkit.report.method_figures import number
from stackkit.schemas.frames import FrameRecord
from stackkit.schemas.run import RunRecord


class Fate(StrEnum):
    """How a frame was used."""

    FULL = "full weight"
    LESS = "reduced weight"
    OUT = "left out"


SIGNS = {Fate.FULL: "●", Fate.LESS: "○", Fate.OUT: "✕"}
"""Symbols, so that nothing depends on colour alone."""


@dataclass(frozen=True)
class FrameRow:
    """A light: its row in the record, its ``fate``, and its ``source`` as data: URI, None where
    there is no picture; ``share``: its weight relative to the greatest weight, 0 to 1.
    """

    row: FrameRecord
    fate: Fate
    share: float
    source: str | None

    @property
    def sign(self) -> str:
        """The symbol of its fate."""
        return SIGNS[self.fate]

    @property
    def reason(self) -> str:
        """Why it is left out or has reduced weight, without the weight itself."""
        reason: str = self.row["reason"]
        return reason.partition("; weight ")[0]

    @property
    def clock(self) -> str:
        """Time of day, UTC, at mid-exposure; empty where it is unknown."""
        time = moment(self.row["time"])
        return f"{time:%H:%M:%S}" if time else ""


def frames_of(record: RunRecord, pictures: Mapping[str, bytes]) -> list[FrameRow]:
    """The lights of a record in its order, with their thumbnails."""
    lights = [row for row in record["frames"] if row["role"] == "light"]
    heaviest = max((number(row["weight"]) or 0.0 for row in lights), default=0.0)
    return [
        FrameRow(
            row,
            fate(row),
            (number(row["weight"]) or 0.0) / heaviest if heaviest > 0 else 0.0,
            _source(pictures.get(row["picture"] or "")),
        )
        for row in lights
    ]


def _source(data: bytes | None) -> str | None:
    return data_uri(data, "webp") if data else None


def fate(row: FrameRecord) -> Fate:
    """How a light was used."""
    if not row["used"]:
        return Fate.OUT
    return Fate.LESS if row["cause"] else Fate.FULL


def moment(text: str | None) -> datetime | None:
    """A time of the record; None where it is missing or invalid."""
    try:
        return datetime.fromisoformat(text) if text else None
    except ValueError:
        return None


def minutes(frames: Sequence[FrameRow]) -> list[float] | None:
    """Minutes since the first frame; None unless every frame has its time, and they differ."""
    times = [time for frame in frames if (time := moment(frame.row["time"])) is not None]
    if len(times) < len(frames) or not times or max(times) == min(times):
        return None
    return [(time - min(times)).total_seconds() / 60 for time in times]
