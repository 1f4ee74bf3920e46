"""What to set: cameras; trailing beside another projection and a simulated night; series."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from astropy import units
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from astropy.wcs import WCS
from command_line import one_frame
from hypothesis import given
from hypothesis import strategies as st

from stackkit.errors import InputError, UsageError
from stackkit.geometry.lens import Projection, project, unproject
from stackkit.noise.limits import READ_SHARE
from stackkit.plan.camera import CLASSES, Given, camera, described, field
from stackkit.plan.exposure import Aim, axes, limit, moved, nice, rules, trails
from stackkit.plan.like import Trial, iso_advice, trial
from stackkit.plan.series import series
from stackkit.simulate import Night
from stackkit.simulate.night import apply, camera_matrix, frame_lens, sky_matrix

PHONE = camera(described("phone"))
AIMS = [
    Aim(45.0, 180.0, 47.4), Aim(64.0, 261.0, 47.4), Aim(30.0, 0.0, 60.0), Aim(50.0, 130.0, -33.9),
    Aim(85.0, 10.0, 10.0), Aim(47.4, 0.0, 47.4),
]  # fmt: skip


def corners_and_middle(size):
    w, h = size
    return np.array([(0, 0), (w - 1, 0), (0, h - 1), (w - 1, h - 1), ((w - 1) / 2, (h - 1) / 2)])


def by_astropy(made, aim, xy, seconds):
    """Px that stars at ``xy`` trail: astropy's horizon frame and the gnomonic projection of WCS."""
    # Longitude is azimuth, which runs to the right in the picture; 180° apart from seam and zenith.
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [aim.azimuth, aim.altitude]
    wcs.wcs.crpix = [(side + 1) / 2 for side in made.size]
    scale = np.degrees(1 / made.focal_px)
    wcs.wcs.cdelt = [scale, -scale]
    here = EarthLocation(lat=aim.latitude * units.deg, lon=0 * units.deg)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        start = Time(datetime(2026, 3, 1, 22, tzinfo=UTC))
        azimuth, altitude = wcs.wcs_pix2world(xy, 0).T
        seen = AltAz(az=azimuth * units.deg, alt=altitude * units.deg, obstime=start, location=here)
        fixed = SkyCoord(seen).icrs
        path = []
        for share in np.linspace(0, 1, 7):
            frame = AltAz(obstime=start + share * seconds * units.s, location=here)
            then = fixed.transform_to(frame)
            path.append(wcs.wcs_world2pix(then.az.deg, then.alt.deg, 0))
    steps = np.diff(np.array(path), axis=0)
    return np.hypot(steps[:, 0], steps[:, 1]).sum(axis=0)


@pytest.mark.parametrize("aim", AIMS)
def test_the_limit_is_where_stars_trail_by_what_is_allowed(aim):
    """Within 2 % of astropy's sky through an independent projection, corners included."""
    bound = limit(PHONE, aim, 2.0)
    drawn = by_astropy(PHONE, aim, corners_and_middle(PHONE.size), bound.seconds)
    every = trails(PHONE, aim, bound.seconds)
    # The fastest star of the picture is in a corner or along an edge; it never trails by more.
    assert np.max(every) == pytest.approx(2.0, rel=0.005)
    assert drawn.max() < 2.0 * 1.02
    ours = [every[0, 0], every[0, -1], every[-1, 0], every[-1, -1], every[4, 4]]
    assert np.allclose(ours, drawn, rtol=0.02, atol=0.01)
    if bound.middle_seconds < 600:
        middle = by_astropy(PHONE, aim, corners_and_middle(PHONE.size)[4:], bound.middle_seconds)
        assert middle[0] == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize("spec", ["phone", "24mm f/2.8 36x24mm 6000x4000", "8mm f/4 fisheye aps-c"])
def test_the_limit_is_that_of_a_simulated_night(spec):
    """Stars of a simulated night through its own lens, moved by its own sky."""
    made = camera(described(spec))
    aim = Aim(40.0, 150.0, 47.0)
    bound = limit(made, aim, 2.0)
    night = Night(
        width=made.size[0],
        height=made.size[1],
        focal=made.focal_px,
        k1=0.0,
        k2=0.0,
        projection=made.projection,
        latitude=aim.latitude,
        altitude=aim.altitude,
        azimuth=aim.azimuth,
    )
    lens, (w, h) = frame_lens(night), made.size
    grid = np.meshgrid(np.linspace(3, w - 4, 30), np.linspace(3, h - 4, 30))
    sky = unproject(lens, np.stack(grid, axis=-1).reshape(-1, 2)) @ camera_matrix(night, 0)

    def seen(seconds):
        return project(lens, apply(camera_matrix(night, 0), apply(sky_matrix(night, seconds), sky)))

    drawn = np.hypot(*(seen(bound.seconds / 2) - seen(-bound.seconds / 2)).T)
    assert drawn.max() == pytest.approx(2.0, rel=0.02)


def test_small_fields_follow_the_formula():
    """trail = t · 15.041″/s · cos δ · f / (206265 p): trigonometry."""
    tele = camera(described("200mm f/4 3.75um 1000x800"))
    for aim in (Aim(42.6, 180.0, 47.4), Aim(80.0, 180.0, 47.4), Aim(30.0, 90.0, 20.0)):
        cosine = np.cos(np.radians(aim.declination))
        expected = 10 * 15.041 * cosine * 200e3 / (206265 * 3.75)
        assert trails(tele, aim, 10.0)[4, 4] == pytest.approx(expected, rel=1e-3)


def test_at_the_pole_the_middle_stands_still():
    aim = Aim(47.4, 0.0, 47.4)
    assert aim.declination == pytest.approx(90)
    bound = limit(PHONE, aim)
    assert bound.rates[1] == pytest.approx(0, abs=1e-9)
    assert bound.middle_seconds > 1e4
    assert 5 < bound.seconds < 100


def test_rules_of_thumb():
    """REFERENCES: the published worked example, f 200 mm, f/4, 3.75 µm, δ 0: 0.70 s and 1.26 s."""
    tele = camera(described("200mm f/4 3.75um 6000x4000"))
    (_, _, plain), (_, _, simple), (_, _, full) = rules(tele, 0.0)
    assert full == pytest.approx(0.70, abs=0.006)
    assert simple == pytest.approx(1.26, abs=0.005)
    # Common practice: 500 over the focal length on 36 × 24 mm.
    assert plain == pytest.approx(500 / tele.focal_35mm)
    (_, _, wide), *_ = rules(camera(described("24mm f/2.8 36x24mm 6000x4000")), 0.0)
    assert wide == pytest.approx(500 / 24, rel=1e-3)


def test_what_each_rule_draws_is_told():
    bound = limit(PHONE, AIMS[0])
    for rule in bound.rules:
        drawn = by_astropy(PHONE, AIMS[0], corners_and_middle(PHONE.size), rule.seconds)
        assert rule.middle_px == pytest.approx(drawn[4], rel=0.02)
        assert rule.fastest_px == pytest.approx(drawn.max(), rel=0.02)


@given(st.floats(0.01, 1e4))
def test_an_exposure_is_one_that_cameras_have_and_never_longer(seconds):
    chosen = nice(seconds)
    assert chosen <= seconds * 1.001
    assert chosen >= 0.6 * min(seconds, 30)


def test_the_camera_of_a_usual_phone():
    assert PHONE.focal_35mm == pytest.approx(25)
    # 36 mm behind 24 mm: 73.7° across (trigonometry).
    across, down = field(camera(described("24mm f/2.8 36x24mm 6000x4000")))
    assert (across, down) == pytest.approx((73.74, 53.13), abs=0.01)
    for name in CLASSES:
        assert camera(described(name)).focal_px > 1000


@pytest.mark.parametrize(
    "text",
    [
        "24mm f/2.8 36x24mm 6000x4000", "6000x4000, 36x24mm, f2.8, 24 mm", "full-frame",
        "24MM F/2.8 6000x4000px 6um", "6um 36x24mm f/2.8 24mm", "36x24mm 6um 24mm f/2.8",
        "36×24mm 6000×4000 24mm f/2.8 rectilinear",
        "24mm-eq f/2.8 36x24mm 6000x4000",
    ],
)  # fmt: skip
def test_words_in_any_order_say_the_same_camera(text):
    made = camera(described(text))
    assert made.size == (6000, 4000)
    assert made.focal_px == pytest.approx(4000, rel=0.001)
    assert made.f_number == 2.8


def test_a_word_after_a_class_changes_it():
    made = camera(described("aps-c 50mm f/1.8"))
    assert (made.focal_mm, made.f_number, made.size) == (50, 1.8, (6000, 4000))
    assert described("8mm fisheye").projection is Projection.EQUISOLID


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("50mm", ["size in pixels", "sensor's size", "f-number"]),
        ("50mm 6000x4000 f/2", ["sensor's size"]),
        ("6000x4000 36x24mm f/2", ["focal length"]),
        ("50mm 36x24mm 6000x4000", ["f-number"]),
    ],
)
def test_what_is_missing_is_asked_for(text, missing):
    with pytest.raises(UsageError) as told:
        camera(described(text))
    for words in missing:
        assert words in str(told.value)
    assert str(told.value).count(";") == len(missing) - 1


@pytest.mark.parametrize(
    "text", ["pinhole", "24", "f/0.1 full-frame", "0.1um full-frame", "0mm phone"]
)
def test_no_camera_has_that(text):
    with pytest.raises(UsageError):
        camera(described(text))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        # 36 mm over 6000 pixels are 6 µm.
        ("50mm f/2 36x24mm 3.9um 6000x4000", "makes 6 µm between pixels, not 3.9"),
        ("3.9um 6000x4000 50mm f/2 36x24mm", "makes 6 µm between pixels, not 3.9"),
        ("phone 50mm", "did you mean 50mm-eq"),
        # On 36 × 24 mm a focal length is its own equivalent.
        ("24mm 50mm-eq f/2 36x24mm 6000x4000", "24 mm on 36x24 mm of sensor is 24mm-eq, not 50"),
        ("24mm f/2 36x24mm 6000x4000 50mm", "'50mm' says something that was said differently"),
        ("50mm phone-ultrawide", "did you mean 50mm-eq"),
    ],
)
def test_what_contradicts_itself_is_not_taken(text, words):
    with pytest.raises(UsageError, match=words):
        camera(described(text))


def test_both_focal_lengths_tell_the_size_of_the_sensor():
    made = camera(described("6mm 26mm-eq f/1.8 4000x3000"))
    diagonal = np.hypot(4000, 3000) * made.pitch / 1000
    assert diagonal == pytest.approx(6 / 26 * np.hypot(36, 24), 1e-3)


@pytest.mark.parametrize("text", ["full-frame 3.9um", "3.9um full-frame"])
def test_a_figure_counts_more_than_a_class_before_or_after_it(text):
    assert camera(described(text)).pitch == 3.9


def test_a_frame_is_not_overruled_by_what_is_usual():
    frame = Given(focal_mm=4.7, focal_35mm=23.0, f_number=1.6, pixels=(4000.0, 3000.0))
    made = camera(described("phone", frame))
    assert made.focal_mm == 4.7
    assert made.focal_35mm == pytest.approx(23)
    assert made.f_number == 1.6
    assert camera(described("phone", Given(pixels=(8000.0, 6000.0)))).size == (8000, 6000)


@pytest.mark.parametrize("aim", AIMS)
def test_what_all_frames_share(aim):
    """By brute force: places of the middle frame that are in both the first and the last."""
    row = series(PHONE, aim, 8.0, 8.0, None)
    assert (row.frames, row.cadence) == (60, 9.5)
    assert row.seconds == pytest.approx(59 * 9.5 + 8)
    rng = np.random.default_rng(3)
    xy = rng.uniform(-0.5, np.array(PHONE.size) - 0.5, (20_000, 2))
    ends = moved(PHONE, aim, xy, np.array([-row.seconds / 2, row.seconds / 2]))
    inside = np.all((ends > -0.5) & (ends < np.array(PHONE.size) - 0.5), axis=(0, 2))
    assert row.shared == pytest.approx(inside.mean(), abs=0.03)
    middle = corners_and_middle(PHONE.size)[4:]
    path = moved(PHONE, aim, middle, np.array([-row.seconds / 2, row.seconds / 2]))
    assert np.allclose(path[1] - path[0], row.drift, atol=2)


def test_stars_move_right_in_the_south_and_left_in_the_north():
    """As everybody sees: facing south they go west, to the right; below the pole they go right."""
    south = series(PHONE, Aim(40.0, 180.0, 47.0), 8.0, 8.0, None)
    assert south.drift[0] > 50
    above_pole = series(PHONE, Aim(75.0, 0.0, 47.0), 8.0, 8.0, None)
    assert above_pole.drift[0] < -20
    # South of the equator the Sun's path is in the north, and stars there go left.
    assert series(PHONE, Aim(40.0, 0.0, -34.0), 8.0, 8.0, None).drift[0] < -50


def test_room_on_the_card_and_the_lower_edge():
    row = series(PHONE, Aim(20.0, 180.0, 47.0), 10.0, 10.0, 15e6)
    assert row.bytes == 60 * 15e6
    assert row.bottom == pytest.approx(20 - field(PHONE)[1] / 2, abs=0.1)
    assert series(PHONE, AIMS[0], 10.0, 10.0, None).bytes == 60 * 2 * 4000 * 3000
    assert series(PHONE, AIMS[0], 600.0, 10.0, None).frames == 3


def test_axes_are_those_of_a_level_camera():
    right, down, ahead = axes(Aim(30.0, 90.0, 47.0))
    assert right == pytest.approx([0, -1, 0])
    assert ahead == pytest.approx([np.cos(np.radians(30)), 0, 0.5])
    assert down[2] < 0


def test_a_test_frame_tells_the_camera_and_its_noise(tmp_path):
    night = Night(seed=21, frames=1, width=480, height=360, focal=324.0, faintest=9.0)
    frame = trial(one_frame(tmp_path / "test.dng", night))
    made = camera(frame.given)
    assert made.focal_px == pytest.approx(324, rel=0.02)
    # What the simulation put in: 6 e⁻/s of sky times 8 s, green, thinned by the lens's shading
    # and lifted by the Milky Way; 2.2 e⁻ of reading.
    assert frame.sky_e == pytest.approx(48, rel=0.4)
    assert frame.read_e == pytest.approx(2.2, rel=0.35)
    assert (frame.iso, frame.exposure, frame.remark) == (3200, 8.0, "")
    told = iso_advice(frame, 8.0)
    assert told.share == pytest.approx(np.sqrt(1 + frame.read_e**2 / frame.sky_e))


def known(sky, read, iso=1600):
    return Trial("a.dng", Given(), 10.0, iso, sky, read, 1.0, "")


def test_iso_advice_follows_the_noise():
    """Three parts of sky to one of reading, in variance (common practice), is 15 % of noise."""
    assert np.sqrt(1 + 1 / 3) == pytest.approx(READ_SHARE, abs=0.006)
    plenty = iso_advice(known(300.0, 2.0), 10.0)
    assert plenty.lowest_iso == 400
    # In electrons reading at a quarter of the ISO is at most four times as much.
    assert np.sqrt(1 + (2.0 * 4) ** 2 / 300.0) < READ_SHARE < np.sqrt(1 + (2.0 * 8) ** 2 / 300.0)
    scarce = iso_advice(known(3.0, 3.0), 10.0)
    assert scarce.lowest_iso is None
    assert "higher ISO may help" in scarce.words
    assert iso_advice(known(30.0, 3.0), 1.0).sky_e == pytest.approx(3.0)
    assert iso_advice(known(None, None), 10.0) is None


def test_frames_that_cannot_tell(tmp_path, write_dng):
    (tmp_path / "note.txt").write_text("no picture")
    with pytest.raises(InputError, match=r"note\.txt"):
        trial(tmp_path / "note.txt")
    with pytest.raises(InputError):
        trial(tmp_path / "absent.dng")
    codes = np.random.default_rng(1).normal(300, 9, (240, 320)).astype(np.uint16)
    given = trial(write_dng(tmp_path / "bare.dng", codes)).given
    assert (given.focal_mm, given.f_number) == (None, None)
    with pytest.raises(UsageError, match="focal length"):
        camera(described("", given))
    assert camera(described("24mm f/1.8 1.4um", given)).size == (320, 240)
