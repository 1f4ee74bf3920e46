"""Where a session paused: the one place that defines how long is longer than usual."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np

_MISSED, _CLOCK = 1.5, 2.0
"""Multiple of the usual step, and seconds beyond it (clocks may count whole ones), above which
frames are missing."""
_PAUSE, _LEAST_PAUSE = 3.0, 20.0
"""Multiple of the usual step, and seconds, above which the camera may have been moved."""


@dataclass(frozen=True)
class Gap:
    """After frame number ``after`` nothing for ``seconds`` (from middle to middle)."""

    after: int
    seconds: float


def gaps(times: Sequence[datetime | None]) -> tuple[float | None, tuple[Gap, ...]]:
    """Usual seconds from one frame to the next, and where frames are missing.

    Frames without a time are passed over.
    """
    known = [(k, time) for k, time in enumerate(times) if time is not None]
    steps = [Gap(a, (later - time).total_seconds()) for (a, time), (_, later) in pairwise(known)]
    if not steps:
        return None, ()
    usual = float(np.median([step.seconds for step in steps]))
    longest = max(_MISSED * usual, usual + _CLOCK)
    return usual, tuple(step for step in steps if step.seconds > longest)


def pauses(times: Sequence[datetime], exposures: Sequence[float]) -> tuple[Gap, ...]:
    """Where nothing was exposed for so long that the camera may have been turned meanwhile.

    ``exposures``: seconds; 0 where unknown.
    """
    steps = [Gap(k, abs((b - a).total_seconds())) for k, (a, b) in enumerate(pairwise(times))]
    if not steps:
        return ()
    longest = max(_PAUSE * float(np.median([step.seconds for step in steps])), _LEAST_PAUSE)
    idle = [
        step.seconds - (a + b) / 2 for step, (a, b) in zip(steps, pairwise(exposures), strict=True)
    ]
    return tuple(step for step, free in zip(steps, idle, strict=True) if free > longest)
