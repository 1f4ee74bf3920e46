"""The comparison: a hand-written rival, the best possible, and stackkit, in one table.

    python -m tests.benchmarks.run --seeds 101 102

Figures with several seeds stand side by side in a cell.  Nights are simulated on the first run
(about two minutes each) and kept in the temporary directory.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

import stackkit
import stackkit.pipeline
from stackkit.simulate import Night
from stackkit.simulate.folder import frame_name

from . import figures, nights, oracle, rival
from .figures import Figures, Result

Contender = Callable[[Path, Night], Result]

FEW = 5
"""Frames of the short session: too few for a plain clip to reject anything."""


@dataclass(frozen=True)
class Row:
    """One line of the table; ``low`` and ``high`` are what ours must keep within."""

    name: str
    figure: str
    few: bool = False
    low: float = -np.inf
    high: float = np.inf


ROWS = (
    Row("centroid error, centre, px", "centroid_centre", high=0.05),
    Row("centroid error, corner, px", "centroid_corner", high=0.08),
    Row("noise gain, share of √N", "noise_gain", low=0.97),
    Row(f"noise gain, {FEW} frames", "noise_gain", few=True, low=0.97),
    Row("width ratio", "width_ratio", high=0.95),
    Row(f"width ratio, {FEW} frames", "width_ratio", few=True, high=1.0),
    Row("trail left", "trail_left", low=-0.01, high=0.01),
    Row(f"trail left, {FEW} frames", "trail_left", few=True, low=-0.02, high=0.02),
    Row("hot residue", "hot_residue", low=-0.01, high=0.01),
    Row(f"hot residue, {FEW} frames", "hot_residue", few=True, low=-0.01, high=0.01),
    Row("photometric slope", "photometric_slope", low=0.99, high=1.01),
    Row(f"photometric slope, {FEW} frames", "photometric_slope", few=True, low=0.99, high=1.01),
    Row("red, blue from green, px", "colour_offset", high=0.02),
    Row("ring, share of the peak", "ring", low=-0.005),
    Row("seconds", "seconds"),
)


@dataclass(frozen=True)
class Run:
    """One contender on one night."""

    figures: Figures
    seconds: float


def ours(folder: Path, night: Night) -> Result:
    """What ``stackkit.stack`` makes of the folder with its default options."""
    started = time.perf_counter()
    run = stackkit.stack([folder])
    seconds = time.perf_counter() - started
    names = [frame_name(k) for k in range(night.frames)]
    reference = names.index(Path(run.record["reference"]).name)
    return Result(np.asarray(run.stack.value), reference, seconds)


def contenders(plain: bool) -> dict[str, Contender]:
    """The columns in order; ours only once the package can stack."""
    by_hand: Contender = partial(rival.stack, plain=plain)
    columns = {"rival": by_hand, "oracle": oracle.stack}
    if callable(getattr(stackkit, "stack", None)):
        columns["ours"] = ours
    else:
        print("No column for ours: stackkit.stack does not exist yet.", file=sys.stderr)
    return columns


def measured(name: str, contend: Contender, night: Night) -> Run:
    """Run one contender on one night and measure what it made."""
    folder = nights.night_folder(night)
    print(f"{name}: night {night.seed}, {night.frames} frames …", file=sys.stderr)
    result = contend(folder, night)
    single = figures.single_frame(folder, result.reference_index)
    return Run(figures.figures(result.value, night, result.reference_index, single), result.seconds)


def cell(row: Row, runs: list[tuple[Run, Run]], judged: bool) -> str:
    """One figure of one contender, a number a seed; ``!`` marks what ours must not be."""
    numbers = []
    for few, full in runs:
        run = few if row.few else full
        number = run.seconds if row.figure == "seconds" else getattr(run.figures, row.figure)
        missed = judged and not row.low <= number <= row.high
        numbers.append(f"{number:.1f}" if row.figure == "seconds" else f"{number:.3f}")
        numbers[-1] += "!" if missed else ""
    return " ".join(numbers)


def limit(row: Row) -> str:
    """What ours must reach, in words."""
    if np.isfinite(row.low) and (row.low > 0 or np.isinf(row.high)):
        return f"≥ {row.low:g}" if np.isinf(row.high) else f"{row.low:g} to {row.high:g}"
    return f"≤ {row.high:g}" if np.isfinite(row.high) else "≤ rival's"


def table(results: dict[str, list[tuple[Run, Run]]]) -> str:
    """The figures as text, a column a contender."""
    lines = [["", *results, "limit"]]
    for row in ROWS:
        cells = [cell(row, runs, name == "ours") for name, runs in results.items()]
        lines.append([row.name, *cells, limit(row)])
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return "\n".join(
        "  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )


def main() -> None:
    """Read the options, run everything, print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.run", description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[101], help="nights to take")
    parser.add_argument("--frames", type=int, default=24, help="frames of the long session")
    parser.add_argument("--quick", action="store_true", help="half the pixels a side: no figures")
    parser.add_argument(
        "--only", nargs="+", default=["rival", "oracle", "ours"], help="columns to run"
    )
    parser.add_argument(
        "--plain", action="store_true", help="the rival aligns to the first frame, with no hot rule"
    )
    options = parser.parse_args()
    columns = contenders(options.plain)
    results: dict[str, list[tuple[Run, Run]]] = {name: [] for name in columns}
    results = {name: runs for name, runs in results.items() if name in options.only}
    for seed in options.seeds:
        pair = [nights.standard_night(seed, n, quick=options.quick) for n in (FEW, options.frames)]
        for name, runs in results.items():
            few, full = (measured(name, columns[name], night) for night in pair)
            runs.append((few, full))
    print(table(results))


if __name__ == "__main__":
    main()
