"""How reliably a push of the tripod is told from wind, pauses and shaken frames.

    python -m tests.benchmarks.pushes --seed 8101 --nights 400

By rotations alone, without pictures.  Random axes, lenses, lengths of night and winds (a part of
them lasting from frame to frame), pauses, single shaken frames.  "oracle" knows axis, rate and the
wind's scatter, and with times the clock.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from stackkit.align.sky_rotation import SkyRotation, fit_sky_rotation, pushes
from stackkit.geometry.lens import SIDEREAL

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rotations:
    """Rotations (F, 3, 3) from the middle frame, seconds (F,), the axis, the wind's scatter in one
    component in px, the frame that was pushed first (None: none) and the push as a vector in px.
    """

    turns: Array
    seconds: Array
    axis: Array
    focal: float
    wind: float
    frame: int | None
    push: Array


def night(
    rng: np.random.Generator,
    ratio: float,
    *,
    lasting: float = 0.0,
    pauses: int = 0,
    shaken: int = 0,
    wind: tuple[float, float] = (0.8, 8.0),
    frames: tuple[int, int] = (8, 60),
) -> Rotations:
    """A night with a push of ``ratio`` times the wind's scatter, at least three frames from both
    ends; ``lasting``: the wind's correlation from frame to frame.
    """
    count = int(rng.integers(frames[0], frames[1] + 1))
    focal = float(np.exp(rng.uniform(np.log(500), np.log(3000))))
    scatter = float(np.exp(rng.uniform(*np.log(wind))))
    axis = _direction(rng)
    waits = np.full(count, float(rng.uniform(8, 30)))
    for k in rng.choice(np.arange(1, count), pauses, replace=False):
        waits[k] *= rng.uniform(3, 90)
    seconds = np.cumsum(waits) - waits[0]
    sway = rng.normal(0, scatter, (count, 3))
    for k in range(1, count):
        sway[k] = lasting * sway[k - 1] + np.sqrt(1 - lasting**2) * sway[k]
    for k in rng.choice(count, shaken, replace=False):
        sway[k] += min(rng.uniform(10, 100), 0.07 * focal) * _direction(rng)
    frame = int(rng.integers(3, count - 2)) if ratio else None
    push = ratio * scatter * _direction(rng)
    made = [
        Rotation.from_rotvec(sway[k] / focal)
        * (Rotation.from_rotvec(push / focal) if frame is not None and k >= frame else _NONE)
        * Rotation.from_rotvec(-SIDEREAL * seconds[k] * axis)
        for k in range(count)
    ]
    middle = count // 2
    turns = np.array([(r * made[middle].inv()).as_matrix() for r in made])
    here = made[middle].apply(axis)
    return Rotations(turns, seconds - seconds[middle], here, focal, scatter, frame, push)


_NONE = Rotation.identity()


def _direction(rng: np.random.Generator) -> Array:
    vector = rng.normal(size=3)
    return np.asarray(vector / np.linalg.norm(vector))


def told(one: Rotations, *, clock: bool) -> list[tuple[int, float]]:
    """The pushes that the turning tells: frame and px."""
    count = len(one.turns)
    sky_rotation = fit_sky_rotation(
        one.turns, np.arange(count), one.seconds if clock else None,
        np.eye(3 * count) * (0.05 / one.focal) ** 2, one.focal,
    )  # fmt: skip
    found = pushes(sky_rotation, np.arange(count)) if isinstance(sky_rotation, SkyRotation) else ()
    return [(push.after, push.angle * one.focal) for push in found]


def oracle(one: Rotations, *, clock: bool) -> bool:
    """Whether there is a push, where axis, rate and scatter are known (without a clock it could be
    a pause if it goes about the axis): as clear as one chance in a thousand and a night.
    """
    known = Rotation.from_rotvec(-SIDEREAL * one.seconds[:, None] * one.axis)
    away = (Rotation.from_matrix(one.turns) * known.inv()).as_rotvec() * one.focal
    count = len(away)
    if not clock:
        away -= (away @ one.axis)[:, None] * one.axis
    best = 0.0
    for k in range(2, count - 1):
        step = np.median(away[k:], axis=0) - np.median(away[:k], axis=0)
        spread = one.wind**2 * (1 / k + 1 / (count - k)) * np.pi / 2
        best = max(best, float(step @ step) / spread)
    return best > (16.3 if clock else 13.8) + 2 * np.log(count)


def trial(rng: np.random.Generator, ratio: float, count: int, *, clock: bool, **kind: Any) -> str:
    """One row: share told right, told elsewhere or more, and how far the size is off."""
    right = extra = best = 0
    off = []
    for _ in range(count):
        one = night(rng, ratio, **kind)
        found = told(one, clock=clock)
        near = [px for k, px in found if one.frame is not None and abs(k - one.frame) <= 1]
        right += bool(near)
        extra += len(found) > bool(near)
        best += oracle(one, clock=clock)
        if near:
            off.append(abs(near[0] - float(np.linalg.norm(one.push))) / one.wind)
    size = f"{np.median(off):.2f} {np.quantile(off, 0.95):.2f}" if off else "-"
    return f"{right / count:6.3f} {extra / count:6.3f} {best / count:7.3f}   {size}"


KINDS: dict[str, dict[str, Any]] = {
    "white": {},
    "lasting 0.5": {"lasting": 0.5},
    "lasting 0.8": {"lasting": 0.8},
    "a pause": {"pauses": 1},
    "three pauses": {"pauses": 3},
    "two shaken": {"shaken": 2},
}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=8101)
    parser.add_argument("--nights", type=int, default=400, help="for each row")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--frames", type=int, nargs=2, default=(8, 60), help="fewest and most")
    parser.add_argument("--ratios", type=float, nargs="+", default=[0, 2, 3, 4, 5, 6, 8, 15])
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    print("push/wind: told, also elsewhere, oracle, size off in scatters (median, 95 %)")
    for clock in (False, True):
        for name in args.kinds:
            print(f"{'with' if clock else 'without'} times, {name}")
            for ratio in args.ratios:
                row = trial(rng, ratio, args.nights, clock=clock, frames=args.frames, **KINDS[name])
                print(f"    {ratio:4g} {row}", flush=True)


if __name__ == "__main__":
    main()
