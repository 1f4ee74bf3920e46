"""Stars on a mosaic: found on the summed Bayer cells, measured on the raw samples themselves.

Detection runs on cells of 2×2 samples, where colour does not matter (``peaks``).  Each star is then
fitted on the single samples around it: one Gaussian place and width for all colours, an amplitude
and a sky level per colour, weighted by the noise.  Centroids are measured without any demosaicing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from stackkit.arrays import Plane
from stackkit.calibration.apply import EVEN, RELIEF_STEP
from stackkit.jit import FAST, jit
from stackkit.noise.photon_transfer import Noise
from stackkit.stars.cells import cells, empty_cells
from stackkit.stars.peaks import peaks

if TYPE_CHECKING:
    from astropy.table import Table

Column = NDArray[np.float64]

SIGMA_TO_FWHM = 2.3548
"""Full width at half maximum of a Gaussian in standard deviations."""
MOST_STARS = 1000
"""The brightest ones kept per frame."""
_RADIUS = 5
"""Half the side of the window a star is fitted in, px."""


@dataclass(frozen=True)
class Stars:
    """Columns (N,), brightest first.

    ``x, y`` pixels; ``sigma_xy`` the centroid's standard deviation, px; ``flux`` ADU summed over
    the three colours; ``fwhm`` px; ``elongation`` 0 (round) to 1; ``saturated`` flags; ``angle`` of
    the long axis, radians from x towards y.
    """

    x: Column
    y: Column
    sigma_xy: Column
    flux: Column
    fwhm: Column
    elongation: Column
    saturated: NDArray[np.bool_]
    angle: Column

    def __len__(self) -> int:
        return len(self.x)

    @property
    def xy(self) -> Column:
        """Positions (N, 2)."""
        return np.stack([self.x, self.y], axis=1)

    def to_table(self) -> Table:
        """An astropy Table of the columns, with units; a row for each star."""
        from astropy.table import Table  # half a second, which detection need not wait for

        units = {"x": "pix", "y": "pix", "sigma_xy": "pix", "flux": "adu", "fwhm": "pix"}
        columns = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return Table(columns, units={**units, "angle": "rad"})


def select(stars: Stars, which: NDArray[np.bool_] | NDArray[np.int64]) -> Stars:
    """The stars at these places of the columns."""
    return Stars(*(getattr(stars, name)[which] for name in Stars.__dataclass_fields__))


def _beside(stars: Stars, empty: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which stars (N,) lie in an empty cell or beside one."""
    if not empty.any():
        return np.zeros(len(stars), dtype=bool)
    near = binary_dilation(empty, np.ones((3, 3)))
    cell = np.rint((stars.xy[:, ::-1] - 0.5) / 2).astype(np.int64)
    row, column = np.clip(cell, 0, np.array(empty.shape) - 1).T
    return np.asarray(near[row, column])


def detect(
    adu: Plane,
    pattern: NDArray[np.uint8],
    noise: Noise,
    clip: float,
    relief: Plane = EVEN,
) -> Stars:
    """Stars of one calibrated mosaic.

    ``adu`` (H, W) ADU above black, NaN where missing; ``clip`` the ADU at which samples saturate;
    ``relief`` by what samples, noise and saturation were multiplied
    (``calibration.apply.Calibrated``). Returns an empty table, never an error, when there is
    nothing to see.
    """
    empty = empty_cells(adu)
    found = peaks(cells(adu), empty, 3 * MOST_STARS // 2)
    if len(found) == 0:
        return select(_table(np.zeros((0, 8))), np.zeros(0, dtype=bool))
    rows = np.full((len(found), 8), np.nan)
    _fit_all(adu, pattern, found, _gains(relief, found), noise.slope, noise.floor, clip, rows)
    stars = _table(rows[np.isfinite(rows).all(axis=1)])
    height, width = adu.shape
    good = (
        (stars.flux > 0)
        & (stars.sigma_xy < 0.5)
        & (stars.x > 1)
        & (stars.x < width - 2)
        & (stars.y > 1)
        & (stars.y < height - 2)
        & ~_beside(stars, empty)
    )
    stars = select(stars, good)
    return _without_doubles(select(stars, np.argsort(-stars.flux, kind="stable")))


def _gains(relief: Plane, places: Column) -> Column:
    """Green's gain (N,) at places (N, 2) as x, y."""
    x, y = (places / RELIEF_STEP).astype(np.int64).T
    rows, columns = relief.shape[1:]
    gains = relief[1, np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]
    return np.asarray(gains, dtype=np.float64)


def _table(rows: Column) -> Stars:
    x, y, sigma_xy, flux, fwhm, elongation, saturated, angle = rows.T
    return Stars(x, y, sigma_xy, flux, fwhm, elongation, saturated > 0, angle)


def _without_doubles(stars: Stars) -> Stars:
    """Drop a fit that ran onto a brighter star (within 1.5 px), keep the brightest few hundred."""
    cell = np.floor(stars.xy / 3).astype(np.int64)
    taken: dict[tuple[int, int], list[int]] = {}
    keep = []
    for i, (cx, cy) in enumerate(cell.tolist()):
        near = [j for a in (-1, 0, 1) for b in (-1, 0, 1) for j in taken.get((cx + a, cy + b), [])]
        if all(np.hypot(stars.x[i] - stars.x[j], stars.y[i] - stars.y[j]) > 1.5 for j in near):
            taken.setdefault((cx, cy), []).append(i)
            keep.append(i)
        if len(keep) == MOST_STARS:
            break
    return select(stars, np.array(keep, dtype=np.int64))


@jit
def _fit_all(adu, pattern, starts, gains, slope, floor, clip, rows):  # type: ignore[no-untyped-def]
    for i in range(starts.shape[0]):
        x, y, gain = starts[i, 0], starts[i, 1], gains[i]
        _fit_one(adu, pattern, x, y, slope * gain, floor * gain * gain, clip * gain, rows[i])


@jit
def _fit_one(adu, pattern, x0, y0, slope, floor, clip, row):  # type: ignore[no-untyped-def]
    """Variable projection: place and width by Gauss-Newton, amplitude and sky per colour exactly.

    ``row`` receives x, y, sigma_xy, flux, fwhm, elongation, saturated, angle; NaN when it fails.
    """
    corner = (int(np.rint(x0)) - _RADIUS, int(np.rint(y0)) - _RADIUS)
    x, y, s = x0, y0, 1.0
    amplitude = np.zeros(3)
    level = np.zeros(3)
    h = np.zeros((3, 3))
    rhs = np.zeros(3)
    inverse = np.zeros((3, 3))
    for step in range(25):
        sums = _products(adu, pattern, x, y, s, corner, slope, floor, clip, amplitude, level)
        seen = _without_amplitudes(sums, amplitude, level, h, rhs)
        if seen == 0 or not _invert(h, inverse):
            return
        move_x = min(max(_dot(inverse[0], rhs), -0.5), 0.5)
        move_y = min(max(_dot(inverse[1], rhs), -0.5), 0.5)
        x += move_x
        y += move_y
        s *= np.exp(min(max(_dot(inverse[2], rhs), -0.3), 0.3))
        if s < 0.35 or s > 4.0 or abs(x - x0) > 2.5 or abs(y - y0) > 2.5:
            return
        if step > 2 and abs(move_x) < 1e-4 and abs(move_y) < 1e-4:
            break
    row[0], row[1] = x, y
    row[2] = np.sqrt(0.5 * (inverse[0, 0] + inverse[1, 1]))
    row[3] = 2 * np.pi * s * s * amplitude.sum()
    row[4] = SIGMA_TO_FWHM * s
    row[5], row[7] = _elongation(adu, pattern, x, y, s, amplitude, level, clip)
    row[6] = 1.0 if _touches(adu, x, y, clip) else 0.0


@jit(inline="always")
def _dot(a, b):  # type: ignore[no-untyped-def]
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@jit(fastmath=FAST)
def _products(adu, pattern, x, y, s, corner, slope, floor, clip, amplitude, level):  # type: ignore[no-untyped-def]
    """Weighted sums (3, 6, 6) for each colour of products of g, 1, ∂g/∂x, ∂g/∂y, ∂g/∂ln s, value.

    The weight is the inverse of the variance expected from the current fit (no star at first), and
    falls off outwards, where neighbours are.
    """
    height, width = adu.shape
    left, top = corner
    sums = np.zeros((3, 6, 6))
    # Each colour's terms in rows, times the root of the weight: their products are then added side
    # by side.
    # Gaussians of a distance are products of those along rows and columns.
    across, near_across = _gaussians(left - x, s)
    down, near_down = _gaussians(top - y, s)
    terms, count = np.empty((3, 6, (2 * _RADIUS + 1) ** 2)), np.zeros(3, dtype=np.int64)
    for j in range(max(top, 0), min(top + 2 * _RADIUS + 1, height)):
        for i in range(max(left, 0), min(left + 2 * _RADIUS + 1, width)):
            value = np.float64(adu[j, i])
            dx, dy = i - x, j - y
            r2 = dx * dx + dy * dy
            if np.isnan(value) or value >= clip or r2 > _RADIUS * _RADIUS:
                continue
            c = pattern[j & 1, i & 1]
            g = across[i - left] * down[j - top]
            expected = max(amplitude[c] * g + level[c], 0.0)
            near = near_across[i - left] * near_down[j - top]
            root = np.sqrt(near / (floor + slope * expected + 1e-6))
            own, k = terms[c], count[c]
            own[0, k], own[1, k], own[5, k] = root * g, root, root * value
            steep = root * g / (s * s)
            own[2, k], own[3, k], own[4, k] = steep * dx, steep * dy, steep * r2
            count[c] = k + 1
    for c in range(3):
        for a in range(6):
            for b in range(a, 6):
                one, other, total = terms[c, a], terms[c, b], 0.0
                for k in range(count[c]):
                    total += one[k] * other[k]
                sums[c, a, b] = total
    return sums


@jit
def _gaussians(first, s):  # type: ignore[no-untyped-def]
    """Of the window's rows or columns, from ``first`` on: the star's, and the weight's."""
    star, weight = np.empty(2 * _RADIUS + 1), np.empty(2 * _RADIUS + 1)
    for k in range(2 * _RADIUS + 1):
        square = -0.5 * (first + k) ** 2
        star[k], weight[k] = np.exp(square / (s * s)), np.exp(square / 9.0)
    return star, weight


@jit
def _without_amplitudes(sums, amplitude, level, h, rhs):  # type: ignore[no-untyped-def]
    """Amplitude and level of each colour, and the normal equations of x, y, ln s without them."""
    h[:] = 0
    rhs[:] = 0
    seen = 0
    for c in range(3):
        m = sums[c]
        det = m[0, 0] * m[1, 1] - m[0, 1] * m[0, 1]
        if det <= 1e-9 * m[0, 0] * m[1, 1] or m[0, 0] <= 0:
            amplitude[c] = 0.0
            continue
        seen += 1
        amp = max((m[1, 1] * m[0, 5] - m[0, 1] * m[1, 5]) / det, 0.0)
        sky = (m[0, 0] * m[1, 5] - m[0, 1] * m[0, 5]) / det
        amplitude[c], level[c] = amp, sky
        for p in range(3):
            rhs[p] += amp * (m[2 + p, 5] - amp * m[0, 2 + p] - sky * m[1, 2 + p])
            for q in range(3):
                low, high = min(p, q), max(p, q)
                along_g = (m[1, 1] * m[0, 2 + q] - m[0, 1] * m[1, 2 + q]) / det
                along_1 = (m[0, 0] * m[1, 2 + q] - m[0, 1] * m[0, 2 + q]) / det
                left_over = m[2 + low, 2 + high] - m[0, 2 + p] * along_g - m[1, 2 + p] * along_1
                h[p, q] += amp * amp * left_over
    return seen


@jit
def _invert(h, inverse):  # type: ignore[no-untyped-def]
    """Inverse of a symmetric 3×3 matrix, slightly damped; False when it is not positive."""
    for p in range(3):
        h[p, p] *= 1.0001
    for p in range(3):
        for q in range(3):
            a, b, c, d = (p + 1) % 3, (p + 2) % 3, (q + 1) % 3, (q + 2) % 3
            inverse[q, p] = h[a, c] * h[b, d] - h[a, d] * h[b, c]
    det = h[0, 0] * inverse[0, 0] + h[0, 1] * inverse[1, 0] + h[0, 2] * inverse[2, 0]
    if not det > 0:
        return False
    inverse /= det
    return True


@jit
def _elongation(adu, pattern, x, y, s, amplitude, level, clip):  # type: ignore[no-untyped-def]
    """Ellipticity from Gaussian-weighted second moments of the samples, colours balanced, and
    the long axis's angle.
    """
    height, width = adu.shape
    xx, yy, xy, total = 0.0, 0.0, 0.0, 0.0
    for j in range(max(int(y) - _RADIUS, 0), min(int(y) + _RADIUS + 2, height)):
        for i in range(max(int(x) - _RADIUS, 0), min(int(x) + _RADIUS + 2, width)):
            c = pattern[j & 1, i & 1]
            value = adu[j, i]
            if not np.isfinite(value) or value >= clip or amplitude[c] <= 0:
                continue
            dx, dy = i - x, j - y
            g = np.exp(-0.5 * (dx * dx + dy * dy) / (s * s))
            w = g * amplitude[c] * (value - level[c])
            total += w
            xx += w * dx * dx
            yy += w * dy * dy
            xy += w * dx * dy
    if total <= 0 or xx + yy <= 0:
        return 0.0, 0.0
    drawn = min(np.sqrt((xx - yy) ** 2 + 4 * xy * xy) / (xx + yy), 1.0)
    return drawn, 0.5 * np.arctan2(2 * xy, xx - yy)


@jit
def _touches(adu, x, y, clip):  # type: ignore[no-untyped-def]
    """Whether a sample within two pixels of the centre is clipped."""
    height, width = adu.shape
    for j in range(max(int(y) - 1, 0), min(int(y) + 3, height)):
        for i in range(max(int(x) - 1, 0), min(int(x) + 3, width)):
            if adu[j, i] >= clip:
                return True
    return False
