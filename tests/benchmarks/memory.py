"""Peak memory of ``stackkit.stack`` for few and for many frames of the same size.

    python -m tests.benchmarks.memory

Each stack runs in a process of its own.  This one imports nothing large: on Linux a child's peak
starts at that of the process that made it.  Pages of a mapped scratch file that are in memory
count towards the peak like any other.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys

FEW, MANY = 10, 60


def _prepare(frames: int) -> None:
    from . import nights

    print(nights.night_folder(nights.standard_night(11, frames, quick=True)))


def _stack(folder: str) -> None:
    import stackkit

    if not callable(getattr(stackkit, "stack", None)):
        raise SystemExit("stackkit.stack does not exist yet.")
    stackkit.stack([folder])


def _command(*words: str) -> list[str]:
    return [sys.executable, "-m", "tests.benchmarks.memory", *words]


def peak(folder: str) -> float:
    """Peak resident memory in MB of stacking a folder (``wait4``: of that child and its own)."""
    child = subprocess.Popen(_command("--stack", folder), stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"Stacking {folder} failed with exit status {child.returncode}.")
    return usage.ru_maxrss / (1024 * 1024 if sys.platform == "darwin" else 1024)


def main() -> None:
    """Measure both and print them, with their ratio."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.memory", description=__doc__)
    parser.add_argument("--prepare", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--stack", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.prepare:
        _prepare(options.prepare)
    elif options.stack:
        _stack(options.stack)
    else:
        folders = [
            subprocess.run(
                _command("--prepare", str(frames)), check=True, stdout=subprocess.PIPE, text=True
            ).stdout.strip()
            for frames in (FEW, MANY)
        ]
        few, many = (peak(folder) for folder in folders)
        print(f"peak memory: {FEW} frames {few:.0f} MB, {MANY} frames {many:.0f} MB", end=", ")
        print(f"ratio {many / few:.3f} (limit 0.9 to 1.1)")


if __name__ == "__main__":
    main()
