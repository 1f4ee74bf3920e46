"""Stars followed through the session: which detection in which frame is the same star.

With the geometry known, every detection has a direction in the reference's axes; those that agree
are one star.  Stars need not be in the reference frame, and one that a match had missed is found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stackkit.align.bundle import Geometry, Observations
from stackkit.align.normal_equations import summed
from stackkit.arrays import Array, Index
from stackkit.geometry.lens import project, unproject
from stackkit.stars.detect import Stars

_LEAST_SEEN = 3
"""Frames in which a star must be seen to count (two where there are only a few frames)."""
_CELLS = 12
"""Parts of the picture's longer side over which stars are spread evenly when not all are taken."""
_LEAST_IN_CELL = 8
"""Observations at which a cell's median shows the lens rather than noise."""


@dataclass(frozen=True)
class Tracks:
    """Observations sorted by frame, and which row of its frame's table each is (M,)."""

    seen: Observations
    detection: Index

    def of(self, frame: int) -> tuple[Index, Index]:
        """Star numbers and rows of the table that frame shows."""
        here = self.seen.frame == frame
        return self.seen.star[here], self.detection[here]


def gathered(
    tables: Sequence[Stars], rows: Sequence[tuple[Index, Index]], frames: Sequence[int]
) -> Tracks:
    """Tracks from (star numbers, rows of the table) of each of these frames."""
    frames = sorted(frames)
    frame = np.concatenate([np.full(len(rows[k][0]), k, np.int64) for k in frames])
    detection = np.concatenate([rows[k][1] for k in frames])
    xy = np.concatenate([tables[k].xy[rows[k][1]] for k in frames])
    sigma = np.concatenate([tables[k].sigma_xy[rows[k][1]] for k in frames])
    star = np.unique(np.concatenate([rows[k][0] for k in frames]), return_inverse=True)[1]
    return Tracks(Observations(frame, star.astype(np.int64), xy, sigma), detection)


def follow(
    tables: Sequence[Stars],
    kept: Sequence[Index],
    geometry: Geometry,
    placed: Sequence[int],
    reference: int,
    reach: float,
) -> Tracks:
    """Every star that at least a few of the ``placed`` frames show within ``reach`` px.

    ``kept`` are the rows of each table that may be stars.
    """
    catalogue = np.zeros((0, 3))
    numbers: dict[int, Index] = {}
    for k in sorted(placed, key=lambda k: (abs(k - reference), k)):
        rays = unproject(geometry.lenses[k], tables[k].xy[kept[k]]) @ geometry.rotations[k]
        number = _nearest(catalogue, rays, reach / geometry.lens.f)
        new = (number < 0) & np.isfinite(rays[:, 0])
        number[new] = len(catalogue) + np.arange(new.sum())
        catalogue = np.concatenate([catalogue, rays[new]])
        numbers[k] = number
    times = np.zeros(len(catalogue), np.int64)
    for number in numbers.values():
        times[number[number >= 0]] += 1
    often = times >= min(_LEAST_SEEN, len(placed))
    rows = [(np.zeros(0, np.int64), np.zeros(0, np.int64))] * len(tables)
    for k, number in numbers.items():
        good = (number >= 0) & often[number]
        rows[k] = number[good], kept[k][good]
    return gathered(tables, rows, list(placed))


def _nearest(catalogue: Array, rays: Array, reach: float) -> Index:
    """The catalogue's star of each ray (N,), -1 where there is none; each star once."""
    number = np.full(len(rays), -1, np.int64)
    if len(catalogue) == 0 or len(rays) == 0:
        return number
    rays = np.where(np.isfinite(rays), rays, 9.0)  # outside a fisheye's circle: far from all
    distance, near = cKDTree(catalogue).query(rays, distance_upper_bound=reach)
    order = np.argsort(distance, kind="stable")
    order = order[np.isfinite(distance[order])]
    _, first = np.unique(near[order], return_index=True)
    number[order[first]] = near[order[first]]
    return number


def spread(seen: Observations, most: int, size: tuple[int, int]) -> Observations:
    """At most ``most`` stars, evenly over the picture, those that most frames show first."""
    count = int(seen.star.max()) + 1
    if count <= most:
        return seen
    times = np.bincount(seen.star, minlength=count)
    place = summed(seen.star, seen.xy, count) / times[:, None]
    cell = np.clip(place / max(size) * _CELLS, 0, _CELLS).astype(np.int64)
    cell_number = cell[:, 0] * (_CELLS + 1) + cell[:, 1]
    # Rank within the cell, the longest tracks first; then take rank by rank.
    order = np.lexsort((np.arange(count), -times, cell_number))
    starts = np.searchsorted(cell_number[order], cell_number[order])
    rank = np.empty(count, np.int64)
    rank[order] = np.arange(count) - starts
    chosen = np.zeros(count, dtype=bool)
    chosen[np.lexsort((np.arange(count), -times, rank))[:most]] = True
    return only(seen, chosen[seen.star])


def only(seen: Observations, which: NDArray[np.bool_]) -> Observations:
    """The observations chosen, their stars numbered anew."""
    star = np.unique(seen.star[which], return_inverse=True)[1].astype(np.int64)
    return Observations(seen.frame[which], star, seen.xy[which], seen.sigma[which])


def residuals(tracks: Tracks, geometry: Geometry) -> Array:
    """Distance, px, of each observation from where the geometry puts its star (M,)."""
    return np.asarray(np.hypot(*offsets(tracks, geometry).T))


def offsets(tracks: Tracks, geometry: Geometry) -> Array:
    """From where the geometry puts its star to each observation: dx, dy (M, 2), px."""
    seen = tracks.seen
    if len(seen.star) == 0:
        return np.zeros((0, 2))
    count = int(seen.star.max()) + 1
    rays = np.empty((len(seen.star), 3))
    for k in np.unique(seen.frame):
        here = seen.frame == k
        rays[here] = unproject(geometry.lenses[k], seen.xy[here]) @ geometry.rotations[k]
    weight = 1 / seen.sigma**2
    mean = summed(seen.star, rays * weight[:, None], count)
    mean /= np.linalg.norm(mean, axis=1, keepdims=True)
    out = np.empty((len(seen.star), 2))
    for k in np.unique(seen.frame):
        here = seen.frame == k
        there = project(geometry.lenses[k], mean[seen.star[here]] @ geometry.rotations[k].T)
        out[here] = seen.xy[here] - there
    return out


def field_of(xy: Array, away: Array, size: tuple[int, int]) -> Array:
    """Medians of vectors ``away`` (M, 2) by where in the picture they are: (rows, columns, 2), px.

    Cells are about square, twelve along the longer side; NaN where there are fewer than
    ``_LEAST_IN_CELL``.
    """
    columns, rows = (max(round(_CELLS * side / max(size)), 1) for side in size)
    found = np.full((rows, columns, 2), np.nan)
    if len(xy) == 0:
        return found
    i, j = (
        np.clip(((xy[:, axis] + 0.5) / size[axis] * many).astype(np.int64), 0, many - 1)
        for axis, many in ((0, columns), (1, rows))
    )
    order = np.argsort(j * columns + i, kind="stable")
    cells, starts = np.unique((j * columns + i)[order], return_index=True)
    for cell, own in zip(cells, np.split(order, starts[1:]), strict=True):
        if len(own) >= _LEAST_IN_CELL:
            found[cell // columns, cell % columns] = np.median(away[own], axis=0)
    return found
