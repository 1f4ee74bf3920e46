"""Takes back what opening and interpolating blur, so that stars are as sharp as the optics.

A frame's mosaic is opened and interpolated at places that lie anyhow between its samples.  Over
many frames the mean of that is one linear filter, the same all over the picture: its transfer T(f)
follows from the weights that single samples get.  The sky as the optics drew it is found again by
the filter S that makes T·S as like the target as noise allows (Wiener 1949).  Solving for all
neighbours together in this way loses no noise where pictures are smooth, S(0) = 1, unlike narrower
kernels, which weigh samples unevenly.

Missing places take no part: differences to them are left out.
"""

from __future__ import annotations

from functools import lru_cache

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from stackkit.geometry import Array
from stackkit.opening import NEVER, Bayer, neutral
from stackkit.response import Response, factors_of, response_of

Plane = NDArray[np.float32]

_REACH = 2
"""The filter spans so many pixels to either side."""
_STAR = 0.8
"""Gaussian width, px, of the sharpest stars that lenses draw on a sensor: where there is light."""
_TARGETS = np.arange(0.25, 1.5, 0.05)
"""Gaussian widths, px, of what is left of the blur: the first that noise allows is taken."""
_GROWTH = 1.35
"""The most by which the noise's variance may grow from pixel to pixel."""
_PRICE = 0.01
"""Of noise beside a star's power."""
_BESIDE = 4
"""So many pixels around a clipped one nothing is taken back: no optics drew what is clipped."""
_FREQUENCIES = 24
_FEWEST = 3
"""With fewer frames places do not lie anyhow, and the filter would draw the sensor's mosaic."""


def restorable(frames: int) -> bool:
    """Whether so many frames make one filter of their interpolation."""
    return frames >= _FEWEST


def kernels(sensor: Bayer) -> Plane:
    """The filter of each colour (3, 5, 5), sum 1, for pictures on the sensor's own grid."""
    return _kernels(*_key(neutral(sensor)))


def restored_factors(sensor: Bayer) -> Array:
    """Like :func:`stackkit.response.noise_factors`, of the restored picture."""
    return _restored_factors(*_key(sensor))


def restore(picture: Plane, sensor: Bayer, clip: float) -> Plane:
    """The picture (3, H, W) without the blur; from ``clip`` ADU on samples count as clipped."""
    out = np.empty_like(picture)
    clipped = np.zeros(picture.shape[1:], dtype=bool)
    for plane in picture:
        clipped |= plane >= clip
    if clipped.any():
        clipped = maximum_filter(clipped, 2 * _BESIDE + 1)
    _filter(picture, kernels(sensor), clipped, out)
    return out


def _key(sensor: Bayer) -> tuple[tuple[int, ...], tuple[float, ...]]:
    sites = tuple(int(v) for v in sensor.layout[:5])
    return (*sites, 0, 0, NEVER), tuple(float(v) for v in sensor.cross.ravel())


@lru_cache(maxsize=8)
def _response(layout: tuple[int, ...], cross: tuple[float, ...]) -> Response:
    return response_of(Bayer(np.array(layout), np.array(cross, dtype=np.float32).reshape(3, 3)))


@lru_cache(maxsize=8)
def _kernels(layout: tuple[int, ...], cross: tuple[float, ...]) -> Plane:
    step = (np.arange(_FREQUENCIES) + 0.5) / (2 * _FREQUENCIES)  # both quarters are alike
    fx, fy = (f.ravel() for f in np.meshgrid(step, step))
    transfer = _transfer(_response(layout, cross), fx, fy)
    return np.stack([_sharpest(own, fx, fy) for own in transfer]).astype(np.float32)


def _sharpest(transfer: Array, fx: Array, fy: Array) -> Array:
    """The kernel (5, 5) of the sharpest target that lets noise grow no further than allowed."""
    kernel = np.zeros((2 * _REACH + 1, 2 * _REACH + 1))
    step = np.arange(-_REACH, _REACH + 1)
    for target in _TARGETS:
        kernel = _wiener(transfer, fx, fy, target)
        along, up = (np.cos(2 * np.pi * np.outer(step, f)) for f in (fx, fy))
        passed = transfer * np.einsum("yx,yf,xf->f", kernel, up, along)
        if np.sum(passed**2) <= _GROWTH * np.sum(transfer**2):
            break
    return kernel


def _transfer(response: Response, fx: Array, fy: Array) -> Array:
    """T (3, frequencies): mean over all places of what is left of a white wave, its real part."""
    total = np.zeros((3, len(fx)))
    side = np.arange(response.weights.shape[-1])
    for row, v in enumerate(response.places):
        for column, u in enumerate(response.places):
            along = np.cos(2 * np.pi * np.outer(side - u, fx))
            up = np.cos(2 * np.pi * np.outer(side - v, fy))
            total += np.einsum("cyx,yf,xf->cf", response.weights[row, column], up, along)
    return np.asarray(total / len(response.places) ** 2)


def _wiener(transfer: Array, fx: Array, fy: Array, blur: float) -> Array:
    """The kernel (5, 5) with the eight symmetries of a square that has the least squared error."""
    orbits = [(a, b) for a in range(_REACH + 1) for b in range(a + 1)]
    waves, members = [], []
    for a, b in orbits:
        places = {(s * i, t * j) for i, j in ((a, b), (b, a)) for s in (1, -1) for t in (1, -1)}
        members.append(sorted(places))
        # Over the four quarters of the plane of frequencies the sines cancel.
        waves.append(
            sum(np.cos(2 * np.pi * i * fx) * np.cos(2 * np.pi * j * fy) for i, j in places)
        )
    square = fx**2 + fy**2
    light = np.exp(-((2 * np.pi * _STAR) ** 2) * square)
    target = np.exp(-2 * (np.pi * blur) ** 2 * square)
    wave, count = np.array(waves), np.array([len(m) for m in members])
    filtered, noise = wave * transfer, _PRICE * transfer**2
    normal = (filtered * light) @ filtered.T + (wave * noise) @ wave.T
    wanted = (filtered * light) @ target + wave @ noise
    system = np.block([[normal, count[:, None]], [count[None], np.zeros((1, 1))]])
    solved = np.linalg.solve(system, np.append(wanted, 1.0))[:-1]
    kernel = np.zeros((2 * _REACH + 1, 2 * _REACH + 1))
    for value, orbit in zip(solved, members, strict=True):
        for i, j in orbit:
            kernel[j + _REACH, i + _REACH] = value
    return kernel


@lru_cache(maxsize=8)
def _restored_factors(layout: tuple[int, ...], cross: tuple[float, ...]) -> Array:
    """The weights of the single samples in the filtered value, squared and added."""
    response = _response(layout, cross)
    weights = np.zeros_like(response.weights)
    steps = len(response.places) // 2
    sensor = Bayer(np.array(layout), np.array(cross, dtype=np.float32).reshape(3, 3))
    for c, kernel in enumerate(kernels(sensor)):
        for j in range(-_REACH, _REACH + 1):
            for i in range(-_REACH, _REACH + 1):
                # A pixel further is the same part of a pixel, on a site of the other parity.
                rows = (np.arange(2 * steps) + steps * (j % 2)) % (2 * steps)
                columns = (np.arange(2 * steps) + steps * (i % 2)) % (2 * steps)
                there = response.weights[rows][:, columns, c]
                # The table has the place beside, in the first two pixels: moved to where it lies.
                down = j + (np.arange(2 * steps) // steps - rows // steps)
                right = i + (np.arange(2 * steps) // steps - columns // steps)
                for row in range(2 * steps):
                    for column in range(2 * steps):
                        weights[row, column, c] += kernel[j + _REACH, i + _REACH] * np.roll(
                            there[row, column], (down[row], right[column]), axis=(0, 1)
                        )
    return factors_of(Response(weights, response.places, response.site))


@numba.njit(cache=True, nogil=True)
def _filter(picture, kernels, clipped, out):  # type: ignore[no-untyped-def]
    colours, height, width = picture.shape
    for c in range(colours):
        for y in range(height):
            for x in range(width):
                own = picture[c, y, x]
                change = np.float32(0)
                if np.isfinite(own) and not clipped[y, x]:
                    for j in range(max(y - _REACH, 0), min(y + _REACH + 1, height)):
                        for i in range(max(x - _REACH, 0), min(x + _REACH + 1, width)):
                            other = picture[c, j, i]
                            if np.isfinite(other):
                                share = kernels[c, j - y + _REACH, i - x + _REACH]
                                change += share * (other - own)
                out[c, y, x] = own + change
