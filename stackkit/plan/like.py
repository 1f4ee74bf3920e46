"""What a test frame shows: the camera it was taken with, and read noise against sky noise."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from pathlib import Path

from stackkit.errors import InputError
from stackkit.noise.limits import READ_SHARE
from stackkit.plan.camera import Given
from stackkit.schemas.inspection import GroupRecord

_USUAL_ISO = (100, 200, 400, 800, 1600, 3200, 6400, 12800, 25600)
"""The ISO settings that cameras offer, in full stops."""


@dataclass(frozen=True)
class Trial:
    """``given``: the camera; settings; ``sky_e`` electrons a pixel (green) of sky and ``read_e``
    of read noise, None where they could not be measured; ``remark``: why not.
    """

    name: str
    given: Given
    exposure: float | None
    iso: int | None
    sky_e: float | None
    read_e: float | None
    bytes: float
    remark: str


@dataclass(frozen=True)
class IsoAdvice:
    """At ``iso`` and the planned exposure: electrons of sky and of read noise, by how much (1.15:
    15 %) reading adds to the sky's noise, the lowest ISO that surely keeps that small (None: not
    even this one), and what to do.
    """

    iso: int
    sky_e: float
    read_e: float
    share: float
    lowest_iso: int | None
    words: str


def trial(path: Path) -> Trial:
    """Reads and measures one frame; raises ``InputError`` when that cannot be done."""
    from stackkit.inspect import inspect

    record = inspect([path], jobs=1)
    group = next(iter(record["groups"]), None)
    if group is None or not group["width"] or not group["height"]:
        reason = record["files"][0]["reason"] or "no picture in it"
        raise InputError(f"{path} cannot serve as a test frame: {reason}.")
    row = record["files"][group["files"][0]]
    if group["white"] is None:
        raise InputError(f"{path} cannot be read: {row['reason'] or 'it is damaged'}.")
    sky, read, remark = _electrons(group)
    upright = group["orientation"] >= 5
    size = (float(group["width"]), float(group["height"]))
    return Trial(
        name=path.name,
        given=Given(
            focal_mm=group["focal_mm"],
            focal_35mm=group["focal_35mm"],
            f_number=group["f_number"],
            pixels=size[::-1] if upright else size,
        ),
        exposure=group["exposure_s"],
        iso=group["iso"],
        sky_e=sky,
        read_e=read,
        bytes=float(path.stat().st_size),
        remark=remark,
    )


def _electrons(group: GroupRecord) -> tuple[float | None, float | None, str]:
    """Sky and read noise of the green samples, and why they are missing."""
    noise, level = group["noise"], group["level"]
    if group["kind"] != "light":
        return None, None, "it doesn't show a night sky, so it can't help to choose the ISO"
    if noise is None or not noise["gain"] or noise["read_noise_e"] is None:
        return None, None, "its noise could not be measured, so it can't help to choose the ISO"
    if level is None or level[1] is None:
        return None, None, "its sky could not be measured"
    black = group["black"] or [0.0]
    span = (group["white"] or 0.0) - sum(black) / len(black)
    sky = max(level[1], 0.0) * span * noise["gain"]
    return sky, noise["read_noise_e"], ""


def iso_advice(frame: Trial, exposure: float) -> IsoAdvice | None:
    """Read noise against sky noise at ``exposure`` seconds with the frame's opening and sky.

    None where the frame cannot show it.  In electrons read noise never grows by more than the ISO
    is lowered, whatever the camera, so the lowest ISO is on the safe side.
    """
    if frame.sky_e is None or frame.read_e is None or not frame.iso:
        return None
    sky = max(frame.sky_e * exposure / (frame.exposure or exposure), 0.01)
    share = sqrt(1 + frame.read_e**2 / sky)
    # The read noise at which the share is just READ_SHARE, over the measured one.
    room = sqrt((READ_SHARE**2 - 1) * sky) / max(frame.read_e, 0.01)
    if share > READ_SHARE:
        words = (
            f"reading adds {100 * (share - 1):.0f} % to the noise of the sky: a higher ISO may "
            "help if stars do not clip; more light (a wider opening, more frames) surely does"
        )
        return IsoAdvice(frame.iso, sky, frame.read_e, share, None, words)
    lowest = min((iso for iso in _USUAL_ISO if iso >= frame.iso / room), default=frame.iso)
    lowest = min(lowest, frame.iso)
    words = f"ISO {frame.iso} is enough: reading adds {100 * (share - 1):.0f} % to the sky's noise"
    if lowest < frame.iso:
        most = 100 * (READ_SHARE - 1)
        words += f"; down to ISO {lowest} it stays under {most:.0f} %, and bright stars clip less"
    else:
        words += "; higher gains nothing and clips bright stars"
    return IsoAdvice(frame.iso, sky, frame.read_e, share, lowest, words)
