"""Folders in which nights, cameras and aims are mixed, for the tests of sorting them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit.output.dng import mosaic_dng
from stackkit.simulate import Night
from stackkit.simulate.camera import colour_planes, ideal_picture
from stackkit.simulate.folder import file_tags
from stackkit.simulate.night import begin, generator

SKY = Night(
    seed=31,
    width=320,
    height=240,
    focal=260.0,
    faintest=7.0,
    satellites=0,
    aircraft=0,
    hot_fraction=0.0,
)
"""One part of the sky; another seed is another part of it."""

Codes = NDArray[np.uint16]


def shot(night: Night, k: int, share: float = 1.0, hot: NDArray[Any] | None = None) -> Codes:
    """Codes (H, W) of frame k, exposed for a ``share`` of the night's time.

    Without the sensor's own faults but for ``hot`` (H, W), electrons that some sites have more.
    """
    rng = generator(night, 50, k, int(1000 * share))
    light = np.choose(colour_planes(night), ideal_picture(night, k)) * share
    electrons = rng.poisson(light + (0 if hot is None else hot))
    noisy = electrons + rng.normal(0, night.read_noise, light.shape)
    codes = np.clip(np.rint(noisy / night.gain + night.black), 0, night.white)
    return codes.astype(np.uint16)


def put(path: Path, night: Night, codes: Codes, seconds: float | None, **said: Any) -> Path:
    """A file that began ``seconds`` after the night's start, or does not say when."""
    start = None if seconds is None else night.start + timedelta(seconds=seconds)
    tags = replace(file_tags(night, 0), start=start, **said)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(mosaic_dng(codes, tags))
    return path


def shoot(
    folder: Path,
    tag: str,
    night: Night,
    frames: Iterable[int],
    *,
    late: float | None = 0.0,
    share: float = 1.0,
    hot: NDArray[Any] | None = None,
    **said: Any,
) -> list[Path]:
    """Frames of the night as files ``tag``-number; None as ``late`` (s) leaves their times out."""
    exposure = {"exposure": night.exposure * share, **said}
    return [
        put(
            folder / f"{tag}-{k:03d}.dng",
            night,
            shot(night, k, share, hot),
            None if late is None else begin(night, k) + late,
            **exposure,
        )
        for k in frames
    ]


def hot_sites(night: Night, count: int, seed: int) -> NDArray[np.float64]:
    """Electrons (H, W) of ``count`` hot sites, of any strength up to clipping."""
    rng = np.random.default_rng(seed)
    hot = np.zeros((night.height, night.width))
    sites = rng.choice(hot.size, count, replace=False)
    hot.flat[sites] = rng.uniform(100, night.white * night.gain, count)
    return hot
