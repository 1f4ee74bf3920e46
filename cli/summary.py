"""The summary at the end of a run, worded for beginners."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from stackkit.record.rate import is_known
from stackkit.report.night_words import side
from stackkit.schemas.frames import FrameRecord, SessionRecord
from stackkit.schemas.geometry import GeometryRecord
from stackkit.schemas.picture import EditingRecord, GradientRecord, OutputRecord
from stackkit.schemas.run import CalibrationRecord, EventRecord, RunRecord

from .fates import MOST_LISTED, Line, fates
from .terminal import fitted

_MOST_PUSHES = 4
_DEGREES = 0.1
"""Size of a push above which it is given in degrees."""
_NARROWEST = 40
_EVEN = 1.5
"""Greatest ratio of the brightness of two sides for the sky to count as even."""
_FEW = 9
"""Number of frames up to which some good sites may be taken for hot pixels."""


def summary(record: RunRecord, columns: int = 80) -> str:
    """The summary of a run's record, ready to print, its lines broken between words to fit."""
    width = max(columns, _NARROWEST)
    return "\n".join(fitted(start, text, width) for start, text in _lines(record))


def _lines(record: RunRecord) -> Iterator[Line]:
    frames = record["frames"]
    used = [row for row in frames if row["used"]]
    lights = _raw_files(frames, used)
    noun = "frame" if len(lights) == 1 else "frames"
    yield "", f"{len(used)} of {len(lights)} {noun} used{_total_time(used)}."
    yield "", ""
    for name, text in _figures(record, used):
        yield f"  {name:<14}", text
    yield from _cut_off(used)
    yield from fates([row for row in frames if not _elsewhere(row)])
    yield from _other_sessions(record["sessions"])
    yield from _night(record["story"])
    yield from _next_time(record["advice"])
    for warning in record["warnings"]:
        yield "", ""
        yield "Note: ", warning
    yield "", ""
    yield from _files(record["output"])


def _raw_files(frames: list[FrameRecord], used: list[FrameRecord]) -> list[FrameRecord]:
    """The session's frames, including damaged ones: files with a frame's suffix that are neither
    copies nor of another session.
    """
    suffixes = {Path(row["file"]).suffix.lower() for row in used} - {""}
    return [
        row
        for row in frames
        if not (_elsewhere(row) or row["role"] == "copy")
        and (row["role"] == "light" or Path(row["file"]).suffix.lower() in suffixes)
    ]


def _elsewhere(row: FrameRecord) -> bool:
    """Whether it is a frame of a session that was not stacked."""
    return row["session"] is not None and row["role"] != "light"


def _total_time(used: list[FrameRecord]) -> str:
    known = [seconds for row in used if (seconds := row["exposure_s"]) is not None]
    if not used or len(known) < len(used):
        return ""
    return f": {_duration(sum(known))} total exposure"


def _duration(seconds: float) -> str:
    if seconds < 59.95:
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def _figures(record: RunRecord, used: list[FrameRecord]) -> Iterator[Line]:
    geometry, integration = record["geometry"], record["integration"]
    if record["camera"]["name"]:
        yield "Camera", record["camera"]["name"]
    if geometry["field_deg"]:
        wide, high = geometry["field_deg"]
        yield "Field", f"{wide:.0f}° × {high:.0f}°"
    if len(used) > 1 and geometry["turn_deg"] is not None:
        yield _turned(geometry)
        yield from _moved(geometry, used)
    if len(used) > 1 and geometry["residual_px"] is not None:
        yield "Alignment", _alignment(geometry, used)
    if integration["noise_gain"]:
        # Weights are relative to one frame's: their sum is an equivalent number of such frames.
        weights = [row["weight"] * (row["salvaged"] or 1) for row in used]
        gain, hoped = integration["noise_gain"], sum(weights) ** 0.5
        yield "Noise", f"{gain:.1f} times less than in one frame (expected: {hoped:.1f})"
    if integration["rejected_share"]:
        share = f"{100 * integration['rejected_share']:.2g} % of the samples (trails, flashes)"
        few = " (a few may be good ones)" if integration["frames"] <= _FEW else ""
        yield "Removed", f"{share}, {integration['defects']} hot or dead pixels{few}"
    yield from _cleaning(record["calibration"])
    if record["colour"] and record["colour"]["white"] != "asshot":
        yield "White", record["colour"]["white_words"]
    yield from _glow(record["gradient"], record["editing"])
    if len(used) > 1:
        yield "Reference", f"{record['reference']}"


def _cleaning(calibration: CalibrationRecord) -> Iterator[Line]:
    """How the samples were calibrated; only what is not routine."""
    applied = [row["name"] for row in calibration["opcodes"] if row["what"].startswith("applied")]
    if applied:
        yield "Corrected", f"from the files: {', '.join(sorted(set(applied)))}"
    for number, words in enumerate(calibration["masters"]):
        yield "Masters" if number == 0 else "", words
    if calibration["banding_adu"]:
        yield "Banding", f"row offsets of {calibration['banding_adu']:.1f} ADU removed"


def _glow(gradient: GradientRecord | None, editing: EditingRecord | None) -> Iterator[Line]:
    """The light-pollution gradient, where it is notable."""
    if gradient is None or editing is None or gradient["strength"] < _EVEN:
        return
    towards = side(gradient["towards_deg"])
    done = "removed" if editing["gradient_removed"] else "kept; --gradient remove subtracts it"
    yield (
        "Sky gradient",
        f"{gradient['strength']:.1f} times brighter towards {towards} than opposite: {done}",
    )


def _turned(geometry: GeometryRecord) -> Line:
    """How far the picture rotated; attributed to the sky only if the rate agrees."""
    turned = f"{geometry['turn_deg']:.2f}°"
    if geometry["still"]:
        return "Sky turned", "not at all"
    rate, clock = geometry["rate_arcsec_s"], geometry["clock"]
    if not is_known(rate, geometry["rate_sigma_arcsec_s"]):
        return "Sky turned", turned
    if clock and not clock["trusted"]:
        said = f"{turned} at {rate:.2f}″ a second, the sky does 15.04: a clock that is off, or a "
        return "Turned", f"{said}camera that moved slowly"
    return "Sky turned", f"{turned} at {rate:.2f}″ a second (the Earth turns at 15.04)"


def _moved(geometry: GeometryRecord, used: list[FrameRecord]) -> Iterator[Line]:
    """When the camera was pushed, and the frames that do not fit the lens model."""
    pushes = geometry["pushes"] or []
    for number, push in enumerate(pushes[:_MOST_PUSHES]):
        size = f"{push['degrees']:.1f}°" if push["degrees"] >= _DEGREES else f"{push['px']:.0f} px"
        time = f" ({push['time'][11:16]} UTC)" if push["time"] else ""
        where = f"by {size} between {push['before']} and {push['after']}{time}"
        yield "Camera moved" if number == 0 else "", where
    if len(pushes) > _MOST_PUSHES:
        yield "", f"and {len(pushes) - _MOST_PUSHES} times more, listed in run.json"
    own = sum((found := row["mapping"]) is not None and found["model"] != "camera" for row in used)
    if own:
        noun = "frame follows" if own == 1 else "frames follow"
        yield (
            "Warped",
            f"{own} {noun} no lens model (cropped or stabilised by the phone?), aligned one by one",
        )


def _alignment(geometry: GeometryRecord, used: list[FrameRecord]) -> str:
    stars = sorted(row["matched"] for row in used if row["matched"] is not None)
    count = f"{stars[len(stars) // 2]} stars a frame, " if stars else ""
    zones = geometry["zones_px"] or [None] * 3
    where = ""
    if zones[0] is not None and zones[2] is not None:
        where = f" (centre {zones[0]:.2f}, corners {zones[2]:.2f})"
    return f"{count}typically {geometry['residual_px']:.2f} px off{where}"


def _night(events: list[EventRecord]) -> Iterator[Line]:
    """The events of the night, in time order."""
    if not events:
        return
    yield "", ""
    timed = any(event["time"] for event in events)
    yield "", "That night (times in UTC):" if timed else "That night:"
    for event in events[:MOST_LISTED]:
        start = f"  {event['time'][11:16] if event['time'] else '     '}  " if timed else "  "
        yield start, f"{event['text']}."
    if len(events) > MOST_LISTED:
        yield "  ", f"and {len(events) - MOST_LISTED} more, listed in run.json"


def _next_time(advice: list[str]) -> Iterator[Line]:
    if advice:
        yield "", ""
        yield "", "Next time:"
    for sentence in advice:
        yield "  - ", sentence


def _cut_off(used: list[FrameRecord]) -> Iterator[Line]:
    """Truncated files that were used in part."""
    cut = [row for row in used if row["salvaged"] is not None]
    if not cut:
        return
    yield "", ""
    yield "", "Used in part (copy them again if the camera still has them):"
    for row in cut[:MOST_LISTED]:
        yield "  ", f"{row['file']}: {row['reason']}"
    if len(cut) > MOST_LISTED:
        yield "  ", f"and {len(cut) - MOST_LISTED} more, listed in run.json"


def _other_sessions(sessions: list[SessionRecord]) -> Iterator[Line]:
    """The other sessions in the folder, and how to stack them."""
    others = [row for row in sessions if not row["chosen"]]
    if not others:
        return
    (own,) = (row["number"] for row in sessions if row["chosen"])
    yield "", ""
    yield "", f"This is session {own} of the {len(sessions)} in the folder. The others:"
    for row in others[:MOST_LISTED]:
        what = row["first"] if row["frames"] == 1 else f"{row['frames']} frames"
        time = f" from {row['begin'][:16].replace('T', ' ')} UTC" if row["begin"] else ""
        number = row["number"]
        yield f"  {number}  ", f"{what}{time}, {row['why']}; --session {number} stacks it"
    if len(others) > MOST_LISTED:
        yield "  ", f"and {len(others) - MOST_LISTED} more, listed in run.json"


def _files(output: OutputRecord) -> Iterator[Line]:
    said = {
        "report": "look at this first: the whole night on one page, in your browser",
        "preview": "the picture to show around",
        "jpeg": "the same, small enough to send",
        "tiff": "open this in your photo editor: linear, dark until you stretch it",
        "dng": "for an editor of raw files",
        "fits": "the measurement, with variance and coverage",
        "gradient": "the light-pollution gradient that was removed",
        "record": "what was done with each file, and why",
        "pictures": "the report's small pictures",
    }
    yield f"Written to {Path(output['folder'])}:", ""  # a path is not broken
    for kind, text in said.items():
        if kind in output["files"]:
            yield f"  {output['files'][kind]:<13} ", text
