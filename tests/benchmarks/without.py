"""Is the sum ever worse than without a frame that counts less?  Stacked with and without it.

    python -m tests.benchmarks.without --first 2001 --nights 12

On the nights of ``mishaps.py``: each frame that is used though something befell it is taken out of
the folder, and the rest stacked.  Ratios with / without: of the noise (means of 4×4 px, since in so
small pictures few larger blocks are free of stars), of the median distance of stars from their true
places, and of their width; under 1 is better with it.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

import stackkit
from stackkit.simulate import Night
from stackkit.simulate.folder import frame_name

from . import figures, measures, truth
from .mishaps import random_night
from .nights import night_folder

_EACH = 2
"""Frames of a night that are tried: the first and the last of those that count less."""
_BLOCK = 4


def measured(folder: Path, night: Night) -> tuple[np.ndarray, str, list[str]]:
    """Noise, error of place and width (3,) of a stack, its reference, frames that count less."""
    run = stackkit.stack([folder], stackkit.Options(jobs=1))
    names = [frame_name(k) for k in range(night.frames)]
    reference = names.index(run.record["reference"])
    value = np.asarray(run.stack.value)[figures.GREEN]
    ideal = truth.picture(night, reference)[figures.GREEN]
    level = truth.sample_noise(night, reference)[figures.GREEN]
    noise = measures.block_noise(value - ideal, measures.star_mask(ideal, level), _BLOCK)
    xy = figures.sharp_stars(night, reference)
    masked = measures.star_mask(ideal, level)
    seen, width = measures.moments(value, xy, masked)
    error = float(np.nanmedian(np.hypot(*(seen - xy).T)))
    rows = [row for row in run.record["frames"] if row["used"] and row["cause"]]
    less = [row["file"] for row in rows if row["file"] != run.record["reference"]]
    return np.array([noise, error, float(np.nanmedian(width))]), run.record["reference"], less


def compared(seed: int) -> list[tuple[str, np.ndarray]]:
    """Ratios with / without of a night's frames that count less, each with its name."""
    night = random_night(seed)
    folder = night_folder(night)
    whole, reference, less = measured(folder, night)
    found = []
    for name in dict.fromkeys(less[:1] + less[-1:][: _EACH - 1]):
        with tempfile.TemporaryDirectory() as rest:
            for path in _others(folder, name):
                os.symlink(path, Path(rest) / path.name)
            part, own, _ = measured(Path(rest), night)
        if own == reference:  # on another frame's grid and scale there is nothing to compare
            found.append((f"{seed} {name}", whole / part))
    return found


def _others(folder: Path, name: str) -> Iterator[Path]:
    return (path for path in folder.glob("*.dng") if path.name != name)


def main() -> None:
    """Run the nights and print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first", type=int, default=2001)
    parser.add_argument("--nights", type=int, default=12)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    with ProcessPoolExecutor(args.jobs) as pool:
        nights = pool.map(compared, range(args.first, args.first + args.nights))
        rows = [row for night in nights for row in night]
    print(f"{'':<22}{'noise':>9}{'place':>9}{'width':>9}")
    for name, ratio in rows:
        print(f"{name:<22}" + "".join(f"{r:>9.4f}" for r in ratio))
    ratios = np.array([ratio for _, ratio in rows])
    for word, line in (("median", np.median(ratios, axis=0)), ("worst", ratios.max(axis=0))):
        print(f"{word:<22}" + "".join(f"{r:>9.4f}" for r in line))


if __name__ == "__main__":
    main()
