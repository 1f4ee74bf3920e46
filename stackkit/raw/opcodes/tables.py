"""The data of DNG opcodes, read and checked: bytes to values (DNG 1.7.1, chapter 7).

Numbers are big-endian whatever the file's byte order.  Counts are checked against the bytes that
are there before anything is allocated.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

MOST_GAIN = 1000.0
"""No lens darkens its corners this much; a larger gain, or one below 1/1000, is damage."""
_HIGHEST_DEGREE = 8
"""Of a polynomial in MapPolynomial (DNG 1.7.1, chapter 7)."""
_MOST_TERM = 1e6
_MOST_SETS = 4
_EVERYWHERE = 2**32
_CUT_SHORT = "its data are cut short"


@dataclass(frozen=True)
class Area:
    """The sites an opcode touches: every ``row_pitch``-th row from ``top`` to before ``bottom``,
    columns alike, and the ``planes`` planes from ``plane`` on.
    """

    top: int
    left: int
    bottom: int
    right: int
    plane: int
    planes: int
    row_pitch: int
    column_pitch: int


@dataclass(frozen=True)
class GainMap:
    """``gains`` (points down, points across, map planes); ``origin`` of the first point and
    ``spacing`` (down, across) as shares of the picture's height and width.
    """

    area: Area
    gains: Floats
    spacing: tuple[float, float]
    origin: tuple[float, float]


@dataclass(frozen=True)
class Vignette:
    """Gain 1 + Σ k_i r^(2i + 2); ``centre`` x, y from 0, the first pixel, to 1, the last."""

    k: tuple[float, ...]
    centre: tuple[float, float]


@dataclass(frozen=True)
class Scale:
    """A factor for each affected row (``axis`` 0) or column (1)."""

    area: Area
    values: Floats
    axis: int


@dataclass(frozen=True)
class Delta:
    """A number to add to each affected row (``axis`` 0) or column (1)."""

    area: Area
    values: Floats
    axis: int


@dataclass(frozen=True)
class Table:
    """New values for the values i / 65535, in units of 1/65535."""

    area: Area
    entries: Floats


@dataclass(frozen=True)
class Polynomial:
    """New values Σ coefficient_i value^i."""

    area: Area
    coefficients: tuple[float, ...]


@dataclass(frozen=True)
class BadCode:
    """Sites with this code are bad."""

    code: int


@dataclass(frozen=True)
class BadSites:
    """Bad ``points`` (N, 2) row, column, and ``rectangles`` (N, 4) top, left, bottom, right."""

    points: NDArray[np.int64]
    rectangles: NDArray[np.int64]


@dataclass(frozen=True)
class Trim:
    """The picture is what lies within; ``bottom`` and ``right`` are the first outside."""

    top: int
    left: int
    bottom: int
    right: int


@dataclass(frozen=True)
class WarpOpcode:
    """Coefficients of a lens, one set for all planes or one a plane; ``centre`` as in Vignette."""

    sets: tuple[tuple[float, ...], ...]
    centre: tuple[float, float]
    fisheye: bool = False
    higher: bool = False


Content = (
    GainMap | Vignette | Scale | Delta | Table | Polynomial | BadCode | BadSites | Trim | WarpOpcode
)


def content(number: int, data: bytes) -> Content:
    """The content of the opcode ``number``.

    Raises ``KeyError`` for a number that DNG 1.7.1 does not define, and ``ValueError`` with the
    reason in plain words when the data are cut short or absurd.
    """
    return _READERS[number][1](data)


def name(number: int) -> str:
    """The specification's name of an opcode, or its number."""
    return _READERS[number][0] if number in _READERS else f"opcode {number}"


def _take(data: bytes, at: int, form: str) -> tuple[int, ...]:
    try:
        return struct.unpack_from(f">{form}", data, at)
    except struct.error as fault:
        raise ValueError(_CUT_SHORT) from fault


def _array(data: bytes, at: int, count: int, kind: str) -> NDArray[np.generic]:
    """``count`` numbers from ``at`` on; nothing is allocated for numbers that are not there."""
    if at + count * np.dtype(kind).itemsize > len(data):
        raise ValueError(_CUT_SHORT)
    return np.frombuffer(data, kind, count, at)


def _doubles(data: bytes, at: int, count: int) -> tuple[float, ...]:
    values = tuple(float(value) for value in _array(data, at, count, ">f8"))
    if not np.isfinite(values).all():
        raise ValueError("it holds values that are not numbers")
    return values


def _singles(data: bytes, at: int, count: int) -> Floats:
    values = _array(data, at, count, ">f4").astype(np.float32)
    if not np.isfinite(values).all():
        raise ValueError("it holds values that are not numbers")
    return values


def _check_gains(gains: NDArray[np.floating]) -> None:
    if not gains.min() > 0:
        raise ValueError("it holds gains of zero or below")
    if not gains.min() >= 1 / MOST_GAIN:
        raise ValueError(f"it holds gains under {1 / MOST_GAIN:g}")
    if not gains.max() <= MOST_GAIN:
        raise ValueError(f"it holds gains over {MOST_GAIN:.0f}")


def _centre(data: bytes, at: int) -> tuple[float, float]:
    x, y = _doubles(data, at, 2)
    if not (0 <= x <= 1 and 0 <= y <= 1):
        raise ValueError("its optical centre lies outside the picture")
    return x, y


def _area(data: bytes) -> Area:
    """An empty rectangle means the whole picture, as in the reference implementation; the text
    leaves it open.
    """
    area = Area(*_take(data, 0, "8I"))
    if 0 in (area.row_pitch, area.column_pitch):
        raise ValueError("its row or column pitch is zero")
    if area.planes == 0:
        raise ValueError("it names no colour plane")
    if area.top < area.bottom and area.left < area.right:
        return area
    if (area.row_pitch, area.column_pitch) != (1, 1):
        raise ValueError("its area is empty")
    return Area(0, 0, _EVERYWHERE, _EVERYWHERE, area.plane, area.planes, 1, 1)


def _gain_map(data: bytes) -> GainMap:
    area = _area(data)
    down, across = _take(data, 32, "2I")
    spacing_v, spacing_h, *origin = _doubles(data, 40, 4)
    (planes,) = _take(data, 72, "I")
    if 0 in (down, across, planes):
        raise ValueError("its map has no points")
    if (down > 1 and spacing_v <= 0) or (across > 1 and spacing_h <= 0):
        raise ValueError("its map's points have no distance")
    gains = _singles(data, 76, down * across * planes)
    _check_gains(gains)
    # A single point applies to the whole height or width, whatever its place.
    spacing = (spacing_v if down > 1 else 1.0, spacing_h if across > 1 else 1.0)
    return GainMap(area, gains.reshape(down, across, planes), spacing, (origin[0], origin[1]))


def _vignette(data: bytes) -> Vignette:
    found = Vignette(_doubles(data, 0, 5), _centre(data, 40))
    if max(map(abs, found.k)) > MOST_GAIN:
        raise ValueError(f"it holds terms over {MOST_GAIN:.0f}")
    r2 = np.linspace(0, 1, 257)
    _check_gains(1 + r2 * np.polynomial.polynomial.polyval(r2, found.k))
    return found


def _lines(data: bytes, axis: int) -> tuple[Area, Floats]:
    """One number for each affected row or column."""
    area = _area(data)
    (count,) = _take(data, 32, "I")
    first, last = ((area.top, area.bottom), (area.left, area.right))[axis]
    if count != -(-(last - first) // (area.row_pitch, area.column_pitch)[axis]):
        raise ValueError("it has not one value for each row or column of its area")
    return area, _singles(data, 36, count)


def _scale(axis: int) -> Callable[[bytes], Scale]:
    def read(data: bytes) -> Scale:
        area, values = _lines(data, axis)
        _check_gains(values)
        return Scale(area, values, axis)

    return read


def _delta(axis: int) -> Callable[[bytes], Delta]:
    return lambda data: Delta(*_lines(data, axis), axis)


def _table(data: bytes) -> Table:
    area = _area(data)
    (count,) = _take(data, 32, "I")
    if not 1 <= count <= 65536:
        raise ValueError("its table has no entries, or more than 65536")
    return Table(area, _array(data, 36, count, ">u2").astype(np.float32))


def _polynomial(data: bytes) -> Polynomial:
    area = _area(data)
    (degree,) = _take(data, 32, "I")
    if degree > _HIGHEST_DEGREE:
        raise ValueError(f"its polynomial's degree is over {_HIGHEST_DEGREE}")
    coefficients = _doubles(data, 36, degree + 1)
    if max(map(abs, coefficients)) > _MOST_TERM:
        raise ValueError(f"it holds coefficients over {_MOST_TERM:.0e}")
    return Polynomial(area, coefficients)


def _bad_code(data: bytes) -> BadCode:
    return BadCode(_take(data, 0, "2I")[0])


def _bad_sites(data: bytes) -> BadSites:
    _, points, rectangles = _take(data, 0, "3I")
    numbers = _array(data, 12, 2 * points + 4 * rectangles, ">u4").astype(np.int64)
    return BadSites(numbers[: 2 * points].reshape(-1, 2), numbers[2 * points :].reshape(-1, 4))


def _trim(data: bytes) -> Trim:
    trim = Trim(*_take(data, 0, "4I"))
    if trim.top >= trim.bottom or trim.left >= trim.right:
        raise ValueError("it would leave nothing of the picture")
    return trim


def _warp(terms: int, fisheye: bool = False, higher: bool = False) -> Callable[[bytes], WarpOpcode]:
    def read(data: bytes) -> WarpOpcode:
        (count,) = _take(data, 0, "I")
        if not 1 <= count <= _MOST_SETS:
            raise ValueError("its coefficients fit no number of colour planes")
        numbers = _doubles(data, 4, terms * count)
        sets = tuple(numbers[k * terms : (k + 1) * terms] for k in range(count))
        return WarpOpcode(sets, _centre(data, 4 + 8 * terms * count), fisheye, higher)

    return read


_READERS: dict[int, tuple[str, Callable[[bytes], Content]]] = {
    1: ("WarpRectilinear", _warp(6)),
    2: ("WarpFisheye", _warp(4, fisheye=True)),
    3: ("FixVignetteRadial", _vignette),
    4: ("FixBadPixelsConstant", _bad_code),
    5: ("FixBadPixelsList", _bad_sites),
    6: ("TrimBounds", _trim),
    7: ("MapTable", _table),
    8: ("MapPolynomial", _polynomial),
    9: ("GainMap", _gain_map),
    10: ("DeltaPerRow", _delta(0)),
    11: ("DeltaPerColumn", _delta(1)),
    12: ("ScalePerRow", _scale(0)),
    13: ("ScalePerColumn", _scale(1)),
    14: ("WarpRectilinear2", _warp(19, higher=True)),
}
