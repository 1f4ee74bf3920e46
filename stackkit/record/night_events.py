"""The events of the night in time order, from the record."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import groupby

import numpy as np

from stackkit.grading.diagnosis import Cause
from stackkit.record.advice import median_of
from stackkit.robust import MAD_TO_SIGMA
from stackkit.schemas.frames import FrameRecord
from stackkit.schemas.geometry import PushRecord
from stackkit.schemas.run import EventRecord
from stackkit.session.pauses import pauses

_SIDE = 4
"""Least number of frames on either side of a lasting change of sharpness …"""
_CHANGE, _CERTAIN = 0.15, 4.0
"""… by this share of the width, and this many times their scatter."""

_EVENTS = {
    Cause.CLOUD: "clouds",
    Cause.HAZE: "haze",
    Cause.LOW: "low in the sky, where the air is thick",
    Cause.DEFOCUS: "out of focus",
    Cause.SHAKEN: "the camera shook",
    Cause.TRAILED: "the camera moved during the exposure",
    Cause.DEW: "dew settled on the lens",
    Cause.GLOW: "moonlight or twilight lit the sky",
    Cause.TORCH: "a torch or headlights lit the lens",
    Cause.COVERED: "the lens was covered",
    Cause.CLIPPED: "over-exposed",
}
_DIMMED = (Cause.CLOUD, Cause.HAZE, Cause.LOW, Cause.DEW)
_WIDENED = (Cause.DEFOCUS, Cause.DEW)


def night_events(rows: Sequence[FrameRecord], pushes: Sequence[PushRecord]) -> list[EventRecord]:
    """The events, in the order of the frames.

    ``rows``: the record's for all files, ``pushes``: those of its geometry.  ``time`` (ISO 8601,
    UTC) is that of the ``first`` frame concerned, None where times are missing.
    """
    lights = [row for row in rows if row["role"] == "light"]
    place = {row["file"]: number for number, row in enumerate(lights)}
    events = [*_runs(lights), *_pauses(lights), *_sharpness(lights)]
    events += [_pushed(push, lights[place[push["after"]]]) for push in pushes]
    return sorted(events, key=lambda event: place[event["first"]])


def _event(rows: Sequence[FrameRecord], text: str) -> EventRecord:
    first, last = rows[0], rows[-1]
    count = len(rows)
    return {
        "time": first["time"],
        "first": first["file"],
        "last": last["file"],
        "frames": count,
        "text": text,
    }


def _runs(lights: Sequence[FrameRecord]) -> Iterator[EventRecord]:
    """Runs of frames with the same fault."""
    usual = median_of([row["fwhm_px"] for row in lights if row["used"] and not row["cause"]])
    for cause, group in groupby(lights, key=lambda row: row["cause"]):
        rows = list(group)
        if cause not in _EVENTS:
            continue
        figures = ""
        if cause in _DIMMED:
            figures += _lost([row["light"] for row in rows])
        wide = median_of([row["fwhm_px"] for row in rows])
        if cause in _WIDENED and wide and usual and wide > 1.05 * usual:
            figures += f", stars {wide / usual:.1f} times as wide"
        yield _event(rows, f"{_EVENTS[Cause(cause)]}{_span(rows)}{figures}")


def _span(rows: Sequence[FrameRecord]) -> str:
    first, last = rows[0]["file"], rows[-1]["file"]
    return f" in {first}" if first == last else f" from {first} to {last} ({len(rows)} frames)"


def _lost(lights: Sequence[float | None]) -> str:
    known = [1 - share for share in lights if share is not None and np.isfinite(share)]
    if not known:
        return ""
    middle, most = (max(round(100 * float(f(known))), 0) for f in (np.median, np.max))
    return f", {middle} % of the light lost" + (f", at worst {most} %" if most > middle + 5 else "")


def _pauses(lights: Sequence[FrameRecord]) -> Iterator[EventRecord]:
    times = [datetime.fromisoformat(row["time"]) for row in lights if row["time"]]
    if len(times) < len(lights):
        return
    for pause in pauses(times, [row["exposure_s"] or 0.0 for row in lights]):
        row = lights[pause.after + 1]
        text = f"it continued with {row['file']} after a pause of {_duration(pause.seconds)}"
        yield _event([row], text)


def _sharpness(lights: Sequence[FrameRecord]) -> Iterator[EventRecord]:
    """The one frame from which the stars stayed wider or narrower, if there is one."""
    rows = [row for row in lights if row["used"] and not row["cause"] and row["fwhm_px"]]
    widths = np.array([row["fwhm_px"] for row in rows], dtype=float)
    if len(widths) < 2 * _SIDE:
        return
    best: tuple[float, int] = (0.0, 0)
    for k in range(_SIDE, len(widths) - _SIDE + 1):
        sides = widths[:k], widths[k:]
        left, right = (np.median(side) for side in sides)
        scatter = max(MAD_TO_SIGMA * np.median(np.abs(side - np.median(side))) for side in sides)
        step = abs(float(right - left))
        rest = float(np.abs(sides[0] - left).sum() + np.abs(sides[1] - right).sum())
        if step > max(_CHANGE * min(left, right), _CERTAIN * scatter) and (
            best[1] == 0 or rest < best[0]
        ):
            best = (rest, k)
    if best[1]:
        k = best[1]
        before, after = (float(np.median(side)) for side in (widths[:k], widths[k:]))
        word = "sharper" if after < before else "less sharp"
        yield _event(
            rows[k:],
            f"from {rows[k]['file']} on it was {word}: stars {after:.1f} px wide, "
            f"{before:.1f} before",
        )


def _pushed(push: PushRecord, after: FrameRecord) -> EventRecord:
    size = f"{push['degrees']:.1f}°" if push["degrees"] >= 0.1 else f"{push['px']:.0f} px"
    where = f"between {push['before']} and {push['after']}"
    return {**_event([after], f"the camera was moved by {size} {where}"), "time": push["time"]}


def _duration(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60} min"
