"""The stack as TIFF: the file for editing, in a standard linear colour space, for most editors.

Classic TIFF 6.0, contiguous RGB, deflate, 64-row strips; 32-bit float with the floating-point
predictor (TIFF Technical Note 3), or 16-bit whole numbers.  A linear ICC profile defines the
colours, EXIF and XMP describe the session, and a small stretched picture is in a directory of its
own, so that file browsers need not show black.  The same stack gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.output.about import (
    about,
    exif_tags,
    gps_tags,
    plain_ascii,
    session_words,
    xmp,
)
from stackkit.output.profile import linear_profile
from stackkit.output.tiff_container import (
    ASCII,
    BYTE,
    EXIF_IFD,
    GPS_IFD,
    LONG,
    SHORT,
    UNDEFINED,
    TiffPicture,
    write_pictures,
)
from stackkit.picture.colour.develop import Development, develop_rows
from stackkit.picture.orientation import upright
from stackkit.run.files import replacing
from stackkit.schemas.picture import EditingRecord
from stackkit.schemas.run import RunRecord

_ROWS = 64
_LEVEL = 1
"""Of deflate for floats: higher ones take up to half as long again for a twentieth less bytes."""
_CLASSIC_LIMIT = 2**32 - 2**25
"""Bytes of samples that fit a file with 32-bit offsets, with room for its tables."""
_INSIDE = 1024
"""Greatest long side of the small picture inside, px."""


def write_tiff(
    path: Path,
    value: Plane,
    how: Development,
    record: RunRecord,
    preview: NDArray[np.uint8],
    bits: int = 32,
) -> None:
    """Write ``value`` (3, H, W), ADU, to ``path``, upright, developed, its pedestal added.

    ``record`` of the run with its ``camera``, ``frames`` and ``editing`` (pedestal, the value that
    is full scale in 16 bits); ``preview`` (h, w, 3), upright.  Pixels without coverage are 0.
    Values above 1 are kept.  Raises ``OutputError``.
    """
    picture = upright(value, record["camera"]["orientation"])
    _, height, width = picture.shape
    editing, session = record["editing"], about(record)
    assert editing is not None  # it is needed here
    words = f"{session_words(session)} {description(how, editing, bits)}"
    figures: dict[str, float | str] = {
        "pedestal": editing["pedestal"],
        "whiteAduPerUnit": how.white,
        "fullScale": editing["full_scale"] if bits == 16 else 1.0,
        "white": how.words,
    }
    tags: dict[int, tuple[int, Any]] = {
        **_rgb(height, width, bits, 3 if bits == 32 else 2),
        270: (ASCII, words),
        305: (ASCII, "stackkit"),
        700: (BYTE, xmp(session, words, figures)),
        34675: (UNDEFINED, linear_profile(how.space)),
    }
    if session.camera:
        tags[272] = (ASCII, session.camera)
    inside = _smaller(preview)
    lesser = {**_rgb(inside.shape[0], inside.shape[1], 8, 2), 254: (LONG, 1)}
    with replacing(path) as temporary, temporary.open("wb") as file:
        write_pictures(
            file,
            [
                TiffPicture(tags, _strips(picture, how, editing, bits)),
                TiffPicture(lesser, (_whole_numbers(rows) for rows in _rows(inside))),
            ],
            {EXIF_IFD: exif_tags(session), GPS_IFD: gps_tags(session.place)},
            big=needs_bigtiff(height, width),
        )


def _rgb(height: int, width: int, bits: int, predictor: int) -> dict[int, tuple[int, Any]]:
    """The tags of a three-colour picture in strips, compressed by deflate."""
    return {
        256: (LONG, width),
        257: (LONG, height),
        258: (SHORT, (bits,) * 3),
        259: (SHORT, 8),
        262: (SHORT, 2),
        274: (SHORT, 1),
        277: (SHORT, 3),
        278: (LONG, _ROWS),
        284: (SHORT, 1),
        317: (SHORT, predictor),
        339: (SHORT, (3 if bits == 32 else 1,) * 3),
    }


def needs_bigtiff(height: int, width: int) -> bool:
    """Whether a float RGB picture may outgrow classic TIFF; not every editor opens BigTIFF."""
    return height * width * 3 * 4 > _CLASSIC_LIMIT


def description(how: Development, editing: EditingRecord, bits: int) -> str:
    """A description for whoever opens the file, in ASCII."""
    pedestal = editing["pedestal"]
    colours = (
        f"{how.space.name} primaries"
        if how.kelvin is not None
        else "the camera's own colours, unknown and taken for sRGB's"
    )
    full = f" The code 65535 stands for {editing['full_scale']:g}." if bits == 16 else ""
    added = (
        f" {pedestal:g} was added to every value, so that dark noise is kept." if pedestal else ""
    )
    return (
        "Linear light: twice the value is twice the light, so the picture looks dark until it is "
        f"stretched. {colours}; white is {plain_ascii(how.words)}. "
        f"1.0 is the level at which the camera clips, {how.white:g} ADU above black in one frame."
        f"{full}{added} Pixels that no frame reaches are 0."
    )


def _strips(picture: Plane, how: Development, editing: EditingRecord, bits: int) -> Iterator[bytes]:
    """Encoded strips of ``picture`` (3, H, W), made one at a time to save memory."""
    for top in range(0, picture.shape[1], _ROWS):
        rows = develop_rows(picture, top, min(top + _ROWS, picture.shape[1]), how)
        light = np.moveaxis(rows, 0, -1) + np.float32(editing["pedestal"])
        light[~np.isfinite(light)] = 0
        if bits == 16:
            codes = np.rint(np.clip(light / editing["full_scale"], 0, 1) * 65535)
            yield _whole_numbers(codes.astype("<u2"))
        else:
            rows = imagecodecs.floatpred_encode(np.ascontiguousarray(light, "<f4"), axis=-2)
            yield bytes(imagecodecs.deflate_encode(rows.tobytes(), level=_LEVEL))


def _rows(picture: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    for start in range(0, len(picture), _ROWS):
        yield picture[start : start + _ROWS]


def _whole_numbers(rows: NDArray[Any]) -> bytes:
    """A strip (n, w, 3) as differences along its rows (TIFF 6.0, section 14), compressed."""
    differences = imagecodecs.delta_encode(np.ascontiguousarray(rows), axis=-2)
    return bytes(imagecodecs.deflate_encode(differences.tobytes()))


def _smaller(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture reduced by a whole factor, by means of the pixels in each square."""
    step = -(-max(picture.shape[:2]) // _INSIDE)
    height, width = (max(side // step * step, 1) for side in picture.shape[:2])
    if step == 1 or min(height, width) < step:
        return picture
    blocks = picture[:height, :width].reshape(height // step, step, width // step, step, 3)
    return np.asarray(np.rint(blocks.mean(axis=(1, 3))), dtype=np.uint8)
