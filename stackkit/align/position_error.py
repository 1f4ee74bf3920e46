"""How uncertain a mapping is at a place of the picture, from the solution's covariance."""

from __future__ import annotations

import numpy as np

from stackkit.align.bundle import PER_FRAME, Geometry
from stackkit.arrays import Array
from stackkit.geometry.jacobians import COUNT, pixel_jacobians, tangents
from stackkit.geometry.lens import unproject


def placing_error(geometry: Geometry, frame: int, reference: int, xy: Array) -> Array:
    """Standard deviation, px, of where the mapping puts reference pixels (N, 2) in a frame (N,).

    First-order propagation: a lens error moves both the star's direction and its pixel.
    """
    here = unproject(geometry.lenses[reference], xy)
    there = here @ geometry.rotations[frame].T
    shared, lenses = geometry.lens, geometry.lenses
    tilts = tangents(np.array(shared.zenith)[None])[0]
    by_lens, by_ray = pixel_jacobians(lenses[reference], shared.f, tilts, here)
    across = tangents(here)
    moved = -across @ np.linalg.solve(by_ray @ across, by_lens)
    by_lens_there, by_ray_there = pixel_jacobians(lenses[frame], shared.f, tilts, there)
    through = by_lens_there + by_ray_there @ geometry.rotations[frame] @ moved
    cross = np.cross(np.eye(3)[None], there[:, None, :]).transpose(0, 2, 1)
    by_turn = np.concatenate([by_ray_there @ cross, by_lens_there[:, :, :1]], axis=2)
    by = np.concatenate([through, by_turn], axis=2)
    at = np.r_[0:COUNT, COUNT + PER_FRAME * frame : COUNT + PER_FRAME * (frame + 1)]
    covariance = geometry.covariance[np.ix_(at, at)]
    return np.asarray(np.sqrt(np.einsum("nap,pq,naq->n", by, covariance, by)))
