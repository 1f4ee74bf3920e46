"""Sun, Moon and events against skyfield, almanacs and handbooks."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import erfa
import independent_sky
import numpy as np
import pytest
from independent_sky import KINDS, cases

from stackkit.plan.ranking import next_dark
from stackkit.plan.sky import ephemeris as eph
from stackkit.plan.sky.events import below, common, hours, joined, longest, nodes, outside
from stackkit.plan.sky.moonlight import magnitudes, moonlit_nanolamberts, nanolamberts
from stackkit.plan.sky.night import evening_of, nights, solar_noon
from stackkit.plan.sky.places import Place, place


def at(*when):
    return np.array([datetime(*when, tzinfo=UTC).timestamp()])


def check_night(place, evening):
    """All events of a night within a minute of the other engine's, and none missing.

    An event is within a minute if the other engine's altitude passes the threshold between a minute
    before and a minute after.  Between events both must agree on above or below.  Returns the
    number of events.
    """
    night = nights(place, evening, 1)[0]
    spans = {**night.under, "moon": outside(night.moon_up, night.whole)}
    grid = np.arange(night.whole[0], night.whole[1], 300.0)
    count = 0
    for kind in KINDS:
        ends = [e for span in spans[kind] for e in span if e not in night.whole]
        for event in ends:
            before, after = independent_sky.over(place, [event - 60, event + 60], kind)
            assert before * after < 0, (place, evening, kind, before, after)
        under = np.array([any(a <= m <= b for a, b in spans[kind]) for m in grid])
        far = np.array([all(abs(m - e) > 60 for e in ends) for m in grid])
        seen = independent_sky.over(place, grid, kind) < 0
        assert np.array_equal(under[far], seen[far]), (place, evening, kind)
        count += len(ends)
    return count


def check_positions(place, evening):
    """Altitude within 0.1°, and the Moon's lit share within 0.5 %, through a night."""
    moments = nights(place, evening, 1)[0].whole[0] + np.arange(0, 86400, 7200.0)
    for name, body in (("sun", eph.sun(place, moments)), ("moon", eph.moon(place, moments))):
        altitude, _, distance = independent_sky.altitudes(place, moments, name)
        assert np.abs(eph.altitude(body.direction) - altitude).max() < 0.1
        assert np.abs(body.distance / distance - 1).max() < 3e-4
    assert np.abs(eph.moonlight(moments).lit - independent_sky.lit(moments)).max() < 0.005


@pytest.mark.parametrize(
    ("seed", "count", "high"), [(11, 8, 2), pytest.param(2026, 180, 8, marks=pytest.mark.slow)]
)
def test_events_and_positions_are_those_of_an_independent_engine(seed, count, high):
    """Of many more nights: ``python -m tests.benchmarks.planning --cases 500``."""
    events = 0
    for where, evening in cases(seed, count, high):
        events += check_night(where, evening)
        check_positions(where, evening)
    assert events > 100 / 15 * count


def test_the_moon_has_no_gap_where_it_passes_the_zenith():
    # Altitudes have a kink there; nights that were a minute off before sines were taken.
    for latitude, longitude, evening in (
        (-7.354, -66.845, date(2033, 8, 10)),
        (3.09, 8.22, date(2030, 9, 12)),
        (-20.105, 104.421, date(2029, 7, 23)),
    ):
        check_night(Place(latitude, longitude, 0.0, UTC, "UTC"), evening)


def test_sidereal_time():
    """Meeus, Astronomical Algorithms, example 12.a: mean 13h 10m 46.3668s (46.3701 s IAU 2006)."""
    moment = at(1987, 4, 10)
    greenwich = Place(51.5, 0.0, 0.0, UTC, "UTC")
    apparent = eph.sidereal_time(greenwich, moment[0])
    mean = apparent - float(erfa.ee00b(2446895.5, 0.0))
    assert np.degrees(mean) / 15 * 3600 == pytest.approx(13 * 3600 + 10 * 60 + 46.3701, abs=0.003)


def test_the_moons_lit_share():
    """Meeus, example 48.a: 0.6786 at 1992 April 12.0 TT; 58.2 s ahead of UTC then."""
    light = eph.moonlight(at(1992, 4, 12) - 58.184)
    assert light.lit[0] == pytest.approx(0.6786, abs=0.0005)
    assert light.waxing[0]


#: United States Naval Observatory, Earth's Seasons, UTC to the minute (from memory).
SEASONS = {
    "equinox": [(2024, 3, 20, 3, 6), (2024, 9, 22, 12, 44), (2025, 3, 20, 9, 1)],
    "solstice": [(2024, 6, 20, 20, 51), (2024, 12, 21, 9, 20), (2025, 6, 21, 2, 42)],
}
#: The same, Moon Phases, UTC to the minute (from memory).
NEW = [(2024, 4, 8, 18, 21), (2025, 1, 29, 12, 36), (2025, 3, 29, 10, 58), (2026, 8, 12, 17, 37)]
FULL = [(2024, 4, 23, 23, 49), (2025, 1, 13, 22, 27), (2025, 3, 14, 6, 55), (2026, 1, 3, 10, 3)]


def declination(moments):
    """The Sun's, seen from the pole, where altitude is declination but for 8.8″ of parallax."""
    pole = Place(90.0, 0.0, 0.0, UTC, "UTC")
    return eph.altitude(eph.sun(pole, moments).direction) + 8.794 / 3600


@pytest.mark.parametrize("when", SEASONS["equinox"])
def test_equinoxes(when):
    before, after = declination(np.concatenate([at(*when) - 120, at(*when) + 120]))
    assert before * after < 0


@pytest.mark.parametrize("when", SEASONS["solstice"])
def test_solstices(when):
    # So near its extreme, declination tells the time to minutes only by its symmetry.
    around = np.abs(declination(at(*when) + np.array([-5 * 86400.0, 0, 5 * 86400.0])))
    assert around[1] > around[0]
    assert around[1] > around[2]
    assert around[0] == pytest.approx(around[2], abs=0.004)
    assert around[1] == pytest.approx(23.436, abs=0.003)


@pytest.mark.parametrize("when", NEW)
def test_new_moons(when):
    before, after = eph.moonlight(np.concatenate([at(*when) - 120, at(*when) + 120])).waxing
    assert (before, after) == (False, True)
    assert eph.moonlight(at(*when)).lit[0] < 0.003


@pytest.mark.parametrize("when", FULL)
def test_full_moons(when):
    before, after = eph.moonlight(np.concatenate([at(*when) - 120, at(*when) + 120])).waxing
    assert (before, after) == (True, False)
    assert eph.moonlight(at(*when)).lit[0] > 0.997


def test_moonlit_sky():
    """Krisciunas & Schaefer 1991, as worked in the documentation of the package specsim."""
    # Its phase 0.25 runs from 0 (full) to 1 (new): Sun, Moon and Earth at 45°.
    light = moonlit_nanolamberts(0.25 * 180, 50.0, 70.0, 20.0, 0.15)
    assert magnitudes(light) == pytest.approx(19.855, abs=0.0006)
    assert nanolamberts(magnitudes(79.0)) == pytest.approx(79.0)
    # The paper's dark sky over Mauna Kea, 79.0 nanolamberts, is 21.587 mag/arcsec².
    assert magnitudes(79.0) == pytest.approx(21.587, abs=0.002)
    assert moonlit_nanolamberts(0.0, 50.0, 95.0, 20.0, 0.15) == 0


def test_midnight_sun_and_polar_night():
    tromso = place("69.65 N", "18.96 E")
    (summer,) = nights(tromso, date(2026, 6, 21), 1)
    assert summer.under["sun"] == []
    assert summer.best is None
    assert summer.lowest == pytest.approx(69.65 + 23.44 - 90, abs=0.05)
    (winter,) = nights(tromso, date(2026, 12, 21), 1)
    assert winter.under["sun"] == [winter.whole]
    assert hours(winter.under["astronomical"]) > 12


def test_the_lowest_sun_of_midsummer():
    (night,) = nights(place("55 N", "0 E"), date(2026, 6, 21), 1)
    assert night.lowest == pytest.approx(-(90 - 55 - 23.44), abs=0.02)
    assert night.best is None
    assert next_dark(place("55 N", "0 E"), date(2026, 6, 21)) > date(2026, 7, 20)


def test_it_is_dark_all_day_at_the_pole():
    (night,) = nights(Place(90.0, 0.0, 0.0, UTC, "UTC"), date(2026, 12, 21), 1)
    assert night.under["astronomical"] == [night.whole]


def test_a_night_is_named_by_its_evening_on_both_sides_of_the_date_line():
    for latitude, longitude in (("1.87", "-157.4"), ("-18.1", "178.4"), ("21.3", "-157.9")):
        here = place(latitude, longitude)
        (night,) = nights(here, date(2026, 5, 4), 1)
        (down,) = night.under["sun"]
        assert here.clock(down[0]).date() == date(2026, 5, 4)
        assert here.clock(down[1]).date() == date(2026, 5, 5)
        assert 17 <= here.clock(down[0]).hour <= 19
        assert evening_of(here, down[0] + 7 * 3600) == date(2026, 5, 4)


def test_after_midnight_it_is_still_the_evenings_night():
    zurich = place("47.37", "8.54")
    one = datetime(2026, 11, 27, 1, tzinfo=zurich.zone).timestamp()
    assert evening_of(zurich, one) == date(2026, 11, 26)
    assert evening_of(zurich, one + 15 * 3600) == date(2026, 11, 27)
    assert solar_noon(zurich, date(2026, 11, 27)) - one == pytest.approx(11.43 * 3600, abs=60)


def test_clocks_that_change_in_the_middle_of_the_night():
    zurich = place("47.37", "8.54")
    (night,) = nights(zurich, date(2026, 10, 24), 1)
    (down,) = night.under["sun"]
    sunset, sunrise = zurich.clock(down[0]), zurich.clock(down[1])
    assert (sunset.utcoffset(), sunrise.utcoffset()) == (timedelta(hours=2), timedelta(hours=1))
    assert (down[1] - down[0]) / 3600 == pytest.approx(13.6, abs=0.1)
    assert sunrise.hour == 6


def test_seasons_of_the_south():
    june, december = (
        hours(nights(place("-33.9", "151.2"), date(2026, month, 21), 1)[0].under["sun"])
        for month in (6, 12)
    )
    assert june > 13.9
    assert december < 9.8


def test_spans():
    whole = (0.0, 86400.0)
    spans = below(np.cos(nodes(whole) / 86400 * 4 * np.pi) + 0.5, whole)
    third = 86400 / 6
    expected = [(third, 2 * third), (4 * third, 5 * third)]
    assert np.allclose(spans, expected, atol=1e-5)
    assert outside(spans, whole)[0] == (0.0, spans[0][0])
    assert hours(common(spans, [(0.0, 43200.0)])) == pytest.approx(4)
    assert joined([(3, 4), (1, 2), (2, 3.5)]) == [(1, 4)]
    assert longest([]) is None


@pytest.mark.parametrize("depth", [1e-9, -1e-9])
def test_a_grazing_crossing_is_told_to_the_last_digits(depth):
    whole = (0.0, 86400.0)
    spans = below(1 - np.cos((nodes(whole) / 86400 - 0.4) * 2 * np.pi) - depth, whole)
    assert bool(spans) == (depth > 0)
