"""``report.html``: the page of a night, made only from its record and its small pictures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache, partial
from typing import Any

from jinja2 import Template
from markupsafe import Markup

from stackkit.picture.archive import ALONE, STACK
from stackkit.report import night_words
from stackkit.report.chart import chart, points, verdict
from stackkit.report.document import data_uri, environment, rendered
from stackkit.report.frames import SIGNS, Fate, FrameRow, frames_of, minutes
from stackkit.report.maps import coverage_map, field_map, glow_map
from stackkit.report.method_figures import amount, number
from stackkit.report.time_chart import Line, time_chart
from stackkit.schemas.frames import FrameRecord
from stackkit.schemas.run import RunRecord

_MANY = 60
"""Number of frames above which their thumbnails are shown only on request."""
_ZONES = ("centre", "between", "corners")


def page_of_night(record: RunRecord, pictures: Mapping[str, bytes]) -> str:
    """The page as HTML text that can be written as UTF-8.

    ``record`` is that of a run; ``pictures`` holds WebP files by their names,
    see ``output.pictures``.  Missing pictures are reported as missing.
    """
    frames = frames_of(record, pictures)
    counts = Counter(frame.fate for frame in frames)
    measured = points(record["integration"]["noise_by_frames"])
    return rendered(
        _template(),
        ("base.css", "figures.css", "night.css"),
        "night.js",
        record=record,
        heading=night_words.heading(frames),
        hours=night_words.hours(frames),
        lead=night_words.lead(frames, record),
        gains=list(night_words.gains(frames, record)),
        stack=_source(pictures.get(STACK)),
        alone=_source(pictures.get(ALONE)) if counts[Fate.OUT] + 1 < len(frames) else None,
        used=counts[Fate.FULL] + counts[Fate.LESS],
        frames=frames,
        fates=[(fate, SIGNS[fate], counts[fate]) for fate in Fate],
        many=len(frames) > _MANY,
        story=[{**event, "clock": night_words.clock(event["time"])} for event in record["story"]],
        charts=list(_charts(frames)),
        noise=chart(measured),
        verdict=verdict(measured) if len(measured) > 1 else None,
        coverage=coverage_map(record["integration"]["coverage"], record["camera"]["orientation"]),
        field=_field(record),
        glow=glow_map(record["gradient"]["map"] if record["gradient"] else []),
        facts=list(night_words.facts(frames, record)),
        recipe=night_words.RECIPE,
        command=night_words.command_of(record),
        options=[(name, night_words.option(value)) for name, value in record["options"].items()],
        table=[_cells(frame) for frame in frames],
        others=[row for row in record["frames"] if row["role"] != "light"],
        sessions=[row for row in record["sessions"] if not row["chosen"]],
    )


@cache
def _template() -> Template:
    return environment().get_template("night.html")


def _source(data: bytes | None) -> str | None:
    return data_uri(data, "webp") if data else None


def _charts(frames: Sequence[FrameRow]) -> Iterator[dict[str, Any]]:
    """The charts over time that can be drawn: {title, what, svg, signs}."""
    fates, when = [frame.fate for frame in frames], minutes(frames)

    def values(of: Callable[[FrameRecord], Any]) -> list[float | None]:
        return [number(of(frame.row)) for frame in frames]

    def zone(row: FrameRecord, z: int) -> Any:
        return row["zones_px"][z] if row["used"] and row["zones_px"] else None

    zones = [Line(values(partial(zone, z=z)), name) for z, name in enumerate(_ZONES)]
    light = [None if v is None else 100 * v for v in values(lambda row: row["light"])]
    drawn = (
        (
            "width",
            "Star width (FWHM)",
            "pixels, full width at half maximum",
            "Smaller is sharper. A jump is a knock at the focus, a slow rise dew or cooling.",
            [Line(values(lambda row: row["fwhm_px"]))],
            0.0,
        ),
        (
            "sky",
            "Sky background",
            "ADU (the camera’s own counts) above black, green",
            "Twilight, moonlight, haze over a town and passing lamps lift it.",
            [Line(values(lambda row: (row["sky_adu"] or (None,) * 3)[1]))],
            0.0,
        ),
        (
            "light",
            "Transparency",
            "% of what clear air lets through",
            "Clouds, haze and dew take light away. A little above 100 % is a very clear moment.",
            [Line(light)],
            0.0,
        ),
        (
            "turn",
            "Sky rotation",
            "degrees, from the reference frame",
            "The Earth turns evenly, 15 degrees in an hour; a jump is a knock at the camera.",
            [Line(values(lambda row: row["turn_deg"]))],
            None,
        ),
        (
            "zones",
            "Alignment error",
            "pixels",
            "Distance of stars from where they should be, in three parts of the picture. A tenth "
            "of a pixel is much less than a star's width.",
            zones,
            0.0,
        ),
    )
    for key, title, unit, what, lines, floor in drawn:
        svg = time_chart(f"chart-{key}", title, unit, lines, fates, when, floor)
        if svg is not None:
            yield {"title": title, "what": what, "svg": svg, "signs": len(lines) == 1}


def _field(record: RunRecord) -> tuple[Markup, float] | None:
    grid, output = record["geometry"]["residual_field"], record["output"]
    if not grid:
        return None
    sampling = record["integration"]["sampling"]
    size = (output["width"] // sampling, output["height"] // sampling)
    return field_map(grid, size, record["camera"]["orientation"])


def _cells(frame: FrameRow) -> list[str]:
    """A frame's figures for the table."""
    row = frame.row
    light = number(row["light"])
    percent = None if light is None else 100 * light
    sky = (row["sky_adu"] or (None,) * 3)[1]
    columns = (
        (row["fwhm_px"], 2), (sky, 1), (percent, 0), (row["turn_deg"], 3), (row["residual_px"], 3),
        (row["stars"], 0), (row["weight"], 2),
    )  # fmt: skip
    return [
        "–" if (known := number(value)) is None else amount(known, digits)
        for value, digits in columns
    ]
