"""The night on which much goes wrong at once, with a folder in disorder: what comes out of it.

    python -m tests.benchmarks.hard_night --seeds 6101 6102

A bump, two cloudy frames (35 % and 4 % of the light), one defocused frame, wind, no times; in the
folder a truncated copy, a text, an empty file, a daylight shot, a duplicate, a frame of another
size.  "oracle" is the plain mean by the true mapping of the frames that nothing befell; "noise" is
that of the sky beside what the true inverse variances would give (1 = as good).
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

import stackkit
from stackkit.output.dng import mosaic_dng
from stackkit.simulate import Mishap, MishapKind, Night
from stackkit.simulate.folder import file_tags, frame_name
from stackkit.simulate.sensor import expose

from . import figures, oracle
from .mishaps import true_columns
from .nights import night_folder, standard_night

DIM, DARK, BLURRED = 9, 10, 17


def hard_night(seed: int, frames: int = 24, wind: float = 4.0, *, quick: bool = False) -> Night:
    """The night, without its folder's disorder; ``wind`` in px."""
    clouds = (
        Mishap(MishapKind.CLOUD, DIM, DIM, 0.65),
        Mishap(MishapKind.CLOUD, DARK, DARK, 0.96),
    )
    return replace(
        standard_night(seed, frames, quick=quick),
        wind=wind,
        bump_frame=frames // 2 + 1,
        bump_degrees=2.0,
        with_times=False,
        mishaps=(*clouds, Mishap(MishapKind.DEFOCUS, BLURRED, BLURRED, 3.0)),
    )


def disorder(night: Night, folder: Path) -> dict[str, str]:
    """The night's frames and what else lies there: a word of the reason, by name."""
    for path in night_folder(night).iterdir():
        shutil.copy(path, folder)
    first = (folder / frame_name(3)).read_bytes()
    (folder / "broken.dng").write_bytes(first[: len(first) * 3 // 5])
    (folder / "notes.txt").write_text("Meet at the old mill.")
    (folder / "empty.dng").touch()
    (folder / f"copy of {frame_name(5)}").write_bytes((folder / frame_name(5)).read_bytes())
    day = replace(night, seed=night.seed + 1, sky_rate=1e6, exposure=0.01, mishaps=(), frames=1)
    (folder / "day.dng").write_bytes(mosaic_dng(expose(day, 0).codes, file_tags(day, 0)))
    other = replace(night, width=640, height=480, mishaps=(), frames=1)
    (folder / "small.dng").write_bytes(mosaic_dng(expose(other, 0).codes, file_tags(other, 0)))
    return {
        "broken.dng": "broken-off copy",
        "notes.txt": "not a",
        "empty.dng": "empty",
        f"copy of {frame_name(5)}": "same",
        "day.dng": "picture of the day",
        "small.dng": "another size",
        frame_name(DARK): "cloud",
        frame_name(DIM): "cloud",
        frame_name(BLURRED): "out of focus",
    }


def noise_of_best(night: Night, weights: dict[int, float]) -> float:
    """Noise that the best weights would give over that of ours, for light of one brightness."""
    light, variance, *_ = true_columns(night)
    sharp = [k for k in range(night.frames) if k != BLURRED]
    best = 1 / np.sqrt(sum(light[k] ** 2 / variance[k] for k in sharp))
    total = sum(weights.values())
    ours = np.sqrt(sum((w / light[k]) ** 2 * variance[k] for k, w in weights.items())) / total
    return float(best / ours)


def examine(seed: int, frames: int, wind: float, *, quick: bool) -> None:
    """Stack the night of a seed and print its figures beside the oracle's."""
    night = hard_night(seed, frames, wind, quick=quick)
    with tempfile.TemporaryDirectory() as place:
        expected = disorder(night, Path(place))
        run = stackkit.stack([place])
    rows = {row["file"]: row for row in run.record["frames"]}
    numbers = {frame_name(k): k for k in range(frames)}
    used = {numbers[n]: row["weight"] for n, row in rows.items() if row["used"] and n in numbers}
    reference = numbers[run.record["reference"]]
    centre, corner = figures.centroid_errors(np.asarray(run.stack.value), night, reference)
    good = replace(night, mishaps=())
    with tempfile.TemporaryDirectory() as place:
        shutil.copytree(night_folder(good), place, dirs_exist_ok=True)
        true = oracle.stack(Path(place), good)
    at_best = figures.centroid_errors(true.value, good, true.reference_index)
    right = [name for name, word in expected.items() if word in rows[name]["reason"]]
    print(
        f"{seed}: centroid {centre:.4f} centre {corner:.4f} corner (oracle {at_best[0]:.4f} "
        f"{at_best[1]:.4f}), noise {noise_of_best(night, used):.3f}, reasons right "
        f"{len(right)} of {len(expected)}, frames used {len(used)} of {frames}"
    )
    for name in expected:
        print(f"    {name:<16} {'used' if rows[name]['used'] else 'out '} {rows[name]['reason']}")
    for event in run.record["story"]:
        print(f"    · {event['text']}")
    for sentence in run.record["advice"]:
        print(f"    → {sentence}")


def main() -> None:
    """Run the nights."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[6101])
    parser.add_argument("--frames", type=int, default=24)
    parser.add_argument("--wind", type=float, default=4.0, help="of each frame, px")
    parser.add_argument("--quick", action="store_true", help="half the pixels a side")
    args = parser.parse_args()
    for seed in args.seeds:
        examine(seed, args.frames, args.wind, quick=args.quick)


if __name__ == "__main__":
    main()
