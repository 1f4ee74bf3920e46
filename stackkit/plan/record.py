"""Puts a plan into plain data, ``schemas.plan``.

Times are ISO 8601 in the place's time zone, angles degrees.  The terminal's text, calendar entry
and page are renderings of this.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import Any, cast

import numpy as np

from stackkit.plan import words
from stackkit.plan.camera import field
from stackkit.plan.chart import curves, sky_chart
from stackkit.plan.checklist import cautions, weather
from stackkit.plan.planner import Plan
from stackkit.plan.ranking import Ranked
from stackkit.plan.sky.events import Span, common, hours
from stackkit.plan.sky.moonlight import magnitudes, nanolamberts
from stackkit.plan.sky.night import Night, sky_moonlight
from stackkit.plan.sky.places import Place
from stackkit.plan.targets import NEAR_MOON, Standing
from stackkit.record.file import plain
from stackkit.schemas.nights import ChosenNightRecord, DuskDawnRecord, NightRecord, SpanRecord
from stackkit.schemas.plan import (
    AimRecord,
    ExposureRecord,
    IsoRecord,
    PlanCameraRecord,
    PlanRecord,
    SeriesRecord,
    TargetRecord,
)


def record(made: Plan) -> PlanRecord:
    """The plan as plain data."""
    request, place = made.request, made.request.place
    data: PlanRecord = {
        "format": "stackkit-plan/1",
        "stackkit": version("stackkit"),
        "made": _time(place, request.moment),
        "place": {
            "latitude": place.latitude,
            "longitude": place.longitude,
            "height_m": place.height,
            "zone": place.zone_name,
        },
        "sky_mag": request.sky,
        "skyline_deg": request.skyline,
        "summary": words.summary(made),
        "remarks": words.remarks(made),
        "ranking": words.ranking(),
        "nights": [_night(place, row) for row in made.nights],
        "night": _chosen(made),
        "wanted": made.wanted.id if made.wanted else None,
        "targets": [_target(place, row) for row in made.standings],
        "pick": _target(place, made.pick) if made.pick else None,
        "aim": _aim(made),
        "camera": _camera(made),
        "exposure": _exposure(made),
        "series": _series(made),
        "iso": _iso(made),
        "weather": weather(),
        "checklist": [{"title": s.title, "items": list(s.items)} for s in made.sections],
        "cautions": list(cautions()),
        "chart": {"curves": curves(made), "sky": sky_chart(made)},
    }
    return cast(PlanRecord, _neat(data))


def _neat(value: Any) -> Any:
    """Plain types, rounded to four decimals: 11 m for coordinates on Earth."""
    if isinstance(value, dict):
        return {key: _neat(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_neat(item) for item in value]
    item = plain(value)
    return round(item, 4) if isinstance(item, float) else item


def _time(place: Place, moment: float) -> str:
    return place.clock(round(moment)).isoformat()


def _time_of(place: Place, moment: float | None) -> str | None:
    return None if moment is None else _time(place, moment)


def _spans(place: Place, spans: Sequence[Span]) -> list[SpanRecord]:
    return [{"from": _time(place, start), "until": _time(place, end)} for start, end in spans]


def _edges(night: Night, spans: Sequence[Span]) -> tuple[float | None, float | None]:
    """First start and last end of the spans within the night; None where there is none."""
    begin = next((start for start, _ in spans if start > night.whole[0]), None)
    finish = next((end for _, end in reversed(spans) if end < night.whole[1]), None)
    return begin, finish


def _night(place: Place, row: Ranked) -> NightRecord:
    night = row.night
    sunset, sunrise = _edges(night, night.under["sun"])
    moonrise, moonset = _edges(night, night.moon_up)
    astronomical = night.under["astronomical"]
    return {
        "date": night.date.isoformat(),
        "rank": row.rank,
        "verdict": row.verdict,
        "reason": row.reason,
        "worth_h": row.moonless_hours,
        "sunset": _time_of(place, sunset),
        "sunrise": _time_of(place, sunrise),
        "astronomical": _spans(place, astronomical),
        "astronomical_h": hours(astronomical),
        "dark": _spans(place, night.dark),
        "dark_h": hours(night.dark),
        "moonrise": _time_of(place, moonrise),
        "moonset": _time_of(place, moonset),
        "lit": night.lit,
        "waxing": night.waxing,
        "phase": words.phase(night),
        "strip": _strip(night),
    }


_SLOTS = 48
"""Half hours in a day."""


def _strip(night: Night) -> str:
    """The night in half hours from solar noon to solar noon, a letter each.

    s Sun up, t twilight, m dark with the Moon up, d dark: the darkest state at its middle.
    """
    start = night.whole[0]
    middles = [start + (k + 0.5) * 1800 for k in range(_SLOTS)]

    def within(spans: Sequence[Span], at: float) -> bool:
        return any(a <= at <= b for a, b in spans)

    kinds = (("d", night.dark), ("m", night.under["astronomical"]), ("t", night.under["sun"]))
    return "".join(
        next((letter for letter, spans in kinds if within(spans, at)), "s") for at in middles
    )


def _chosen(made: Plan) -> ChosenNightRecord:
    night, place = made.chosen.night, made.request.place

    def twilight(name: str) -> DuskDawnRecord:
        dusk, dawn = _edges(night, night.under[name])
        return {"dusk": _time_of(place, dusk), "dawn": _time_of(place, dawn)}

    def below(name: str) -> list[SpanRecord]:
        return _spans(place, night.under[name])

    return {
        **_night(place, made.chosen),
        "whole": _spans(place, [night.whole])[0],
        "sun_lowest_deg": night.lowest,
        "sun_lowest_at": _time(place, night.middle),
        "twilights": {
            "sun": twilight("sun"),
            "civil": twilight("civil"),
            "nautical": twilight("nautical"),
            "astronomical": twilight("astronomical"),
        },
        "sun_below": {
            "sun": below("sun"),
            "civil": below("civil"),
            "nautical": below("nautical"),
            "astronomical": below("astronomical"),
        },
        "moon_up": _spans(place, night.moon_up),
        "moon_in_dark_h": hours(common(night.moon_up, night.under["astronomical"])),
        "window": {"kind": made.kind, **_spans(place, [made.window])[0]},
        "moonlit_mag": _brightest(made),
        "next_dark": made.next_dark.isoformat() if made.next_dark else None,
    }


def _brightest(made: Plan) -> float:
    """The sky above 30° at its brightest in the window, mag/arcsec²."""
    at = np.linspace(*made.window, 25)
    light = nanolamberts(made.request.sky) + sky_moonlight(made.request.place, at)
    return float(magnitudes(light).min())


def _target(place: Place, row: Standing) -> TargetRecord:
    target = row.target
    near = row.moon_distance is not None and row.moon_distance < NEAR_MOON
    return {
        "id": target.id,
        "name": target.name,
        "kind": target.kind,
        "ra_deg": target.ra,
        "dec_deg": target.dec,
        "size_deg": list(target.size),
        "mag": target.mag,
        "ease": target.ease,
        "why": target.why,
        "usable": _spans(place, [row.usable])[0],
        "best": _time(place, row.best),
        "altitude_deg": row.altitude,
        "azimuth_deg": row.azimuth,
        "compass": words.compass(row.azimuth),
        "level": words.level(row.altitude),
        "track": [
            {
                "time": _time(place, at),
                "altitude_deg": altitude,
                "azimuth_deg": azimuth,
                "compass": words.compass(azimuth),
            }
            for at, altitude, azimuth in row.track
        ],
        "moon_distance_deg": row.moon_distance,
        "near_moon": near,
        "sky_mag": row.sky,
        "moonlight_mag": row.dimmed,
        "washed": row.washed,
        "size_px": list(row.px),
        "fit": row.fit,
        "score": row.score,
    }


def _aim(made: Plan) -> AimRecord:
    return {
        "altitude_deg": made.aim.altitude,
        "azimuth_deg": made.aim.azimuth,
        "compass": words.compass(made.aim.azimuth),
        "declination_deg": made.aim.declination,
        "at": _time(made.request.place, made.pick.best) if made.pick else None,
        "target": made.pick.target.name if made.pick else None,
    }


def _camera(made: Plan) -> PlanCameraRecord:
    camera = made.camera
    across = field(camera)
    return {
        "said": made.camera_said,
        "like": made.trial.name if made.trial else None,
        "assumed": made.request.camera is None and made.trial is None,
        "focal_mm": camera.focal_mm,
        "focal_35mm": camera.focal_35mm,
        "f_number": camera.f_number,
        "pitch_um": camera.pitch,
        "size_px": list(camera.size),
        "projection": str(camera.projection),
        "field_deg": list(across),
        "sees": words.sees(across),
        "scale_arcsec_px": 206264.806 / camera.focal_px,
    }


def _exposure(made: Plan) -> ExposureRecord:
    bound = made.limit
    fastest, middle, slowest = bound.rates
    return {
        "set_s": made.series.exposure,
        "asked": made.request.exposure is not None,
        "trail_px": bound.rates[0] * made.series.exposure,
        "allowed_px": bound.allowed,
        "limit_s": bound.seconds,
        "middle_limit_s": bound.middle_seconds,
        "rate_px_s": {"fastest": fastest, "middle": middle, "slowest": slowest},
        "rules": [
            {
                "name": rule.name,
                "formula": rule.formula,
                "seconds": rule.seconds,
                "middle_px": rule.middle_px,
                "fastest_px": rule.fastest_px,
            }
            for rule in bound.rules
        ],
        "why": words.why_shorter(bound),
    }


def _series(made: Plan) -> SeriesRecord:
    row = made.series
    place, pick = made.request.place, made.pick
    return {
        "frames": row.frames,
        "exposure_s": row.exposure,
        "total_s": row.frames * row.exposure,
        "cadence_s": row.cadence,
        "length_s": row.seconds,
        "asked_s": row.asked,
        "bytes": round(row.bytes),
        "battery_share": row.battery,
        "drift_px": list(row.drift),
        "drift_words": words.drift(row, made.camera),
        "framing": words.framing(row, made.camera),
        "shared_share": row.shared,
        "bottom_deg": row.bottom,
        "ground": words.ground(made),
        "start_by": _time(place, max(pick.usable[1] - row.seconds, pick.usable[0]))
        if pick
        else None,
        "stop_at": _time(place, pick.usable[1]) if pick else None,
    }


def _iso(made: Plan) -> IsoRecord | None:
    if made.trial is None:
        return None
    row: IsoRecord = {"remark": made.trial.remark, "advice": None}
    if made.iso:
        row["advice"] = {
            "iso": made.iso.iso,
            "sky_e": made.iso.sky_e,
            "read_e": made.iso.read_e,
            "noise_ratio": made.iso.share,
            "lowest_iso": made.iso.lowest_iso,
            "words": made.iso.words,
        }
    return row
