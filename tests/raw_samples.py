"""What the tests of raw files share: tags, ways of storing samples, and the fault they expect."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest

from stackkit.errors import InputError
from stackkit.output.dng import MosaicTags
from stackkit.raw.decode import decode

BLACK = (64.0, 65.25, 66.5, 67.0)
BLACK_TAGS: dict[int, Any] = {50713: (3, 2, (2, 2)), 50714: (5, 4, (64, 1, 261, 4, 133, 2, 67, 1))}
VERSION_17: dict[int, Any] = {
    50706: (1, 4, bytes((1, 7, 1, 0))),
    50707: (1, 4, bytes((1, 7, 1, 0))),
}
MAIN: dict[int, Any] = {254: (4, 1, 0), 274: (3, 1, 1)}
"""Tags on which strict readers insist: this is the main picture, and upright."""
XTRANS = bytes("RGB".index(letter) for letter in "GGRGGBGGBGGRBRGRBGGGBGGRGGRGGBRBGBRG")
LINEAR: dict[str, Any] = {"photometric": 34892, "planarconfig": "contig"}
NO_CFA: dict[int, Any] = {33421: None, 33422: None}


def mosaic_tags(pattern: str = "RGGB", **changes: Any) -> MosaicTags:
    settings: dict[str, Any] = {
        "pattern": pattern,
        "black": BLACK,
        "white": 4095,
        "make": "Lanternfold",
        "model": "Pocket Two",
        "neutral": (0.5, 1.0, 0.8),
        "exposure": 8.0,
        "iso": 3200,
        "f_number": 1.8,
        "focal_mm": 4.72,
        "focal_35mm": 23,
    }
    return MosaicTags(**{**settings, **changes})


def fault(path: Path) -> str:
    """The sentence with which decoding ends; it names the file and is short."""
    with pytest.raises(InputError) as caught:
        decode(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    assert "Error" not in text
    return text


def share_given(path: Path, codes: np.ndarray) -> float:
    """Share of the samples that decoding gives, each of them as in ``codes``; 0 when refused."""
    try:
        mosaic = decode(path)
    except InputError:
        return 0.0
    there = np.ones(codes.shape, bool) if mosaic.missing is None else ~mosaic.missing
    assert np.array_equal(mosaic.data[there], codes[there])
    return float(there.mean())


def lossless(write: Callable[..., Path], path: Path, codes: np.ndarray, tiled: bool) -> bytes:
    """A lossless-JPEG DNG with its directory in front, as cameras write them."""
    side = {"tile": (16, 32)} if tiled else {"rowsperstrip": 48}
    parts = [codes[y : y + 16, x : x + 32] for y in (0, 16, 32) for x in (0, 32)]
    encoded = [
        imagecodecs.ljpeg_encode(np.ascontiguousarray(part), bitspersample=12)
        for part in (parts if tiled else [codes])
    ]
    write(path, iter(encoded), compression=7, shape=codes.shape, dtype="uint16", **side)
    return path.read_bytes()


def fractions(values: np.ndarray, bottom: int = 100) -> tuple[int, int, tuple[int, ...]]:
    """The tag of signed rationals ``values``/``bottom``."""
    numbers = tuple(int(number) for value in values for number in (value, bottom))
    return 10, len(values), numbers
