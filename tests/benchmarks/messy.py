"""Random messy folders, sorted: sessions there are and found, and the frames that went astray.

    python -m tests.benchmarks.messy --seed 1301 --folders 12

Each folder holds two to four sessions (other aims, nights, cameras or lenses), some with a battery
change, clouds, a bump, two exposures, or without times, spread over folders, with copies, JPEGs,
darks, daylight pictures and other files among them.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from messy import hot_sites, put, shoot

from stackkit.raw.decode import decode
from stackkit.session.by_sky import by_sky, quick_measure
from stackkit.session.grouping import Session, chosen, listed
from stackkit.simulate import Night

DAY = 86_000.0
OTHER = "none"


def sky(rng: np.random.Generator, width: int, focal: float) -> Night:
    """One part of the sky over a camera with a lens."""
    return Night(
        seed=int(rng.integers(1, 2**31)),
        frames=int(rng.integers(6, 13)),
        width=width,
        height=width * 3 // 4,
        focal=focal * width,
        altitude=float(rng.uniform(30, 70)),
        azimuth=float(rng.uniform(0, 360)),
        psf_sigma=float(rng.uniform(0.65, 1.2)),
        sky_rate=float(rng.uniform(3, 30)),
        cadence=float(rng.uniform(10, 40)),
        faintest=8.0,
        satellites=1,
        aircraft=0,
        hot_fraction=0.0,
    )


def mishap(rng: np.random.Generator, night: Night) -> tuple[Night, str]:
    """The night with something that makes no other session of it."""
    kind = str(rng.choice(["calm", "battery", "clouds", "bump", "blur"]))
    half = night.frames // 2
    if kind == "calm":
        return night, kind
    night = replace(night, pause_frame=half, pause=float(rng.uniform(180, 1500)))
    if kind == "clouds":
        light = np.ones(night.frames)
        light[half - 2 : half + 2] = rng.choice([0.0, 0.05, 0.3, 0.6], 4)
        return replace(night, clear=tuple(light)), kind
    if kind == "bump":
        return replace(night, bump_frame=half, bump_degrees=float(rng.uniform(1, 8))), kind
    if kind == "blur":
        return replace(night, defocus=(0.0,) * (night.frames - 2) + (2.0,) * 2), kind
    return night, kind


def write_folder(rng: np.random.Generator, folder: Path) -> tuple[dict[Path, str], list[str]]:
    """A messy folder: of each file the session it truly belongs to, and what is in it."""
    width, focal = int(rng.choice([320, 400, 480])), float(rng.uniform(0.55, 1.6))
    hot = hot_sites(sky(rng, width, focal), int(rng.integers(20, 300)), int(rng.integers(1000)))
    truth: dict[Path, str] = {}
    words = []
    late = 0.0
    timeless = rng.random() < 0.25
    for number in range(int(rng.integers(2, 5))):
        night, kind = mishap(rng, sky(rng, width, focal))
        said: dict[str, Any] = {}
        apart = str(rng.choice(["aim", "night", "camera", "lens"], p=[0.5, 0.2, 0.15, 0.15]))
        if number and apart == "night":
            late += DAY
        if apart == "camera":
            said["model"] = f"Borrowed {number}"
        if apart == "lens":
            said["focal_mm"] = 2.0 + number
        tag = f"{number}/IMG {number}" if rng.random() < 0.5 else f"{number}-IMG"
        cut = night.frames if rng.random() < 0.6 else night.frames // 2
        when = None if timeless else late
        some = dict(hot=hot, late=when, **said)
        paths = shoot(folder, tag, night, range(cut), **some)
        paths += shoot(folder, tag, night, range(cut, night.frames), share=0.3, **some)
        truth |= dict.fromkeys(paths, str(number))
        words.append(f"{'first' if not number else apart} ({kind})")
        late += night.frames * night.cadence + night.pause + float(rng.uniform(120, 1800))
    truth |= dict.fromkeys(
        clutter(rng, folder, list(truth), None if timeless else late, hot), OTHER
    )
    return truth, words


def clutter(
    rng: np.random.Generator, folder: Path, frames: list[Path], late: float | None, hot: Any
) -> list[Path]:
    """Files that are no frame of any session."""
    night = Night(width=hot.shape[1], height=hot.shape[0], frames=1)
    made = []
    (folder / "Kopien ü").mkdir()
    for path in rng.choice(np.array(frames, dtype=object), 3, replace=False):
        made.append(folder / "Kopien ü" / f"-{path.name}")
        shutil.copy(path, made[-1])
        made.append(path.with_suffix(".JPG"))
        grey = rng.integers(0, 255, (48, 64, 3)).astype(np.uint8)
        made[-1].write_bytes(imagecodecs.jpeg8_encode(grey))
        made.append(folder / f"broken {path.name}")
        data = path.read_bytes()
        made[-1].write_bytes(data[: int(rng.uniform(0.3, 0.95) * len(data))])
    for k in range(4):
        codes = np.rint(rng.poisson(hot) / 1.6 + night.black + rng.normal(0, 2, hot.shape))
        when = None if late is None else late + 20.0 * k
        made.append(folder / f"zz dark {k}.dng")
        put(made[-1], night, np.clip(codes, 0, night.white).astype(np.uint16), when)
    day = np.clip(rng.normal(2500, 300, hot.shape), 0, night.white).astype(np.uint16)
    made.append(folder / "garden.dng")
    put(made[-1], night, day, None if late is None else late - 7000.0, exposure=0.001)
    made.append(folder / "notes.txt")
    made[-1].write_text("clear until two")
    return made


def misplaced(session: Session, truth: dict[Path, str]) -> int:
    """Files that are not where the most of their true session are, or in one though of none."""
    found = {frame.path: frame.session for frame in session.frames}
    wrong = sum(found[path] is not None for path, own in truth.items() if own == OTHER)
    taken: set[int | None] = {None}
    for own in sorted(set(truth.values()) - {OTHER}):
        places = Counter(found[path] for path, one in truth.items() if one == own)
        home = next((place for place, _ in places.most_common() if place not in taken), None)
        wrong += sum(places.values()) - (places[home] if home is not None else 0)
        taken.add(home)
    return wrong


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1301)
    parser.add_argument("--folders", type=int, default=12)
    asked = parser.parse_args()
    print("| seed | files | sessions | found | misplaced | decoded | s | what |")
    print("|---|---|---|---|---|---|---|---|")
    for seed in range(asked.seed, asked.seed + asked.folders):
        with tempfile.TemporaryDirectory() as name:
            truth, words = write_folder(np.random.default_rng(seed), Path(name))
            measured: list[str] = []

            def measure(frame: Any, measured: list[str] = measured) -> Any:
                measured.append(frame.name)
                return quick_measure(decode(frame.path))

            began = time.perf_counter()
            session = chosen(by_sky(listed([Path(name)]), measure))
            took = time.perf_counter() - began
        own = len(set(truth.values()) - {OTHER})
        print(
            f"| {seed} | {len(truth)} | {own} | {len(session.parts)} | "
            f"{misplaced(session, truth)} | {len(measured)} | {took:.1f} | {', '.join(words)} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
