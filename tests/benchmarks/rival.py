"""A pipeline as a practised person writes it by hand: rawpy, OpenCV, sep, NumPy.

Median-rule hot pixels, bilinear demosaicing, one homography a frame, Lanczos warp, 3 σ clip.
Everything stays in memory.  The plain form skips the rule and aligns to the first frame: the
clip alone has to remove hot pixels, and a homography's errors no longer cancel between the
frames before the reference and those after it.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import sep
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stackkit.arrays import Array
from stackkit.simulate import Night

from . import mosaic
from .figures import Result
from .mosaic import Mask, Picture

_HOT_SIGMA = 8.0
_ALONE = 2.0
_NEIGHBOURS = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], dtype=np.uint8)
_CLIP_SIGMA = 3.0
_CLIP_ROUNDS = 3
_DETECT_SIGMA = 5.0
_STARS = 800
_ROWS = 64


def _over_rows(height: int, work: object) -> list[NDArray[np.float32]]:
    """``work(slice)`` over strips of rows, in threads (NumPy lets go of the GIL)."""
    strips = [slice(top, min(top + _ROWS, height)) for top in range(0, height, _ROWS)]
    with ThreadPoolExecutor() as pool:
        return list(pool.map(work, strips))  # type: ignore[arg-type]


def hot_pixels(mosaics: Picture) -> Mask:
    """Sites (H, W) that stand out of their own colour's 3×3 in the median of the frames.

    The stars move from frame to frame and leave the median; hot pixels stay.  When frames are
    few, bright stars leave a ridge along their way: a hot pixel must stand alone.
    """
    height = mosaics.shape[1]
    middle = np.concatenate(_over_rows(height, lambda rows: np.median(mosaics[:, rows], axis=0)))
    hot = np.zeros(middle.shape, bool)
    for row in range(2):
        for col in range(2):
            plane = np.ascontiguousarray(middle[row::2, col::2], dtype=np.float32)
            above = plane - cv2.medianBlur(plane, 3)
            sigma = 1.4826 * np.median(np.abs(above - np.median(above)))
            beside = cv2.dilate(above, _NEIGHBOURS)
            hot[row::2, col::2] = (above > _HOT_SIGMA * sigma) & (above > _ALONE * beside)
    return hot


def _repaired(data: Picture, hot: Mask) -> Picture:
    """Hot samples replaced by the median of their colour's neighbours."""
    data = data.copy()
    for row in range(2):
        for col in range(2):
            plane = np.ascontiguousarray(data[row::2, col::2])
            bad = hot[row::2, col::2]
            data[row::2, col::2][bad] = cv2.medianBlur(plane, 3)[bad]
    return data


def detect(green: Picture) -> Array:
    """Star places (N, 2), brightest first."""
    background = sep.Background(green)
    found = sep.extract(green - background.back(), _DETECT_SIGMA, err=background.globalrms)
    order = np.argsort(found["flux"])[::-1][:_STARS]
    return np.stack([found["x"], found["y"]], axis=1)[order]


def _pairs(stars: Array, reference: Array, guess: Array, reach: float) -> tuple[Array, Array]:
    """Reference stars and the frame's stars nearest to where ``guess`` puts them."""
    expected = cv2.perspectiveTransform(reference[None], guess)[0]
    distance, index = cKDTree(stars).query(expected, distance_upper_bound=reach)
    good = np.isfinite(distance)
    return reference[good], stars[index[good]]


def homography(stars: Array, reference: Array, guess: Array) -> Array:
    """Takes reference pixels to frame pixels: a similarity to catch on, then the full plane."""
    a, b = _pairs(stars[:200], reference[:200], guess, reach=12.0)
    similarity, _ = cv2.estimateAffinePartial2D(
        cv2.perspectiveTransform(a[None], guess)[0], b, method=cv2.RANSAC, ransacReprojThreshold=2.0
    )
    better = np.vstack([similarity, [0, 0, 1]]) @ guess
    a, b = _pairs(stars, reference, better, reach=3.0)
    matrix, _ = cv2.findHomography(a, b, cv2.RANSAC, 1.0)
    return np.asarray(matrix, dtype=np.float64)


def align(stars: list[Array], reference: int) -> list[Array]:
    """A homography a frame, going outwards from the reference so that each guess is near."""
    matrices = [np.eye(3)] * len(stars)
    for step in (-1, 1):
        k = reference + step
        while 0 <= k < len(stars):
            matrices[k] = homography(stars[k], stars[reference], matrices[k - step])
            k += step
    return matrices


def warp(planes: Picture, matrix: Array) -> Picture:
    """The picture (3, H, W) on the reference's grid, NaN outside."""
    height, width = planes.shape[1:]
    warped = cv2.warpPerspective(
        cv2.merge(list(planes)),
        matrix,
        (width, height),
        flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
        borderValue=(np.nan,) * 3,
    )
    return np.asarray(np.moveaxis(np.asarray(warped), -1, 0), dtype=np.float32)


def clipped_mean(cube: Picture) -> Picture:
    """Mean over the first axis after kappa-sigma clipping about the median; NaN does not count.

    Sorted once, what the clip leaves is one stretch of the sorted samples, its median in the
    middle of it.
    """
    samples = np.ascontiguousarray(np.moveaxis(cube, 0, -1))
    samples.sort(axis=-1)
    kept = np.isfinite(samples)
    samples[~kept] = 0
    for _ in range(_CLIP_ROUNDS):
        n, first = kept.sum(axis=-1, keepdims=True), kept.argmax(axis=-1)[..., None]
        low, high = first + np.maximum(n - 1, 0) // 2, np.minimum(first + n // 2, len(cube) - 1)
        centre = np.take_along_axis(samples, low, -1) + np.take_along_axis(samples, high, -1)
        away = samples - centre / 2
        mean = np.sum(away, axis=-1, where=kept, keepdims=True) / np.maximum(n, 1)
        power = np.sum(away * away, axis=-1, where=kept, keepdims=True) / np.maximum(n, 1)
        kept &= away * away <= _CLIP_SIGMA**2 * (power - mean * mean) + 1e-6
    n = kept.sum(axis=-1)
    total = np.sum(samples, axis=-1, where=kept)
    return np.where(n > 0, total / np.maximum(n, 1), np.nan).astype(np.float32)


def stack(folder: Path, night: Night, *, plain: bool = False) -> Result:  # noqa: ARG001
    """From the files to the stack in memory; the night itself is not looked at."""
    started = time.perf_counter()
    paths = sorted(folder.glob("*.dng"))
    reference = 0 if plain else len(paths) // 2
    with ThreadPoolExecutor() as pool:
        read = list(pool.map(mosaic.read, paths))
        site = read[0][1]
        mosaics = np.stack([data for data, _ in read])
        del read
        hot = np.zeros(site.shape, bool) if plain else hot_pixels(mosaics)
        pictures = list(pool.map(lambda m: mosaic.demosaic(_repaired(m, hot), site), mosaics))
        del mosaics
        matrices = align(list(pool.map(lambda p: detect(p[1]), pictures)), reference)
        cube = np.empty((len(paths), *pictures[0].shape), dtype=np.float32)

        def place(k: int) -> None:
            cube[k] = warp(pictures[k], matrices[k])

        list(pool.map(place, range(len(paths))))
    value = np.concatenate(
        _over_rows(cube.shape[2], lambda rows: clipped_mean(cube[:, :, rows])), axis=1
    )
    return Result(value, reference, time.perf_counter() - started)
