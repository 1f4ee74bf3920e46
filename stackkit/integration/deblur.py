"""Undoes the blur of demosaicing and interpolation, so that stars are as sharp as the optics.

A frame's mosaic is demosaiced and interpolated at places that fall arbitrarily between its samples.
Over many frames the mean of that is one linear filter, the same all over the picture: its transfer
T(f) follows from the weights that single samples get.  The sky as the optics drew it is restored by
the filter S that brings T·S as close to the target as noise allows (Wiener 1949).  Solving for all
neighbours together costs no noise where pictures are smooth, S(0) = 1, unlike narrower kernels,
which weight samples unevenly.

Missing places are ignored: differences to them are left out.
"""

from __future__ import annotations

from concurrent.futures import Executor
from functools import lru_cache
from itertools import product

import numpy as np
from scipy.ndimage import maximum_filter

from stackkit.arrays import Array, Plane
from stackkit.integration.interpolation_response import Response, factors_of, response_of
from stackkit.jit import FAST, jit
from stackkit.raw.bayer import NEVER, Bayer, neutral

_REACH = 2
"""Reach of the filter to either side, in pixels of the sensor."""
_STAR = 0.8
"""Gaussian width, px, of the sharpest stars that lenses draw: sets which frequencies hold light."""
_TARGETS = np.arange(0.25, 1.5, 0.05)
"""Gaussian widths, px, of the remaining blur: the first that noise allows is taken."""
_GROWTH = 1.35
"""The most by which the noise's variance may grow from pixel to pixel."""
_PRICE = 0.01
"""Weight of noise relative to a star's power."""
_BESIDE = 4
"""Pixels around a clipped one that are left as they are: clipped stars follow no optics."""
_ROWS = 64
"""Rows that a thread restores at a time."""
_FREQUENCIES = 24
_FLOOR = 1e-2
"""Least weight of noise, so that frequencies that interpolation suppresses are not amplified."""
_FEWEST = 3
"""With fewer frames places are not arbitrary, and the filter would show the sensor's mosaic."""


def restorable(frames: int) -> bool:
    """Whether there are enough frames for their interpolation to average to one filter."""
    return frames >= _FEWEST


def kernels(sensor: Bayer, sampling: int = 1) -> Plane:
    """The filter of each colour (3, side, side), sum 1, for a grid of ``sampling`` places a pixel
    of the sensor.
    """
    return _kernels(*_key(neutral(sensor)), sampling)


def restored_factors(sensor: Bayer, sampling: int = 1) -> Array:
    """Like ``interpolation_response.noise_factors``, of the restored picture."""
    return _restored_factors(*_key(sensor), sampling)


def restore(picture: Plane, sensor: Bayer, clip: float, pool: Executor, sampling: int = 1) -> Plane:
    """The picture (3, H, W) without the blur; from ``clip`` ADU on samples count as clipped."""
    out = np.empty_like(picture)
    clipped = np.zeros(picture.shape[1:], dtype=bool)
    for plane in picture:
        clipped |= plane >= clip
    if clipped.any():
        clipped = maximum_filter(clipped, 2 * _BESIDE * sampling + 1)
    shapes, height = kernels(sensor, sampling), picture.shape[1]

    def rows(top: int) -> None:
        _filter(picture, shapes, clipped, top, min(top + _ROWS, height), out)

    # Not mapped: a pool that keeps what it maps need not keep these.
    for done in [pool.submit(rows, top) for top in range(0, height, _ROWS)]:
        done.result()
    return out


def _key(sensor: Bayer) -> tuple[tuple[int, ...], tuple[float, ...]]:
    sites = tuple(int(v) for v in sensor.layout[:5])
    return (*sites, 0, 0, NEVER), tuple(float(v) for v in sensor.cross.ravel())


@lru_cache(maxsize=8)
def _response(layout: tuple[int, ...], cross: tuple[float, ...]) -> Response:
    return response_of(Bayer(np.array(layout), np.array(cross, dtype=np.float32).reshape(3, 3)))


@lru_cache(maxsize=8)
def _kernels(layout: tuple[int, ...], cross: tuple[float, ...], sampling: int) -> Plane:
    step = (np.arange(_FREQUENCIES) + 0.5) / (2 * _FREQUENCIES)  # both quarters are alike
    fx, fy = (sampling * f.ravel() for f in np.meshgrid(step, step))
    transfer = _transfer(_response(layout, cross), fx, fy)
    return np.stack([_sharpest(own, fx, fy, sampling) for own in transfer]).astype(np.float32)


def _sharpest(transfer: Array, fx: Array, fy: Array, sampling: int) -> Array:
    """The kernel (side, side) of the sharpest target that lets noise grow no further than
    allowed.
    """
    reach = _REACH * sampling
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
    step = np.arange(-reach, reach + 1) / sampling
    along, up = (np.cos(2 * np.pi * np.outer(step, f)) for f in (fx, fy))
    for target in _TARGETS:
        kernel = _wiener(transfer, fx, fy, target, sampling)
        passed = transfer * np.einsum("yx,yf,xf->f", kernel, up, along)
        if np.sum(passed**2) <= _GROWTH * np.sum(transfer**2):
            break
    return kernel


def _transfer(response: Response, fx: Array, fy: Array) -> Array:
    """T (3, frequencies): mean transmission of a white wave over all places, its real part."""
    away = np.arange(response.weights.shape[-1]) - response.places[:, None]
    along, up = (np.cos(2 * np.pi * np.outer(away.ravel(), f)) for f in (fx, fy))
    # Rows: place and sample down; columns: place and sample across.
    weights = response.weights.transpose(2, 0, 3, 1, 4).reshape(3, away.size, away.size)
    total = np.stack([(up * (own @ along)).sum(axis=0) for own in weights])
    return np.asarray(total / len(response.places) ** 2)


def _wiener(transfer: Array, fx: Array, fy: Array, blur: float, sampling: int) -> Array:
    """The kernel with the eight symmetries of a square that has the least squared error.

    Frequencies are in waves a pixel of the sensor; the kernel has ``sampling`` places to a pixel.
    """
    reach = _REACH * sampling
    orbits = [(a, b) for a in range(reach + 1) for b in range(a + 1)]
    waves, members = [], []
    for a, b in orbits:
        places = {(s * i, t * j) for i, j in ((a, b), (b, a)) for s in (1, -1) for t in (1, -1)}
        members.append(sorted(places))
        # Over the four quarters of the plane of frequencies the sines cancel.
        i, j = np.array(sorted(places)).T / sampling
        along, up = np.cos(2 * np.pi * np.outer(i, fx)), np.cos(2 * np.pi * np.outer(j, fy))
        waves.append((along * up).sum(axis=0))
    square = fx**2 + fy**2
    light = np.exp(-((2 * np.pi * _STAR) ** 2) * square)
    target = np.exp(-2 * (np.pi * blur) ** 2 * square)
    wave, count = np.array(waves), np.array([len(m) for m in members])
    filtered, noise = wave * transfer, _PRICE * (transfer**2 + _FLOOR)
    normal = (filtered * light) @ filtered.T + (wave * noise) @ wave.T
    wanted = (filtered * light) @ target + wave @ noise
    system = np.block([[normal, count[:, None]], [count[None], np.zeros((1, 1))]])
    solved = np.linalg.solve(system, np.append(wanted, 1.0))[:-1]
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
    for value, orbit in zip(solved, members, strict=True):
        for i, j in orbit:
            kernel[j + reach, i + reach] = value
    return kernel


@lru_cache(maxsize=8)
def _restored_factors(layout: tuple[int, ...], cross: tuple[float, ...], sampling: int) -> Array:
    """The weights of the single samples in the filtered value, squared and added."""
    response = _response(layout, cross)
    weights = np.zeros_like(response.weights)
    steps, reach = len(response.places) // 2, _REACH * sampling
    sensor = Bayer(np.array(layout), np.array(cross, dtype=np.float32).reshape(3, 3))
    within = np.arange(2 * steps)
    for c, kernel in enumerate(kernels(sensor, sampling)):
        for j, i in np.ndindex(kernel.shape):
            # The table has the place beside in the first two pixels: moved to where it lies.
            at_row, at_column = (within + steps * (k - reach) // sampling for k in (j, i))
            rows, columns = at_row % (2 * steps), at_column % (2 * steps)
            down, right = (at_row - rows) // steps, (at_column - columns) // steps
            for move in product(np.unique(down), np.unique(right)):
                y, x = np.ix_(np.flatnonzero(down == move[0]), np.flatnonzero(right == move[1]))
                there = response.weights[rows[y], columns[x], c]
                weights[y, x, c] += kernel[j, i] * np.roll(there, move, axis=(-2, -1))
    return factors_of(Response(weights, response.places, response.site))


@jit(fastmath=FAST)
def _filter(picture, kernels, clipped, top, bottom, out):  # type: ignore[no-untyped-def]
    """Add to each place of some rows the weighted differences of those around it, as far as they
    are known.

    Flat and with unsigned indices: numba then takes several places at once.
    """
    unsigned, zero = np.uint64, np.float32(0)
    colours, height, width = picture.shape
    reach = kernels.shape[1] // 2
    samples, change = picture.reshape(-1), np.empty(width, dtype=np.float32)
    for c in range(colours):
        for y in range(top, bottom):
            change[:] = 0
            row = (c * height + y) * width
            for j in range(max(-reach, -y), min(reach + 1, height - y)):
                for i in range(-reach, reach + 1):
                    share, first = kernels[c, j + reach, i + reach], unsigned(max(-i, 0))
                    own = unsigned(row) + first
                    other = unsigned(row + j * width + max(i, 0))
                    for x in range(unsigned(width - abs(i))):
                        away = samples[other + x] - samples[own + x]
                        change[first + x] += share * (zero if np.isnan(away) else away)
            for x in range(width):
                out[c, y, x] = picture[c, y, x] + (zero if clipped[y, x] else change[x])
