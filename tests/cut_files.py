"""DNGs as cameras lay them out, directory in front, to be cut off."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np

from stackkit.simulate import Night
from stackkit.simulate.folder import file_tags, frame_name
from stackkit.simulate.night import times
from stackkit.simulate.sensor import expose

FORMS: dict[str, dict[str, Any]] = {
    "plain, one strip": {"rowsperstrip": 1 << 16},
    "plain, strips": {"rowsperstrip": 48},
    "plain, tiles": {"tile": (64, 96)},
    "deflate": {"compression": "deflate", "rowsperstrip": 16},
    "lossless JPEG, tiles": {"compression": 7, "tile": (64, 96)},
    "JPEG XL, tiles": {"compression": "JPEGXL_DNG", "tile": (64, 96)},
}


def camera_file(
    write: Callable[..., Path], path: Path, codes: np.ndarray, form: str, **tags: Any
) -> Path:
    """``codes`` (H, W) stored in a form of ``FORMS``; ``write`` is the fixture ``write_dng``."""
    options, data = dict(FORMS[form]), codes
    extra = {int(code.lstrip("_")): value for code, value in tags.items()}
    if options.get("compression") == 7:
        high, wide = options["tile"]
        data = iter(
            [
                imagecodecs.ljpeg_encode(_padded(codes[y : y + high, x : x + wide], high, wide),
                                         bitspersample=12)
                for y in range(0, codes.shape[0], high)
                for x in range(0, codes.shape[1], wide)
            ]
        )  # fmt: skip
        options |= {"shape": codes.shape, "dtype": codes.dtype}
    return write(path, data, extra, **options)


def _padded(part: np.ndarray, high: int, wide: int) -> np.ndarray:
    room = ((0, high - part.shape[0]), (0, wide - part.shape[1]))
    return np.ascontiguousarray(np.pad(part, room, mode="edge"))


def camera_night(write: Callable[..., Path], night: Night, folder: Path, form: str) -> list[Path]:
    """The night's frames as a camera stores them in this form."""
    paths = []
    for k in range(night.frames):
        said, start = file_tags(night, k), times(night)[k]
        time = start.strftime("%Y:%m:%d %H:%M:%S")
        # TIFF/EP keeps the tags of the exposure in the first directory.
        tags: dict[str, Any] = {
            "_33434": (5, 1, (int(night.exposure * 1000), 1000)),
            "_34855": (3, 1, night.iso),
            "_36867": (2, None, time),
            "_36881": (2, None, "+00:00"),
            "_37521": (2, None, f"{start.microsecond // 1000:03d}"),
            "_37386": (5, 1, (int(said.focal_mm * 100), 100)),
            "_41989": (3, 1, said.focal_35mm),
            "_50714": (5, 1, (int(night.black), 1)),
            "_50717": (4, 1, night.white),
            "_33422": (1, 4, bytes("RGB".index(c) for c in night.pattern)),
        }
        codes = expose(night, k).codes
        paths.append(camera_file(write, folder / frame_name(k), codes, form, **tags))
    return paths


def cut_at(path: Path, share: float) -> None:
    """The file ends after a ``share`` of its bytes."""
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
