"""What a raw file says of itself: time, exposure, camera, lens, orientation.

Tag numbers are those of TIFF 6.0, EXIF 2.32 (CIPA DC-008) and DNG 1.4.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from itertools import islice
from pathlib import Path
from typing import Any

import rawpy
import tifffile

# tifffile reports odd tags through logging; without a handler Python prints them on the terminal.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

LIBRAW_FAULTS = (
    rawpy.LibRawError,
    rawpy.NotSupportedError,
    OSError,
    RuntimeError,
    ValueError,
    OverflowError,
)
"""What rawpy may raise for a file it cannot use."""

Directory = Mapping[int, Any]
"""Tag number → text, or a tuple of numbers (n/0 as NaN), of one image directory."""

_EXIF_IFD = 34665
_RATIONALS = (5, 10)
_EXIF_RATIONALS = (33434, 33437, 37386)
_TEXTS = (271, 272, 306, 36867, 36868, 36880, 36881, 36882, 37520, 37521, 37522, 50708)
_EXIF = (*_EXIF_RATIONALS, *_TEXTS, 34855, 34866, 34867, 41989)
_KEPT = frozenset(
    {
        *(256, 257, 259, 262, 271, 272, 273, 274, 279, 306, 324, 325),  # TIFF
        *(33421, 33422, 33434, 33437, 34855, 36867, 37386),  # TIFF/EP
        *(50706, 50708, 50713, 50714, 50715, 50716, 50829),  # DNG
    }
)
_MOST_DIRECTORIES = 16

_CLOCKS = (
    ("EXIF", 36867, 37521, (36881, 36880)),
    ("EXIF time of digitising", 36868, 37522, (36882, 36880)),
    ("EXIF time of writing", 306, 37520, (36880,)),
)
"""Where a time may stand: its name, date, fraction of the second, zone; the best first."""

_CLOCK_FORM = re.compile(r"\s*(\d{4})\D(\d\d)\D(\d\d)\D(\d\d)\D(\d\d)\D(\d\d)")
_ZONE_FORM = re.compile(r"\s*([+-])(\d\d):?(\d\d)")


@dataclass(frozen=True)
class Metadata:
    """A missing figure is None, never a guess.

    ``time`` is aware, UTC, at the *middle* of the exposure; ``time_source`` says where it came
    from and what it lacks.  ``exposure`` is in seconds, focal lengths in mm.  ``orientation`` is
    the EXIF/TIFF value 1-8.
    """

    camera: str | None = None
    time: datetime | None = None
    time_source: str | None = None
    exposure: float | None = None
    iso: int | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    orientation: int = 1


def read_metadata(path: Path, directories: tuple[Directory, ...] | None = None) -> Metadata:
    """What the file says of itself; what it does not say, or says oddly, is None.

    TIFF-like files (DNG and most others) are read by their tags, which may be given as
    ``directories``.  The rest goes through LibRaw, which has to unpack the picture first: slower,
    and without fractions of a second.
    """
    if directories is None:
        directories = read_directories(path)
    if directories:
        return _from_tags(directories[0])
    return _from_libraw(path)


def read_directories(path: Path) -> tuple[Directory, ...]:
    """The image directories of a TIFF-like file, sub-directories behind their parent.

    Only tags that this package uses are kept; the EXIF directory's are merged into the first.
    Empty when the file is not TIFF-like or cannot be read.
    """
    found = []
    # Damaged directories raise anything; those before them still count.
    with suppress(Exception), tifffile.TiffFile(path) as tiff:
        for page in _pages(tiff):
            found.append(_tags(page))
    return tuple(found)


def _pages(tiff: Any) -> Iterator[Any]:
    for page in islice(tiff.pages, _MOST_DIRECTORIES):
        yield page
        if 330 in page.tags:
            yield from islice(page.pages, _MOST_DIRECTORIES)


def _tags(page: Any) -> Directory:
    values: dict[int, Any] = {}
    for tag in page.tags:
        # A value that is malformed or past the end of the file may raise anything.
        with suppress(Exception):
            if tag.code == _EXIF_IFD:
                values |= _exif(tag.value)
            elif tag.code in _KEPT:
                values[tag.code] = _plain(tag.code, tag.value, tag.dtype in _RATIONALS)
    return {code: value for code, value in values.items() if value}


def _exif(named: Mapping[str, Any]) -> dict[int, Any]:
    """The EXIF directory by number; tifffile gives names and keeps a rational as two integers."""
    names = {code: tifffile.TIFF.EXIF_TAGS.get(code) for code in _EXIF}
    return {
        code: _plain(code, named[name], code in _EXIF_RATIONALS)
        for code, name in names.items()
        if name in named
    }


def _plain(code: int, value: Any, rational: bool) -> Any:
    """Text for tags of text, numbers for tags of numbers, nothing where the file mixes them up."""
    if code in _TEXTS:
        text = value.decode("utf-8", "replace") if isinstance(value, bytes) else value
        return text.replace("\0", " ").strip() if isinstance(text, str) else ""
    if isinstance(value, str):
        return ()
    numbers = tuple(value) if isinstance(value, Iterable) else (value,)
    if rational and len(numbers) % 2 == 0:
        pairs = zip(numbers[::2], numbers[1::2], strict=True)
        return tuple(top / bottom if bottom else float("nan") for top, bottom in pairs)
    return numbers


def _from_tags(tags: Directory) -> Metadata:
    exposure = _figure(tags.get(33434), 0.0, 1e5)
    time, source = _time(tags, exposure)
    orientation = _figure(tags.get(274), 1, 8)
    return Metadata(
        camera=_camera(tags),
        time=time,
        time_source=source,
        exposure=exposure,
        iso=_iso(tags),
        f_number=_figure(tags.get(33437), 0.1, 1e3),
        focal_mm=_figure(tags.get(37386), 0.1, 1e5),
        focal_35mm=_figure(tags.get(41989), 1, 65534),
        orientation=int(orientation) if orientation else 1,
    )


def _figure(value: Any, least: float, most: float) -> float | None:
    """The (first) number if it is positive and within its limits."""
    try:
        number = float(value[0] if isinstance(value, tuple) else value)
    except (TypeError, ValueError, IndexError):
        return None
    return number if number > 0 and least <= number <= most else None


def _iso(tags: Directory) -> int | None:
    """EXIF 2.32: where 16 bits do not suffice, 34855 is 65535 and a longer field has the figure."""
    for code, most in ((34855, 65534), (34867, 1e9), (34866, 1e9)):
        iso = _figure(tags.get(code), 1, most)
        if iso:
            return round(iso)
    return None


def _camera(tags: Directory) -> str | None:
    """DNG's unique name, or the maker's and the model's, the maker's name not said twice."""
    unique, make, model = (str(tags.get(code, "")) for code in (50708, 271, 272))
    if unique:
        return unique
    if make and model.casefold().startswith(make.casefold().split()[0]):
        return model
    return f"{make} {model}".strip() or None


def _time(tags: Directory, exposure: float | None) -> tuple[datetime | None, str | None]:
    """Mid-exposure in UTC and its source; EXIF times are the start of the exposure."""
    for source, date, fraction, zones in _CLOCKS:
        start = _clock(tags.get(date, ""), tags.get(fraction, ""))
        if start is None:
            continue
        shift = next((s for s in (_zone(tags.get(z, "")) for z in zones) if s is not None), None)
        return _middle(start, shift, exposure, source)
    return None, None


def _middle(
    start: datetime, shift: timedelta | None, exposure: float | None, source: str
) -> tuple[datetime | None, str | None]:
    if shift is None:
        source += ", zone not given, taken as UTC"
    if exposure is None:
        source += ", start of an exposure of unknown length"
    try:
        aware = start.replace(tzinfo=timezone(shift or timedelta(0))).astimezone(UTC)
        return aware + timedelta(seconds=(exposure or 0.0) / 2), source
    except (ValueError, OverflowError):
        return None, None


def _clock(date: str, fraction: str) -> datetime | None:
    found = _CLOCK_FORM.match(date)
    if not found:
        return None
    micro = int(fraction[:6].ljust(6, "0")) if re.fullmatch("[0-9]+", fraction) else 0
    try:
        year, month, day, hour, minute, second = map(int, found.groups())
        return datetime(year, month, day, hour, minute, second, micro)
    except ValueError:
        return None


def _zone(offset: str) -> timedelta | None:
    found = _ZONE_FORM.fullmatch(offset)
    if not found:
        return None
    sign, hours, minutes = found.groups()
    size = timedelta(hours=int(hours), minutes=int(minutes))
    return (-size if sign == "-" else size) if size <= timedelta(hours=15) else None


def _from_libraw(path: Path) -> Metadata:
    """The figures LibRaw gives; a property that this rawpy lacks, or that is 0, is None."""
    try:
        with rawpy.imread(str(path)) as raw:
            other = getattr(raw, "other", None)
            flip = raw.sizes.flip
    except LIBRAW_FAULTS:
        return Metadata()

    def figure(name: str, least: float, most: float) -> float | None:
        value = _figure(getattr(other, name, None), least, most)
        return float(f"{value:.6g}") if value else None  # LibRaw keeps single precision

    exposure = figure("shutter_speed", 0.0, 1e5)
    iso = figure("iso_speed", 1, 1e9)
    stamp = getattr(other, "timestamp", None)
    time, source = None, None
    if isinstance(stamp, datetime) and stamp.year > 1970:  # LibRaw: 0 s since 1970 is "not known"
        time, source = _middle(stamp, None, exposure, "camera clock in whole seconds")
    return Metadata(
        time=time,
        time_source=source,
        exposure=exposure,
        iso=round(iso) if iso else None,
        f_number=figure("aperture", 0.1, 1e3),
        focal_mm=figure("focal_length", 0.1, 1e5),
        orientation={3: 3, 5: 8, 6: 6}.get(flip, 1),
    )
