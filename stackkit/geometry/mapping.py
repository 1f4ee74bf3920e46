"""Mappings between the reference grid and a frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from stackkit.arrays import Array
from stackkit.geometry.lens import Lens, project, unproject


class AnyMapping(Protocol):
    """Where a place of the reference grid lies in a frame, and back; pixels (…, 2) as x, y."""

    def from_reference(self, xy: Any, /) -> Array:
        """Frame pixels of reference pixels."""
        ...

    def to_reference(self, xy: Any, /) -> Array:
        """Reference pixels of frame pixels."""
        ...


@dataclass(frozen=True)
class Mapping:
    """Where a place of the reference grid lies in a frame, and back.

    Pixel → direction through ``reference``; direction in the frame's axes = ``matrix`` ·
    direction; → pixel through ``frame``.  With two distortion-free lenses and a general matrix it
    is a homography, so that the plane transforms are the same object.
    """

    reference: Lens
    frame: Lens
    matrix: Array

    def from_reference(self, xy: Any) -> Array:
        """Frame pixels (…, 2) of reference pixels (…, 2)."""
        return project(self.frame, unproject(self.reference, xy) @ self.matrix.T)

    def to_reference(self, xy: Any) -> Array:
        """Reference pixels (…, 2) of frame pixels (…, 2)."""
        inverse = np.linalg.inv(self.matrix)
        return project(self.reference, unproject(self.frame, xy) @ inverse.T)


def plane_mapping(matrix: Any) -> Mapping:
    """A mapping from a homography (3, 3) that takes reference pixels to frame pixels."""
    plane = Lens(1.0, 0.0, 0.0)
    return Mapping(plane, plane, np.asarray(matrix, dtype=np.float64))
