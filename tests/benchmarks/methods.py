"""Seconds of each method on one core, beside astropy's sigma clipping and mean of the same cube.

python -m tests.benchmarks.methods [--frames 24] [--places 1000000]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from astropy.stats import sigma_clip as astropy_sigma_clip

from stackkit.integration.methods import METHODS, Samples

_PICTURE = 9_000_000


def night(frames: int, places: int, seed: int = 1) -> Samples:
    """Noise of an even sky, trails in 3 % of the samples, 2 % missing."""
    rng = np.random.default_rng(seed)
    values = rng.standard_normal((frames, places), dtype=np.float32) * 8 + 100
    chance = rng.random(values.shape, dtype=np.float32)
    values[chance < 0.03] += 60
    values[chance > 0.98] = np.nan
    weights = rng.uniform(0.5, 1, frames).astype(np.float32)
    return Samples(values, np.full_like(values, 64), weights, np.zeros(places, np.float32))


def seconds(run: Callable[[], Any], times: int = 3) -> float:
    """The quickest of a few runs: what the machine can do when nobody else asks it."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        taken.append(time.perf_counter() - start)
    return min(taken)


def by_astropy(samples: Samples) -> Any:
    cube = np.ma.masked_invalid(samples.values)
    return astropy_sigma_clip(cube, sigma=3, axis=0).mean(axis=0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=24)
    parser.add_argument("--places", type=int, default=1_000_000)
    asked = parser.parse_args()
    samples = night(asked.frames, asked.places)
    scale = _PICTURE / asked.places
    few = night(asked.frames, 1000)
    theirs = seconds(lambda: by_astropy(samples), 1)
    print(f"{asked.frames} frames of {asked.places} places; times for {_PICTURE} places, one core")
    print(f"{'astropy sigma_clip + mean':28} {theirs * scale:8.2f} s")
    total = 0.0
    for method in METHODS.values():
        method.function(few)  # compiled, and its tables made
        ours = seconds(lambda method=method: method.function(samples))
        total += ours
        print(f"{method.name:28} {ours * scale:8.2f} s   {theirs / ours:6.1f} times as quick")
    print(f"{'all':28} {total * scale:8.2f} s")


if __name__ == "__main__":
    main()
