"""The stack as a linear DNG (1.4): camera-native colours for raw editors, 16 bits.

The first directory has a stretched preview and the camera's data; the picture is in a directory
below, three samples per pixel, uncompressed, which even strict readers accept.  Black is above
zero, so that the noise of a dark sky is kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stackkit.arrays import Plane
from stackkit.output.about import about, exif_tags, gps_tags, plain_ascii, session_words, xmp
from stackkit.output.tiff_container import (
    ASCII,
    BYTE,
    EXIF_IFD,
    GPS_IFD,
    LONG,
    RATIONAL,
    SHORT,
    SRATIONAL,
    TiffPicture,
    write_pictures,
)
from stackkit.picture.colour.camera import CameraColour
from stackkit.picture.colour.develop import Development
from stackkit.picture.colour.spaces import D50, D65, SRGB, adaptation, to_connection
from stackkit.picture.orientation import upright
from stackkit.run.files import replacing
from stackkit.schemas.run import RunRecord

BLACK, WHITE = 2048, 65535
_ROWS = 64
_LINEAR_RAW = 34892
_D65_LIGHT = 21
_SKY = 0.015
"""Linear value at which the sky should be rendered …"""
_MOST_STEPS = 5.0
"""… with at most this many stops."""


def write_linear_dng(
    path: Path,
    value: Plane,
    camera: CameraColour,
    how: Development,
    record: RunRecord,
    preview: NDArray[np.uint8],
) -> None:
    """Write ``value`` (3, H, W), ADU, in the sensor's orientation, with a tag for it.

    ``camera`` and ``how`` give matrices and white; ``preview`` (h, w, 3) is upright.  Full scale is
    the stack's clipping level, so that readers treat it as clipped.  Pixels without coverage are
    black.  Raises ``OutputError``.
    """
    _, height, width = value.shape
    session, orientation = about(record), record["camera"]["orientation"]
    words = f"{session_words(session)} Linear, camera-native colours."
    name = plain_ascii(session.camera) or "Camera of unknown model"
    shown = _as_stored(preview, orientation)
    first = {
        **_rgb(shown.shape[0], shown.shape[1], 8),
        254: (LONG, 1),
        262: (SHORT, 2),
        270: (ASCII, words),
        272: (ASCII, name),
        274: (SHORT, orientation),
        305: (ASCII, "stackkit"),
        700: (BYTE, xmp(session, words, {"whiteAduPerUnit": how.clip, "white": how.words})),
        50706: (BYTE, (1, 4, 0, 0)),  # DNGVersion
        50707: (BYTE, (1, 2, 0, 0)),  # DNGBackwardVersion
        50708: (ASCII, name),  # UniqueCameraModel
        50727: (RATIONAL, camera.balance),  # AnalogBalance
        50728: (RATIONAL, how.neutral.tolist()),  # AsShotNeutral
        50730: (SRATIONAL, _steps(how)),  # BaselineExposure
        **dict(_colour_tags(camera, how)),
    }
    raw = {
        **_rgb(height, width, 16),
        254: (LONG, 0),
        262: (SHORT, _LINEAR_RAW),
        50713: (SHORT, (1, 1)),  # BlackLevelRepeatDim
        50714: (RATIONAL, (BLACK,) * 3),
        50717: (LONG, (WHITE,) * 3),
        50718: (RATIONAL, (1, 1)),  # DefaultScale
        50719: (LONG, (0, 0)),  # DefaultCropOrigin
        50720: (LONG, (width, height)),  # DefaultCropSize
        50829: (LONG, (0, 0, height, width)),  # ActiveArea
    }
    with replacing(path) as temporary, temporary.open("wb") as file:
        write_pictures(
            file,
            [
                TiffPicture(first, (shown[top : top + _ROWS].tobytes() for top in _tops(shown))),
                TiffPicture(raw, _strips(value, how.clip)),
            ],
            {EXIF_IFD: exif_tags(session), GPS_IFD: gps_tags(session.place)},
        )


def _rgb(height: int, width: int, bits: int) -> dict[int, tuple[int, Any]]:
    """The tags of a three-colour picture in strips, uncompressed."""
    return {
        256: (LONG, width),
        257: (LONG, height),
        258: (SHORT, (bits,) * 3),
        259: (SHORT, 1),
        277: (SHORT, 3),
        278: (LONG, _ROWS),
        284: (SHORT, 1),
    }


def _tops(rows: NDArray[Any]) -> range:
    return range(0, len(rows), _ROWS)


def _steps(how: Development) -> float:
    """BaselineExposure that makes the sky visible; the same with the gradient removed, as stars and
    Milky Way are no brighter then.
    """
    light = how.sky * float(how.gains[1]) / how.clip
    return float(np.clip(np.log2(_SKY / light), 0, _MOST_STEPS)) if light > 0 else 0.0


def _colour_tags(camera: CameraColour, how: Development) -> Iterator[tuple[int, tuple[int, Any]]]:
    """The camera's calibrations; without any, one that makes it sRGB under D65."""
    if not camera.known:
        to_srgb = np.linalg.inv(adaptation(D50, D65) @ to_connection(SRGB))
        yield 50721, (SRATIONAL, _flat(np.diag(how.neutral) @ to_srgb))
        yield 50778, (SHORT, _D65_LIGHT)
        return
    codes = ((50721, 50964, 50723, 50778), (50722, 50965, 50724, 50779))
    # DNG 1.4 has two illuminants: of three, the lowest and highest colour temperature are kept.
    ends = camera.calibrations[:: max(len(camera.calibrations) - 1, 1)][:2]
    for (_, profile), (colour, forward, own, light) in zip(ends, codes, strict=False):
        yield colour, (SRATIONAL, _flat(profile.color_matrix))
        yield light, (SHORT, profile.illuminant or 0)
        if profile.forward_matrix is not None:
            yield forward, (SRATIONAL, _flat(profile.forward_matrix))
        if profile.calibration is not None:
            yield own, (SRATIONAL, _flat(profile.calibration))


def _flat(matrix: ArrayLike) -> list[float]:
    return [round(value, 6) for value in np.ravel(matrix).tolist()]


def _as_stored(preview: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """The upright preview rotated back: the orientation tag applies to both pictures."""
    back = {6: 8, 8: 6}.get(orientation, orientation)
    return np.ascontiguousarray(np.moveaxis(upright(np.moveaxis(preview, -1, 0), back), 0, -1))


def _strips(value: Plane, full: float) -> Iterator[bytes]:
    scale = np.float32((WHITE - BLACK) / full)
    for start in _tops(value[0]):
        rows = np.moveaxis(value[:, start : start + _ROWS], 0, -1) * scale + np.float32(BLACK)
        codes = np.rint(np.clip(np.nan_to_num(rows, nan=float(BLACK)), 0, WHITE))
        yield codes.astype("<u2").tobytes()
