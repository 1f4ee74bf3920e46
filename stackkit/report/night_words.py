"""The words on the page of a night: its heading, the numbers, the command."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from stackkit.record.rate import is_known
from stackkit.report.document import seconds
from stackkit.report.frames import Fate, FrameRow, moment
from stackkit.report.method_figures import amount, number
from stackkit.schemas.geometry import GeometryRecord
from stackkit.schemas.picture import IntegrationRecord
from stackkit.schemas.run import RunRecord

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip

_SIDES = (
    "the top", "the upper right", "the right", "the lower right", "the bottom", "the lower left",
    "the left", "the upper left",
)  # fmt: skip
_CALLED = {"bits": "tiff"}
"""Names of the command's options where the record has another name."""

RECIPE = (
    (
        "Open it",
        (
            "Open stack.tif. It looks almost black, and that is right: it is linear, and nearly all"
            " of the sky is in the darkest part of the scale."
        ),
    ),
    (
        "Levels",
        (
            "Look at the histogram: one narrow hill, far to the left. Move the black point up to"
            " just before the foot of the hill, not into it: what is clipped there is lost. Leave"
            " the white point."
        ),
    ),
    (
        "Curve",
        (
            "Lift the dark part steeply and leave the bright part as it is, so that stars keep"
            " their colours. Two or three gentle curves, one after the other, with the black point"
            " moved up again between them, do better than one strong one. Stop while the sky is"
            " still darker than a third of the scale."
        ),
    ),
    (
        "Colour",
        (
            "Make an empty piece of sky a neutral grey: alike in red, green and blue. If it is"
            " brighter towards one side, remove that first, with a soft gradient. Then raise the"
            " saturation a little, for the stars."
        ),
    ),
    (
        "Noise",
        (
            "Last, and sparingly, at full size: reduce colour noise first and barely touch"
            " luminance. The faintest stars look like noise, and would go with it."
        ),
    ),
    (
        "Keep it",
        (
            "Save your work with 16 bits or more for each colour. For sending, export a copy as a"
            " JPEG in sRGB."
        ),
    ),
)
"""What to do in an editor: step and sentence."""


def heading(frames: Sequence[FrameRow]) -> str:
    """The date of the first frame in words (UTC); a general title where it is unknown."""
    times = [time for frame in frames if (time := moment(frame.row["time"])) is not None]
    if not times:
        return "Your night"
    first = min(times)
    return f"{first.day} {_MONTHS[first.month - 1]} {first.year}"


def hours(frames: Sequence[FrameRow]) -> str:
    """Times of the first and last frame, UTC; empty where times are missing."""
    times = [time for frame in frames if (time := moment(frame.row["time"])) is not None]
    if not times:
        return ""
    first, last = min(times), max(times)
    until = "" if f"{first:%H:%M}" == f"{last:%H:%M}" else f" to {last:%H:%M}"
    return f"{first:%H:%M}{until} UTC"


def lead(frames: Sequence[FrameRow], record: RunRecord) -> str:
    """The result in a sentence or two."""
    used = [frame for frame in frames if frame.fate is not Fate.OUT]
    if len(used) < 2:
        return (
            "Only one frame is in the picture, so that nothing was averaged. A few dozen, taken "
            "without moving the camera, make the noise fall away."
        )
    light, gain = light_of(used), number(record["integration"]["noise_gain"])
    text = f"{len(used)} of {len(frames)} frames, aligned on the stars and stacked"
    text += f": {light} total exposure" if light else ""
    return f"{text}, with {gain:.1f} times less noise than one frame." if gain else f"{text}."


def light_of(used: Sequence[FrameRow]) -> str:
    """Total exposure; empty where one exposure is unknown."""
    own = [number(frame.row["exposure_s"]) for frame in used]
    known = [value for value in own if value is not None]
    return seconds(sum(known)) if known and len(known) == len(own) else ""


def gains(frames: Sequence[FrameRow], record: RunRecord) -> Iterator[tuple[str, str, str]]:
    """The headline figures: figure, unit, meaning."""
    used = [frame for frame in frames if frame.fate is not Fate.OUT]
    integration = record["integration"]
    gain = number(integration["noise_gain"])
    if gain:
        yield f"{gain:.1f}", "times", "less noise than in one frame"
    faintest = integration["faintest"]
    magnitudes = number(faintest["gained_mag"]) if faintest else None
    if magnitudes is not None and magnitudes > 0:
        factor = 10 ** (0.4 * magnitudes)
        yield f"{factor:.1f}", "times", f"fainter stars show ({magnitudes:.1f} magnitudes)"
    if light := light_of(used):
        yield light, "", "total exposure"


def facts(frames: Sequence[FrameRow], record: RunRecord) -> Iterator[tuple[str, str]]:
    """The numbers: name and text."""
    used = [frame for frame in frames if frame.fate is not Fate.OUT]
    camera, geometry, integration = record["camera"], record["geometry"], record["integration"]
    yield "Frames", f"{len(used)} of {len(frames)} used"
    if exposures := _range([frame.row["exposure_s"] for frame in used], seconds):
        isos = _range([frame.row["iso"] for frame in used], lambda v: f"{v:g}")
        yield "Exposure", f"{exposures} each{f', ISO {isos}' if isos else ''}"
    if light := light_of(used):
        yield "Total exposure", light
    if camera["name"]:
        yield "Camera", camera["name"]
    if geometry["field_deg"]:
        yield "Field of view", "{:.0f}° × {:.0f}°".format(*geometry["field_deg"])
    if lens := geometry["lens"]:
        yield "Lens", f"focal length of {lens['f']:.0f} pixels, measured from the stars"
    yield from _turned(geometry)
    if geometry["residual_px"] is not None and len(used) > 1:
        zones = [number(z) for z in geometry["zones_px"] or (None,) * 3]
        where = ""
        if zones[0] is not None and zones[2] is not None:
            where = f" (at the centre {zones[0]:.2f}, in the corners {zones[2]:.2f})"
        agreement = f"stars agree within {geometry['residual_px']:.2f} px of each other{where}"
        yield "Alignment", agreement
    yield from _of_noise(integration)
    if integration["rejected_share"] is not None:
        share = f"{100 * integration['rejected_share']:.2g} % of the samples"
        many = len(integration["trails"])
        trails = f", including {many} {'trail' if many == 1 else 'trails'} of aircraft or "
        yield "Rejected", share + (f"{trails}satellites" if many else "")
    yield from _of_colour(record)
    if integration["defects"]:
        yield "Hot or dead pixels", f"{integration['defects']}, left out of every frame"


def _of_colour(record: RunRecord) -> Iterator[tuple[str, str]]:
    colour, glow = record["colour"], record["gradient"]
    if colour:
        kelvin = number(colour["kelvin"])
        warm = f", {kelvin:.0f} kelvin" if kelvin else ""
        doubt = "; the colours of this camera are not known" if colour["assumed"] else ""
        yield "White balance", f"{colour['white_words']}{warm}{doubt}"
    if glow:
        most = f"{glow['strength']:.2f} times brighter towards {side(glow['towards_deg'])}"
        yield "Sky gradient", f"{most} than opposite"


def side(degrees: float) -> str:
    """The side of the upright picture in a direction, degrees clockwise from up."""
    return _SIDES[round(degrees / 45) % 8]


def _turned(geometry: GeometryRecord) -> Iterator[tuple[str, str]]:
    turn, rate = number(geometry["turn_deg"]), number(geometry["rate_arcsec_s"])
    if turn is None or geometry["still"]:
        return
    sigma = number(geometry["rate_sigma_arcsec_s"])
    if not is_known(rate, sigma):
        yield "Sky turned", f"{turn:.2f}°"
    else:
        yield "Sky turned", f"{turn:.2f}° at {rate:.2f}″ a second (the Earth turns at 15.04)"


def _of_noise(integration: IntegrationRecord) -> Iterator[tuple[str, str]]:
    gain = number(integration["noise_gain"])
    if gain:
        root = integration["frames"] ** 0.5
        most = f"√{integration['frames']} = {root:.2f} for frames that are all alike"
        yield "Noise", f"{gain:.2f} times less than in one frame ({most})"
    faint = integration["faintest"]
    if faint:
        gained = amount(faint["gained_mag"], 2)
        yield (
            "Faintest star",
            (
                f"{gained} magnitudes fainter than in one frame: {faint['stack_adu']:.0f} ADU of"
                f" light in green are detected at 5 times the noise,  {faint['frame_adu']:.0f} in"
                " one frame. (Its magnitude is unknown without a star catalogue.)"
            ),
        )


def _range(values: Sequence[Any], written: Any) -> str:
    """The range of a figure over several frames; empty where it is unknown."""
    known = sorted(v for value in values if (v := number(value)) is not None)
    if not known:
        return ""
    least, most = written(known[0]), written(known[-1])
    return least if least == most else f"{least} to {most}"


def command_of(record: RunRecord) -> list[str]:
    """The command that repeats this run, quoted for a shell, option by option."""
    options = dict(record["options"])
    paths = [str(path) for path in options.pop("paths", None) or ["FOLDER"]]
    parts = [["stackkit", "stack", *paths]]
    for name, value in [*options.items(), ("out", record["output"]["folder"])]:
        flag = f"--{_CALLED.get(name, name).replace('_', '-')}"
        if name == "white" and isinstance(value, list):
            value = ",".join(f"{one:g}" for one in value)
        for one in value if isinstance(value, list) else [value]:
            if one is True:
                parts.append([flag])
            elif one not in (None, False, ""):
                parts.append([flag, f"{one:g}" if isinstance(one, float) else str(one)])
    return [shlex.join(part) for part in parts]


def option(value: Any) -> str:
    """The value of an option in words."""
    if value is None or value in ("", []):
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def clock(text: str | None) -> str:
    """Hour and minute, UTC, of a time of the record; empty where there is none."""
    time: datetime | None = moment(text)
    return f"{time:%H:%M}" if time else ""
