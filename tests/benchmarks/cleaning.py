"""What reading and cleaning reach: shading, hot pixels, stars spared, noise, speed.

    python -m tests.benchmarks.cleaning --seeds 501 502

Every figure stands beside the same one with the true defect map (stars and hot pixels), or beside
what comes out when the file's shading map is ignored.  Nights are simulated once and kept.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import rawpy
from scipy.spatial import cKDTree

import stackkit
import stackkit.pipeline as line
from stackkit.arrays import Array
from stackkit.calibration.apply import calibrate
from stackkit.raw.decode import decode
from stackkit.results import Result
from stackkit.simulate import Calibration, Night, write_calibration, write_night
from stackkit.simulate.camera import vignette
from stackkit.simulate.folder import frame_name

from . import figures, measures, nights, truth

GREEN = figures.GREEN


@contextmanager
def true_defects(night: Night) -> Iterator[None]:
    """Within it the line knows the hot pixels and looks for no others."""
    mask, search, judge = truth.hot_mask(night), line.find_defects, line.judge
    line.find_defects = lambda *_: mask  # type: ignore[assignment]
    line.judge = lambda *a: replace(judge(*a), defects=mask, pattern=None)  # type: ignore[assignment]
    try:
        yield
    finally:
        line.find_defects, line.judge = search, judge


def reference_of(result: Result, night: Night) -> int:
    return [frame_name(k) for k in range(night.frames)].index(result.record["reference"])


# Shading


def flatness(result: Result, night: Night) -> float:
    """Scatter in magnitudes of bright unsaturated stars against their light without vignetting."""
    k = reference_of(result, night)
    seen = truth.picture(night, k)[GREEN]
    xy, adu = truth.stars(night, k, 20.0)
    xy = xy[adu > 1500]
    xy = xy[figures._unsaturated(night, seen, xy)]
    found, true = (
        measures.flux(np.nan_to_num(plane), xy)
        for plane in (np.asarray(result.stack.value[GREEN]), seen / vignette(night))
    )
    with np.errstate(invalid="ignore"):
        return measures.spread(-2.5 * np.log10(found / true))


def shading(seed: int) -> list[float]:
    """Flatness with the map, and with files that carry none."""
    night = replace(nights.standard_night(seed, 16), vignetting=0.75, satellites=1, aircraft=0)
    pair = [replace(night, shading_map=told) for told in (True, False)]
    return [flatness(stackkit.stack([nights.night_folder(n)]), n) for n in pair]


# Hot pixels


def residue(result: Result, night: Night, folder: Path) -> float:
    k = reference_of(result, night)
    single = figures.single_frame(folder, k)
    return figures.hot_residue(np.asarray(result.stack.value), night, k, single)


def with_darks(night: Night, folder: Path) -> float:
    """The same night with ten darks of a warmer evening beside the lights."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        for path in folder.glob("*.dng"):
            (place / path.name).symlink_to(path)
        (place / "darks").mkdir()
        write_calibration(replace(night, warmth=1.5), place / "darks", Calibration.DARK, 10)
        return residue(stackkit.stack([place]), night, folder)


def hot(seed: int, frames: int, times: float) -> list[float]:
    """Residue without darks, with darks, and with the true map."""
    plain = nights.standard_night(seed, frames)
    night = replace(plain, hot_fraction=times * plain.hot_fraction)
    folder = nights.night_folder(night)
    ours = residue(stackkit.stack([folder]), night, folder)
    with true_defects(night):
        best = residue(stackkit.stack([folder]), night, folder)
    return [ours, with_darks(night, folder), best]


# Stars spared


def drifting(seed: int, pixels: float) -> Night:
    """Twenty-four short exposures during which the sky moves by so many pixels."""
    plain = nights.standard_night(seed, 24)
    rate = np.radians(15.041 / 3600) * plain.focal
    cadence = pixels / rate / (plain.frames - 1)
    return replace(plain, exposure=1.0, cadence=cadence, zero_rate=2.4e5, sky_rate=48.0)


def dimmed(seed: int, pixels: float) -> list[float]:
    """Stars over 10 σ: how many, and how many of them the defect search dims by over 1 %.

    Only stars with no hot pixel in their aperture or in the ring of their sky: what a hot pixel
    that was missed does there is the residue's figure.  Beside it how many come out brighter.
    """
    night = drifting(seed, pixels)
    folder = nights.night_folder(night)
    ours = stackkit.stack([folder])
    with true_defects(night):
        best = stackkit.stack([folder])
    k = reference_of(ours, night)
    xy, adu = truth.stars(night, k, 20.0)
    peak = adu / (2 * np.pi * night.psf_sigma**2)
    bright = peak > 10 * truth.sample_noise(night, k)[GREEN]
    tracks, _ = truth.hot_tracks(night, k)
    beside, _ = cKDTree(tracks.reshape(-1, 2)).query(xy)
    xy, adu = xy[bright & (beside > 16)], adu[bright & (beside > 16)]
    found = [_light(result, xy) for result in (ours, best)]
    change = (found[0] - found[1]) / adu
    return [len(xy), int(np.sum(~(change >= -0.01))), int(np.sum(change > 0.01))]


def _light(result: Result, xy: Array) -> Array:
    return measures.flux(np.asarray(result.stack.value[GREEN]), xy)


# Noise and speed


def noise_errors(seed: int) -> list[float]:
    """Errors of gain and read noise in per cent, on a night whose camera the seed decides."""
    rng = np.random.default_rng(seed)
    night = replace(
        nights.standard_night(seed, 8),
        gain=float(rng.uniform(0.5, 3)),
        read_noise=float(rng.uniform(1.5, 6)),
        sky_rate=float(rng.uniform(3, 25)),
        star_density=float(rng.uniform(1, 3)),
        vignetting=float(rng.uniform(0.2, 0.7)),
    )
    noise = stackkit.stack([nights.night_folder(night)]).record["calibration"]["noise"]
    return [
        100 * (noise["gain_e_adu"] / night.gain - 1),
        100 * ((noise["read_noise_e"] or 0) / night.read_noise - 1),
    ]


def speed() -> float:
    """Seconds of reading and calibrating a 12 MP frame over those of the bare decode."""
    import tifffile

    with tempfile.TemporaryDirectory() as name:
        night = Night(width=4000, height=3000, frames=1, focal=2700.0, faintest=6.0)
        (packed,) = write_night(night, Path(name))
        tags = [(33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True)]
        tags += [(50706, 1, 4, bytes((1, 4, 0, 0)), True), (50714, 3, 1, 256, True)]
        tags += [(50717, 3, 1, 4095, True), (50708, 2, None, "Lanternfold Pocket Two", True)]
        matrix = tuple(
            v
            for pair in zip([86, -31, -9, -42, 121, 24, -8, 19, 62], [100] * 9, strict=True)
            for v in pair
        )
        tags += [(50721, 10, 9, matrix, True)]
        path = Path(name) / "plain.dng"
        tifffile.imwrite(path, tifffile.imread(packed), photometric="cfa", extratags=tags)
        calibrate(decode(path))
        bare, ours = (
            min(_timed(f) for _ in range(5))
            for f in (lambda: _bare(path), lambda: calibrate(decode(path)))
        )
    return ours / bare


def _bare(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        raw.raw_image_visible.copy()


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _row(name: str, limit: str, runs: Sequence[Sequence[float]], form: str) -> str:
    cells = [" ".join(format(run[i], form) for run in runs) for i in range(len(runs[0]))]
    return f"{name:<34}  " + "  ".join(f"{cell:<24}" for cell in cells) + limit


def main() -> None:
    """Run everything for the seeds and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.cleaning", description=__doc__
    )
    parser.add_argument("--seeds", type=int, nargs="+", default=[501])
    parser.add_argument("--only", nargs="+", default=["shading", "hot", "stars", "noise", "speed"])
    options = parser.parse_args()
    seeds = options.seeds
    if "shading" in options.only:
        print(f"{'':<34}  {'with the map':<24}  {'map ignored':<24}  limit", flush=True)
        print(
            _row("flatness of stars, mag", "≤ 0.015", [shading(s) for s in seeds], ".4f"),
            flush=True,
        )
    if "hot" in options.only:
        print(f"{'hot residue':<34}  {'ours':<24}  {'with darks':<24}  {'true map':<24}  limit")
        for name, frames, times in (
            ("24 frames", 24, 1),
            ("16 frames, ten times the hot", 16, 10),
            ("5 frames", 5, 1),
        ):
            print(_row(name, "≤ 0.01", [hot(s, frames, times) for s in seeds], ".4f"), flush=True)
    if "stars" in options.only:
        print(
            f"{'stars over 10 σ':<34}  {'all':<24}  {'dimmed by over 1 %':<24}  "
            f"{'brightened':<24}  limit"
        )
        for pixels in (3, 30, 300):
            print(
                _row(f"drift {pixels} px", "0 dimmed", [dimmed(s, pixels) for s in seeds], ".0f"),
                flush=True,
            )
    if "noise" in options.only:
        print(f"{'noise':<34}  {'gain, % off':<24}  {'read noise, % off':<24}  limit")
        print(_row("8 frames", "≤ 3, ≤ 10", [noise_errors(s) for s in seeds], "+.1f"), flush=True)
    if "speed" in options.only:
        print(f"reading and calibrating 12 MP: {speed():.1f} times the bare decode (limit 5)")


if __name__ == "__main__":
    main()
