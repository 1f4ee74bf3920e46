"""What a run says at its end, in words for somebody who does this for the first time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .terminal import fitted

_MOST_LISTED = 12
_OWN_RATE = 15.041
"""Arc seconds that the sky turns in a second: 86164.0905 s a turn (IAU)."""
_MOST_OFF = 0.03
"""Share by which a measured rate may miss it before something else must have moved."""
_NARROWEST = 40
_FEW = 9
"""With so few frames, some good sites cannot be told from hot ones."""

Row = dict[str, Any]
Line = tuple[str, str]
"""What stands at the line's start, and the text after it, which may go on below itself."""


def summary(record: Row, columns: int = 80) -> str:
    """The summary of a run's record, ready to print, its lines broken between words to fit."""
    width = max(columns, _NARROWEST)
    return "\n".join(fitted(start, text, width) for start, text in _lines(record))


def _lines(record: Row) -> Iterator[Line]:
    frames = record["frames"]
    used = [row for row in frames if row["used"]]
    lights = _raw_files(frames, used)
    noun = "frame" if len(lights) == 1 else "frames"
    yield "", f"{len(used)} of {len(lights)} {noun} used{_total_time(used)}."
    yield "", ""
    for name, text in _figures(record, used):
        yield f"  {name:<14}", text
    yield from _left_out(frames)
    for warning in record["warnings"]:
        yield "", ""
        yield "Note: ", warning
    yield "", ""
    yield from _files(record["output"])


def _raw_files(frames: list[Row], used: list[Row]) -> list[Row]:
    """The frames, and what carries a frame's suffix: a person counts a damaged one too."""
    suffixes = {Path(row["file"]).suffix.lower() for row in used} - {""}
    return [
        row
        for row in frames
        if row["role"] == "light" or Path(row["file"]).suffix.lower() in suffixes
    ]


def _total_time(used: list[Row]) -> str:
    if not used or any(row["exposure_s"] is None for row in used):
        return ""
    return f": {_duration(sum(row['exposure_s'] for row in used))} of light in all"


def _duration(seconds: float) -> str:
    if seconds < 59.95:
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def _figures(record: Row, used: list[Row]) -> Iterator[Line]:
    geometry, integration = record["geometry"], record["integration"]
    if record["camera"]["name"]:
        yield "Camera", record["camera"]["name"]
    if geometry["field_deg"]:
        wide, high = geometry["field_deg"]
        yield "Field", f"{wide:.0f}° × {high:.0f}°"
    if len(used) > 1 and geometry["turn_deg"] is not None:
        yield _turned(geometry["turn_deg"], geometry["rate_arcsec_s"])
    if len(used) > 1 and geometry["residual_px"] is not None:
        stars = sorted(row["matched"] for row in used if row["matched"] is not None)
        count = f"{stars[len(stars) // 2]} stars a frame, " if stars else ""
        yield "Alignment", f"{count}typically {geometry['residual_px']:.2f} px off"
    if integration["noise_gain"]:
        # Weights are relative to the one frame's: so many frames like it went in.
        gain, hoped = integration["noise_gain"], sum(row["weight"] for row in used) ** 0.5
        yield "Noise", f"{gain:.1f} times less than in one frame (expected: {hoped:.1f})"
    if integration["rejected_share"]:
        share = f"{100 * integration['rejected_share']:.2g} % of the samples (trails, flashes)"
        few = ", good ones among them" if integration["frames"] <= _FEW else ""
        yield "Removed", f"{share}, {integration['defects']} sites that look hot or dead{few}"
    yield from _cleaning(record["calibration"])
    if len(used) > 1:
        yield "Reference", f"{record['reference']}, on which the others were laid"


def _cleaning(calibration: Row) -> Iterator[Line]:
    """What was done to the samples before; nothing about what is as usual."""
    applied = [row["name"] for row in calibration["opcodes"] if row["what"].startswith("applied")]
    if applied:
        yield "Corrected", f"as the files ask: {', '.join(sorted(set(applied)))}"
    for number, words in enumerate(calibration["masters"]):
        yield "Masters" if number == 0 else "", words
    if calibration["banding_adu"]:
        yield "Banding", f"rows were off by {calibration['banding_adu']:.1f} ADU, taken off"


def _turned(degrees: float, rate: float | None) -> Line:
    """How far the picture turned; called the sky's turning only when it went at the sky's rate."""
    if rate is None:
        return "Sky turned", f"{degrees:.2f}°"
    if abs(rate / _OWN_RATE - 1) > _MOST_OFF:
        return "Turned", f"{degrees:.2f}°, not at the sky's steady rate: the camera moved too"
    return "Sky turned", f"{degrees:.2f}° at {rate:.2f}″ a second (the Earth turns at 15.04)"


def _left_out(frames: list[Row]) -> Iterator[Line]:
    """The files that are not in the picture; frames first, each with its reason."""
    missing = [row for row in frames if not row["used"]]
    missing.sort(key=lambda row: row["role"] != "light")
    if not missing:
        return
    yield "", ""
    yield "", "Not used:"
    for row in missing[:_MOST_LISTED]:
        yield "  ", f"{row['file']}: {row['reason']}"
    if len(missing) > _MOST_LISTED:
        yield "  ", f"and {len(missing) - _MOST_LISTED} more, listed in run.json"


def _files(output: Row) -> Iterator[Line]:
    said = {
        "preview": "look at this first",
        "tiff": "open this in your photo editor: linear, dark until you stretch it",
        "fits": "the measurement, with variance and coverage",
        "record": "what was done with every file, and why",
    }
    yield f"Written to {Path(output['folder'])}:", ""  # a path is not broken
    for kind, text in said.items():
        yield f"  {output['files'][kind]:<12} ", text
