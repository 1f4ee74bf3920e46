"""What the night's story tells of rows that are known, and the advice that goes with it."""

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from astropy.time import Time
from sample_record import light, sample_record

from stackkit.geometry.lens import SIDEREAL
from stackkit.grading.diagnosis import Cause
from stackkit.record import night_events as room
from stackkit.record.advice import advice
from stackkit.record.night_events import night_events

START = datetime(2026, 10, 13, 21, 0, tzinfo=UTC)


def night(count: int = 20, **changes: Any) -> list[dict[str, Any]]:
    return [
        light(f"{k:02d}.dng", (START + timedelta(seconds=20 * k)).isoformat(), **changes)
        for k in range(count)
    ]


def texts(rows: list[dict[str, Any]], pushes: list[dict[str, Any]] | None = None) -> list[str]:
    return [event["text"] for event in night_events(rows, pushes or [])]


def advised(record: dict[str, Any]) -> list[str]:
    return advice(record["frames"], record["geometry"], record["camera"])


def test_a_quiet_night_has_no_story() -> None:
    assert texts(night()) == []


def test_clouds_tell_how_much_light_they_took() -> None:
    rows = night()
    for k, share in zip(range(5, 9), (0.7, 0.6, 0.65, 0.04), strict=True):
        rows[k] |= {"cause": "cloud", "reason": "cloud", "light": share}
    (event,) = night_events(rows, [])
    assert event["text"] == (
        "clouds from 05.dng to 08.dng (4 frames), 38 % of the light lost, at worst 96 %"
    )
    assert (event["time"], event["frames"]) == (rows[5]["time"], 4)


def test_all_in_time_order() -> None:
    rows = night(30)
    rows[3] |= {"cause": "torch or headlights"}
    rows[12] |= {"cause": "out of focus", "fwhm_px": 5.0, "used": False}
    push = {
        "before": "07.dng",
        "after": "08.dng",
        "time": rows[8]["time"],
        "degrees": 2.04,
        "px": 80,
    }
    for k in range(20, 30):
        rows[k]["time"] = (START + timedelta(seconds=20 * k + 1260)).isoformat()
    assert texts(rows, [push]) == [
        "a torch or headlights lit the lens in 03.dng",
        "the camera was moved by 2.0° between 07.dng and 08.dng",
        "out of focus in 12.dng, stars 2.0 times as wide",
        "it continued with 20.dng after a pause of 21 min",
    ]


def test_it_got_sharper() -> None:
    rows = night()
    for k in range(20):
        rows[k]["fwhm_px"] = (3.4 if k < 11 else 2.6) + 0.05 * math.sin(7 * k)
    (text,) = texts(rows)
    assert text.startswith("from 11.dng on it was sharper: stars 2.6 px wide, 3.4 before")


def test_scatter_is_no_change_of_sharpness() -> None:
    rows = night(40)
    for k in range(40):
        rows[k]["fwhm_px"] = 2.5 + 0.6 * math.sin(11.3 * k)
    assert texts(rows) == []


def test_without_times() -> None:
    rows = [row | {"time": None} for row in night()]
    rows[4] |= {"cause": "cloud", "light": 0.5}
    (event,) = night_events(rows, [])
    assert event["time"] is None


def test_every_cause_of_a_frame_has_words() -> None:
    spoken = {Cause.NONE, Cause.MOVED, Cause.ELSEWHERE, Cause.UNREAD}
    assert set(room._EVENTS) == set(Cause) - spoken


def record(rows: list[dict[str, Any]], **geometry: Any) -> dict[str, Any]:
    sample = sample_record()
    return {**sample, "frames": rows, "geometry": {**sample["geometry"], "pushes": [], **geometry}}


def test_no_advice_where_all_was_well() -> None:
    assert advised(record(night(), lens={"f": 800.0})) == []


@pytest.mark.parametrize(
    ("cause", "words"),
    [
        ("shaken", "tripod"),
        ("dew", "hand warmer"),
        ("out of focus", "lock it"),
        ("torch or headlights", "torches"),
    ],
)
def test_advice_by_cause(cause: str, words: str) -> None:
    rows = night()
    for k in (3, 4, 5):
        rows[k] |= {"cause": cause}
    (said,) = advised(record(rows, lens={"f": 800.0}))
    assert words in said


def test_too_few_frames() -> None:
    (said,) = advised(record(night(5), lens={"f": 800.0}))
    assert said.startswith("5 frames went in")


def test_a_bright_sky() -> None:
    rows = night(sky_adu=[1900.0, 2100.0, 1900.0])
    (said,) = advised(record(rows, lens={"f": 800.0}))
    assert "fills 55 % of" in said


def test_an_exposure_too_long_for_the_lens() -> None:
    """Against the sidereal rate as astropy has it (IAU 2000 Earth rotation angle)."""
    day = Time(["2026-10-13", "2026-10-14"], scale="ut1")
    before, after = (t.earth_rotation_angle(0).to_value("cycle") for t in day)
    angle = 1 + (after - before) % 1
    rate = 2 * math.pi * angle / 86400
    assert rate == pytest.approx(SIDEREAL, rel=1e-7)
    rows = night(exposure_s=30.0)
    (said,) = advised(record(rows, lens={"f": 3000.0}))
    assert f"by up to {3000 * rate * 30:.0f} px" in said
    assert f"of {2.5 / (3000 * rate):.2g} s or less" in said
