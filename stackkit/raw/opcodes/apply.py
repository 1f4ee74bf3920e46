"""DNG opcode lists: the corrections that a file asks for (DNG 1.7.1, chapter 7).

List 1 is meant for the codes of the whole stored picture, list 2 for reference values (0 black,
1 white) of the active area, list 3 for the three colours after demosaicing.  Everything is done on
the visible mosaic here: of list 3 each site gets what is meant for its own colour.  Gains never
clip, so that values over 1 stay linear.  Bad pixels are marked, not interpolated; no picture is
warped.  Rectangles after a TrimBounds are taken in the coordinates of the untrimmed picture.

List 1 comes before the black level is taken off, but is done after it here: exact for bad pixels
and bounds, an approximation for gains, and left out for tables, polynomials and deltas, which
depend on the black level.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Mask, Plane
from stackkit.raw.opcodes import tables
from stackkit.raw.opcodes.arithmetic import Pattern, Placement, act, mark, optics
from stackkit.raw.opcodes.lists import Opcode, Opcodes
from stackkit.raw.opcodes.tables import (
    BadCode,
    BadSites,
    Content,
    Delta,
    GainMap,
    Polynomial,
    Scale,
    Table,
    Trim,
    Vignette,
    WarpOpcode,
)

_RAW, _LINEAR, _PICTURE = 1, 2, 3
_GREEN = 1
_NO_AREA = "the size of the active area is not known"


@dataclass(frozen=True)
class OpcodeFate:
    """How an opcode is handled, in words; ``lacking``: the file wants it, and it is not done."""

    list_number: int
    name: str
    what: str
    lacking: bool


@dataclass(frozen=True)
class LensHint:
    """A lens as the file describes it for green (WarpRectilinear, WarpFisheye): a start for a fit.

    With d = (pixel - ``centre``) / ``unit`` of a place in the corrected picture and r = |d|, its
    light was recorded at ``centre`` + ``unit`` · (f d + tangential terms), with
    f = kr0 + kr1 r² + kr2 r⁴ + kr3 r⁶, or when ``fisheye``
    f = (kr0 θ + kr1 θ³ + kr2 θ⁵ + kr3 θ⁷) / r, θ = arctan r;
    tangential terms 2 kt0 dx dy + kt1 (r² + 2 dx²) and kt0 (r² + 2 dy²) + 2 kt1 dx dy.
    ``centre`` x, y in px of the visible mosaic; ``unit`` in px.
    """

    fisheye: bool
    radial: tuple[float, float, float, float]
    tangential: tuple[float, float]
    centre: tuple[float, float]
    unit: float


def marked_sites(opcodes: Opcodes, codes: NDArray[np.uint16], pattern: Pattern) -> Mask | None:  # noqa: ARG001
    """Sites (H, W) of the visible mosaic ``codes`` that the file calls bad or trims away.

    None when there is no such opcode.  FixBadPixelsConstant is held against the codes as given.
    Of ``pattern`` nothing is needed, since nothing is interpolated.
    """
    mask: Mask | None = None
    for list_number, found in _understood(opcodes):
        if not isinstance(found, BadCode | BadSites | Trim):
            continue
        if mask is None:
            mask = np.zeros(codes.shape, dtype=np.bool_)
        if isinstance(found, BadCode):
            mask |= codes == found.code
        else:
            mark(mask, found, _window(opcodes, list_number))
    return mask


def apply(opcodes: Opcodes, plane: Plane, pattern: Pattern) -> None:
    """Do what the opcodes ask, in their order and in place.

    ``plane`` (H, W) float32 reference values of the visible mosaic, 0 black, 1 white, NaN missing;
    ``pattern`` (2, 2) colours 0 R, 1 G, 2 B.  Gains and deltas do not clip; MapTable and
    MapPolynomial, which are defined from 0 to 1 only, take values over 1 as 1, and below 0 go on as
    their mirror image.
    """
    for list_number, found in _understood(opcodes):
        _act(opcodes, list_number, found, plane, pattern)


def gain_field(opcodes: Opcodes, shape: tuple[int, int], pattern: Pattern) -> Plane | None:
    """The product of all gains (GainMap, FixVignetteRadial, ScalePerRow, ScalePerColumn) of each
    site, (H, W) float32; None when there is none.
    """
    gains = [
        step for step in _understood(opcodes) if isinstance(step[1], GainMap | Vignette | Scale)
    ]
    if not gains:
        return None
    field = np.ones(shape, dtype=np.float32)
    for list_number, found in gains:
        _act(opcodes, list_number, found, field, pattern)
    return field


def lens_hint(opcodes: Opcodes) -> LensHint | None:
    """The lens by the last WarpRectilinear or WarpFisheye; None when the file has neither."""
    warps = [w for _, w in _understood(opcodes) if isinstance(w, WarpOpcode) and not w.higher]
    if not warps:
        return None
    warp = warps[-1]
    terms = warp.sets[min(_GREEN, len(warp.sets) - 1)]
    x, y, unit = optics(warp.centre, opcodes.area)
    return LensHint(
        fisheye=warp.fisheye,
        radial=(terms[0], terms[1], terms[2], terms[3]),
        tangential=(0.0, 0.0) if warp.fisheye else (terms[4], terms[5]),
        centre=(x - opcodes.origin[1], y - opcodes.origin[0]),
        unit=unit,
    )


def account(opcodes: Opcodes) -> tuple[OpcodeFate, ...]:
    """How each opcode is handled, in the file's order."""
    fates = []
    warped_list = 0
    for list_number, opcode in _numbered(opcodes):
        try:
            found = _content(opcodes, list_number, opcode)
        except KeyError:
            words = "unknown, optional: left out"
            if not opcode.optional:
                words = "unknown, and the file says it must not be left out"
            fates.append(OpcodeFate(list_number, opcode.name, words, not opcode.optional))
        except ValueError as reason:
            words = f"not applied: {reason}"
            fates.append(OpcodeFate(list_number, opcode.name, words, not opcode.optional))
        else:
            warped_list = list_number if isinstance(found, WarpOpcode) else warped_list
            words = _deed(list_number, found, warped_list == list_number)
            fates.append(OpcodeFate(list_number, opcode.name, words, False))
    return tuple(fates)


def _deed(list_number: int, found: Content, after_warp: bool) -> str:
    """What is done with an opcode that can be used."""
    match found:
        case WarpOpcode(higher=True):
            return "noted only; the picture is not warped"
        case WarpOpcode():
            return "kept as a start for the lens; the picture is not warped"
        case BadCode() | BadSites():
            return "its sites are marked as missing, not interpolated"
        case Trim():
            return "sites outside are marked as missing"
    if list_number == _RAW:
        return "applied after the black level instead of before: an approximation"
    if after_warp:
        return "applied without the warp before it: an approximation"
    if list_number == _PICTURE:
        return "applied to the mosaic, to each site as to its own colour"
    return "applied"


def _numbered(opcodes: Opcodes) -> Iterator[tuple[int, Opcode]]:
    lists = ((_RAW, opcodes.raw), (_LINEAR, opcodes.linear), (_PICTURE, opcodes.picture))
    return ((number, opcode) for number, listed in lists for opcode in listed)


def _understood(opcodes: Opcodes) -> Iterator[tuple[int, Content]]:
    """List number and content of the opcodes that can be used."""
    for list_number, opcode in _numbered(opcodes):
        try:
            found = _content(opcodes, list_number, opcode)
        except (KeyError, ValueError):
            continue  # reported by account()
        yield list_number, found


def _content(opcodes: Opcodes, list_number: int, opcode: Opcode) -> Content:
    """The content.  Raises as ``opcode_data.content`` does, and where it cannot be used here."""
    found = tables.content(opcode.number, opcode.data)
    if list_number == _RAW and isinstance(found, Table | Polynomial | Delta):
        raise ValueError("it is meant for codes with their black level, which is already taken off")
    if list_number != _RAW and isinstance(found, BadCode):
        raise ValueError("the code it names is only known in list 1")
    if isinstance(found, Delta) and np.abs(found.values).max() > 1:
        raise ValueError("it adds more than the whole range")
    if isinstance(found, GainMap | Vignette | WarpOpcode) and min(opcodes.area) < 1:
        raise ValueError(_NO_AREA)
    planes = 3 if list_number == _PICTURE else 1
    if (
        isinstance(found, GainMap | Scale | Delta | Table | Polynomial)
        and found.area.plane >= planes
    ):
        raise ValueError(f"it is meant for colour plane {found.area.plane}, which there is not")
    return found


def _window(opcodes: Opcodes, list_number: int) -> Placement:
    corner = opcodes.raw_origin if list_number == _RAW else opcodes.origin
    return Placement(corner, opcodes.origin, opcodes.area)


def _act(
    opcodes: Opcodes, list_number: int, found: Content, plane: Plane, pattern: Pattern
) -> None:
    colours = pattern if list_number == _PICTURE else None
    act(found, plane, _window(opcodes, list_number), colours)
