"""A camera described by a few figures: focal length, pixels, sensor, f-number."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from stackkit.errors import UsageError
from stackkit.geometry.lens import Lens, Projection, project, unproject

Pair = tuple[float, float]

FULL_FRAME = 43.27
"""Diagonal in mm of 36 × 24 mm, to which "35 mm equivalent" refers."""


@dataclass(frozen=True)
class Given:
    """What is known of a camera; None where unknown.  ``sensor`` in mm, ``pixels`` of the picture
    as it is held, ``pitch`` of the pixels in µm.
    """

    focal_mm: float | None = None
    focal_35mm: float | None = None
    f_number: float | None = None
    pitch: float | None = None
    sensor: Pair | None = None
    pixels: Pair | None = None
    projection: Projection = Projection.RECTILINEAR


@dataclass(frozen=True)
class Camera:
    """All that planning needs: ``focal_mm`` real, ``pitch`` µm, ``size`` px, f-number."""

    focal_mm: float
    pitch: float
    size: tuple[int, int]
    f_number: float
    projection: Projection

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return 1000 * self.focal_mm / self.pitch

    @property
    def focal_35mm(self) -> float:
        """The focal length with the same diagonal field on 36 × 24 mm."""
        return self.focal_px * FULL_FRAME / hypot(*self.size)

    @property
    def lens(self) -> Lens:
        """Without distortion, which is not known beforehand."""
        x, y = ((side - 1) / 2 for side in self.size)
        return Lens(self.focal_px, x, y, projection=self.projection)


CLASSES = {
    "phone": Given(focal_35mm=25, f_number=1.8, pitch=1.9, pixels=(4000, 3000)),
    "phone-ultrawide": Given(focal_35mm=14, f_number=2.2, pitch=1.1, pixels=(4000, 3000)),
    "compact": Given(focal_mm=8.8, f_number=1.8, sensor=(13.2, 8.8), pixels=(5472, 3648)),
    "aps-c": Given(focal_mm=18, f_number=3.5, sensor=(23.5, 15.6), pixels=(6000, 4000)),
    "full-frame": Given(focal_mm=24, f_number=2.8, sensor=(36, 24), pixels=(6000, 4000)),
}
"""Usual cameras of each kind with their usual lens (common practice)."""

_AGREEMENT = 0.1
"""Relative difference allowed between figures, since they are rounded."""
_PHONE_FOCAL = 20.0
"""Focal length in mm that no phone has room for (common practice: 2 to 19)."""

_NUMBER = r"(\d+(?:\.\d+)?)"
_Change = Callable[[Given, list[float]], Given]
_WORDS: tuple[tuple[str, _Change], ...] = (
    (
        rf"{_NUMBER}mm-?(?:eq|equiv|equivalent)",
        lambda c, v: replace(c, focal_35mm=v[0]),
    ),
    (
        rf"{_NUMBER}x{_NUMBER}mm",
        lambda c, v: replace(c, sensor=(v[0], v[1])),
    ),
    (rf"{_NUMBER}mm", lambda c, v: replace(c, focal_mm=v[0])),
    (rf"f/?{_NUMBER}", lambda c, v: replace(c, f_number=v[0])),
    (rf"{_NUMBER}um", lambda c, v: replace(c, pitch=v[0])),
    (rf"{_NUMBER}x{_NUMBER}(?:px)?", lambda c, v: replace(c, pixels=(v[0], v[1]))),
)
_EXAMPLE = '--camera "24mm f/2.8 36x24mm 6000x4000"'
_LIMITS = {
    "focal length": (0.5, 5000, "mm"),
    "f-number": (0.5, 64, ""),
    "pixel pitch": (0.3, 100, "µm"),
    "width in pixels": (64, 100_000, "px"),
    "height in pixels": (64, 100_000, "px"),
}


def described(text: str, known: Given | None = None) -> Given:
    """The camera described by ``text``, added to what is already ``known``.

    Words in any order: a class of :data:`CLASSES`, ``24mm`` or ``26mm-eq`` (35 mm equivalent),
    ``f/2.8``, ``3.9um`` between pixels or ``36x24mm`` of sensor, ``6000x4000`` pixels, a
    projection.  Raises ``UsageError`` for any other word, and for figures that contradict each
    other.
    """
    clean = text.replace("µ", "u").replace("μ", "u").replace("×", "x").casefold()
    said = re.sub(r"(?<=\d) (?=(mm|um|px)\b)", "", clean).replace(",", " ").split()
    figures = Given()
    for word in said:
        figures = figures if word in CLASSES else _with_word(word, figures)
    _check_agreement(figures)
    found = _over(known or Given(), figures)
    for word in said:
        if word in CLASSES:
            _check_phone(word, figures)
            # Values from a frame or from figures take precedence over those of the class.
            found = _not_twice(_over(CLASSES[word], found), found)
    return found


def _over(under: Given, upper: Given) -> Given:
    """Both combined; ``upper`` takes precedence."""
    if upper.focal_mm or upper.focal_35mm:
        under = replace(under, focal_mm=None, focal_35mm=None)
    if upper.sensor and (upper.pixels or under.pixels):
        under = replace(under, pitch=None)
    return replace(under, **{k: value for k, value in vars(upper).items() if value is not None})


def _check_agreement(given: Given) -> None:
    """Raises ``UsageError`` for figures that contradict each other."""
    if given.focal_mm and given.focal_35mm and given.sensor:
        same = given.focal_mm * FULL_FRAME / hypot(*given.sensor)
        if abs(same / given.focal_35mm - 1) > _AGREEMENT:
            raise UsageError(
                f"{given.focal_mm:g} mm on {_pair(given.sensor)} mm of sensor is {same:.0f}mm-eq, "
                f"not {given.focal_35mm:g}: leave out what is wrong of these."
            )
    if not (given.pitch and given.sensor and given.pixels and min(given.pixels) > 0):
        return
    pitch = 1000 * hypot(*given.sensor) / hypot(*given.pixels)
    if abs(pitch / given.pitch - 1) > _AGREEMENT:
        raise UsageError(
            f"{_pair(given.sensor)} mm of sensor with {_pair(given.pixels)} pixels makes "
            f"{pitch:.2g} µm between pixels, not {given.pitch:g}: leave out what is wrong of these."
        )


def _pair(sides: Pair) -> str:
    return f"{sides[0]:g}x{sides[1]:g}"


def _check_phone(word: str, figures: Given) -> None:
    """Raises ``UsageError`` where a phone's focal length must be a 35 mm equivalent."""
    if word.startswith("phone") and figures.focal_mm and figures.focal_mm > _PHONE_FOCAL:
        raise UsageError(
            f"No phone's lens is {figures.focal_mm:g} mm long: did you mean "
            f"{figures.focal_mm:g}mm-eq?"
        )


def _with_word(word: str, found: Given) -> Given:
    if word in list(Projection) or word == "fisheye":
        return replace(
            found, projection=Projection.EQUISOLID if word == "fisheye" else Projection(word)
        )
    for pattern, change in _WORDS:
        match = re.fullmatch(pattern, word)
        if match:
            given = change(found, [float(part) for part in match.groups()])
            changed = [key for key, value in vars(given).items() if value != getattr(found, key)]
            if any(getattr(found, key) is not None for key in changed):
                raise UsageError(f"{word!r} says something that was said differently before.")
            return given
    raise UsageError(
        f"{word!r} isn't a camera I recognise. Try one of {', '.join(CLASSES)}, or figures: "
        f"{_EXAMPLE}."
    )


def _not_twice(merged: Given, found: Given) -> Given:
    """Without the class's values that duplicate known ones in another unit."""
    if found.focal_mm or found.focal_35mm:
        merged = replace(merged, focal_mm=found.focal_mm, focal_35mm=found.focal_35mm)
    if found.pitch or found.sensor or (found.focal_mm and found.focal_35mm):
        merged = replace(merged, pitch=found.pitch, sensor=found.sensor)
    return merged


def camera(given: Given) -> Camera:
    """The camera, where enough is known; otherwise raises ``UsageError`` asking for the rest."""
    pixels, pitch = given.pixels, given.pitch
    if pixels is None and pitch and given.sensor:
        pixels = (1000 * given.sensor[0] / pitch, 1000 * given.sensor[1] / pitch)
    if pixels and pitch is None:
        pitch = _pitch(given, pixels)
    focal = given.focal_mm
    if focal is None and given.focal_35mm and pitch and pixels:
        focal = given.focal_35mm / FULL_FRAME * hypot(*pixels) * pitch / 1000
    missing = [
        what
        for what, there in (
            ("the focal length (24mm, or 26mm-eq)", given.focal_mm or given.focal_35mm),
            ("the picture's size in pixels (6000x4000)", pixels),
            ("the sensor's size (36x24mm) or the distance between pixels (3.9um)", pitch),
            ("the f-number (f/2.8)", given.f_number),
        )
        if not there
    ]
    if missing or not (focal and pixels and pitch and given.f_number):
        raise UsageError(f"Also needed: {'; '.join(missing)}. Add it to --camera.")
    figures = (focal, given.f_number, pitch, *pixels)
    for (what, (least, most, unit)), value in zip(_LIMITS.items(), figures, strict=True):
        if not least <= value <= most:
            raise UsageError(
                f"A {what} of {value:.4g} {unit} is none that a camera has; see --camera."
            )
    size = (round(pixels[0]), round(pixels[1]))
    return Camera(focal, pitch, size, given.f_number, given.projection)


def _pitch(given: Given, pixels: Pair) -> float | None:
    """From the sensor's size, or from both focal lengths, which give its diagonal."""
    if given.sensor:
        return 1000 * hypot(*given.sensor) / hypot(*pixels)
    if given.focal_mm and given.focal_35mm:
        return 1000 * FULL_FRAME * given.focal_mm / given.focal_35mm / hypot(*pixels)
    return None


def field(camera: Camera) -> Pair:
    """Field of view in degrees across the picture's middle, horizontally and vertically.

    NaN where the lens's image circle does not reach the picture's sides.
    """
    w, h = camera.size
    x, y = (w - 1) / 2, (h - 1) / 2
    pairs = np.array([[(-0.5, y), (w - 0.5, y)], [(x, -0.5), (x, h - 0.5)]])
    rays = unproject(camera.lens, pairs)
    angles = np.degrees(np.arccos(np.clip(np.sum(rays[:, 0] * rays[:, 1], axis=-1), -1, 1)))
    # A fisheye may see more than half a turn.
    turned = rays[:, 1, 2] < 0
    return tuple(np.where(turned, 360 - angles, angles).tolist())


def size_px(camera: Camera, size: Pair) -> Pair:
    """Size in pixels of something ``size`` degrees large in the middle of the picture."""
    half = np.radians(np.minimum(size, 170.0)) / 2
    ray = np.stack([np.sin(half), np.zeros(2), np.cos(half)], axis=-1)
    spans = 2 * (project(camera.lens, ray)[:, 0] - camera.lens.cx)
    return float(spans[0]), float(spans[1])
