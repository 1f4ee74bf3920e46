"""The brightness of the sky on a coarse mesh of one frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.robust import MAD_TO_SIGMA, medians_of_known

MESH = 64
"""Side of the mesh's boxes, px."""


@dataclass(frozen=True)
class Sky:
    """Sky on a mesh (3, ny, nx), ADU above black; box centres at ``MESH``·i + (MESH - 1)/2."""

    mesh: Plane

    @property
    def level(self) -> tuple[float, float, float]:
        """Median over the picture, R, G, B."""
        r, g, b = (float(np.nanmedian(self.mesh[c])) for c in range(3))
        return r, g, b


def where_seen(sky: Sky, other: Sky) -> Sky:
    """The sky in those boxes only in which another frame has one, too."""
    return Sky(np.where(np.isfinite(other.mesh), sky.mesh, np.float32(np.nan)))


def measure_sky(adu: Plane, pattern: NDArray[np.uint8]) -> Sky:
    """Clipped mean of each colour in boxes of ``MESH`` px; NaN where a box has too few samples."""
    height, width = adu.shape
    ny, nx = max(height // MESH, 1), max(width // MESH, 1)
    mesh = np.full((3, ny, nx), np.nan, dtype=np.float32)
    site = {(int(y), int(x)): int(pattern[y, x]) for y in (0, 1) for x in (0, 1)}
    for colour in range(3):
        parts = []
        for (dy, dx), c in site.items():
            if c == colour:
                # Every fourth sample is enough for a level, and four times as quick.
                plane = adu[dy::4, dx::4]
                half = MESH // 4
                rows, columns = min(half, plane.shape[0] // ny), min(half, plane.shape[1] // nx)
                cut = plane[: ny * rows, : nx * columns].reshape(ny, rows, nx, columns)
                parts.append(cut.transpose(0, 2, 1, 3).reshape(ny * nx, rows * columns))
        mesh[colour] = _clipped_mean(np.concatenate(parts, axis=1)).reshape(ny, nx)
    return Sky(mesh)


def _clipped_mean(rows: Plane) -> Plane:
    """Mean of each row within 2.5 σ of its median, NaN where most is missing."""
    enough = np.isfinite(rows).sum(axis=1) > rows.shape[1] // 4
    out = np.full(len(rows), np.nan, dtype=np.float32)
    if not enough.any():
        return out
    kept = rows[enough]
    middle = medians_of_known(kept)[:, None]
    away = np.abs(kept - middle)
    near = away <= 2.5 * (MAD_TO_SIGMA * medians_of_known(away)[:, None] + 0.5)
    out[enough] = np.where(near, kept, 0).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    return out
