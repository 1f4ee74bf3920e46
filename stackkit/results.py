"""The picture that integration makes, and the result of a run that is written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from astropy.io.fits import HDUList

    from stackkit.picture.colour.develop import CameraWhite
    from stackkit.picture.thumbnails import FramePictures
    from stackkit.schemas.run import RunRecord


@dataclass(frozen=True)
class Stack:
    """One linear picture, its variance, and how many frames stand behind every pixel.

    ``value`` and ``variance``: (3, H, W) float32, camera-native R, G, B in ADU above black of one
    reference frame and in ADU², in the reference frame's sensor orientation, NaN where no frame
    reaches.  ``coverage``: (H, W) int16, frames that count at the pixel.
    """

    value: NDArray[np.float32]
    variance: NDArray[np.float32]
    coverage: NDArray[np.int16]

    def to_fits(self) -> HDUList:
        """An astropy HDUList: the value (ADU), VARIANCE (ADU²) and COVERAGE (frames)."""
        from astropy.io import fits  # loaded for those who ask

        value, variance = fits.PrimaryHDU(self.value), fits.ImageHDU(self.variance, name="VARIANCE")
        value.header["BUNIT"], variance.header["BUNIT"] = "adu", "adu2"
        return fits.HDUList([value, variance, fits.ImageHDU(self.coverage, name="COVERAGE")])


@dataclass(frozen=True)
class Result:
    """The picture, the account of the run, pictures of its frames, what the writers need of the
    camera (``white``: ADU at which it clips), and the seconds that each step took.
    """

    stack: Stack
    record: RunRecord
    pictures: FramePictures
    known: CameraWhite
    orientation: int
    white: float
    seconds: dict[str, float] = field(default_factory=dict)
