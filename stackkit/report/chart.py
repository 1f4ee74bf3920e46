"""Charts as inline SVG, made of numbers alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

_WIDTH, _HEIGHT = 640, 380
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 16, 16, 48


def _known(rows: Sequence[Mapping[str, Any]]) -> list[tuple[int, float]]:
    return [(row["frames"], row["noise_gain"]) for row in rows if row["noise_gain"]]


def convergence_chart(rows: Sequence[Mapping[str, Any]]) -> Markup | None:
    """Noise gain against the number of frames, both axes logarithmic, with the line of √N.

    None with fewer than two points.
    """
    points = _known(rows)
    if len(points) < 2:
        return None
    most = max(n for n, _ in points)
    top = max(np.sqrt(most), *(gain for _, gain in points)) * 1.1

    def at(n: float, gain: float) -> tuple[float, float]:
        x = _LEFT + (_WIDTH - _LEFT - _RIGHT) * np.log(n) / np.log(most)
        y = (
            _HEIGHT
            - _BOTTOM
            - (_HEIGHT - _TOP - _BOTTOM) * np.log(max(gain, 0.9) / 0.9) / np.log(top / 0.9)
        )
        return round(float(x), 1), round(float(y), 1)

    parts = []
    for mark in [g for g in (1, 2, 3, 4, 6, 8, 12, 16, 24) if g < top]:
        x, y = at(1, mark)
        parts.append(f'<line class="grid" x1="{x}" y1="{y}" x2="{_WIDTH - _RIGHT}" y2="{y}"/>')
        parts.append(f'<text x="{x - 8}" y="{y + 4}" text-anchor="end">{mark}×</text>')
    shown = [n for n, _ in points]
    if len(shown) > 1 and shown[-1] < 1.3 * shown[-2]:
        shown.pop(-2)
    for n in shown:
        x, _ = at(n, 1)
        parts.append(f'<text x="{x}" y="{_HEIGHT - _BOTTOM + 20}" text-anchor="middle">{n}</text>')
    x, y = at(most, np.sqrt(most))
    x0, y0 = at(1, 1)
    parts.append(f'<line class="ideal" x1="{x0}" y1="{y0}" x2="{x}" y2="{y}"/>')
    middle = at(most**0.45, most**0.225)
    parts.append(f'<text x="{middle[0] - 8}" y="{middle[1] - 10}" text-anchor="end">√N</text>')
    path = " ".join(f"{a},{b}" for a, b in (at(*point) for point in points))
    parts.append(f'<polyline class="found" points="{path}"/>')
    for n, gain in points:
        x, y = at(n, gain)
        told = "1 frame" if n == 1 else f"{n} frames"
        parts.append(
            f'<circle class="dot" cx="{x}" cy="{y}" r="4">'
            f"<title>{told}: {gain:.2f} times less noise</title></circle>"
        )
    parts.append(
        f'<text x="{(_WIDTH + _LEFT) / 2}" y="{_HEIGHT - 8}" text-anchor="middle">frames</text>'
    )
    label = "; ".join(f"{n}: {gain:.2f}" for n, gain in points)
    return Markup(
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="How many times less noise '
        f'than one frame, by number of frames. {label}.">{"".join(parts)}</svg>'
    )


def convergence_verdict(rows: Sequence[Mapping[str, Any]]) -> str:
    """What the curve says about longer sessions, in a sentence or two; empty without a curve."""
    points = _known(rows)
    if len(points) < 2:
        return ""
    most, gain = points[-1]
    share = gain / np.sqrt(most)
    again = f"Twice as many frames would lower the noise by another {np.sqrt(2):.2f} times"
    if share > 0.93:
        return (
            f"The points follow the line: every frame counted. {again}, "
            f"to {gain * np.sqrt(2):.1f} times less than one frame."
        )
    return (
        f"With {most} frames the noise is {gain:.1f} times lower, {100 * share:.0f} % of what "
        "equal frames could give: some had cloud, haze or a brighter sky, or something other than "
        "noise has begun to count. More frames would help less than the line says."
    )
