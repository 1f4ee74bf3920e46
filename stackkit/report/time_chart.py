"""Charts of a figure over the frames, in time order, as SVG without a style of their own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from stackkit.report.chart import LogAxis
from stackkit.report.frames import Fate
from stackkit.report.method_figures import amount

WIDE, HIGH = 360, 220
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 12, 30, 44
_SPREAD = 12.0
"""Ratio of largest to median value above which the scale is logarithmic."""
_CLOSE = 90
"""Number of frames above which dots are drawn smaller."""


@dataclass(frozen=True)
class Line:
    """One figure of all frames: ``values`` None where it is unknown; ``name`` where there are
    several, which are then drawn as lines through their points.
    """

    values: Sequence[float | None]
    name: str = ""


@dataclass(frozen=True)
class _Straight:
    """An axis from ``low`` to ``high``, drawn from ``start`` to ``end`` (units)."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Position of a value on the page."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)

    def ticks(self) -> list[float]:
        """Three to six round numbers within the axis."""
        rough = (self.high - self.low) / 4
        power = 10.0 ** math.floor(math.log10(rough))
        step = min((s * power for s in (1, 2, 5, 10)), key=lambda s: abs(math.log(s / rough)))
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [round(k * step, 12) for k in range(first, last + 1)]


_Axis = _Straight | LogAxis


def time_chart(
    key: str,
    title: str,
    unit: str,
    lines: Sequence[Line],
    fates: Sequence[Fate],
    minutes: Sequence[float] | None,
    floor: float | None = None,
) -> Markup | None:
    """A chart of figures over ``minutes`` (None: over frame numbers), a symbol for each frame.

    ``key`` makes its ids unique; ``floor``: the scale reaches down to this at least.
    None where fewer than two values are known.
    """
    where = list(minutes) if minutes is not None else [float(k + 1) for k in range(len(fates))]
    known = [v for line in lines for v in line.values if v is not None and math.isfinite(v)]
    if len(known) < 2:
        return None
    across = _across(where)
    up = _up(known, floor)
    parts = [*_frame(across, up, minutes is not None), _unit(unit)]
    for number, line in enumerate(lines):
        parts += _drawn(line, number, fates, where, across, up, several=len(lines) > 1)
    return Markup(
        f'<svg class="chart" viewBox="0 0 {WIDE} {HIGH}" role="img" '
        f'aria-labelledby="{key}-title {key}-text"><title id="{key}-title">{escape(title)}</title>'
        f'<desc id="{key}-text">{escape(_described(lines, unit))}</desc>{"".join(parts)}</svg>'
    )


def _across(where: Sequence[float]) -> _Straight:
    low, high = min(where), max(where)
    room = 0.03 * (high - low) or 0.5
    return _Straight(low - room, high + room, _LEFT, WIDE - _RIGHT)


def _up(known: Sequence[float], floor: float | None) -> _Axis:
    low, high = min(known), max(known)
    middle = float(np.median(known))
    if low > 0 and high > _SPREAD * middle:
        return LogAxis(0.8 * low, 1.3 * high, HIGH - _BOTTOM, _TOP)
    if floor is not None:
        low = min(low, floor)
    room = 0.08 * (high - low) or 0.1 * abs(high) or 1.0
    start = low if floor is not None and low >= floor else low - room
    return _Straight(start, high + room, HIGH - _BOTTOM, _TOP)


def _frame(across: _Axis, up: _Axis, timed: bool) -> list[str]:
    parts = []
    for tick in up.ticks():
        y = up.at(tick)
        parts.append(f'<path class="grid" d="M{across.start} {y:.1f}H{across.end}"/>')
        parts.append(
            f'<text class="tick end" x="{across.start - 6}" y="{y + 4:.1f}">{_written(tick)}</text>'
        )
    for tick in across.ticks():
        if not timed and tick != round(tick):
            continue
        x = across.at(tick)
        parts.append(f'<path class="axis" d="M{x:.1f} {up.start}v4"/>')
        place = f'x="{x:.1f}" y="{up.start + 17}"'
        parts.append(f'<text class="tick mid" {place}>{_written(tick)}</text>')
    name = "minutes since the first frame" if timed else "frame"
    middle = (across.start + across.end) / 2
    parts.append(f'<path class="axis" d="M{across.start} {up.end}V{up.start}H{across.end}"/>')
    parts.append(f'<text class="name mid" x="{middle}" y="{HIGH - 8}">{name}</text>')
    return parts


def _unit(unit: str) -> str:
    return f'<text class="name" x="4" y="14">{escape(unit)}</text>'


def _written(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _drawn(
    line: Line,
    number: int,
    fates: Sequence[Fate],
    where: Sequence[float],
    across: _Axis,
    up: _Axis,
    *,
    several: bool,
) -> list[str]:
    """A line's points with the symbol of each frame's fate; a path through them if several."""
    points = [
        (across.at(x), up.at(value), fate)
        for x, value, fate in zip(where, line.values, fates, strict=True)
        if value is not None and math.isfinite(value) and (value > 0 or isinstance(up, _Straight))
    ]
    if not several:
        size = 3.6 if len(points) < _CLOSE else 2.2
        return [_sign(x, y, fate, size) for x, y, fate in points]
    path = "L".join(f"{x:.1f} {y:.1f}" for x, y, _ in sorted(points))
    left = WIDE - _RIGHT - 4 - 92 * (2 - number)
    return [
        f'<path class="line line-{number}" d="M{path}"/>' if points else "",
        f'<path class="line line-{number}" d="M{left - 88} 10h20"/>',
        f'<text class="name" x="{left - 64}" y="14">{escape(line.name)}</text>',
    ]


def _sign(x: float, y: float, fate: Fate, size: float) -> str:
    if fate is Fate.OUT:
        far = 2 * size
        arms = f"M{x - size:.1f} {y - size:.1f}l{far} {far}m0 {-far}l{-far} {far}"
        return f'<path class="cross" d="{arms}"/>'
    kind = "dot" if fate is Fate.FULL else "ring"
    return f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{size}"/>'


def _described(lines: Sequence[Line], unit: str) -> str:
    """The chart in a sentence, for screen readers."""
    said = []
    for line in lines:
        known = [v for v in line.values if v is not None and math.isfinite(v)]
        if known:
            least, middle, most = min(known), float(np.median(known)), max(known)
            digits = 0 if most >= 100 else 2
            said.append(
                f"{line.name + ': ' if line.name else ''}{len(known)} frames, "
                f"from {amount(least, digits)} to {amount(most, digits)}, "
                f"typically {amount(middle, digits)}"
            )
    return f"{'; '.join(said)} ({unit}). The figures are in the table below."
