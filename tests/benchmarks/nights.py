"""The nights the figures are taken on, and their files (kept between runs)."""

from __future__ import annotations

import hashlib
import shutil
import sys
import tempfile
from pathlib import Path

import stackkit.output.dng
import stackkit.simulate
from stackkit.simulate import Night, write_night


def standard_night(seed: int, frames: int, *, quick: bool = False) -> Night:
    """The night of the figures: a wide lens, refraction, and movers enough to measure trails on.

    ``quick`` is the same sky on half the pixels a side: for trying things, not for figures.
    """
    scale = 2 if quick else 1
    return sized_night(seed, frames, 2000 // scale, 1500 // scale)


def sized_night(seed: int, frames: int, width: int, height: int) -> Night:
    """The same night on a sensor of another size."""
    return Night(
        seed=seed,
        frames=frames,
        width=width,
        height=height,
        focal=0.675 * width,
        k1=-0.06,
        k2=0.02,
        refraction=True,
        exposure=8.0,
        cadence=20.0,
        read_noise=2.2,
        satellites=6,
        aircraft=2,
    )


def _key(night: Night) -> str:
    """Names a night by its settings and by the simulator that draws it."""
    digest = hashlib.sha256(repr(night).encode())
    sources = sorted(Path(stackkit.simulate.__file__).parent.glob("*.py"))
    for source in [*sources, Path(stackkit.output.dng.__file__)]:
        digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def night_folder(night: Night) -> Path:
    """The folder with the night's DNG files; simulated once, then found again."""
    cache = Path(tempfile.gettempdir()) / "stackkit-nights"
    folder = cache / f"{night.seed}-{night.frames}-{night.width}-{_key(night)}"
    if folder.is_dir():
        return folder
    cache.mkdir(exist_ok=True)
    print(f"Simulating {night.frames} frames of night {night.seed} …", file=sys.stderr)
    unfinished = Path(tempfile.mkdtemp(prefix="unfinished-", dir=cache))
    try:
        write_night(night, unfinished)
        unfinished.rename(folder)
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise
    return folder
