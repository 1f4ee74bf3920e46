"""What stopping a run costs: how soon Ctrl-C ends it, and what the next run does over again.

    python -m tests.benchmarks.interruptions --seed 8301 --quick

"again": time of the same command after a kill over what was left of it, start-up taken off both;
in seconds of the clock, and of the processors (user and system, all processes), which other work on
the machine disturbs less.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .nights import night_folder, standard_night

_IMPORTS = (sys.executable, "-c", "import stackkit, stackkit_cli.stack")
_COMMAND = (
    sys.executable,
    "-c",
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
    "from stackkit_cli.main import start; start()",
)
_TICK = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Ended:
    """Exit status; seconds by the clock until the signal (or the end), from it to the end, and of
    the processors; processes that were left after it.
    """

    status: int
    until: float
    to_end: float
    processors: float
    left: int


def run(command: tuple[str, ...], sent: int | None = None, after: float = np.inf) -> Ended:
    """Run a command and send it a signal ``after`` so many seconds; Linux only (/proc)."""
    begun = time.monotonic()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        used, family, stopped = 0.0, [process.pid], np.inf
        while (now := time.monotonic()) < begun + after and os.waitid(
            os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT
        ) is None:
            time.sleep(min(0.02, max(begun + after - now, 0.0)))
        family = _family(process.pid)
        used = sum(_used(pid) for pid in family)
        stopped = time.monotonic()
        if sent is not None:
            process.send_signal(sent)
        status = process.wait()
        ended = time.monotonic()
    time.sleep(0.2)
    left = sum(Path(f"/proc/{pid}").exists() for pid in family)
    return Ended(status, stopped - begun, ended - stopped, used, left)


def _family(pid: int) -> list[int]:
    """A process and all that come from it."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        children = []
    return [pid, *(p for child in children for p in _family(int(child)))]


def _used(pid: int) -> float:
    """Processor seconds of a process and of its children that ended."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return sum(int(field) for field in fields[11:15]) / _TICK


def stack(folder: Path, out: Path, sent: int | None = None, after: float = np.inf) -> Ended:
    """The command on a night."""
    arguments = ("stack", str(folder), "--out", str(out), "--jobs", "2")
    return run((*_COMMAND, *arguments), sent, after)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=8301)
    parser.add_argument("--frames", type=int, default=20)
    parser.add_argument("--moments", type=int, default=20)
    parser.add_argument("--quick", action="store_true", help="half the pixels a side")
    args = parser.parse_args()
    folder = night_folder(standard_night(args.seed, args.frames, quick=args.quick))
    rng = np.random.default_rng(args.seed)
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "out"
        start, whole = [], []
        for _ in range(3):
            shutil.rmtree(out, ignore_errors=True)
            start.append(run(_IMPORTS))
            whole.append(stack(folder, out))
        begin = [float(np.median([one.until for one in start])),
                 float(np.median([one.processors for one in start]))]  # fmt: skip
        total = [float(np.median([one.until for one in whole])),
                 float(np.median([one.processors for one in whole]))]  # fmt: skip
        print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        print(f"start-up {begin[0]:.2f} s, {begin[1]:.2f} s of the processors")
        print("whole runs " + ", ".join(f"{o.until:.1f} ({o.processors:.1f})" for o in whole))
        for after in np.sort(rng.uniform(0, total[0], args.moments)):
            shutil.rmtree(out, ignore_errors=True)
            end = stack(folder, out, signal.SIGINT, float(after))
            print(
                f"Ctrl-C after {end.until:5.1f} s: {end.to_end:.2f} s to the end, status "
                f"{end.status}, processes left {end.left}",
                flush=True,
            )
        for after in np.sort(rng.uniform(begin[0], total[0], args.moments // 2)):
            shutil.rmtree(out, ignore_errors=True)
            end = stack(folder, out, signal.SIGKILL, float(after))
            if end.status == 0:
                print(f"done before it could be killed after {after:.1f} s", flush=True)
                continue
            again = stack(folder, out)
            clock = (again.until - begin[0]) / max(total[0] - end.until, 1e-9)
            used = (again.processors - begin[1]) / max(total[1] - end.processors, 1e-9)
            print(
                f"killed after {end.until:5.1f} s ({end.processors:5.1f}), again "
                f"{again.until:5.1f} s ({again.processors:5.1f}): {clock:.2f} of what was left "
                f"({used:.2f}), status {again.status}",
                flush=True,
            )


if __name__ == "__main__":
    main()
