"""The time of a test run as a multiple of a fixed piece of numpy work, beside the last landed one.

    python -m tests.benchmarks.suite fast report.xml

``report.xml`` is what ``pytest --junitxml`` wrote on this machine a moment ago.  Machines differ
and are noisy: only a run three times as long as the last landed one is a fault.  The figures of
the last landed commit are in ``suite.json``; a change that makes the tests slower or quicker for
good writes its own there.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

LANDED = Path(__file__).with_suffix(".json")
FAULT = 3.0
"""Times the last landed ratio from which on it is no noise."""


def work() -> float:
    """Seconds that one core needs to sort, transform and add up some million numbers."""
    values = np.random.default_rng(1).normal(size=2_000_000)
    begin = time.perf_counter()
    for _ in range(4):
        np.sort(values)
        np.fft.rfft(values)
        np.cumsum(values * values)
    return time.perf_counter() - begin


def seconds(report: Path) -> float:
    """Wall seconds of the run that a JUnit report is of."""
    return float(ElementTree.parse(report).getroot()[0].attrib["time"])


def main() -> int:
    """Print both ratios; 1 where this one is beyond what noise explains."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("which", choices=["fast", "slow"])
    parser.add_argument("report", type=Path)
    args = parser.parse_args()
    took, unit = seconds(args.report), float(np.median([work() for _ in range(5)]))
    landed = json.loads(LANDED.read_text())[args.which]
    ratio = took / unit
    print(
        f"The {args.which} tests took {took:.0f} s, {ratio:.0f} times a fixed piece of numpy work "
        f"({unit:.2f} s); last landed: {landed:.0f} times."
    )
    if ratio > FAULT * landed:
        print(f"More than {FAULT:g} times as long as the last landed run: find out why.")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
