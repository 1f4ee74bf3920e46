"""Two ways from mosaics to the grid: interpolating frames, or gathering samples with a kernel.

    python -m tests.benchmarks.gather --seed 981

Gathering: around every pixel of the grid the same-colour samples of all frames are averaged with a
Gaussian of their distance (Fruchter & Hook 2002; Wronski et al. 2019 with a round kernel), with the
true mapping, hot pixels and trails; ours is the whole line as it is.  On small nights: noise gain
as a share of √N, star width over a single frame's.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numba
import numpy as np

from stackkit.simulate import Night
from stackkit.simulate.folder import frame_name

from . import figures, mosaic, nights, run, truth
from .figures import Result
from .oracle import _missing

KERNELS = (0.3, 0.38, 0.5, 0.6)
"""Widths (σ, px) of the Gaussians tried."""


@numba.njit(cache=True)
def _gather(data, site, there, sigma, total, weight):  # type: ignore[no-untyped-def]
    """Add a frame's samples (H, W) to the pixels around their places ``there`` (H, W, 2)."""
    reach = int(np.ceil(3 * sigma)) + 1
    for j in range(data.shape[0]):
        for i in range(data.shape[1]):
            v = data[j, i]
            x, y = there[j, i, 0], there[j, i, 1]
            if not (np.isfinite(v) and np.isfinite(x)):
                continue
            c, a, b = site[j, i], int(np.rint(x)), int(np.rint(y))
            for q in range(max(b - reach, 0), min(b + reach + 1, total.shape[1])):
                for p in range(max(a - reach, 0), min(a + reach + 1, total.shape[2])):
                    w = np.exp(-0.5 * ((p - x) ** 2 + (q - y) ** 2) / sigma**2)
                    total[c, q, p] += w * v
                    weight[c, q, p] += w


def gathered(folder: Path, night: Night, sigma: float) -> Result:
    """The stack by gathering, on the grid of the middle frame."""
    started = time.perf_counter()
    reference = night.frames // 2
    total, weight = np.zeros((2, 3, night.height, night.width))
    y, x = np.mgrid[: night.height, : night.width]
    sites = np.stack([x, y], axis=-1).reshape(-1, 2).astype(float)
    for k in range(night.frames):
        data, site = mosaic.read(folder / frame_name(k))
        data = np.where(_missing(night, k, site), np.nan, data)
        there = truth.carry(night, sites, k, reference).reshape(night.height, night.width, 2)
        _gather(data, site, there, sigma, total, weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.where(weight > 1e-3, total / weight, np.nan).astype(np.float32)
    return Result(value, reference, time.perf_counter() - started)


def _row(name: str, result: Result, folder: Path, night: Night) -> str:
    single = figures.single_frame(folder, result.reference_index)
    value, known = result.value, np.isfinite(result.value).all(axis=0)
    filled = np.where(known, value, truth.picture(night, result.reference_index))
    found = figures.figures(filled, night, result.reference_index, single)
    unknown = 100 * (1 - known.mean())
    return (
        f"{night.frames:>6}  {name:<16}  {found.noise_gain:.3f}  {found.width_ratio:.3f}  "
        f"{found.ring:+.4f}  {unknown:.1f} %"
    )


def main() -> None:
    """Both ways at 5, 24 and 100 frames."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.gather")
    parser.add_argument("--seed", type=int, default=981)
    parser.add_argument("--frames", type=int, nargs="+", default=[5, 24, 100])
    options = parser.parse_args()
    print("frames  way               gain   width  ring     no value")
    for frames in options.frames:
        night = nights.standard_night(options.seed, frames, quick=True)
        night = replace(night, cadence=min(night.cadence, 2000.0 / frames))
        folder = nights.night_folder(night)
        print(_row("ours", run.ours(folder, night), folder, night), flush=True)
        for sigma in KERNELS:
            result = gathered(folder, night, sigma)
            print(_row(f"gathering {sigma:g} px", result, folder, night), flush=True)


if __name__ == "__main__":
    main()
