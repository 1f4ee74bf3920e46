"""What a raw file says of itself: time, exposure, camera, lens, orientation."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Metadata:
    """A missing figure is None, never a guess.

    ``time`` is aware, UTC, at the *middle* of the exposure; ``time_source`` says where it came
    from.  ``orientation`` is the EXIF/TIFF value 1-8.  ``noise`` is the file's own noise model
    (DNG NoiseProfile, scaled to ADU): variance = ``noise[0]`` · signal + ``noise[1]``.
    """

    camera: str | None = None
    time: datetime | None = None
    time_source: str | None = None
    exposure: float | None = None
    iso: int | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    orientation: int = 1
