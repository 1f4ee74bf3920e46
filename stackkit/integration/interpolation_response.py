"""Response of demosaicing and interpolation: a single sample's weight in the values around it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array
from stackkit.integration.demosaic import EVERY_RIM, open_window, opening_taps
from stackkit.integration.lanczos import exact
from stackkit.integration.resample import PHASES
from stackkit.raw.bayer import NEVER, Bayer, colour_at


@dataclass(frozen=True)
class Response:
    """Each sample's weight in an interpolated value, for places all over two by two pixels.

    ``weights`` (2·PHASES, 2·PHASES, 3, side, side): row and column of the place, colour of the
    value, sample; ``places`` (2·PHASES,): where the places lie among the samples, px; ``site``
    (side, side): colours of the samples.
    """

    weights: Array
    places: Array
    site: NDArray[np.int64]


def response_of(sensor: Bayer) -> Response:
    """The weights of demosaicing and interpolation, far from any edge or gap."""
    size, centre = 20, 8
    site = np.array([[colour_at(x, y, sensor.layout) for x in range(size)] for y in range(size)])
    planes, confidence = np.zeros((2, 3, size, size), dtype=np.float32)
    single = np.zeros((3, size, size, size, size))
    taps = opening_taps(sensor.layout)
    none = np.zeros((size, size), dtype=np.bool_)
    for y in range(size):
        for x in range(size):
            codes = np.ones((size, size), dtype=np.uint16)
            codes[y, x] = 2
            open_window(
                codes,
                none,
                (1.0, 0.0),
                sensor.layout,
                sensor.cross,
                taps,
                EVERY_RIM,
                planes,
                confidence,
            )
            single[:, y, x] = planes
    within = (np.arange(2 * PHASES) + 0.5) / PHASES
    weights = np.zeros((2 * PHASES, 2 * PHASES, 3, size, size))
    for row, v in enumerate(within):
        for column, u in enumerate(within):
            i, j = int(u), int(v)
            rows = slice(centre + j - 2, centre + j + 4)
            columns = slice(centre + i - 2, centre + i + 4)
            weights[row, column] = np.einsum(
                "cyxba,b,a->cyx", single[:, :, :, rows, columns], exact(v - j), exact(u - i)
            )
    return Response(weights, centre + within, site)


def factors_of(response: Response) -> Array:
    """Sums of squared weights by colour of the samples: (2·PHASES, 2·PHASES, 3, 3)."""
    squares = response.weights**2
    return np.stack([squares[..., response.site == c].sum(axis=-1) for c in range(3)], axis=-1)


@lru_cache(maxsize=8)
def _factors(layout: tuple[int, ...], cross: tuple[float, ...]) -> Array:
    sensor = Bayer(np.array(layout), np.array(cross, dtype=np.float32).reshape(3, 3))
    return factors_of(response_of(sensor))


def noise_factors(sensor: Bayer) -> Array:
    """Factors from each colour's sample variance to an interpolated value's variance.

    (2·PHASES, 2·PHASES, 3, 3): row and column of the place modulo two pixels, in steps of 1/PHASES,
    then colour of the value, colour of the samples; the exact sum of the squared weights that
    demosaicing and interpolation give to the single samples.
    """
    sites = tuple(int(v) for v in sensor.layout[:5])
    return _factors((*sites, 0, 0, NEVER), tuple(float(v) for v in sensor.cross.ravel()))
