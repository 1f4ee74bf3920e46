"""LibRaw's description of a file that it decodes, for those that are no DNG."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import rawpy
from numpy.typing import NDArray

from stackkit.errors import RawFileError
from stackkit.raw.headers.metadata import LIBRAW_FAULTS, Matrix


def open_file(raw: Any, path: Path) -> Exception | None:
    """Opens by name; rawpy takes names as UTF-8 only, so files of other names go by content."""
    try:
        try:
            str(path).encode()
        except UnicodeEncodeError:
            raw.open_buffer(io.BytesIO(path.read_bytes()))
        else:
            raw.open_file(str(path))
    except (*LIBRAW_FAULTS, MemoryError) as fault:
        return fault
    return None


def is_plane(sizes: Any, sides: tuple[int, int]) -> bool:
    """Whether LibRaw found a plane of these sides."""
    return (sizes.raw_width, sizes.raw_height) == sides


def pattern(path: Path, raw: Any) -> NDArray[np.uint8]:
    """Colours of the visible area's top left sites, both greens as 1."""
    only = "only red, green and blue Bayer mosaics can be used"
    if raw.raw_type != rawpy.RawType.Flat:
        raise RawFileError(path, f"its colours are already mixed, or not whole numbers; {only}")
    tile = raw.raw_pattern
    if tile.shape == (1, 1):
        raise RawFileError(path, f"from a black-and-white sensor; {only}")
    if tile.shape != (2, 2):
        height, width = tile.shape
        raise RawFileError(path, f"its colour pattern repeats every {width}×{height} sites; {only}")
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    letters = raw.color_desc.decode("ascii", "replace")
    sites = [raw.raw_color(top + y, left + x) for y in (0, 1) for x in (0, 1)]
    names = "".join(letters[site : site + 1] for site in sites)
    if names not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        raise RawFileError(path, f"its colour pattern is {names}; {only}")
    return np.array(["RGB".index(name) for name in names], dtype=np.uint8).reshape(2, 2)


def black(raw: Any) -> NDArray[np.float64]:
    """Black levels of the visible area's top left sites, in whole codes."""
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    levels = raw.black_level_per_channel
    sites = [[levels[raw.raw_color(top + y, left + x)] for x in (0, 1)] for y in (0, 1)]
    return np.array(sites, dtype=np.float64)


def white(path: Path, raw: Any, black: float) -> float:
    """The lowest code at which a colour clips."""
    levels = [raw.white_level, *(raw.camera_white_level_per_channel or ())]
    above = [level for level in levels if level > black]
    if not above:
        raise RawFileError(path, f"its white level {levels[0]} is not above its black {black:g}")
    return float(min(above))


def balance(raw: Any) -> tuple[float, float, float] | None:
    """Multipliers for R, G, B, green = 1; None when the camera recorded none."""
    red, green, blue, *_ = raw.camera_whitebalance
    if not (np.isfinite([red, green, blue]).all() and min(red, green, blue) > 0):
        return None
    return red / green, 1.0, blue / green


def color_matrix(raw: Any) -> Matrix | None:
    """XYZ to the camera's colours under D65, by LibRaw's table; None for a camera it lacks."""
    table = np.asarray(raw.rgb_xyz_matrix, dtype=np.float64)[:3]
    if table.shape != (3, 3) or not (np.isfinite(table).all() and table.any(axis=1).all()):
        return None
    (a, b, c), (d, e, f), (g, h, i) = table.tolist()
    return (a, b, c), (d, e, f), (g, h, i)
