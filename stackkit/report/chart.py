"""The chart of convergence: noise gain against the number of frames, log-log, as SVG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from stackkit.report.method_figures import number
from stackkit.schemas.comparison import ConvergenceRecord
from stackkit.schemas.picture import NoiseByFramesRecord

Point = tuple[int, float]
"""Number of frames, and the noise gain of their stack."""

_WIDE, _HIGH = 360, 288
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 14, 26, 46
_FOLLOWS = 1.36
"""Gain of twice the frames above which the points follow the line, whose gain is 1.41."""
_FLAT = 1.15
"""Gain of twice the frames below which more frames are not recommended."""


@dataclass(frozen=True)
class LogAxis:
    """A logarithmic axis: from ``low`` to ``high``, drawn from ``start`` to ``end`` (units)."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Position of a value on the page."""
        share = math.log(value / self.low) / math.log(self.high / self.low)
        return self.start + share * (self.end - self.start)

    def ticks(self) -> list[float]:
        """1, 2 and 5 times powers of ten within the axis."""
        powers = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
        steps = (step * 10.0**power for power in powers for step in (1, 2, 5))
        return [tick for tick in steps if self.low <= tick <= self.high]


def points(rows: Sequence[NoiseByFramesRecord | ConvergenceRecord]) -> list[Point]:
    """The measured points {frames, noise_gain} that can be drawn, by rising number of frames."""
    found = {
        row["frames"]: gain
        for row in rows
        if row["frames"] >= 1 and (gain := number(row["noise_gain"])) is not None and gain > 0
    }
    return sorted(found.items())


def verdict(measured: list[Point]) -> str:
    """One sentence on whether more frames would have helped."""
    if len(measured) < 2:
        return "There are too few points to say whether more frames would have helped."
    last, gained = measured[-1]
    half, before = min(measured[:-1], key=lambda point: abs(math.log(2 * point[0] / last)))
    fall = (
        f"From {half} to {last} frames the noise fell {gained / before:.2f} times (the line:"
        f" {math.sqrt(last / half):.2f} times)"
    )
    more = gain_of_twice(measured)
    if more >= _FOLLOWS:
        return (
            f"{fall}: the points follow the line, so more frames would have helped: twice the"
            f" frames would gain another {more:.2f} times."
        )
    if more >= _FLAT:
        return (
            f"{fall}: the points bend away from the line, so twice the frames would gain about "
            f"{more:.2f} times instead of 1.41; something stays that is alike in all frames."
        )
    return (
        f"{fall}: the points have flattened, so more frames would gain little; what is left is "
        "alike in all frames, such as a pattern of the sensor."
    )


def gain_of_twice(measured: list[Point]) -> float:
    """By what factor the noise would fall with twice the frames, 1 to √2.

    Noise that differs from frame to frame averages out, what is common to all stays: in variances
    1/gain² = a/N + c.  Least squares over the points from a quarter of the frames on, by relative
    error; at least two points.
    """
    last = measured[-1][0]
    chosen = [point for point in measured if 4 * point[0] >= last]
    frames, gains = np.array(chosen if len(chosen) > 1 else measured[-2:], dtype=float).T
    design = np.stack([gains**2 / frames, gains**2], axis=1)
    falls, stays = np.linalg.lstsq(design, np.ones(len(gains)), rcond=None)[0]
    falls, stays = max(float(falls), 0.0), max(float(stays), 0.0)
    return math.sqrt((falls / last + stays) / (falls / (2 * last) + stays))


def chart(measured: list[Point]) -> Markup | None:
    """The chart as an ``svg`` element that takes its colours from the page's style.

    None with fewer than two points.  It has no style of its own, as the page's policy requires.
    """
    if len(measured) < 2:
        return None
    most = measured[-1][0]
    gains = [gain for _, gain in measured]
    across = LogAxis(0.9, 1.12 * most, _LEFT, _WIDE - _RIGHT)
    up = LogAxis(0.9 * min(1.0, *gains), 1.15 * max(math.sqrt(most), *gains), _HIGH - _BOTTOM, _TOP)
    parts = [*_grid(across, up), *_line(across, up, most), *_points(across, up, measured)]
    summary = (
        f"Measured noise gain for {len(measured)} numbers of frames from {measured[0][0]} to "
        f"{most}, ending at {gains[-1]:.2f}; the square root of {most} is {math.sqrt(most):.2f}."
    )
    return Markup(
        f'<svg class="chart" viewBox="0 0 {_WIDE} {_HIGH}" role="img" '
        'aria-labelledby="chart-title chart-text">'
        '<title id="chart-title">How the noise fell with the number of frames</title>'
        f'<desc id="chart-text">{escape(summary)}</desc>{"".join(parts)}</svg>'
    )


def _grid(across: LogAxis, up: LogAxis) -> list[str]:
    parts = []
    for tick in across.ticks():
        x = f"{across.at(tick):.1f}"
        parts.append(f'<path class="grid" d="M{x} {up.start}V{up.end}"/>')
        parts.append(f'<text class="tick mid" x="{x}" y="{up.start + 16}">{tick:g}</text>')
    for tick in up.ticks():
        y = up.at(tick)
        parts.append(f'<path class="grid" d="M{across.start} {y:.1f}H{across.end}"/>')
        parts.append(
            f'<text class="tick end" x="{across.start - 6}" y="{y + 4:.1f}">{tick:g}</text>'
        )
    middle = (across.start + across.end) / 2
    parts.append(f'<path class="axis" d="M{across.start} {up.end}V{up.start}H{across.end}"/>')
    parts.append(f'<text class="name mid" x="{middle}" y="{_HIGH - 8}">frames stacked</text>')
    parts.append('<text class="name" x="4" y="14">times less noise than one frame</text>')
    return parts


def _line(across: LogAxis, up: LogAxis, most: int) -> list[str]:
    root = math.sqrt(most)
    ends = f"M{across.at(1):.1f} {up.at(1):.1f}L{across.at(most):.1f} {up.at(root):.1f}"
    # Labelled on its upper left, where there can be no point.
    x, y = across.at(most**0.55) - 8, up.at(root**0.55) - 10
    return [
        f'<path class="root" d="{ends}"/>',
        f'<text class="name end" x="{x:.1f}" y="{y:.1f}">√N, the limit</text>',
    ]


def _points(across: LogAxis, up: LogAxis, measured: list[Point]) -> list[str]:
    placed = [(across.at(frames), up.at(gain)) for frames, gain in measured]
    path = "L".join(f"{x:.1f} {y:.1f}" for x, y in placed)
    dots = [f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>' for x, y in placed]
    return [f'<path class="run" d="M{path}"/>', *dots]
