"""Degrees in every notation, zones, and the place that is remembered only when asked."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackkit.errors import InputError, UsageError
from stackkit.plan.memory import Spot, forget, recalled, remember
from stackkit.plan.sky.places import place


@pytest.mark.parametrize(
    ("latitude", "longitude", "expected"),
    [
        ("47.37", "8.54", (47.37, 8.54)),
        ("-33.9", "+151.2", (-33.9, 151.2)),
        ("−33,9", "18,4", (-33.9, 18.4)),
        ("47°22'12\"N", "8°32'24\"E", (47.37, 8.54)),
        ("47° 22.2′ N", "W 8 32 24", (47.37, -8.54)),
        ("S33.9", "E 151.2", (-33.9, 151.2)),
        ("N 47 22 12", "8 32 24 west", (47.37, -8.54)),
        ("47:22:12", "-8:32:24", (47.37, -8.54)),
        ("47.37 deg north", "8.54 degrees east", (47.37, 8.54)),
        ("90", "180", (90.0, 180.0)),
        ("0", "-180", (0.0, -180.0)),
        ("-0 30", "0", (-0.5, 0.0)),
    ],
)
def test_degrees_in_any_usual_notation(latitude, longitude, expected):
    found = place(latitude, longitude)
    assert (found.latitude, found.longitude) == pytest.approx(expected)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_degrees_minutes_and_seconds_are_the_same(latitude, longitude):
    def sexagesimal(value, sides):
        seconds = round(abs(value) * 36000)
        whole, rest = divmod(seconds, 36000)
        minutes, tenths = divmod(rest, 600)
        return f"{whole}°{minutes}'{tenths / 10:.1f}\"{sides[value < 0]}"

    found = place(sexagesimal(latitude, "NS"), sexagesimal(longitude, "EW"), 0.0, "UTC")
    assert found.latitude == pytest.approx(latitude, abs=1.5e-5)
    assert found.longitude == pytest.approx(longitude, abs=1.5e-5)


@pytest.mark.parametrize(
    ("latitude", "longitude", "words"),
    [
        ("91", "8", "no latitude 91"),
        ("47", "181", "no longitude 181"),
        ("139.7", "35.7", "swapped, try --lat 35.7 --lon 139.7"),
        ("8.5E", "47.4N", "look swapped"),
        ("abc", "8", "'abc' is no latitude"),
        ("", "8", "'' is no latitude"),
        ("47 61", "8", "minutes and seconds go to 59"),
        ("47.5 30", "8", "is no latitude"),
        ("-47 S", "8", "say the same twice"),
        ("-51 30 N", "8", "minus and N contradict each other"),
        ("nan", "8", "is no latitude"),
        ("1e400", "8", "is no latitude"),
        ("47 22 12 5", "8", "is no latitude"),
    ],
)
def test_what_is_no_place(latitude, longitude, words):
    with pytest.raises(UsageError) as told:
        place(latitude, longitude)
    assert words in str(told.value)


@pytest.mark.parametrize("height", [-600.0, 9001.0, float("nan")])
def test_what_is_no_height(height):
    with pytest.raises(UsageError, match="height"):
        place("47", "8", height)


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        ("47.37", "8.54", "Europe/Zurich"), ("-33.9", "151.2", "Australia/Sydney"),
        ("40.7", "-74.0", "America/New_York"), ("27.7", "85.3", "Asia/Kathmandu"),
        ("-17.7", "178.1", "Pacific/Fiji"), ("50", "-30", "UTC-2"), ("0", "0", "UTC"),
    ],
)  # fmt: skip
def test_the_zone_of_a_place(latitude, longitude, zone):
    """IANA's names; at sea nautical zones, 15° wide (common practice)."""
    found = place(latitude, longitude)
    assert found.zone_name == zone
    noon = found.clock(datetime(2026, 1, 1, 12, tzinfo=UTC).timestamp())
    assert abs(noon.utcoffset() - timedelta(hours=found.longitude / 15)) < timedelta(hours=2.5)


@pytest.mark.parametrize(
    ("name", "hours"),
    [("+05:30", 5.5), ("-3", -3), ("UTC+2", 2), ("−09:30", -9.5), ("Asia/Tokyo", 9), ("UTC", 0)],
)
def test_zones_by_name_or_offset(name, hours):
    assert place("0", "0", 0.0, name).clock(0.0).utcoffset() == timedelta(hours=hours)


def test_a_zone_is_known_whatever_its_capitals():
    assert place("51.5", "0", 0.0, "europe/london").zone_name == "Europe/London"
    assert place("51.5", "0", 0.0, "utc").zone_name == "UTC"


@pytest.mark.parametrize("name", ["Mars/Olympus", "", "+25:00", "../../etc/passwd", "Europe", "\0"])
def test_unknown_zones(name):
    with pytest.raises(UsageError, match="no time zone"):
        place("47", "8", 0.0, name)


def test_a_place_is_remembered_and_forgotten(tmp_path):
    file = tmp_path / "new" / "place.json"
    spot = Spot("47°22'12\"N", "8.54", 410.0, None)
    remember(file, spot)
    assert recalled(file, None, None, None, None) == spot
    assert recalled(file, None, None, 500.0, "UTC") == Spot(spot.latitude, "8.54", 500.0, "UTC")
    assert recalled(file, "1", "2", None, None) == Spot("1", "2", 0.0, None)
    assert forget(file)
    assert not forget(file)
    with pytest.raises(UsageError, match="Where will you be"):
        recalled(file, None, None, None, None)


def test_half_a_place(tmp_path):
    with pytest.raises(UsageError, match="--lon is missing"):
        recalled(tmp_path / "none", "47", None, None, None)


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"latitude": 1}', "\0\0"])
def test_a_spoilt_memory_is_told(tmp_path, text):
    file = tmp_path / "place.json"
    file.write_text(text)
    with pytest.raises(InputError, match="cannot be read"):
        recalled(file, None, None, None, None)
