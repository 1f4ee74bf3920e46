"""A mapping for a frame that no lens explains: the phone cropped, stabilised or warped it.

Similarity, affine map, homography, quadratic and cubic polynomial are fitted to matched star pairs.
Each is judged on held-out pairs (ten folds), and the simplest is taken whose loss lies
within one standard error of the least: Breiman et al. (1984), section 3.4.3; Hastie et al., The
Elements of Statistical Learning, section 7.10.  The error is that of the *difference* of the two
losses, pair by pair, since wrong pairs affect both alike.

Every fit starts from the similarity through two pairs whose median distance is least (least median
of squares, Rousseeuw 1984) and goes on with Tukey's weights, first wide and then narrow, which
give a wrong pair no weight at all.  Nothing is random.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

import numpy as np
from numpy.polynomial import polynomial

from stackkit.align.matching import LEAST_PAIRS
from stackkit.arrays import Array
from stackkit.geometry.mapping import Mapping, plane_mapping

_FOLDS = 10
_TUKEY = 5.12
"""Standard deviations at which a pair's weight ends: 95 % efficiency for places in a plane."""
_REACHES = (*np.geomspace(12, _TUKEY, 8), *[_TUKEY] * 8)
"""Where it ends from step to step of a fit."""
_FOLD_STEPS = 4
_MEDIAN = np.sqrt(2 * np.log(2))
"""Median distance from the middle of a plane Gaussian of unit standard deviation (Rayleigh)."""
_COORDINATES, _KEPT = 2.5, 2.0
"""Measured coordinates per parameter, at least: of all pairs, of those that keep a weight."""
_MOST_ERROR = 5.0
"""Formal error, px, that is allowed anywhere among the stars of the fit."""
_BORDER = 0.05
"""How far a polynomial is followed beyond its outermost stars, in longer sides of the picture."""
_MARGIN = 0.1
"""How far beyond the picture a mapping must be one-to-one, in sizes of the picture."""
_LEAST_STRETCH = 0.1
"""Least stretch along any direction, as a share of that in the picture's middle."""
_STARTS = 80
"""Pairs, spread over the picture, among which the first similarity is sought."""


class Model(StrEnum):
    """The candidates, the simplest first."""

    SIMILARITY = "similarity"
    AFFINE = "affine"
    HOMOGRAPHY = "homography"
    QUADRATIC = "quadratic"
    CUBIC = "cubic"


_POWERS = {
    model: np.add.outer(range(count), range(count)) < count
    for model, count in ((Model.QUADRATIC, 3), (Model.CUBIC, 4))
}
"""Which of the terms xⁱ yʲ, as a table [i, j], a polynomial has."""
_FREE = {
    Model.SIMILARITY: np.eye(8)[:, [0, 1, 2, 5]] + np.eye(8)[:, [4, 3, 6, 6]] * [1, -1, 0, 0],
    Model.AFFINE: np.eye(8)[:, :6],
    Model.HOMOGRAPHY: np.eye(8),
    **{model: np.eye(2 * int(terms.sum())) for model, terms in _POWERS.items()},
}
"""How the coefficients follow from a model's free parameters.

Those of a plane are a homography's, row by row, of which the last is 1; those of a polynomial are
the terms' for x in the frame, then for y.
"""


@dataclass(frozen=True)
class PolynomialMapping:
    """Place in the frame = middle + unit · Σ coefficients[i, j] xⁱ yʲ.

    x, y = (place in the reference - middle) / unit; ``coefficients`` (n, n, 2), ``middle`` (2,) and
    ``unit`` in px.  Beyond the rectangle x, y from ``low`` to ``high`` (2,) the polynomial goes on
    along its tangent at the rectangle's nearest point, so that the slope is continuous.
    """

    coefficients: Array
    middle: Array
    unit: float
    low: Array
    high: Array

    def from_reference(self, xy: Any) -> Array:
        """Frame pixels (…, 2) of reference pixels (…, 2)."""
        there, _, _ = self._at((np.asarray(xy, dtype=np.float64) - self.middle) / self.unit)
        return np.asarray(self.middle + self.unit * there)

    def to_reference(self, xy: Any) -> Array:
        """Reference pixels (…, 2) of frame pixels (…, 2) by Newton's method; NaN where it fails."""
        target = (np.asarray(xy, dtype=np.float64) - self.middle) / self.unit
        place = np.broadcast_to((self.low + self.high) / 2, target.shape)
        for _ in range(30):
            there, along_x, along_y = self._at(place)
            missing = target - there
            if not (np.abs(missing) > 1e-12).any():
                break
            step = np.stack([_cross(missing, along_y), _cross(along_x, missing)], axis=-1)
            place = place + step / _cross(along_x, along_y)[..., None]
        found = (np.abs(missing) * self.unit < 1e-7).all(axis=-1, keepdims=True)
        return np.where(found, self.middle + self.unit * place, np.nan)

    def _at(self, place: Array) -> tuple[Array, Array, Array]:
        """Value and derivatives by x and by y at places (…, 2), each (…, 2), in units."""
        near = np.clip(place, self.low, self.high)
        inside = place == near

        def derived(times_x: int, times_y: int) -> Array:
            by_x = polynomial.polyder(self.coefficients, times_x, axis=0)
            table = polynomial.polyder(by_x, times_y, axis=1)
            values = polynomial.polyval2d(near[..., 0], near[..., 1], table)
            return np.moveaxis(np.asarray(values, dtype=np.float64), 0, -1)

        u, v = np.moveaxis((place - near)[..., None], -2, 0)
        along_x, along_y, mixed = derived(1, 0), derived(0, 1), derived(1, 1)
        value = derived(0, 0) + u * along_x + v * along_y
        along_x = along_x + inside[..., :1] * (u * derived(2, 0) + v * mixed)
        along_y = along_y + inside[..., 1:] * (u * mixed + v * derived(0, 2))
        return value, along_x, along_y


@dataclass(frozen=True)
class Warp:
    """The mapping taken, its model, and the cross-validated residuals of all that could be taken.

    A residual is the median distance, px, of held-out pairs from a fit.
    """

    mapping: Mapping | PolynomialMapping
    model: Model
    residual: float
    residuals: dict[Model, float]


def best_warp(a: Array, b: Array, sigma: Array, size: tuple[int, int]) -> Warp | None:
    """The mapping that takes places ``a`` (N, 2) of the reference to ``b`` (N, 2) of the frame, px.

    ``sigma`` (N,) is the centroid error of a pair, px; ``size`` (width, height) of the picture, on
    which (and a tenth beyond) the mapping is one-to-one.  Up to 30 % of the pairs may be wrong.
    None with fewer than six pairs, when they do not determine a mapping (all in one place or on one
    line), and for a mirrored frame.  The caller decides whether the residual is small enough.
    """
    if len(a) < LEAST_PAIRS:
        return None
    order = np.lexsort((b[:, 1], b[:, 0], a[:, 1], a[:, 0]))
    a, b, sigma = a[order], b[order], np.maximum(sigma[order], 1e-3)
    middle, unit = (a.min(axis=0) + a.max(axis=0)) / 2, max(float(np.ptp(a, axis=0).max()) / 2, 1.0)
    pairs = _Pairs((a - middle) / unit, (b - middle) / unit, sigma / unit)
    start = _first_plane(pairs)
    if start is None:
        return None
    mappings: dict[Model, Mapping | PolynomialMapping] = {}
    away: dict[Model, Array] = {}
    for model in Model:
        c, weight = _fit(model, pairs, start)
        kept, parameters = pairs.here[weight > 0], _FREE[model].shape[1]
        if 2 * len(a) < _COORDINATES * parameters or 2 * len(kept) < _KEPT * parameters:
            continue
        border = _BORDER * max(size) / unit
        low, high = kept.min(axis=0) - border, kept.max(axis=0) + border
        error = unit * _formal_error(model, pairs, c, weight, low, high)
        mapping = _mapping(model, c, middle, unit, low, high)
        if error <= max(_MOST_ERROR, 3 * float(np.median(sigma))) and one_to_one(mapping, size):
            mappings[model], away[model] = mapping, unit * _unseen(model, pairs, c, weight)
    if not away:
        return None
    model = _simplest(away, sigma)
    residuals = {name: float(np.median(distance)) for name, distance in away.items()}
    return Warp(mappings[model], model, residuals[model], residuals)


def one_to_one(mapping: Mapping | PolynomialMapping, size: tuple[int, int]) -> bool:
    """Whether the mapping neither mirrors nor folds the picture (width, height) and a tenth beyond.

    The Jacobian, that of the picture's middle divided out, must turn nothing by a right angle: its
    symmetric part stays positive.  On a convex area this makes a mapping one-to-one (the condition
    of Noshiro and Warschawski) and the determinant positive.
    """
    x, y = (np.linspace(-_MARGIN * n, (1 + _MARGIN) * n, 65) - 0.5 for n in size)
    there = mapping.from_reference(np.stack(np.meshgrid(x, y), axis=-1))
    slope = np.stack([np.gradient(there, x, axis=1), np.gradient(there, y, axis=0)], axis=-1)
    if not (np.isfinite(slope).all() and np.linalg.det(slope[32, 32]) > 0):
        return False
    relative = np.linalg.inv(slope[32, 32]) @ slope
    symmetric = relative + np.swapaxes(relative, -1, -2)
    return bool(np.linalg.eigvalsh(symmetric).min() > 2 * _LEAST_STRETCH)


class _Pairs(NamedTuple):
    """Places in the reference (N, 2), in the frame (N, 2), errors (N,), all in units."""

    here: Array
    there: Array
    sigma: Array


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _first_plane(pairs: _Pairs) -> Array | None:
    """Homography (8,) of the similarity through two pairs that has the least median distance.

    None where a mirrored one fits about as well: the places are collinear, the frame is mirrored,
    or the pairs have nothing to do with each other.
    """
    thin = np.linspace(0, len(pairs.here) - 1, min(len(pairs.here), _STARTS)).astype(int)
    here, there = (z[thin] @ [1, 1j] for z in (pairs.here, pairs.there))
    i, j = np.triu_indices(len(thin), k=1)
    i, j = i[here[i] != here[j]], j[here[i] != here[j]]
    if len(i) == 0:
        return None
    least = []
    for start in (here, here.conj()):
        factor = (there[i] - there[j]) / (start[i] - start[j])
        shift = there[i] - factor * start[i]
        distance = np.median(np.abs(factor[:, None] * start + shift[:, None] - there), axis=1)
        k = np.argmin(distance)
        least.append((distance[k], factor[k], shift[k]))
    (distance, m, t), (mirrored, *_) = least
    if mirrored <= max(2 * distance, _TUKEY * float(np.median(pairs.sigma))):
        return None
    return np.array([m.real, -m.imag, t.real, m.imag, m.real, t.imag, 0.0, 0.0])


def _value(model: Model, here: Array, c: Array) -> tuple[Array, Array]:
    """Places (N, 2) of places (N, 2), and the derivatives (N, 2, k) by the free parameters."""
    if model in _POWERS:
        x, y = here.T
        powers = polynomial.polyvander2d(x, y, [len(_POWERS[model]) - 1] * 2)
        derivatives = np.kron(np.eye(2), powers[:, None, _POWERS[model].ravel()])
        return np.asarray(derivatives @ c), np.asarray(derivatives)
    row = np.column_stack([here, np.ones(len(here))])
    w = (1 + here @ c[6:])[:, None]
    value = row @ c[:6].reshape(2, 3).T / w
    perspective = -value[..., None] * here[:, None]
    derivatives = np.concatenate([np.kron(np.eye(2), row[:, None]), perspective], axis=2)
    return np.asarray(value), np.asarray(derivatives / w[..., None] @ _FREE[model])


def _fit(model: Model, pairs: _Pairs, start: Array) -> tuple[Array, Array]:
    """Coefficients, and weights (N,) of the pairs, from a first homography (8,)."""
    weight = _weights(pairs, *_value(Model.HOMOGRAPHY, pairs.here, start), _REACHES[0])
    c = np.zeros(len(_FREE[model])) if model in _POWERS else start
    for reach in _REACHES:
        c, weight = _improved(model, pairs, c, weight, reach)
    return c, weight


def _improved(
    model: Model, pairs: _Pairs, c: Array, weight: Array, reach: float
) -> tuple[Array, Array]:
    """Coefficients after one Gauss-Newton step, and the weights that follow."""
    value, derivatives = _value(model, pairs.here, c)
    root = (np.sqrt(weight) / pairs.sigma)[:, None]
    rows = (root[..., None] * derivatives).reshape(-1, derivatives.shape[2])
    missing = (root * (pairs.there - value)).ravel()
    step = np.linalg.lstsq(rows.T @ rows, rows.T @ missing, rcond=1e-12)[0]
    c = c + _FREE[model] @ step
    return c, _weights(pairs, *_value(model, pairs.here, c), reach)


def _weights(pairs: _Pairs, value: Array, derivatives: Array, reach: float) -> Array:
    """Tukey's weights (N,): none from ``reach`` standard deviations of the scatter on.

    The scatter is never taken for less than the centroid errors: such a fit runs through some
    pairs by chance.
    """
    z = np.hypot(*(value - pairs.there).T) / pairs.sigma
    freedom = max(1 - derivatives.shape[2] / (2 * len(z)), 0.1)
    scale = max(float(np.median(z)) / _MEDIAN / np.sqrt(freedom), 1.0)
    return np.asarray((1 - np.minimum(z / (reach * scale), 1) ** 2) ** 2)


def _formal_error(
    model: Model, pairs: _Pairs, c: Array, weight: Array, low: Array, high: Array
) -> float:
    """Greatest standard error of a fit in a rectangle, by the pairs' own errors; inf at worst."""
    _, derivatives = _value(model, pairs.here, c)
    rows = derivatives * (np.sqrt(weight) / pairs.sigma)[:, None, None]
    _, size, axes = np.linalg.svd(rows.reshape(-1, rows.shape[2]), full_matrices=False)
    if not size[-1] > 1e-9 * size[0]:
        return np.inf
    places = np.stack(np.meshgrid(*np.linspace(low, high, 5).T), axis=-1).reshape(-1, 2)
    _, there = _value(model, places, c)
    return float(np.linalg.norm(there @ axes.T / size, axis=(1, 2)).max())


def _unseen(model: Model, pairs: _Pairs, c: Array, weight: Array) -> Array:
    """Distance (N,), in units, of every pair from a fit without it and its fold."""
    fold = np.arange(len(weight)) % min(_FOLDS, len(weight))
    away = np.empty(len(weight))
    for k in range(fold.max() + 1):
        seen, own, part = _Pairs(*(column[fold != k] for column in pairs)), c, weight[fold != k]
        for _ in range(_FOLD_STEPS):
            own, part = _improved(model, seen, own, part, _TUKEY)
        value, _ = _value(model, pairs.here[fold == k], own)
        away[fold == k] = np.hypot(*(value - pairs.there[fold == k]).T)
    return away


def _simplest(away: dict[Model, Array], sigma: Array) -> Model:
    """The simplest model within one standard error of the best, by Tukey's bounded loss."""
    scale = max(min(float(np.median(d / sigma)) for d in away.values()) / _MEDIAN, 1.0)
    z = {model: d / (_TUKEY * scale * sigma) for model, d in away.items()}
    loss = {model: 1 - (1 - np.minimum(z[model], 1) ** 2) ** 3 for model in z}
    best = min(loss, key=lambda model: float(loss[model].mean()))
    worse = {model: loss[model] - loss[best] for model in loss}
    return next(m for m, w in worse.items() if w.mean() <= w.std() / np.sqrt(len(w) - 1))


def _mapping(
    model: Model, c: Array, middle: Array, unit: float, low: Array, high: Array
) -> Mapping | PolynomialMapping:
    """A fit in units as a mapping between pixels."""
    if model in _POWERS:
        table = np.zeros((*_POWERS[model].shape, 2))
        table[_POWERS[model]] = c.reshape(2, -1).T
        return PolynomialMapping(table, middle, unit, low, high)
    units = np.array([[unit, 0, middle[0]], [0, unit, middle[1]], [0, 0, 1.0]])
    return plane_mapping(units @ np.append(c, 1.0).reshape(3, 3) @ np.linalg.inv(units))
