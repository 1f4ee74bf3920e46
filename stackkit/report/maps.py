"""Maps of the upright picture as SVG: coverage, sky background, alignment residuals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup, escape

from stackkit.arrays import Array
from stackkit.picture.orientation import upright
from stackkit.schemas.geometry import ResidualFieldRecord
from stackkit.schemas.picture import CoverageRecord

_WIDE = 360
_TALLEST = 420
_SHADES = 8
"""Steps of the scale of coverage."""
_EVEN = 0.05
"""Least range of the sky background's scale, as a share: smaller ones are not stretched."""
_LABELS = 5
"""Numbers written along the longer side of the map."""
_ROUND = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
"""Possible lengths of the scale's arrow, px."""


def coverage_map(grid: CoverageRecord, orientation: int) -> Markup | None:
    """Number of frames in each part of the picture; None without any."""
    values = _grid(grid["frames"], grid)
    if values is None or not np.isfinite(values).all() or not values.max() > 0:
        return None
    values = upright(values, orientation)
    description = (
        f"Between {values.min():.0f} and {values.max():.0f} frames cover each part of the picture."
    )
    shades = values / values.max()
    return _shaded("coverage", "Coverage map", description, shades, values)


def glow_map(light: Sequence[Sequence[float]]) -> Markup | None:
    """The smooth sky background over its median, already upright; None if it is not a map."""
    if not light or any(len(row) != len(light[0]) for row in light):
        return None
    values = np.array(light, dtype=float)
    if values.size == 0 or not np.isfinite(values).all():
        return None
    least, most = values.min(), values.max()
    description = f"From {100 * least:.0f} to {100 * most:.0f} % of what is usual in the picture."
    shades = (values - least) / max(most - least, _EVEN)
    return _shaded("glow", "Sky background", description, shades, 100 * values)


def _shaded(key: str, title: str, description: str, shades: Array, values: Array) -> Markup:
    """A map of cells by their ``shades`` (0 to 1), with some of their ``values`` written."""
    rows, columns = values.shape
    cell = min(_WIDE / columns, _TALLEST / rows)
    parts = []
    for j, i in np.ndindex(rows, columns):
        shade = round(_SHADES * float(np.clip(shades[j, i], 0, 1)))
        parts.append(
            f'<rect class="shade-{shade}" x="{i * cell:.2f}" y="{j * cell:.2f}" '
            f'width="{cell + 0.3:.2f}" height="{cell + 0.3:.2f}"/>'
        )
    apart = max(round(max(rows, columns) / _LABELS), 1)
    for j in range(apart // 2, rows, apart):
        for i in range(apart // 2, columns, apart):
            x, y = (i + 0.5) * cell, (j + 0.5) * cell + 4
            written = f"{values[j, i]:.0f}"
            parts.append(f'<text class="count mid" x="{x:.1f}" y="{y:.1f}">{written}</text>')
    return _svg(key, title, description, (columns * cell, rows * cell), parts)


def field_map(
    grid: ResidualFieldRecord, size: tuple[int, int], orientation: int
) -> tuple[Markup, float] | None:
    """Residuals of the stars from the lens model as arrows, and the longest in px.

    ``size``: of the picture, px, in sensor orientation.  None where nothing is known.
    """
    px = [vector or (np.nan, np.nan) for vector in grid["px"]]
    x, y = (_grid([vector[axis] for vector in px], grid) for axis in (0, 1))
    if x is None or y is None or not np.isfinite(x).any():
        return None
    dx, dy = _turned(upright(x, orientation), upright(y, orientation), orientation)
    rows, columns = dx.shape
    wide, high = size if orientation < 5 else size[::-1]
    scale = min(_WIDE / wide, _TALLEST / high)
    cell_x, cell_y = wide * scale / columns, high * scale / rows
    longest = float(np.nanmax(np.hypot(dx, dy)))
    unit = next((u for u in _ROUND if u >= 0.5 * longest), _ROUND[-1])
    reach = 0.8 * min(cell_x, cell_y) / max(longest, 0.5 * unit)
    parts = [f'<rect class="edge" x="0.5" y="0.5" width="{wide * scale - 1:.1f}" '
             f'height="{high * scale - 1:.1f}"/>']  # fmt: skip
    for j, i in np.ndindex(rows, columns):
        centre = ((i + 0.5) * cell_x, (j + 0.5) * cell_y)
        if np.isfinite(dx[j, i]):
            step = (float(dx[j, i]) * reach, float(dy[j, i]) * reach)
            parts.append(_arrow(centre[0] - step[0] / 2, centre[1] - step[1] / 2, *step))
    foot = high * scale + 20
    parts.append(_arrow(4, foot, unit * reach, 0.0))
    beside = f'x="{unit * reach + 14:.1f}" y="{foot + 4:.1f}"'
    parts.append(f'<text class="name" {beside}>{unit:g} px</text>')
    description = f"Arrows of at most {longest:.3f} px, {int(np.isfinite(dx).sum())} in all."
    title = "Where stars are, compared with the lens model"
    return _svg("field", title, description, (wide * scale, foot + 12), parts), longest


def _grid(values: list[float], grid: CoverageRecord | ResidualFieldRecord) -> Array | None:
    """The cells (rows, columns); None where they do not fill it."""
    shape = (grid["rows"], grid["columns"])
    return np.array(values, dtype=float).reshape(shape) if len(values) == np.prod(shape) else None


def _turned(x: Array, y: Array, orientation: int) -> tuple[Array, Array]:
    """Components of vectors in the upright picture, in the order of ``upright``'s steps."""
    if orientation in (5, 6, 7, 8):
        x, y = y, x
    return (-x if orientation in (2, 3, 6, 7) else x), (-y if orientation in (3, 4, 7, 8) else y)


def _arrow(x: float, y: float, dx: float, dy: float) -> str:
    """An arrow that begins at a place; its head is a third of its length."""
    back, aside = 0.3, 0.16
    head = (x + dx, y + dy)
    wings = [
        (head[0] - back * dx - side * aside * dy, head[1] - back * dy + side * aside * dx)
        for side in (1, -1)
    ]
    one, other = (f"{a:.1f} {b:.1f}" for a, b in wings)
    return (
        f'<path class="arrow" d="M{x:.1f} {y:.1f}L{head[0]:.1f} {head[1]:.1f}'
        f'M{one}L{head[0]:.1f} {head[1]:.1f}L{other}"/>'
    )


def _svg(key: str, title: str, text: str, size: tuple[float, float], parts: list[str]) -> Markup:
    return Markup(
        f'<svg class="chart map" viewBox="0 0 {size[0]:.1f} {size[1]:.1f}" role="img" '
        f'aria-labelledby="{key}-title {key}-text"><title id="{key}-title">{escape(title)}</title>'
        f'<desc id="{key}-text">{escape(text)}</desc>{"".join(parts)}</svg>'
    )
