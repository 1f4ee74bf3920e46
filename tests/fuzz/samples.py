"""Whole files of every form that is read, small, from which the campaign's mutants are made."""

from __future__ import annotations

import io
import struct
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from opcode_samples import doubles, lines, some_of_each, table
from raw_samples import BLACK_TAGS, LINEAR, MAIN, NO_CFA, VERSION_17, lossless, mosaic_tags
from tiff_blocks import EXIF_IFD, GPS_IFD, Fields, in_jpeg, tiff_block

from stackkit.output.dng import mosaic_dng
from stackkit.output.opcode_list import area_data, gain_map_opcode, opcode, opcode_list

Tags = dict[int, Any]
Codes = NDArray[np.uint16]

_MATRIX = (86, 100, -31, 100, -9, 100, -42, 100, 121, 100, 24, 100, -8, 100, 19, 100, 62, 100)
_DNG: Tags = {
    271: (2, None, "Lanternfold"),
    272: (2, None, "Pocket Two"),
    306: (2, None, "2024:10:13 20:41:07"),
    33421: (3, 2, (2, 2)),
    33422: (1, 4, bytes((0, 1, 1, 2))),
    33434: (5, 1, (8, 1)),
    34855: (3, 1, 3200),
    50706: (1, 4, bytes((1, 4, 0, 0))),
    50707: (1, 4, bytes((1, 1, 0, 0))),
    50708: (2, None, "Lanternfold Pocket Two"),
    50714: (5, 1, (64, 1)),
    50717: (4, 1, 4095),
    50721: (10, 9, _MATRIX),
    50728: (5, 3, (1, 2, 1, 1, 2, 3)),
    50778: (3, 1, 21),
    51041: (12, 2, (1e-4, 2e-6)),
    **MAIN,
}
_EXIF: Fields = {
    33434: (5, (8, 1)),
    33437: (5, (18, 10)),
    34855: (3, (3200,)),
    36867: (2, "2024:10:13 20:41:07"),
    36881: (2, "+02:00"),
    37386: (5, (472, 100)),
    42034: (5, (47, 10, 47, 10, 18, 10, 18, 10)),
}
_GPS: Fields = {
    1: (2, "N"),
    2: (5, (52, 1, 30, 1, 12, 1)),
    3: (2, "W"),
    4: (5, (1, 1, 0, 1, 36, 1)),
}
_JXL: Tags = {"compression": "JPEGXL_DNG"}
_SMALL, _WIDE = (48, 64), (96, 256)
"""Sides of the pictures (H, W); the wide ones are large enough to look for banding."""


@dataclass(frozen=True)
class Sample:
    """A file that decodes as it is."""

    name: str
    suffix: str
    data: bytes


def samples() -> tuple[Sample, ...]:
    """One file of each form, the same in every call."""
    found = [*_plain(), *_leveled(), *_with_opcodes(), *_packed(), *_linear(), *_pictures()]
    return tuple(Sample(name, suffix, data) for name, suffix, data in found)


def _codes(shape: tuple[int, int] = _SMALL, bits: int = 12) -> Codes:
    rng = np.random.default_rng(7)
    most = (1 << bits) - 1
    return np.clip(rng.normal(0.1 * most, 0.01 * most, shape), 70, most).astype(np.uint16)


def _dng(data: Any, tags: Tags | None = None, **options: Any) -> bytes:
    file = io.BytesIO()
    merged = {**_DNG, **(tags or {})}
    extra = [(code, *tag, True) for code, tag in merged.items() if tag is not None]
    settings = {"photometric": "cfa", "metadata": None, "software": "nightly 3", **options}
    tifffile.imwrite(file, data, extratags=extra, **settings)
    return file.getvalue()


Named = Iterator[tuple[str, str, bytes]]


def _plain() -> Named:
    for bits in (10, 12, 14, 16):
        for order, side in (("<", "little"), (">", "big")):
            codes, white = _codes(bits=bits), {50717: (4, 1, (1 << bits) - 1)}
            form = {"bitspersample": bits, "byteorder": order, "rowsperstrip": 16}
            # tifffile packs big-endian samples without turning their bytes first.
            given = codes.byteswap() if bits < 16 and order == ">" else codes
            yield f"plain {bits} bits, {side}-endian", ".dng", _dng(given, white, **form)
    yield "plain tiles", ".dng", _dng(_codes(), tile=(16, 32))
    yield "plain, BigTIFF", ".dng", _dng(_codes(), VERSION_17, bigtiff=True)
    yield "plain, thumbnail in front", ".dng", _with_thumbnail()
    yield "no DNG, of a maker unknown", ".raw", _dng(_codes(), {50706: None, 50707: None})


def _with_thumbnail() -> bytes:
    """The main picture in a sub-directory, as most cameras write it."""
    file = io.BytesIO()
    shared = [(code, *_DNG[code], True) for code in (271, 272, 50706, 50707, 50708, 50721, 50728)]
    mosaic = [(code, *_DNG[code], True) for code in (254, 33421, 33422, 50714, 50717)]
    with tifffile.TiffWriter(file) as writer:
        small = np.full((16, 16, 3), 80, np.uint8)
        thumbnail = {"photometric": "rgb", "metadata": None, "subfiletype": 1}
        writer.write(small, subifds=1, extratags=shared, **thumbnail)
        writer.write(_codes(), photometric="cfa", metadata=None, extratags=mosaic)
    return file.getvalue()


def _leveled() -> Named:
    borders: Tags = {50829: (4, 4, (8, 8, 96, 256)), 50830: (4, 8, (0, 0, 8, 256, 0, 0, 96, 8))}
    codes = _codes(_WIDE)
    codes[:8], codes[:, :8] = 64, 64
    deltas: Tags = {50716: (10, 88, (1, 4, 3, 4) * 44), 50715: (10, 248, (0, 8, -1, 8) * 124)}
    for name, form in (("plain", {}), ("JPEG XL", _JXL)):
        tags = {**VERSION_17, **borders, **BLACK_TAGS, **deltas}
        yield f"masked borders and deltas, {name}", ".dng", _dng(codes, tags, **form)
        curve: Tags = {50712: (3, 256, tuple(range(0, 4096, 16))), 50717: (4, 1, 4080)}
        coded = (_codes() >> 4) + 5
        yield f"linearisation table, {name}", ".dng", _dng(coded, {**VERSION_17, **curve}, **form)


def _with_opcodes() -> Named:
    rng = np.random.default_rng(3)
    high, wide = _WIDE
    gains = 1 + rng.uniform(0, 1, (4, 5, 7))
    corners = [(0, 0), (0, 1), (1, 0), (1, 1)]
    maps = [
        gain_map_opcode(area_data(y, x, high, wide, pitch=(2, 2)), gain)
        for (y, x), gain in zip(corners, gains, strict=True)
    ]
    yield "four gain maps", ".dng", _dng(_codes(_WIDE), {51009: _listed(maps)})
    colours = gain_map_opcode(area_data(0, 0, high, wide, planes=3), np.moveaxis(gains[:3], 0, -1))
    warp = opcode(1, struct.pack(">I", 1) + doubles(1, 0.01, 0, 0, 0, 0, 0.5, 0.5))
    fish = opcode(2, struct.pack(">I", 1) + doubles(1, 0.01, 0, 0, 0.5, 0.5))
    shades = [colours, warp, fish, opcode(3, doubles(0.5, 0.1, 0, 0, 0, 0.5, 0.5))]
    form = {"byteorder": ">"}
    yield "shading of colours", ".dng", _dng(_codes(_WIDE), {51022: _listed(shades)}, **form)
    sites = opcode(5, struct.pack(">9I", 0, 1, 1, 2, 3, 10, 10, 12, 12))
    bad = [
        opcode(4, struct.pack(">2I", 400, 0)),
        sites,
        opcode(6, struct.pack(">4I", 2, 2, 90, 250)),
    ]
    steps = some_of_each(high, wide, (1, 1), (0, 0), 0, 1, rng)
    small = table(*range(0, 65536, 256), area=area_data(0, 0, high, wide))
    steps = [small if len(step) > 60_000 else step for step in steps]
    by_row = [lines(12, rng.uniform(0.5, 2, high), area_data(0, 0, high, wide)), *bad]
    tags = {51008: _listed(by_row), 51009: _listed(steps), 51022: _listed(steps[:3])}
    yield "all opcodes", ".dng", _dng(_codes(_WIDE), tags)
    yield "all opcodes, JPEG XL", ".dng", _dng(_codes(_WIDE), {**VERSION_17, **tags}, **_JXL)


def _listed(opcodes: list[bytes]) -> tuple[int, int, bytes]:
    blob = opcode_list(opcodes)
    return 7, len(blob), blob


def _packed() -> Named:
    codes = _codes()
    for tiled, name in ((False, "strip"), (True, "tiles")):
        yield (
            f"lossless JPEG, {name}",
            ".dng",
            _written(lambda path, t=tiled: lossless(_to, path, codes, t)),
        )
    yield (
        "lossless JPEG and EXIF",
        ".dng",
        mosaic_dng(codes, mosaic_tags(noise_profile=(1e-4, 1e-6))),
    )
    yield "JPEG XL", ".dng", _dng(codes, VERSION_17, **_JXL)
    yield "JPEG XL, tiles", ".dng", _dng(codes, VERSION_17, tile=(16, 32), **_JXL)
    yield "JPEG XL, BigTIFF", ".dng", _dng(codes, VERSION_17, bigtiff=True, **_JXL)
    stream = imagecodecs.jpegxl_encode(codes, lossless=True, bitspersample=12, usecontainer=True)
    form = {"shape": codes.shape, "dtype": codes.dtype, "rowsperstrip": 48, **_JXL}
    yield "JPEG XL of 12 bits, boxed", ".dng", _dng(iter([stream]), VERSION_17, **form)
    fields: Tags = {**VERSION_17, 50975: (3, 1, 2), 52547: (3, 1, 2)}
    yield "interleaved fields", ".dng", _dng(codes, fields, compression="deflate", rowsperstrip=16)


def _to(path: Path, data: Any, **options: Any) -> Path:
    path.write_bytes(_dng(data, **options))
    return path


def _written(write: Callable[[Path], bytes]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        return write(Path(folder) / "a.dng")


def _linear() -> Named:
    rgb = np.stack([_codes()] * 3, axis=-1)
    for name, form in (("plain", {}), ("deflate", {"compression": "deflate"}), ("JPEG XL", _JXL)):
        yield f"linear, {name}", ".dng", _dng(rgb, {**NO_CFA, **VERSION_17}, **LINEAR, **form)
    stream = imagecodecs.jpeg8_encode((rgb >> 4).astype(np.uint8), level=95)
    curve: Tags = {50712: (3, 256, tuple(range(0, 4096, 16)))}
    form = {"shape": rgb.shape, "dtype": "uint8", "rowsperstrip": 48, "compression": 34892}
    yield "linear, lossy JPEG", ".dng", _dng(iter([stream]), {**NO_CFA, **curve}, **LINEAR, **form)


def _pictures() -> Named:
    rgb = np.stack([_codes(bits=16)] * 3, axis=-1)
    profile = bytes(128) + struct.pack(">I4sII", 1, b"rTRC", 144, 14) + b"curv\0\0\0\0\0\0\0\1\1\0"
    forms: dict[str, tuple[Any, Tags]] = {
        "plain": (rgb, {"iccprofile": profile}),
        "big-endian strips": (rgb, {"byteorder": ">", "rowsperstrip": 16}),
        "deflate, predictor": (rgb, {"compression": "deflate", "predictor": True}),
        "LZW tiles": (rgb, {"compression": "lzw", "tile": (16, 32)}),
        "planes": (np.moveaxis(rgb, -1, 0), {"planarconfig": "separate"}),
        "PackBits": (rgb, {"compression": "packbits"}),
    }
    for name, (data, form) in forms.items():
        file = io.BytesIO()
        tifffile.imwrite(file, data, photometric="rgb", metadata=None, **form)
        yield f"TIFF, {name}", ".tif", file.getvalue()
    block = tiff_block({271: (2, "Lanternfold"), 274: (3, (6,))}, {EXIF_IFD: _EXIF, GPS_IFD: _GPS})
    segment = in_jpeg(block)[20 : 20 + 4 + 6 + len(block)]  # APP1 alone
    y, x = np.mgrid[0:96, 0:256]
    soft = np.stack([x * 0.9, y * 2, 255 - x / 2 - y / 2], axis=-1).astype(np.uint8)
    for name, progressive in (("baseline", 0), ("progressive", 1)):
        _, data = cv2.imencode(".jpg", soft, [cv2.IMWRITE_JPEG_PROGRESSIVE, progressive])
        stream = data.tobytes()
        yield f"JPEG, {name}", ".jpg", stream[:2] + segment + stream[2:]
