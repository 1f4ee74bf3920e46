"""Nights with random mishaps: is every frame's fate right, and told for the right reason?

    python -m tests.benchmarks.mishaps --first 2001 --nights 30

Nights are small, of changing lenses, sensors, skies and settings, all from their seed.  Truth is
what the simulator did to a frame.  Its *true worth* is what it adds to the stack beside a frame
that nothing befell: light² / sky variance, times what blur leaves of it (``sharpness``), from the
true light, sky and star image.  Worth by our account is its weight beside the median weight of the
unharmed frames of its setting.

- lost: true worth 0.7 or more (**good**), and not used.
- kept in full: true worth under 0.5 (**bad**), and counted as 0.8 or more.
- right cause: among those that ``EXPECTED`` allows, for frames whose true worth is under 0.8.
- noise, depth, places: what the weights reach of the best possible ones.  Noise: of the sky, the
  best by true inverse variances over all frames whose stars are no more than half spoilt; depth
  and places: of the faintest stars seen and of stars' places, by matched filters, over all frames
  (``indicators.sharpness`` has the formula).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from stackkit.arrays import Array
from stackkit.grading.diagnosis import Cause
from stackkit.grading.indicators import sharpness
from stackkit.pipeline import Options, prepared
from stackkit.simulate import Mishap, MishapKind, Night, ideal_picture, random_mishaps
from stackkit.simulate.conditions import conditions, present
from stackkit.simulate.night import exposure_of, iso_of, mid_time
from stackkit.simulate.sky import catalogue, pixels

from .nights import night_folder

GOOD, BAD, FULL, TELLING = 0.7, 0.5, 0.8, 0.8
_BLURS = {Cause.SHAKEN, Cause.TRAILED}
_KIND = MishapKind
EXPECTED = {
    _KIND.CLOUD: {Cause.CLOUD},
    _KIND.PATCHES: {Cause.CLOUD},
    _KIND.HAZE: {Cause.HAZE},
    _KIND.DEFOCUS: {Cause.DEFOCUS},
    _KIND.TREMBLE: _BLURS,
    _KIND.JOLT: _BLURS,
    _KIND.TRAIL: _BLURS,
    _KIND.DEW: {Cause.DEW},
    _KIND.DAWN: {Cause.GLOW},
    _KIND.TORCH: {Cause.TORCH},
    _KIND.FLOODED: {Cause.CLIPPED, Cause.TORCH},
    _KIND.COVERED: {Cause.COVERED},
}


@dataclass(frozen=True)
class Fate:
    """One frame: what befell it (``kind``, None for nothing), and what was made of it."""

    seed: int
    number: int
    kind: MishapKind | None
    strength: float
    true_worth: float
    counted: float
    used: bool
    cause: Cause
    reason: str


@dataclass(frozen=True)
class NightResult:
    """Fates of a night's frames; the efficiencies are shares of the best possible."""

    fates: list[Fate]
    noise: float
    depth: float
    places: float


def random_night(seed: int, frames: int = 16) -> Night:
    """A small night whose lens, sensor, sky, settings and mishaps follow from the seed."""
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, 7])))
    width = int(rng.choice([560, 640, 720]))
    focal = width * float(rng.uniform(0.6, 1.6))
    psf = float(rng.uniform(0.65, 1.1))
    mishaps = random_mishaps(seed, frames, int(rng.integers(2, 6)), psf)
    if rng.random() < 0.3:
        kind = (_KIND.EXPOSURE, _KIND.ISO)[int(rng.integers(2))]
        first = int(rng.integers(0, frames // 2))
        mishaps += (Mishap(kind, first, first + frames // 3, float(rng.choice([0.5, 0.6, 2.0]))),)
    return Night(
        seed=seed,
        frames=frames,
        width=width,
        height=width * 3 // 4,
        focal=focal,
        psf_sigma=psf,
        exposure=float(rng.uniform(5, 12)),
        gain=float(rng.uniform(0.8, 2.5)),
        read_noise=float(rng.uniform(1.5, 4.0)),
        pattern=str(rng.choice(["RGGB", "BGGR", "GRBG"])),
        sky_rate=float(rng.choice([3.0, 6.0, 15.0])),
        altitude=float(rng.uniform(30, 70)),
        azimuth=float(rng.uniform(0, 360)),
        wind=float(rng.uniform(0, 0.6)),
        bump_frame=int(rng.integers(3, frames - 3)) if rng.random() < 0.3 else 0,
        bump_degrees=1.0,
        zero_rate=float(rng.uniform(3e4, 8e4)),
        faintest=9.0,
        with_times=bool(rng.random() < 0.8),
        mishaps=mishaps,
    )


def _star_image(night: Night, k: int) -> tuple[float, float]:
    """Long and short axis (σ, px) of the stars of frame k: optics, blur, and all that moves."""
    suffered = conditions(night, k)
    bright = catalogue(night).direction[:400]
    moments = mid_time(night, k) + exposure_of(night, k) * (np.arange(5) / 4 - 0.5)
    track = np.stack([pixels(night, bright, k, float(t)) for t in moments], axis=1)
    inside = ((track[:, 2] > 0) & (track[:, 2] < [night.width, night.height])).all(axis=1)
    moved = track[inside] - track[inside].mean(axis=1, keepdims=True)
    spread = np.median(np.einsum("ntx,nty->nxy", moved, moved) / len(moments), axis=0)
    own = np.cov(suffered.path.T, bias=True) + spread
    base = night.psf_sigma**2 + suffered.blur**2
    short2, long2 = np.linalg.eigvalsh(own + base * np.eye(2))
    return float(np.sqrt(long2)), float(np.sqrt(short2))


def true_columns(night: Night) -> tuple[Array, Array, Array, Array]:
    """Light in ADU and sky variance in ADU² of green, both as they come; axes of the stars."""
    light, variance, axes = [], [], []
    for k in range(night.frames):
        gain = night.gain * night.iso / iso_of(night, k)
        sky = float(np.median(ideal_picture(night, k)[1]))
        sky = min(sky, (night.white - night.black) * gain)
        variance.append((sky + night.read_noise**2) / gain**2 + 1 / 12)
        clipped = sky >= 0.95 * (night.white - night.black) * gain
        share = 0.0 if clipped else float(np.mean(conditions(night, k).light))
        light.append(share * exposure_of(night, k) / gain)
        axes.append(_star_image(night, k))
    long, short = np.array(axes).T
    return np.array(light), np.array(variance), long, short


def _struck_by(night: Night, k: int) -> Mishap | None:
    own = [m for m in present(night, k) if m.kind not in (_KIND.EXPOSURE, _KIND.ISO)]
    return own[0] if own else None


def examine(seed: int, frames: int = 16) -> NightResult:
    """Grades of the night of a seed beside the truth."""
    night = random_night(seed, frames)
    with prepared([night_folder(night)], Options(jobs=1)) as ready:
        grades = dict(zip(ready.lights.numbers, ready.grades, strict=True))
    light, variance, long, short = true_columns(night)
    whole = [k for k in range(frames) if _struck_by(night, k) is None]
    l0, s0 = float(np.median(long[whole])), float(np.median(short[whole]))
    worth = light**2 / variance * sharpness(long / l0, short / s0)
    setting = [(exposure_of(night, k), iso_of(night, k)) for k in range(frames)]
    fates = []
    for k in range(frames):
        alike = [j for j in whole if setting[j] == setting[k]] or whole
        counted = grades[k].weight / np.median([grades[j].weight for j in alike])
        struck = _struck_by(night, k)
        fates.append(
            Fate(
                seed=seed,
                number=k,
                kind=struck.kind if struck else None,
                strength=struck.strength if struck else 0.0,
                true_worth=float(worth[k] / np.median(worth[alike])),
                counted=float(counted),
                used=grades[k].used,
                cause=grades[k].cause,
                reason=grades[k].reason,
            )
        )
    weights = np.array([grades[k].weight for k in range(frames)])
    measured = np.array([grades[k].transparency or 1.0 for k in range(frames)])
    scaled = weights * light / measured  # what a unit of true light comes to in the sum
    spread = np.sum((weights / measured) ** 2 * variance)
    sound = sharpness(long / l0, short / s0) > 0.5
    best = np.sum((light**2 / variance)[sound])
    noise = scaled.sum() / np.sqrt(spread) / np.sqrt(best)
    a2, b2 = long[:, None] ** 2 + long**2, short[:, None] ** 2 + short**2
    depth = 1 / np.sqrt(a2 * b2)
    shares = [
        _of_best(scaled, spread, light / np.sqrt(variance), overlap)
        for overlap in (depth, depth * (1 / a2 + 1 / b2))
    ]
    return NightResult(fates, float(noise), *shares)


def _of_best(scaled: Array, spread: float, signal: Array, overlap: Array) -> float:
    """Signal to noise of the sum as a share of the best that any weights reach.

    ``scaled`` (N,): a frame's part in the sum; ``signal``: its light over its noise; ``overlap``
    (N, N): how far the images of two frames agree.
    """
    best = np.linalg.eigvalsh(signal[:, None] * overlap * signal)[-1]
    return float(np.sqrt(scaled @ overlap @ scaled / spread / best))


def _share(part: list[Fate], whole: list[Fate]) -> str:
    return f"{100 * len(part) / max(len(whole), 1):.1f} % ({len(part)} of {len(whole)})"


def _print(results: list[NightResult], verbose: bool) -> None:
    fates = [fate for result in results for fate in result.fates]
    by_kind: dict[MishapKind | None, list[Fate]] = defaultdict(list)
    for fate in fates:
        by_kind[fate.kind].append(fate)
    head = "frames", "telling", "right cause", "left out", "less", "full"
    print(f"{'':<14}" + "".join(f"{name:>13}" for name in head))
    for kind in [None, *MishapKind]:
        own = by_kind[kind]
        telling = [f for f in own if f.true_worth < TELLING]
        right = [f for f in telling if f.kind and f.cause in EXPECTED[f.kind]]
        out = [f for f in own if not f.used]
        full = [f for f in own if f.counted >= FULL]
        if own:
            row = len(own), len(telling), len(right), len(out)
            cells = (*row, len(own) - len(out) - len(full), len(full))
            print(f"{kind or 'nothing':<14}" + "".join(f"{cell:>13}" for cell in cells))
            if verbose:
                _print_wrong(own)
    good = [f for f in fates if f.true_worth >= GOOD]
    bad = [f for f in fates if f.true_worth < BAD]
    lost = [f for f in good if not f.used]
    in_full = [f for f in bad if f.counted >= FULL]
    told = [f for f in good if f.kind is None]
    print(f"good frames lost       {_share(lost, good)}")
    print(f"bad frames in full     {_share(in_full, bad)}")
    print(f"remarks on good ones   {_share([f for f in told if f.cause], told)}")
    off = [abs(np.log(f.counted / f.true_worth)) for f in fates if f.used and f.true_worth > 0.05]
    typical, most = 100 * np.quantile(off, [0.5, 0.95])
    print(f"worth, typical error   {typical:.0f} %, 95 of 100 within {most:.0f} %")
    for name in ("noise", "depth", "places"):
        column = np.array([getattr(result, name) for result in results])
        middle, least = np.median(column), column.min()
        print(f"{name + ', of the best':<22} median {middle:.3f}, worst {least:.3f}")


def _print_wrong(own: list[Fate]) -> None:
    for f in own:
        wrong = f.true_worth < TELLING and (not f.kind or f.cause not in EXPECTED[f.kind])
        lost = f.true_worth >= GOOD and not f.used
        full = f.true_worth < BAD and f.counted >= FULL
        if wrong or lost or full or (f.kind is None and f.cause):
            print(
                f"    {f.seed}/{f.number} strength {f.strength:.2f} worth {f.true_worth:.2f} "
                f"counted {f.counted:.2f}: {f.reason}"
            )


def main() -> None:
    """Run the nights and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first", type=int, default=2001, help="first seed")
    parser.add_argument("--nights", type=int, default=30)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--verbose", action="store_true", help="name every wrong frame")
    args = parser.parse_args()
    started = time.perf_counter()
    seeds = range(args.first, args.first + args.nights)
    with ProcessPoolExecutor(args.jobs) as pool:
        results = list(pool.map(examine, seeds))
    _print(results, args.verbose)
    print(f"{time.perf_counter() - started:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
