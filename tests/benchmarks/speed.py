"""What a stack costs beside a pipeline written by hand, all measured in one run.

    python -m tests.benchmarks.speed            # 24 frames of 3 MP and 8 of 12 MP
    python -m tests.benchmarks.speed --long     # 10, 30, 100 and 300 frames of 3 MP
    python -m tests.benchmarks.speed --methods  # beside astropy, and ten methods beside one stack
    python -m tests.benchmarks.speed --sample   # the sample frames, beside the last landed ratio

Every part runs in a process of its own, its loops compiled before.  Printed are the clock and the
core seconds of ``rival.py``, of bare decoding and of the whole command with its stages; the peak of
all its processes together (PSS: a page that several share counts once), the greatest size of its
temporary files, and for each stage the bytes a sample that the measured memory bandwidth could
have moved meanwhile: no stage moved more.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "sample_frames"
LANDED = Path(__file__).with_suffix(".json")
_PAUSE = 0.25
"""Seconds from one look at the processes to the next."""


@dataclass(frozen=True)
class Cost:
    """Of one process with all that it started: seconds by the clock and of cores, greatest sums of
    memory (MB, PSS) and of temporary files (MB), and what it printed.
    """

    clock: float
    cores: float
    memory: float
    scratch: float
    said: str


def _family(pid: int) -> list[int]:
    """A process and all that descend from it."""
    found = [pid]
    for own in found:
        for task in Path(f"/proc/{own}/task").glob("*/children"):
            found += [int(word) for word in task.read_text().split()]
    return found


def _memory(pid: int) -> float:
    """PSS of a process and its descendants, MB."""
    total = 0
    for own in _family(pid):
        text = Path(f"/proc/{own}/smaps_rollup").read_text()
        total += next(int(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:"))
    return total / 1024


def _size(folder: Path) -> float:
    return sum(p.stat().st_blocks * 512 for p in folder.rglob("*") if p.is_file()) / 2**20


def cost(command: list[str], scratch: Path) -> Cost:
    """Of running ``command``, whose temporary files go to ``scratch``."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin, memory, size = time.perf_counter(), 0.0, 0.0
    # Python keeps what it makes of the sources, as it does for whoever uses them.
    setting = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=setting) as process:
        while process.poll() is None:
            time.sleep(_PAUSE)
            try:
                memory, size = max(memory, _memory(process.pid)), max(size, _size(scratch))
            except (OSError, StopIteration):
                continue  # one of them has just gone
        clock = time.perf_counter() - begin
        said = process.stdout.read() if process.stdout else ""
    if process.returncode:
        sys.exit(f"{' '.join(command)} failed with status {process.returncode}.")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cores = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(clock, cores, memory, size, said)


def bandwidth() -> float:
    """Bytes a second that one core copies, read and written counted."""
    import numpy as np

    source = np.ones(2**25)
    target = np.zeros_like(source)
    times = []
    for _ in range(5):
        begin = time.perf_counter()
        np.copyto(target, source)
        times.append(time.perf_counter() - begin)
    return 2 * source.nbytes / min(times)


def _part(name: str, folder: Path, out: Path) -> None:
    """One of the parts, in this process; prints its seconds as JSON."""
    if name == "rival":
        from . import rival

        print(json.dumps({"all": rival.stack(folder, None).seconds}))
        return
    if name == "decode":
        from concurrent.futures import ThreadPoolExecutor

        from stackkit.raw.decode import decode

        begin = time.perf_counter()
        with ThreadPoolExecutor() as pool:
            list(pool.map(lambda path: decode(path).data.shape, sorted(folder.glob("*.dng"))))
        print(json.dumps({"all": time.perf_counter() - begin}))
        return
    from stackkit.output.write import write_results
    from stackkit.pipeline import Options, stack

    result = stack([folder], Options(scratch=out))
    begin = time.perf_counter()
    write_results(result, out)
    print(json.dumps({**result.seconds, "write": time.perf_counter() - begin}))


def measured(name: str, folder: Path) -> tuple[Cost, dict[str, float]]:
    """One of the parts in a process of its own: its cost, and the seconds of its stages."""
    out = Path(tempfile.mkdtemp(prefix="stackkit-speed-"))
    try:
        command = [sys.executable, "-m", "tests.benchmarks.speed", "--part", name]
        found = cost([*command, str(folder), "--out", str(out)], out)
    finally:
        shutil.rmtree(out)
    stages: dict[str, float] = json.loads(found.said.splitlines()[-1])
    return found, stages


def compared(frames: int, width: int, height: int, seed: int, *, rival: bool = True) -> float:
    """Print the table of one night; our clock over the rival's (over bare decoding without it)."""
    from . import nights

    folder = nights.night_folder(nights.sized_night(seed, frames, width, height))
    return table(folder, frames, width, height, rival=rival)


def table(folder: Path, frames: int, width: int, height: int, *, rival: bool = True) -> float:
    """The same of a folder of frames."""
    from stackkit.integration.prediction import deviations
    from stackkit.integration.resample import add_frame
    from stackkit.jit import is_compiled

    samples = frames * width * height
    speed = bandwidth()
    print(f"\n{frames} frames of {width}×{height}; one core copies {speed / 1e9:.1f} GB a second")
    print(f"{'':<12}{'clock s':>9}{'core s':>9}{'PSS MB':>9}{'scratch MB':>12}{'B/sample ≤':>12}")
    parts = ["decode", *(["rival"] if rival else []), "ours"]
    clocks = {}
    for name in parts:
        if name == "ours" and not (is_compiled(add_frame) and is_compiled(deviations)):
            measured(name, folder)
        found, stages = measured(name, folder)
        clocks[name] = found.clock if name == "ours" else stages["all"]
        print(
            f"{name:<12}{clocks[name]:9.2f}{found.cores:9.2f}{found.memory:9.0f}"
            f"{found.scratch:12.0f}{found.cores * speed / samples:12.0f}"
        )
    for stage, seconds in stages.items():
        both = (os.cpu_count() or 1) * seconds * speed / samples
        print(f"  {stage:<10}{seconds:9.2f}{'':>30}{both:12.0f}")
    beside = "rival" if rival else "decode"
    ratio = clocks["ours"] / clocks[beside]
    print(f"ours over {beside}: {ratio:.2f}")
    return ratio


def methods(seed: int) -> None:
    """Print integration beside astropy's clip and mean, and ten methods beside one stack."""
    import numpy as np
    from astropy.stats import sigma_clip

    import stackkit
    from stackkit.compare import compare

    from . import nights

    night = nights.standard_night(seed, 24)
    folder = nights.night_folder(night)
    stackkit.stack([folder])  # compiles
    begin = time.perf_counter()
    own = stackkit.stack([folder]).seconds["integrate"]
    one = time.perf_counter() - begin
    begin = time.perf_counter()
    count = len(compare([folder]).record["methods"])
    several = time.perf_counter() - begin
    shape = (night.frames, 3 * night.height * night.width)
    cube = np.random.default_rng(1).normal(100, 5, shape).astype(np.float32)
    begin = time.perf_counter()
    np.ma.mean(sigma_clip(cube, axis=0), axis=0)
    plain = time.perf_counter() - begin
    print(f"\nintegration {own:.1f} s, astropy's clip and mean {plain:.1f} s: {own / plain:.2f}")
    print(f"{count} methods {several:.1f} s, one stack {one:.1f} s: {several / one:.2f}")


def sample() -> None:
    """Print the table of the sample frames, and the ratio that landed last beside this one.

    Machines are noisy: a change that makes it smaller or larger for good writes its own there.
    """
    ratio = table(SAMPLE, len(list(SAMPLE.glob("*.dng"))), 960, 720)
    print(f"last landed: {json.loads(LANDED.read_text())['sample']:.2f}; now {ratio:.2f}")


def main() -> None:
    """Run what was asked for and print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.speed", description=__doc__)
    parser.add_argument("--seed", type=int, default=1031)
    parser.add_argument("--long", action="store_true")
    parser.add_argument("--methods", action="store_true")
    parser.add_argument("--sample", action="store_true")
    parser.add_argument("--part", help=argparse.SUPPRESS)
    parser.add_argument("folder", nargs="?", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--out", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.part:
        _part(options.part, options.folder, options.out)
    elif options.long:
        for frames in (10, 30, 100, 300):
            compared(frames, 2000, 1500, options.seed, rival=False)
    elif options.methods:
        methods(options.seed)
    elif options.sample:
        sample()
    else:
        compared(24, 2000, 1500, options.seed)
        compared(8, 4000, 3000, options.seed)


if __name__ == "__main__":
    main()
