"""Blocks of samples for the integration methods."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import ArrayLike, NDArray

from stackkit.integration.methods import Block, Samples

FINITE = st.floats(-1000, 1000, width=32)
CUBES = st.integers(1, 12).flatmap(
    lambda frames: arrays(np.float32, (frames, 7), elements=FINITE | st.just(np.float32(np.nan)))
)


def block(
    values: ArrayLike,
    variances: ArrayLike = 1.0,
    weights: ArrayLike = 1.0,
    contrast: ArrayLike = 0.0,
) -> Samples:
    """Samples of values (N, P); a single number of the others holds for all."""
    shape = np.shape(values)
    return Samples(
        np.asarray(values, np.float32),
        np.broadcast_to(np.float32(variances), shape).copy(),
        np.broadcast_to(np.float32(weights), shape[:1]).copy(),
        np.broadcast_to(np.float32(contrast), shape[1:]).copy(),
    )


def night_cube(seed: int, frames: int, places: int = 3000) -> Block:
    """Gaussian noise on a sky, trails in it, holes in it."""
    rng = np.random.default_rng(seed)
    values = rng.normal(100, 8, (frames, places)).astype(np.float32)
    values += 60 * (rng.random(values.shape) < 0.05)
    values[rng.random(values.shape) < 0.08] = np.nan
    return values


def gaussian(seed: int, sigma: NDArray[np.float64], places: int) -> Block:
    """Noise of frames with standard deviations (N,) on a level of 500 ADU."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((len(sigma), places)) * sigma[:, None]
    return (500 + noise).astype(np.float32)
