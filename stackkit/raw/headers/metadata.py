"""Metadata of a file: time, exposure, camera, lens, colours, noise, orientation.

Tag numbers are those of TIFF 6.0, EXIF 2.32 (CIPA DC-008) and DNG 1.7.1 (chapters 4 and 5).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from math import hypot, isfinite
from pathlib import Path
from typing import Any

import rawpy

from stackkit.raw.headers import times
from stackkit.raw.headers.tags import Directory, main_place, read_directories, read_gps

__all__ = [
    "LIBRAW_FAULTS",
    "ColourProfile",
    "Directory",
    "Location",
    "Metadata",
    "focal_px",
    "read_directories",
    "read_metadata",
    "read_place",
    "up",
]

LIBRAW_FAULTS = (
    rawpy.LibRawError,
    rawpy.NotSupportedError,
    OSError,
    RuntimeError,
    ValueError,
    OverflowError,
)
"""What rawpy may raise for a file it cannot use."""

Matrix = tuple[tuple[float, float, float], ...]
"""Three rows of three."""

_PROFILES = (
    (50778, 50721, 50964, 50723),
    (50779, 50722, 50965, 50724),
    (52529, 52531, 52532, 52530),
)
"""Illuminant, colour, forward and calibration matrix of the calibrations that a DNG may hold."""


@dataclass(frozen=True)
class ColourProfile:
    """A calibration under one light (DNG 1.7.1, chapter 6).

    ``illuminant`` is EXIF's LightSource (17 standard light A, 21 D65, 23 D50), None where it is
    unknown.  ``color_matrix`` takes XYZ to the camera's colours, ``forward_matrix`` the camera's
    white-balanced colours to XYZ of D50.  ``calibration`` takes the colours of the camera's model
    to those of this very camera, None where there is no difference.
    """

    illuminant: int | None
    color_matrix: Matrix
    forward_matrix: Matrix | None
    calibration: Matrix | None = None


@dataclass(frozen=True)
class Metadata:
    """A missing figure is None, never a guess.

    ``time`` is aware, UTC, at the *middle* of the exposure; ``time_source``: where it came from
    and what it lacks.  ``exposure`` is in seconds, focal lengths in mm.  ``orientation`` is
    the EXIF/TIFF value 1-8.  ``bits`` is the depth of the stored samples.

    The rest is DNG's: ``noise_profile`` has S and O of each colour, or one pair for all, where a
    sample x between black (0) and white (1) has the variance S·x + O; ``noise_reduction`` is how
    much of the best possible was already done (0 to 1).  ``neutral`` is what white looks like in
    the camera's three colours, ``white_xy`` the same as a chromaticity: files have one or the
    other.  ``analog_balance`` are gains that were given to the colours before they were stored.
    ``baseline_exposure`` is in steps of two.
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
    lens: str | None = None
    software: str | None = None
    bits: int | None = None
    noise_profile: tuple[tuple[float, float], ...] | None = None
    noise_reduction: float | None = None
    neutral: tuple[float, ...] | None = None
    white_xy: tuple[float, ...] | None = None
    colour_profiles: tuple[ColourProfile, ...] = ()
    analog_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    baseline_exposure: float | None = None


@dataclass(frozen=True)
class Location:
    """Degrees, north and east positive; ``height`` above the sea in m."""

    latitude: float
    longitude: float
    height: float | None


_FULL_FRAME = 43.27
"""Diagonal in mm of 36 × 24 mm, to which "35 mm equivalent" refers."""
_UP = {
    **{1: (0.0, -1.0), 2: (0.0, -1.0), 3: (0.0, 1.0), 4: (0.0, 1.0)},
    **{5: (-1.0, 0.0), 6: (-1.0, 0.0), 7: (1.0, 0.0), 8: (1.0, 0.0)},
}


def focal_px(said: Metadata, size: tuple[int, int]) -> float | None:
    """Focal length in px of a picture of ``size`` (width, height), by the 35 mm equivalent."""
    if not said.focal_35mm:
        return None
    return said.focal_35mm / _FULL_FRAME * hypot(*size)


def up(said: Metadata) -> tuple[float, float]:
    """Where up lies in the sensor's picture (x, y), by the orientation tag of TIFF 6.0."""
    return _UP[said.orientation]


def read_metadata(path: Path, directories: tuple[Directory, ...] | None = None) -> Metadata:
    """The file's metadata; missing or implausible values are None.

    TIFF-like files (DNG and most others) and JPEG's EXIF are read by their tags, which may be
    given as ``directories``.  The rest goes through LibRaw, which has to unpack the picture
    first: slower, and without fractions of a second.  A time missing in the file may be taken from
    its name.
    """
    if directories is None:
        directories = read_directories(path)
    found = _from_tags(directories) if directories else _from_libraw(path)
    time: times.Time = (found.time, found.time_source)
    if found.time is None:
        time = times.by_name(path.name, found.exposure)
    when, source = times.warned(time, datetime.now(UTC))
    return replace(found, time=when, time_source=source)


def read_place(path: Path) -> Location | None:
    """Where the picture was taken (EXIF 2.32, 4.6.6); only for those who were asked for it.

    None when the file has no place, or 0° 0', which phones write without a fix (common practice).
    """
    tags = read_gps(path)
    latitude = _degrees(tags.get(2), tags.get(1, ""), "NS", 90)
    longitude = _degrees(tags.get(4), tags.get(3, ""), "EW", 180)
    if latitude is None or longitude is None or latitude == longitude == 0:
        return None
    below = tags.get(5, (0,))[0] == 1
    (height,) = _finite(tags.get(6), 1) or (None,)
    return Location(latitude, longitude, -height if below and height is not None else height)


def _degrees(value: Any, side: str, sides: str, most: float) -> float | None:
    """Degrees, minutes and seconds with the letter of their side as one figure."""
    figures = _finite(value, 3)
    letter = side[:1].upper()
    if figures is None or not letter or letter not in sides:
        return None
    degrees = figures[0] + figures[1] / 60 + figures[2] / 3600
    if not 0 <= degrees <= most:
        return None
    return degrees if letter == sides[0] else -degrees


def _from_tags(directories: tuple[Directory, ...]) -> Metadata:
    tags = directories[0]
    picture = directories[main_place(directories) or 0]
    exposure = _figure(tags.get(33434), 0.0, 1e5)
    time, source = times.by_tags(tags, exposure)
    orientation = _figure(tags.get(274), 1, 8)
    bits = _figure(picture.get(258), 1, 64)
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
        lens=_lens(tags),
        software=tags.get(305),
        bits=int(bits) if bits else None,
        noise_profile=_noise_profile(picture.get(51041, tags.get(51041))),
        noise_reduction=_share(picture.get(50935, tags.get(50935))),
        neutral=_positive(tags.get(50728), 3),
        white_xy=_chromaticity(tags.get(50729)),
        colour_profiles=_colour_profiles(tags),
        analog_balance=_triple(tags.get(50727)) or (1.0, 1.0, 1.0),
        baseline_exposure=next(iter(_finite(tags.get(50730), 1) or ()), None),
    )


def _figure(value: Any, least: float, most: float) -> float | None:
    """The (first) number if it is positive and within its limits."""
    try:
        number = float(value[0] if isinstance(value, tuple) else value)
    except (TypeError, ValueError, IndexError):
        return None
    return number if number > 0 and least <= number <= most else None


def _finite(value: Any, count: int) -> tuple[float, ...] | None:
    """The numbers if there are ``count`` of them and all are finite."""
    if not isinstance(value, tuple) or len(value) != count or not all(map(isfinite, value)):
        return None
    return tuple(map(float, value))


def _positive(value: Any, count: int) -> tuple[float, ...] | None:
    numbers = _finite(value, count)
    return numbers if numbers and min(numbers) > 0 else None


def _triple(value: Any) -> tuple[float, float, float] | None:
    numbers = _positive(value, 3)
    return (numbers[0], numbers[1], numbers[2]) if numbers else None


def _chromaticity(value: Any) -> tuple[float, ...] | None:
    xy = _positive(value, 2)
    return xy if xy and sum(xy) <= 1 else None


def _share(value: Any) -> float | None:
    (number,) = _finite(value, 1) or (-1.0,)
    return number if 0 <= number <= 1 else None


def _noise_profile(value: Any) -> tuple[tuple[float, float], ...] | None:
    """DNG 1.7.1, NoiseProfile: pairs S, O; each S must be positive, each O not negative."""
    numbers = _finite(value, len(value)) if isinstance(value, tuple) else None
    if not numbers or len(numbers) not in (2, 6, 8):  # for all colours, or for three or four
        return None
    pairs = tuple(zip(numbers[::2], numbers[1::2], strict=True))
    return pairs if all(slope > 0 and offset >= 0 for slope, offset in pairs) else None


def _colour_profiles(tags: Directory) -> tuple[ColourProfile, ...]:
    """DNG 1.7.1: a camera's own calibration counts only for profiles that bear its signature."""
    profiles = []
    signed = tags.get(50931, "") == tags.get(50932, "")
    for light, matrix, forward, own in _PROFILES:
        color_matrix = _matrix(tags.get(matrix))
        if color_matrix is not None:
            illuminant = _figure(tags.get(light), 1, 65535)
            profiles.append(
                ColourProfile(
                    int(illuminant) if illuminant else None,
                    color_matrix,
                    _matrix(tags.get(forward)),
                    _matrix(tags.get(own)) if signed else None,
                )
            )
    return tuple(profiles)


def _matrix(value: Any) -> Matrix | None:
    """A matrix for three colours; one of zeros is ignored."""
    numbers = _finite(value, 9)
    if numbers is None or not any(numbers):
        return None
    a, b, c, d, e, f, g, h, i = numbers
    return (a, b, c), (d, e, f), (g, h, i)


def _lens(tags: Directory) -> str | None:
    """The lens by name, or by its shortest and longest focal length and widest opening.

    EXIF 2.32 LensModel and LensSpecification; DNG 1.7.1 LensInfo, which is the same.
    """
    if tags.get(42036):
        return str(tags[42036])
    for code in (42034, 50736):
        value = tags.get(code, ())
        focal = _positive(value[:2], 2)
        if focal is None:
            continue
        lengths = "-".join(f"{length:g}" for length in dict.fromkeys(round(x, 2) for x in focal))
        opening = _figure(value[2:3], 0.1, 1e3)
        return f"{lengths} mm" + (f" f/{opening:.3g}" if opening else "")
    return None


def _iso(tags: Directory) -> int | None:
    """EXIF 2.32: where 16 bits do not suffice, 34855 is 65535 and a longer field has the figure."""
    for code, most in ((34855, 65534), (34867, 1e9), (34866, 1e9)):
        iso = _figure(tags.get(code), 1, most)
        if iso:
            return round(iso)
    return None


def _camera(tags: Directory) -> str | None:
    """DNG's unique name, or the maker's and the model's, the maker's name not repeated."""
    unique, make, model = (str(tags.get(code, "")) for code in (50708, 271, 272))
    if unique:
        return unique
    if make and model.casefold().startswith(make.casefold().split()[0]):
        return model
    return f"{make} {model}".strip() or None


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
        source = "camera clock in whole seconds, zone not given, taken as UTC"
        time, source = times.middle(stamp, timedelta(0), exposure, source)
    return Metadata(
        time=time,
        time_source=source,
        exposure=exposure,
        iso=round(iso) if iso else None,
        f_number=figure("aperture", 0.1, 1e3),
        focal_mm=figure("focal_length", 0.1, 1e5),
        orientation={3: 3, 5: 8, 6: 6}.get(flip, 1),
    )
