"""Black and white levels of a DNG (DNG 1.7.1, chapter 5, mapping raw values)."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from stackkit.raw.headers.layout import LINEARIZATION_TABLE
from stackkit.raw.headers.tags import Directory, whole
from stackkit.robust import MAD_TO_SIGMA

_LEAST_MASKED = 256
"""Masked samples that a site of the 2×2 pattern needs: noise of 5 codes leaves 0.3."""
_MOST_MASKED, _MOST_AREAS = 2**20, 16
"""More masked samples of an area, or more areas, are not read: they would add nothing."""
_ROWS = 256
"""Rows whose black is worked out at a time."""
_PLAUSIBLE = 0.03
"""How far, as a share of the range, measured black may lie from the file's."""
_NOTICEABLE = 0.5
"""Difference in codes above which it is reported."""
_OUTLIERS = 4 * MAD_TO_SIGMA
"""Standard deviations in median absolute deviations, times four."""


@dataclass(frozen=True)
class Black:
    """Black of the visible mosaic in codes: ``mean`` (2, 2) of its top left sites, ``detail``
    (H, W) the exact level minus the mean, None where that is zero; ``remarks`` for the user.
    """

    mean: NDArray[np.float64]
    detail: NDArray[np.float32] | None = None
    remarks: tuple[str, ...] = ()

    @property
    def highest(self) -> float:
        """No site's black is above this."""
        return float(self.mean.max()) + (0.0 if self.detail is None else float(self.detail.max()))


@dataclass(frozen=True)
class _Model:
    """``levels`` (rows, columns, samples) repeat from the active area's corner; ``down`` for each
    of its rows and ``across`` for each of its columns are added.
    """

    levels: NDArray[np.float64]
    down: NDArray[np.float64]
    across: NDArray[np.float64]

    @property
    def even(self) -> bool:
        """Whether 2×2 levels describe it completely."""
        rows, columns, _ = self.levels.shape
        return (
            rows in (1, 2) and columns in (1, 2) and not (np.ptp(self.down) or np.ptp(self.across))
        )

    def at(
        self, rows: NDArray[np.intp], columns: NDArray[np.intp], plane: int
    ) -> NDArray[np.float64]:
        """Black (rows, columns) at places counted from the active area's corner.

        Outside the area, where no delta is given, their mean is used.
        """
        high, wide, _ = self.levels.shape
        level = self.levels[(rows % high)[:, None], (columns % wide)[None, :], plane]
        return np.asarray(
            level + _extended(self.down, rows)[:, None] + _extended(self.across, columns)[None, :]
        )


def _extended(values: NDArray[np.float64], places: NDArray[np.intp]) -> NDArray[np.float64]:
    inside = (places >= 0) & (places < len(values))
    return np.where(inside, values[np.clip(places, 0, len(values) - 1)], values.mean())


def dng_black(
    tags: Directory, shape: tuple[int, int], origin: tuple[int, int], planes: NDArray[np.uint8]
) -> Black:
    """Black by BlackLevel, BlackLevelRepeatDim, BlackLevelDeltaH and BlackLevelDeltaV.

    ``shape`` (H, W) of the visible mosaic, ``origin`` row and column of its pixel (0, 0) in the
    active area, ``planes`` (2, 2) which of the stored samples its sites take (0 for a mosaic).
    Tags that do not fit each other are left out, with a remark.
    """
    model, remarks = _model(tags, int(planes.max()) + 1)
    rows, columns = np.arange(shape[0]) + origin[0], np.arange(shape[1]) + origin[1]
    # A whole number of repeats of the levels, so that their mean is theirs.
    high, wide, _ = model.levels.shape
    mean = np.empty((2, 2))
    for y, x in np.ndindex(2, 2):
        level = model.levels[(origin[0] + y + np.arange(0, 2 * high, 2)) % high]
        level = level[:, (origin[1] + x + np.arange(0, 2 * wide, 2)) % wide]
        down = _extended(model.down, rows[y::2]).mean()
        mean[y, x] = level[..., planes[y, x]].mean() + down
        mean[y, x] += _extended(model.across, columns[x::2]).mean()
    if model.even:
        return Black(mean, None, remarks)
    detail = np.empty(shape, dtype=np.float32)
    for y, x in np.ndindex(2, 2):
        for top in range(y, shape[0], _ROWS):  # even: a stretch of rows keeps to its site
            part = detail[top : top + _ROWS : 2, x::2]
            exact = model.at(rows[top : top + _ROWS : 2], columns[x::2], int(planes[y, x]))
            part[:] = exact - mean[y, x]
    return Black(mean, detail if detail.any() else None, remarks)


def _model(tags: Directory, samples: int) -> tuple[_Model, tuple[str, ...]]:
    remarks = []
    values = np.array(tags.get(50714, (0,)), dtype=np.float64)
    repeat = tags.get(50713, (1, 1))
    high, wide = repeat if len(repeat) == 2 and min(repeat) > 0 else (0, 0)
    if high * wide * samples == values.size and np.isfinite(values).all():
        levels = values.reshape(int(high), int(wide), samples)
    elif high * wide == 1 == values.size and np.isfinite(values).all():
        levels = np.tile(values, samples).reshape(1, 1, samples)
    else:
        usable = values[np.isfinite(values)]
        level = float(usable.mean()) if usable.size else 0.0
        remarks.append(f"its black levels do not fit each other; {level:g} is taken for all")
        levels = np.full((1, 1, samples), level)
    deltas = []
    for code, axis in ((50716, "rows"), (50715, "columns")):
        delta = np.array(tags.get(code, (0,)), dtype=np.float64)
        if not np.isfinite(delta).all():
            remarks.append(f"its black levels of {axis} are no numbers and are left out")
            delta = np.zeros(1)
        deltas.append(delta)
    return _Model(levels, deltas[0], deltas[1]), tuple(remarks)


def masked_black(
    black: Black,
    tags: Directory,
    stored: NDArray[np.uint16],
    corner: tuple[int, int],
    origin: tuple[int, int],
    white: float,
    there: NDArray[np.bool_] | None = None,
) -> Black:
    """``black`` moved to what the masked borders of the stored mosaic (rows, columns) measure.

    MaskedAreas (DNG 1.7.1) never see light.  ``corner`` is the row and column of the active area
    in the stored picture, ``origin`` that of the visible mosaic in the active area; ``there`` marks
    the stored samples that are known (None: all).  The file's levels stay where the borders hold
    too few samples or measure something implausible.
    """
    shifts, errors = np.zeros((2, 2)), np.zeros((2, 2))
    apart = _apart(tags, stored, corner, origin, there)
    for y, x in np.ndindex(2, 2):
        if apart[y, x].size < _LEAST_MASKED:
            return black
        shifts[y, x], errors[y, x] = _robust_mean(apart[y, x])
    if np.abs(shifts).max() > _PLAUSIBLE * (white - black.mean.max()):
        measured = _said(black.mean + shifts)
        remark = (
            f"its masked border measures a black of {measured}, far from the {_said(black.mean)} "
            "that the file says; the file is believed"
        )
        return Black(black.mean, black.detail, (*black.remarks, remark))
    mean = black.mean + shifts
    remarks = black.remarks
    if (np.abs(shifts) > np.maximum(_NOTICEABLE, 3 * errors)).any():
        remark = (
            f"black measured in its masked border: {_said(mean)}, "
            f"where the file says {_said(black.mean)}"
        )
        remarks = (*remarks, remark)
    return Black(mean, black.detail, remarks)


def _said(levels: NDArray[np.float64]) -> str:
    return "/".join(f"{level:.1f}" for level in levels.ravel())


def _apart(
    tags: Directory,
    stored: NDArray[np.uint16],
    corner: tuple[int, int],
    origin: tuple[int, int],
    there: NDArray[np.bool_] | None,
) -> dict[tuple[int, int], NDArray[np.float64]]:
    """Masked samples minus the file's black, by their site in the visible mosaic's pattern."""
    model, _ = _model(tags, 1)
    found: dict[tuple[int, int], list[NDArray[np.float64]]] = {
        site: [] for site in np.ndindex(2, 2)
    }
    edges = [edge for edge in tags.get(50830, ()) if isinstance(edge, int)]
    for k in range(0, min(len(edges) - 3, 4 * _MOST_AREAS), 4):
        top, left = max(edges[k], 0), max(edges[k + 1], 0)
        bottom, right = min(edges[k + 2], stored.shape[0]), min(edges[k + 3], stored.shape[1])
        if top >= bottom or left >= right or _overlaps(tags, (top, left, bottom, right)):
            continue
        right = min(right, left + _MOST_MASKED // 16)
        bottom = min(bottom, top + 2 * ceil(_MOST_MASKED / 2 / (right - left)))
        rows, columns = np.arange(top, bottom) - corner[0], np.arange(left, right) - corner[1]
        excess = stored[top:bottom, left:right] - model.at(rows, columns, 0)
        if there is not None:
            excess[~there[top:bottom, left:right]] = np.nan
        for y, x in found:
            first = (y + origin[0] - rows[0]) % 2, (x + origin[1] - columns[0]) % 2
            own = excess[first[0] :: 2, first[1] :: 2].ravel()
            found[y, x].append(own[np.isfinite(own)])
    return {site: np.concatenate([np.empty(0), *parts]) for site, parts in found.items()}


def _overlaps(tags: Directory, masked: tuple[int, int, int, int]) -> bool:
    """Whether light falls on a part of what the file calls masked: then it is wrong."""
    area = tags.get(50829, ())
    top, left, bottom, right = area if len(area) == 4 else (0, 0, 2**32, 2**32)
    return bool(masked[0] < bottom and top < masked[2] and masked[1] < right and left < masked[3])


def _robust_mean(values: NDArray[np.float64]) -> tuple[float, float]:
    """Mean without outliers (defects, light that leaks in), and its standard error."""
    middle = np.median(values)
    away = np.abs(values - middle)
    kept = values[away <= max(_OUTLIERS * float(np.median(away)), 1.0)]
    return float(kept.mean()), float(kept.std() / np.sqrt(kept.size))


def dng_white(tags: Directory, black: float) -> float:
    """WhiteLevel: the lowest over the samples of a pixel that is above ``black``.

    DNG 1.7.1: by default the largest code, here that of the linearisation table if there is one.
    Raises ``ValueError`` in plain words when white is not above black.
    """
    largest = max(tags.get(LINEARIZATION_TABLE, (2 ** whole(tags, 258, 16) - 1,)))
    levels = tags.get(50717, (largest,))
    above = [float(level) for level in levels if np.isfinite(level) and level > black]
    if not above:
        said = f"{levels[0]:g}" if np.isfinite(levels[0]) else "(no number)"
        raise ValueError(f"its white level {said} is not above its black {black:g}")
    return min(above)
