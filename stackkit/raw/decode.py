"""From a file to the samples the sensor gave."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit.errors import RawFileError, why
from stackkit.raw import dng, libraw, pictures, salvage
from stackkit.raw.headers.checks import BLANK_END, COPY_AGAIN, NOT_AS_SAID
from stackkit.raw.headers.kinds import FileKind, Form, OpenFile, kind, opened
from stackkit.raw.headers.layout import LINEARIZATION_TABLE, Layout, read_pattern
from stackkit.raw.headers.metadata import LIBRAW_FAULTS, Matrix
from stackkit.raw.headers.tags import OPCODE_LISTS, Directory
from stackkit.raw.levels import dng_black, dng_white, masked_black
from stackkit.raw.opcodes.lists import NO_OPCODES, Opcode, Opcodes, parse

__all__ = ["FileKind", "Form", "Mosaic", "RawFileError", "decode", "kind", "why"]

_RGGB = np.array([[0, 1], [1, 2]], dtype=np.uint8)
_NO_PLANES = np.zeros((2, 2), dtype=np.uint8)
_BLIND_TO_CODES = (1, 2, 5, 6, 14)
"""Warps, FixBadPixelsList, TrimBounds (DNG 1.7.1, chapter 7)."""


@dataclass(frozen=True)
class Mosaic:
    """The visible Bayer plane of one file, untouched.

    ``data`` (H, W) uint16 linearised codes; ``pattern`` (2, 2) colour indices 0 R, 1 G, 2 B of the
    top left sites; ``black`` (2, 2) mean black levels of those sites in codes, ``black_detail``
    (H, W) the exact level minus that mean, None where it is zero; ``white`` the code at which
    samples clip; ``missing`` (H, W) where the file lacks the sample, None when it is whole;
    ``balance`` multipliers for R, G, B that make the as-shot white neutral,
    green = 1, or None when the camera recorded none; ``opcodes`` the corrections the file asks for;
    ``remarks`` on this file's picture for the user; ``color_matrix`` XYZ to the camera's colours
    (D65), where LibRaw's table has it but the file's own tags do not.
    """

    data: NDArray[np.uint16]
    pattern: NDArray[np.uint8]
    black: NDArray[np.float64]
    white: float
    balance: tuple[float, float, float] | None
    black_detail: NDArray[np.float32] | None = None
    opcodes: Opcodes = NO_OPCODES
    remarks: tuple[str, ...] = ()
    missing: NDArray[np.bool_] | None = None
    color_matrix: Matrix | None = None


def decode(path: Path) -> Mosaic:
    """The mosaic of the file ``path``, its samples a copy.

    A linearisation table in the file is applied, nothing else.  Of a truncated DNG the certainly
    whole part is returned, if that is a tenth of it at least; the rest is ``missing``.  Of
    pictures whose colours are already mixed (linear DNG, JPEG, TIFF) each site of an RGGB mosaic
    takes its own colour; the remarks name what is lost.  Raises ``RawFileError`` (an
    ``InputError``) when the file cannot be read, holds too little, is damaged, or holds something
    that cannot be used.
    """
    with opened(path) as file:
        try:
            if file.form is Form.PICTURE:
                mosaic = _from_picture(file)
            elif file.layout is not None:
                mosaic = _from_dng(file, file.layout)
            else:
                mosaic = _from_libraw(file)
        except LIBRAW_FAULTS as fault:
            raise RawFileError(path, "damaged or cut short", COPY_AGAIN) from fault
        except MemoryError as fault:
            raise RawFileError(path, "too large for the memory that is free") from fault
        if mosaic.data.shape != (file.size[1], file.size[0]):
            raise RawFileError(path, NOT_AS_SAID, COPY_AGAIN)
        return mosaic


def _from_libraw(file: OpenFile) -> Mosaic:
    """A maker's own format, of which LibRaw knows the levels."""
    file.raw.unpack()
    pattern, black = libraw.pattern(file.path, file.raw), libraw.black(file.raw)
    data = np.array(file.raw.raw_image_visible, dtype=np.uint16, order="C", copy=True)
    _check_end(file.path, data, black)
    if data.min() == data.max():  # LibRaw gave up without a word
        raise RawFileError(file.path, "damaged: all its samples are the same", COPY_AGAIN)
    white = libraw.white(file.path, file.raw, float(black.max()))
    return Mosaic(
        data=data,
        pattern=pattern,
        black=black,
        white=white,
        balance=libraw.balance(file.raw),
        color_matrix=libraw.color_matrix(file.raw),
    )


def _from_picture(file: OpenFile) -> Mosaic:
    """Undoes sRGB's curve unless the file's values are marked as linear."""
    if file.jpeg:
        codes: NDArray[Any] = pictures.jpeg_codes(file.path, file.jpeg)
        linear = False
    else:
        codes = pictures.tiff_codes(file.path, file.directories[0])
        linear = pictures.is_linear(file.directories[0])
    sites = pictures.one_colour_a_site(codes, _RGGB)
    return Mosaic(
        data=pictures.straight(sites, int(np.iinfo(codes.dtype).max), linear),
        pattern=_RGGB,
        black=np.zeros((2, 2)),
        white=float(pictures.WHITE),
        balance=(1.0, 1.0, 1.0),
        remarks=(file.lost,),
    )


def _from_dng(file: OpenFile, layout: Layout) -> Mosaic:
    """By the file's tags: LibRaw drops fractions of black levels and larger repeats."""
    path, tags = file.path, file.directories[layout.place]
    (top, left), (height, width) = corner, shape = _place(file, layout)
    origin = (top - layout.area[0], left - layout.area[1])
    planes = _NO_PLANES if layout.mosaic else _RGGB
    black = dng_black(tags, shape, origin, planes)
    stored, there = _stored(file, layout, tags, float(black.mean.min()))
    visible = stored[top : top + height, left : left + width]
    if layout.mosaic:
        data = np.array(visible, dtype=np.uint16, order="C", copy=True)
        pattern = np.roll(read_pattern(path, tags), origin, axis=(0, 1))
    else:
        data = pictures.one_colour_a_site(visible, _RGGB)
        pattern = _RGGB
    try:
        white = dng_white(tags, black.highest)
    except ValueError as fault:
        raise RawFileError(path, str(fault)) from fault
    if layout.mosaic:
        black = masked_black(black, tags, stored, layout.area[:2], origin, white, there)
    missing = None
    if there is None:
        _check_end(path, data, black.mean)
    else:
        seen = there[top : top + height, left : left + width]
        salvage.check_share(path, float(seen.mean()))
        missing = ~seen
    opcodes, said = _opcodes(tags, layout, corner, origin)
    return Mosaic(
        data=data,
        pattern=pattern,
        black=black.mean,
        white=white,
        balance=_balance(file, there is None),
        black_detail=black.detail,
        opcodes=opcodes,
        remarks=(*((file.lost,) if file.lost else ()), *black.remarks, *said),
        missing=missing,
    )


def _place(file: OpenFile, layout: Layout) -> tuple[tuple[int, int], tuple[int, int]]:
    """Of the stored picture the visible part's corner (row, column) and sides (H, W).

    LibRaw moves odd margins to even ones; our own reader starts exactly at the file's margins.
    """
    if file.raw is None:
        top, left, bottom, right = layout.area
        return (top, left), (bottom - top, right - left)
    sizes = file.raw.sizes
    return (sizes.top_margin, sizes.left_margin), (sizes.height, sizes.width)


def _balance(file: OpenFile, unpacked: bool) -> tuple[float, float, float] | None:
    """LibRaw gives it only for files that it has unpacked."""
    if file.raw is not None and unpacked:
        return libraw.balance(file.raw)
    return dng.balance(file.directories[0])


def _stored(
    file: OpenFile, layout: Layout, tags: Directory, black: float
) -> tuple[NDArray[np.uint16], NDArray[np.bool_] | None]:
    """The whole stored picture, and for a truncated one which pixels are there."""
    end = salvage.end_of_data(file.path, layout, black)
    if salvage.is_cut(layout, end):
        return salvage.salvaged(file.path, layout, tags, end)
    dng.check_parts(file.path, layout)
    if file.raw is None:
        return dng.stored_samples(file.path, layout, tags), None
    file.raw.unpack()
    samples = file.raw.raw_image
    if samples is None or samples.dtype != np.uint16 or samples.ndim != (2 if layout.mosaic else 3):
        raise RawFileError(file.path, NOT_AS_SAID, COPY_AGAIN)
    return samples, None


def _check_end(path: Path, data: NDArray[np.uint16], black: NDArray[np.float64]) -> None:
    """A picture whose black is not zero has no last row of zeros."""
    if black.min() >= 1 and not data[-1].any():
        raise RawFileError(path, BLANK_END, COPY_AGAIN)


def _opcodes(
    tags: Directory, layout: Layout, corner: tuple[int, int], origin: tuple[int, int]
) -> tuple[Opcodes, tuple[str, ...]]:
    """The file's opcode lists, and remarks on what cannot be done as the file asks."""
    lists: list[tuple[Opcode, ...]] = []
    remarks = []
    for number, code in enumerate(OPCODE_LISTS, 1):
        try:
            lists.append(parse(tags[code]) if code in tags else ())
        except ValueError as fault:
            lists.append(())
            remarks.append(f"opcode list {number} is left out: {fault}")
    raw, linear, picture = lists
    seeing = [opcode.name for opcode in raw if opcode.number not in _BLIND_TO_CODES]
    if seeing and LINEARIZATION_TABLE in tags:
        remarks.append(
            f"{', '.join(seeing)} of opcode list 1 should come before the linearisation table, "
            "which is applied already"
        )
    if not layout.mosaic:  # three planes, which only list 3 has else
        linear, picture = (), (*linear, *picture)
    top, left, bottom, right = layout.area
    area = (bottom - top, right - left)
    return Opcodes(raw, linear, picture, corner, origin, area), tuple(remarks)
