"""Integration beside plain clipping, and ten methods beside one stack, in one run.

python -m tests.benchmarks.speed --seed 1031
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from astropy.stats import sigma_clip

import stackkit
from stackkit.compare import compare

from . import nights


def main() -> None:
    """Run both, print the ratios."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.speed")
    parser.add_argument("--seed", type=int, default=1031)
    parser.add_argument("--frames", type=int, default=24)
    options = parser.parse_args()
    night = nights.standard_night(options.seed, options.frames)
    folder = nights.night_folder(night)
    stackkit.stack([folder])  # compiles
    started = time.perf_counter()
    seconds = stackkit.stack([folder]).seconds
    one = time.perf_counter() - started
    started = time.perf_counter()
    methods = len(compare([folder]).record["methods"])
    several = time.perf_counter() - started
    shape = (night.frames, 3 * night.height * night.width)
    cube = np.random.default_rng(1).normal(100, 5, shape).astype(np.float32)
    started = time.perf_counter()
    np.ma.mean(sigma_clip(cube, axis=0), axis=0)
    plain = time.perf_counter() - started
    own = seconds["integrate"]
    print(
        f"integration {own:.1f} s, astropy's sigma_clip and mean {plain:.1f} s: {own / plain:.2f}"
    )
    print(f"{methods} methods {several:.1f} s, one stack {one:.1f} s: {several / one:.2f}")


if __name__ == "__main__":
    main()
