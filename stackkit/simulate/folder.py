"""A simulated night as a folder of DNG files and ``truth.json``."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import map_coordinates

from stackkit.arrays import Array
from stackkit.output.dng import MosaicTags, mosaic_dng
from stackkit.output.opcode_list import area_data, gain_map_opcode, opcode_list
from stackkit.run.files import replacing
from stackkit.simulate.camera import vignette
from stackkit.simulate.conditions import present
from stackkit.simulate.night import Night, exposure_of, frame_matrix, iso_of, mid_time, times
from stackkit.simulate.sensor import bias, dark, expose, flat, hot_pixels
from stackkit.simulate.sky import catalogue, pixels, trails

_SENSOR_MM = 7.0
"""Width of the invented sensor, mm."""
_LISTED_STARS = 1500
_MAP_POINTS = (25, 33)
"""Points of the shading maps, down and across."""


class Calibration(StrEnum):
    """Kinds of calibration frames."""

    DARK = "dark"
    FLAT = "flat"
    BIAS = "bias"


_SECONDS = {Calibration.FLAT: 0.02, Calibration.BIAS: 0.000125}
_TAKEN = {Calibration.DARK: dark, Calibration.FLAT: flat, Calibration.BIAS: bias}


def frame_name(k: int) -> str:
    """File name of frame k."""
    return f"night_{k + 1:04d}.dng"


def file_tags(night: Night, k: int) -> MosaicTags:
    """The metadata of frame k's file."""
    focal_mm = night.focal * _SENSOR_MM / night.width
    diagonal = float(np.hypot(night.width, night.height))
    return MosaicTags(
        pattern=night.pattern,
        black=(night.black,) * 4,
        white=night.white,
        make="Lanternfold",
        model="Pocket Two",
        neutral=night.sensitivity,
        exposure=exposure_of(night, k),
        iso=iso_of(night, k),
        f_number=1.8,
        focal_mm=round(focal_mm, 2),
        focal_35mm=round(43.27 * night.focal / diagonal),
        orientation=night.orientation,
        start=times(night)[k] if night.with_times else None,
        opcode_list_2=shading_opcodes(night) if night.shading_map else None,
    )


@lru_cache(maxsize=4)
def shading_opcodes(night: Night) -> bytes:
    """An opcode list of four GainMaps, one per Bayer site, that correct the vignetting."""
    size = np.array([night.height, night.width])
    rows, columns = (
        np.clip(np.linspace(0, side, points) - 0.5, 0, side - 1)
        for points, side in zip(_MAP_POINTS, size, strict=True)
    )
    light = map_coordinates(vignette(night), np.meshgrid(rows, columns, indexing="ij"), order=1)
    return opcode_list(
        gain_map_opcode(area_data(y, x, night.height, night.width, pitch=(2, 2)), 1 / light)
        for y, x in np.ndindex(2, 2)
    )


def _star_table(night: Night, k: int) -> tuple[list[int], Array]:
    """Numbers and pixels of the brightest stars in frame k."""
    stars = catalogue(night)
    xy = pixels(night, stars.direction, k, mid_time(night, k))
    with np.errstate(invalid="ignore"):
        inside = (
            (xy[:, 0] > -0.5)
            & (xy[:, 0] < night.width - 0.5)
            & (xy[:, 1] > -0.5)
            & (xy[:, 1] < night.height - 0.5)
        )
    numbers = np.nonzero(inside)[0][:_LISTED_STARS]
    return numbers.tolist(), xy[numbers]


def truth(night: Night) -> dict[str, Any]:
    """The truth: lens, pointing, stars, hot pixels, trails, per frame and shared."""
    y, x, excess = hot_pixels(night)
    stars = catalogue(night)
    frames: list[dict[str, Any]] = []
    listed = 0
    for k in range(night.frames):
        numbers, xy = _star_table(night, k)
        listed = max([listed, *(number + 1 for number in numbers)])
        frames.append(
            {
                "file": frame_name(k),
                "mid_time_s": mid_time(night, k),
                "rotation_from_first": frame_matrix(night, k, 0).round(12).tolist(),
                "mishaps": [{"kind": m.kind, "strength": m.strength} for m in present(night, k)],
                "stars": {"number": numbers, "xy": np.round(xy, 4).tolist()},
                "trails": [
                    {"start": t.start, "end": t.end, "electrons_per_px": t.brightness}
                    for t in trails(night)
                    if t.frame == k
                ],
            }
        )
    settings = {
        name: value for name, value in vars(night).items() if isinstance(value, int | float | str)
    }
    settings["start"] = night.start.isoformat()
    return {
        "schema": "stackkit-truth/1",
        "night": settings,
        "star_electrons_per_s": stars.rate[:listed].round(3).tolist(),
        "hot_pixels": {"x": x.tolist(), "y": y.tolist(), "electrons": excess.round(1).tolist()},
        "frames": frames,
    }


def write_night(
    night: Night, folder: Path, progress: Callable[[int, int], None] | None = None
) -> list[Path]:
    """Write the night's frames and ``truth.json`` into ``folder``; returns the frames' paths.

    The same night gives the same bytes.  Raises ``OutputError`` when the folder cannot be written.
    """
    paths = []
    for k in range(night.frames):
        path = folder / frame_name(k)
        with replacing(path) as temporary:
            temporary.write_bytes(mosaic_dng(expose(night, k).codes, file_tags(night, k)))
        paths.append(path)
        if progress is not None:
            progress(k + 1, night.frames)
    with replacing(folder / "truth.json") as temporary:
        temporary.write_text(json.dumps(truth(night), separators=(",", ":")) + "\n")
    return paths


def write_calibration(night: Night, folder: Path, kind: Calibration, count: int) -> list[Path]:
    """Write ``count`` darks, flats or biases of the night's camera; returns their paths."""
    seconds = _SECONDS.get(kind, night.exposure)
    paths = []
    for k in range(count):
        path = folder / f"{kind}_{k + 1:04d}.dng"
        tags = replace(file_tags(replace(night, with_times=False), 0), exposure=seconds)
        with replacing(path) as temporary:
            temporary.write_bytes(mosaic_dng(_TAKEN[kind](night, k), tags))
        paths.append(path)
    return paths
