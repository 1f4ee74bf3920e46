"""Whether the method that a comparison recommends is the best one by the truth.

    python -m tests.benchmarks.recommendation --seed 971

Ten nights of other lenses, sensors, movers and numbers of frames.  A method's true error is the
root of the mean square difference from the noiseless picture, stars left aside (their width is the
same for all), a pixel counting as fifty standard deviations off at most.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np

from stackkit.compare import compare
from stackkit.integration import passes
from stackkit.integration.methods import METHODS
from stackkit.pipeline import BY_SAMPLE, Options, prepared
from stackkit.simulate import Night
from stackkit.simulate.folder import frame_name

from . import measures, nights, truth

_MOST = 50.0


def ten_nights(seed: int) -> list[Night]:
    """Nights from three to twenty-four frames, with and without movers, clouds and wind."""
    base = replace(nights.standard_night(seed, 12, quick=True), satellites=3, aircraft=1)
    changes = [
        {"frames": 3},
        {"frames": 5},
        {"frames": 8, "satellites": 0, "aircraft": 0},
        {"frames": 8, "focal": 1400.0, "k1": 0.0, "k2": 0.0},
        {"frames": 12, "read_noise": 6.0},
        {"frames": 12, "satellites": 10, "aircraft": 3},
        {"frames": 16, "gain": 0.6},
        {"frames": 16, "exposure": 3.0},
        {"frames": 24, "satellites": 0, "aircraft": 0},
        {"frames": 24, "satellites": 6},
    ]
    return [replace(base, seed=seed + k, **change) for k, change in enumerate(changes)]


def true_errors(folder: Path, night: Night) -> dict[str, float]:
    """Error of every method by the truth, in ADU."""
    with prepared([folder], Options()) as ready:
        context, lights, placed = ready.context, ready.lights, ready.placed
        judgement = passes.look(lights, placed, ready.suspects, context)
        base, _ = passes.combine_by_sample(lights, placed, judgement, context)
        made = passes.each(
            lights,
            placed,
            judgement,
            list(METHODS.values()),
            context,
            lambda shape: np.empty(shape, np.float32),
        )
        names = [frame_name(k) for k in range(night.frames)]
        file = ready.session.lights[lights.numbers[ready.reference]].path.name
        ideal = truth.picture(night, names.index(file))
        noise = truth.sample_noise(night, names.index(file))
        values = {BY_SAMPLE: base.value}
        values |= {name: out.value for name, out in zip(METHODS, made, strict=True)}
        starry = np.stack([measures.star_mask(ideal[c], noise[c]) for c in range(3)])
        unit = np.sqrt(np.nanmedian(base.variance, axis=(1, 2)))[:, None, None]
        return {name: _error((value - ideal) / unit, starry) for name, value in values.items()}


def _error(away: np.ndarray, starry: np.ndarray) -> float:
    squares = np.clip(np.where(starry, np.nan, away) ** 2, 0, _MOST**2)
    return float(np.sqrt(np.nanmean(squares, dtype=np.float64)))


def main() -> None:
    """Run the nights, print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.recommendation")
    parser.add_argument("--seed", type=int, default=971)
    options = parser.parse_args()
    print("night  frames  recommended  best by truth  its error over the best's  as good, by truth")
    for k, night in enumerate(ten_nights(options.seed)):
        folder = nights.night_folder(night)
        advice = compare([folder]).record["recommendation"]
        errors = true_errors(folder, night)
        best = min(errors, key=lambda name: errors[name])
        excess = errors[advice["method"]] / errors[best] - 1
        also = [n for n, e in errors.items() if e < 1.02 * errors[best] and n != best]
        mark = "" if excess <= 0.02 else "!"
        print(
            f"{k:>5}  {night.frames:>6}  {advice['method']:<11}  {best:<13}  "
            f"{100 * excess:.1f} %{mark:<19}  {', '.join(also)}",
            flush=True,
        )


if __name__ == "__main__":
    main()
