"""How exact a plan is beside skyfield, and how long it takes.

python -m tests.benchmarks.planning --seed 2026 --cases 500
"""

from __future__ import annotations

import argparse
import time
import warnings
from datetime import UTC, datetime

import numpy as np

from stackkit.plan.planner import Request, plan
from stackkit.plan.record import record
from stackkit.plan.sky import ephemeris as eph
from stackkit.plan.sky.events import outside
from stackkit.plan.sky.night import nights
from stackkit.plan.sky.places import place
from tests import independent_sky
from tests.independent_sky import KINDS, cases


def late(where, kind, event):
    """Seconds by which the other engine's event is later, by its altitude a minute around."""
    before, after = independent_sky.over(where, [event - 60, event + 60], kind)
    return -60 * (before + after) / (after - before)


def differences(seed, count):
    """Seconds of all events, degrees of altitude, shares of the Moon lit."""
    seconds, degrees, lit = [], [], []
    for where, evening in cases(seed, count, round(0.04 * count)):
        (night,) = nights(where, evening, 1)
        spans = {**night.under, "moon": outside(night.moon_up, night.whole)}
        for kind in KINDS:
            ends = {end for span in spans[kind] for end in span} - set(night.whole)
            seconds += [late(where, kind, event) for event in ends]
        moments = night.whole[0] + np.arange(0, 86400, 7200.0)
        for name, body in (("sun", eph.sun(where, moments)), ("moon", eph.moon(where, moments))):
            other = independent_sky.altitudes(where, moments, name)[0]
            degrees.append(np.abs(eph.altitude(body.direction) - other).max())
        lit.append(np.abs(eph.moonlight(moments).lit - independent_sky.lit(moments)).max())
    return np.abs(seconds), np.array(degrees), np.array(lit)


def timed(**asked):
    """Seconds of the second of two plans: the first loads and compiles."""
    request = Request(
        place("47.4", "8.5"), datetime(2026, 11, 1, 12, tzinfo=UTC).timestamp(), **asked
    )
    for _ in range(2):
        start = time.perf_counter()
        record(plan(request))
        taken = time.perf_counter() - start
    return taken


def main() -> None:
    """Prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--cases", type=int, default=500)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    seconds, degrees, lit = differences(asked.seed, asked.cases)
    print(f"{asked.cases} nights, {len(seconds)} events")
    middle, most, worst = np.quantile(seconds, [0.5, 0.99, 1.0])
    print(f"events apart by {middle:.2f} s (median), {most:.1f} s (99 %), {worst:.1f} s (worst)")
    print(f"altitudes by at most {degrees.max():.4f}°, the lit share by {100 * lit.max():.3f} %")
    print(f"plan of one night {timed(evening=datetime(2026, 11, 7).date()):.2f} s")
    print(f"plan of thirty nights {timed():.2f} s")


if __name__ == "__main__":
    main()
