"""When something is above or below an altitude: spans of time with exact ends.

The sine of an altitude over a day is so smooth that a Chebyshev polynomial through a few dozen
moments follows it to the last digits.  Its roots are all the crossings, however grazing; none is
missed between steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
from numpy.polynomial import chebyshev

from stackkit.arrays import Array

Span = tuple[float, float]
"""Start and end, seconds since 1970, UTC."""

_NODES = 36
"""Moments a day: the terms of the polynomial have fallen below 1e-14 by then."""
_LEAST = 1e-13
_REAL = 1e-7
"""Imaginary part, in half days, up to which a root counts as real: 4 ms."""

_PLACES = chebyshev.chebpts1(_NODES)
_TERMS = chebyshev.chebvander(_PLACES, _NODES - 1)


def nodes(whole: Span) -> Array:
    """The moments (n,) at which :func:`below` needs the values."""
    start, end = whole
    return np.asarray(0.5 * (start + end) + 0.5 * (end - start) * _PLACES)


def below(values: Array, whole: Span) -> list[Span]:
    """The spans of ``whole`` in which a smooth function is negative; ``values`` (n,) at its nodes.

    A span that begins or ends with ``whole`` may continue beyond it.
    """
    start, end = whole
    kept = _polynomial(values)
    roots = chebyshev.chebroots(kept)
    real = np.sort(roots.real[(np.abs(roots.imag) < _REAL) & (np.abs(roots.real) < 1)])
    edges = [-1.0, *real.tolist(), 1.0]

    def moment(x: float) -> float:
        return 0.5 * (start + end) + 0.5 * (end - start) * x

    under = [
        (moment(a), moment(b))
        for a, b in pairwise(edges)
        if b > a and chebyshev.chebval(0.5 * (a + b), kept) < 0
    ]
    return joined(under)


def lowest(values: Array, whole: Span) -> tuple[float, float]:
    """The moment, to a minute, at which the function is least, and its value then."""
    x = np.linspace(-1, 1, 1441)
    curve = chebyshev.chebval(x, _polynomial(values))
    k = int(np.argmin(curve))
    return whole[0] + (x[k] + 1) / 2 * (whole[1] - whole[0]), float(curve[k])


def _polynomial(values: Array) -> Array:
    """Chebyshev coefficients, without the last ones that are only rounding error."""
    terms = 2 / _NODES * (_TERMS.T @ values)
    terms[0] /= 2
    least = _LEAST * max(float(np.abs(terms).max()), 1e-300)
    return np.asarray(chebyshev.chebtrim(terms, least))


def joined(spans: Iterable[Span]) -> list[Span]:
    """The spans in order, with those that touch or overlap merged."""
    found: list[Span] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return found


def common(one: Sequence[Span], other: Sequence[Span]) -> list[Span]:
    """The spans common to both."""
    pairs = ((max(a, c), min(b, d)) for a, b in one for c, d in other)
    return joined((start, end) for start, end in pairs if end > start)


def outside(spans: Sequence[Span], whole: Span) -> list[Span]:
    """The parts of ``whole`` outside all of the spans."""
    edges = [whole[0], *(edge for span in joined(spans) for edge in span), whole[1]]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]


def longest(spans: Sequence[Span]) -> Span | None:
    """The longest span, the first of equals."""
    return max(spans, key=lambda span: span[1] - span[0], default=None)


def hours(spans: Iterable[Span]) -> float:
    """Their total length."""
    return sum(end - start for start, end in spans) / 3600


def moments(span: Span, step: float) -> Array:
    """Evenly spaced moments from start to end, both included, at most ``step`` seconds apart."""
    count = max(int(np.ceil((span[1] - span[0]) / step)), 1) + 1
    return np.linspace(span[0], span[1], count)
