"""How exactly the frames lie on each other, on seven nights: one table.

    python -m tests.benchmarks.alignment --seed 701

Median centroid error in the stack, centre / corner, of a hand-written homography pipeline (aligned
to its first frame), of the true mapping, and of ours; beside it what ours says of turning rate and
focal length against the truth, the true error of its mappings, and the time that it takes to
register.  Nights are simulated on the first run and kept in the temporary directory.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

import stackkit
import stackkit.pipeline
from stackkit.align.register import Registration
from stackkit.simulate import Night
from stackkit.simulate.folder import frame_name

from . import figures, oracle, rival, truth
from .alignment_nights import nights
from .figures import CENTRE, CORNER, Result
from .nights import night_folder

LIMITS = {
    "wide": (0.02, 0.03),
    "pole": (0.02, 0.035),
    "low": (0.02, 0.035),
    "long": (0.02, 0.025),
    "city": (0.02, 0.03),
    "five": (0.035, 0.06),
    "bump": (0.03, 0.04),
}
"""Centroid errors, px, that ours may have at most."""
RATE = 15.04107
"""″/s: 86164.0905 s a turn (IAU)."""
_STEP = 60


@dataclass(frozen=True)
class Ours:
    """Our stack, and what was found on the way to it."""

    result: Result
    registration: Registration
    record: dict[str, Any]
    seconds: float


def ours(folder: Path, night: Night) -> Ours:
    """``stackkit.stack`` with its registration and its time kept."""
    kept: list[tuple[Registration, float]] = []
    register = stackkit.pipeline.register

    def watched(*arguments: Any, **named: Any) -> Registration:
        started = time.perf_counter()
        found = register(*arguments, **named)
        kept.append((found, time.perf_counter() - started))
        return found

    stackkit.pipeline.register = watched
    try:
        started = time.perf_counter()
        run = stackkit.stack([folder])
        whole = time.perf_counter() - started
    finally:
        stackkit.pipeline.register = register
    names = [frame_name(k) for k in range(night.frames)]
    reference = names.index(Path(run.record["reference"]).name)
    registration, seconds = kept[0]
    return Ours(
        Result(np.asarray(run.stack.value), reference, whole), registration, run.record, seconds
    )


def mapping_errors(found: Ours, night: Night) -> tuple[float, float]:
    """Median true error of the mappings at the centre and in the corners, worst frame, px."""
    x, y = np.arange(20, night.width - 20, _STEP), np.arange(20, night.height - 20, _STEP)
    xy = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2).astype(np.float64)
    middle = np.array([night.width - 1, night.height - 1]) / 2
    radius = np.hypot(*(xy - middle).T) / np.hypot(*middle)
    worst = np.zeros(2)
    for k, mapping in enumerate(found.registration.mappings):
        if mapping is None:
            continue
        there = truth.carry(night, xy, found.result.reference_index, k)
        inside = ((there > 0) & (there < [night.width - 1, night.height - 1])).all(axis=1)
        away = np.hypot(*(mapping.from_reference(xy) - there).T)
        zones = inside & (radius < CENTRE), inside & (radius >= CORNER)
        worst = np.maximum(worst, [np.median(away[zone]) for zone in zones])
    return float(worst[0]), float(worst[1])


def row(name: str, night: Night, columns: list[str]) -> list[str]:
    """One line of the table."""
    folder = night_folder(night)
    cells = [name]
    for column in columns:
        print(f"{name}: {column} …", file=sys.stderr)
        if column != "ours":
            make = partial(rival.stack, plain=True) if column == "rival" else oracle.stack
            made = make(folder, night)
            centre, corner = figures.centroid_errors(made.value, night, made.reference_index)
            cells.append(f"{centre:.3f} / {corner:.3f}")
            continue
        found = ours(folder, night)
        centre, corner = figures.centroid_errors(
            found.result.value, night, found.result.reference_index
        )
        high = LIMITS[name]
        mark = "!" if centre > high[0] or corner > high[1] else ""
        at, out = mapping_errors(found, night)
        geometry = found.record["geometry"]
        rate, sigma = geometry["rate_arcsec_s"], geometry["rate_sigma_arcsec_s"]
        turned = f"{rate / RATE - 1:+.3%} ± {sigma / RATE:.3%}" if rate else "no times"
        lens = found.registration.geometry
        placed = sum(r["used"] for r in found.record["frames"] if r["role"] == "light")
        cells += [
            f"{centre:.3f} / {corner:.3f}{mark}",
            f"{high[0]:g} / {high[1]:g}",
            f"{at:.4f} / {out:.4f}",
            turned,
            f"{lens.lens.f / night.focal - 1:+.3%} ± {lens.focal_sigma:.3%}",
            f"{placed} of {night.frames}",
            f"{found.seconds:.1f}",
        ]
    return cells


def main() -> None:
    """Read the options, run everything, print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.alignment", description=__doc__
    )
    parser.add_argument("--seed", type=int, default=701)
    parser.add_argument("--nights", nargs="+", default=list(LIMITS))
    parser.add_argument("--only", nargs="+", default=["rival", "oracle", "ours"])
    options = parser.parse_args()
    heads = {"ours": ["ours", "limit", "mapping, worst frame", "rate", "focal length", "used", "s"]}
    lines = [["night", *(h for column in options.only for h in heads.get(column, [column]))]]
    for name, night in nights(options.seed).items():
        if name in options.nights:
            lines.append(row(name, night, options.only))
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    for line in lines:
        print("  ".join(text.ljust(w) for text, w in zip(line, widths, strict=True)).rstrip())


if __name__ == "__main__":
    main()
