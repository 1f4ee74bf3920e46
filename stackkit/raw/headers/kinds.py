"""What a file has to offer, by its headers: raw mosaic, linear raw, picture, nothing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

import rawpy

from stackkit.errors import RawFileError
from stackkit.raw import libraw, pictures
from stackkit.raw.headers import checks
from stackkit.raw.headers.checks import COPY_AGAIN
from stackkit.raw.headers.layout import Layout, read_layout, read_pattern
from stackkit.raw.headers.tags import Directory, main_place, read_directories, whole


class Form(StrEnum):
    """What a file has to offer, the best first."""

    MOSAIC = "raw mosaic"
    LINEAR = "linear raw"
    PICTURE = "picture"
    NONE = "no picture"


@dataclass(frozen=True)
class FileKind:
    """``size`` (width, height) in px of the visible mosaic, None without one; ``reason`` in a few
    words why the file is of no use, or only of last resort; empty for a raw mosaic.
    """

    form: Form
    size: tuple[int, int] | None
    reason: str = ""


@dataclass(frozen=True)
class OpenFile:
    """A file that may serve, its pixels not yet unpacked.

    ``layout`` where it is a DNG, ``raw`` LibRaw's handle where LibRaw decodes it, ``jpeg`` the
    bytes of a JPEG file, ``size`` (width, height) of the visible mosaic.  Where it is no raw
    mosaic, ``reason`` names its form in a few words and ``lost`` what is lost by it.
    """

    path: Path
    form: Form
    size: tuple[int, int]
    directories: tuple[Directory, ...] = ()
    layout: Layout | None = None
    raw: Any = None
    jpeg: bytes = b""
    reason: str = ""
    lost: str = ""


def kind(path: Path) -> FileKind:
    """What the file has to offer.  Raises nothing for a bad file: that is a kind, too."""
    try:
        with opened(path) as file:
            return FileKind(file.form, file.size, file.reason)
    except RawFileError as fault:
        return FileKind(Form.NONE, None, fault.reason)


@contextmanager
def opened(path: Path) -> Iterator[OpenFile]:
    """The file, opened according to its kind.  Raises ``RawFileError`` if its headers are unfit."""
    size, head = checks.first_bytes(path)
    if head.startswith(checks.JPEG_START):
        picture, data = pictures.jpeg_picture(path, size)
        yield replace(_picture_file(path, picture), jpeg=data)
        return
    reason = checks.not_raw(head)
    if reason:
        raise RawFileError(path, reason)
    directories = read_directories(path) if head.startswith(checks.TIFF_STARTS) else ()
    layout = read_layout(path, size, directories)
    if layout is not None and (layout.beyond_libraw or head.startswith(checks.BIG_TIFF_STARTS)):
        yield _dng_file(path, directories, layout, None)
        return
    with rawpy.RawPy() as raw:
        fault = libraw.open_file(raw, path)
        if layout is not None:
            if fault is not None and not layout.cut:
                raise _refusal(path, size, head, directories) from fault
            sides = (layout.width, layout.height)
            handle = raw if fault is None and libraw.is_plane(raw.sizes, sides) else None
            yield _dng_file(path, directories, layout, handle)
        else:
            yield _other_file(path, directories, raw, fault, (size, head))


def _dng_file(path: Path, directories: tuple[Directory, ...], layout: Layout, raw: Any) -> OpenFile:
    top, left, bottom, right = layout.area
    size = (right - left, bottom - top)
    if raw is not None:
        size = (raw.sizes.width, raw.sizes.height)
        checks.check_size(path, size, size, 2)
    if not layout.mosaic:
        reason, lost = pictures.LINEAR, pictures.LINEAR_LOST
        return OpenFile(path, Form.LINEAR, size, directories, layout, raw, b"", reason, lost)
    read_pattern(path, directories[layout.place])
    return OpenFile(path, Form.MOSAIC, size, directories, layout, raw)


def _picture_file(path: Path, picture: pictures.Picture) -> OpenFile:
    reason, lost = picture.reason, picture.lost
    return OpenFile(path, Form.PICTURE, picture.size, reason=reason, lost=lost)


def _other_file(
    path: Path,
    directories: tuple[Directory, ...],
    raw: Any,
    fault: Exception | None,
    start: tuple[int, bytes],
) -> OpenFile:
    """A file that is no DNG: a maker's raw, or a TIFF picture, which LibRaw may take for one."""
    first = directories[0] if directories else {}
    sides = (whole(first, 256, 0), whole(first, 257, 0))
    if main_place(directories) is None and (fault is not None or libraw.is_plane(raw.sizes, sides)):
        picture = pictures.tiff_picture(path, directories)
        if picture is not None:
            return replace(_picture_file(path, picture), directories=directories)
        if fault is None and first.get(262) in ((0,), (1,)):
            raise RawFileError(path, "a grey TIFF picture, not a raw one")
    if fault is not None:
        raise _refusal(path, *start, directories) from fault
    sizes = raw.sizes
    size = (sizes.width, sizes.height)
    checks.check_size(path, size, (sizes.raw_width, sizes.raw_height), 2)
    return OpenFile(path, Form.MOSAIC, size, directories, None, raw)


def _refusal(
    path: Path, size: int, head: bytes, directories: tuple[Directory, ...]
) -> RawFileError:
    """Why LibRaw refused a file with the signature of a raw."""
    if head.startswith(checks.TIFF_STARTS):
        first = int.from_bytes(head[4:8], "little" if head.startswith(b"II") else "big")
        if len(head) < 8 or first + 2 > size:
            return RawFileError(path, checks.CUT_SHORT, COPY_AGAIN)
        if directories and 262 in directories[0] and main_place(directories) is None:
            return RawFileError(path, pictures.refused_tiff(directories[0]))
    version = ".".join(map(str, rawpy.libraw_version))
    reason = f"damaged, or in a raw format that LibRaw {version} does not know"
    return RawFileError(path, reason, COPY_AGAIN)
