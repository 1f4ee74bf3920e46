"""Colours against colour-science and colour-hdri (DNG's chapter 6, as its makers' kit does it)."""

from __future__ import annotations

import numpy as np
import pytest
from colour_science import colour, colour_hdri
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples

from stackkit.errors import UsageError
from stackkit.picture.colour import camera, spaces
from stackkit.picture.colour.camera import CameraColour, camera_colour, sensible
from stackkit.picture.colour.develop import (
    CameraWhite,
    camera_white,
    colour_record,
    develop,
    development,
)
from stackkit.raw.headers.metadata import ColourProfile, Metadata

# The matrices of colour-hdri's documentation: those of a camera under standard light A and D65.
COOL = ((0.5309, -0.0229, -0.0336), (-0.6241, 1.3265, 0.3337), (-0.0817, 0.1215, 0.6664))
WARM = ((0.4716, 0.0603, -0.0830), (-0.7798, 1.5474, 0.2480), (-0.1496, 0.1937, 0.6651))
FORWARD_COOL = ((0.8924, -0.1041, 0.1760), (0.4351, 0.6621, -0.0972), (0.0505, -0.1562, 0.9308))
FORWARD_WARM = ((0.8452, -0.0572, 0.1763), (0.3926, 0.7021, -0.0947), (0.0408, -0.1210, 0.9053))
CALIBRATION = ((0.9603, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0367))
BALANCE = (1.05, 1.0, 0.97)
LIGHTS = 2856.0, 6504.0


def a_camera(forward=True, calibration=CALIBRATION, balance=BALANCE):
    profiles = zip((17, 21), (COOL, WARM), (FORWARD_COOL, FORWARD_WARM), strict=True)
    made = [
        ColourProfile(light, own, ahead if forward else None, calibration)
        for light, own, ahead in profiles
    ]
    return CameraColour(tuple(zip(LIGHTS, made, strict=True)), balance)


def theirs(calibration=CALIBRATION, balance=BALANCE):
    return *LIGHTS, np.array(COOL), np.array(WARM), *(np.array(calibration),) * 2, np.array(balance)


NEUTRALS = [(0.413, 1.0, 0.646), (0.6, 1.0, 0.5), (0.75, 1.0, 0.36), (0.38, 1.0, 0.75)]


@pytest.mark.parametrize("neutral", NEUTRALS)
def test_white_of_a_neutral(neutral):
    wanted = colour_hdri.camera_neutral_to_xy(neutral, *theirs())
    found = camera.white_of(a_camera(), np.array(neutral))
    np.testing.assert_allclose(found, wanted, atol=1e-7)
    np.testing.assert_allclose(camera.neutral_of(a_camera(), found), neutral, atol=1e-6)


@pytest.mark.parametrize("xy", [(0.3457, 0.3585), (0.31, 0.33), (0.40, 0.39), (0.44, 0.40)])
def test_xyz_to_camera(xy):
    wanted = colour_hdri.matrix_XYZ_to_camera_space(xy, *theirs())
    np.testing.assert_allclose(camera.xyz_to_camera(a_camera(), xy), wanted, rtol=1e-6)


@pytest.mark.parametrize("neutral", NEUTRALS)
@pytest.mark.parametrize("forward", [True, False])
def test_camera_to_xyz(neutral, forward):
    plain = np.eye(3), (1.0, 1.0, 1.0)
    own = a_camera(forward, None, plain[1])
    white = np.array(neutral)
    ahead = (FORWARD_COOL, FORWARD_WARM) if forward else (np.eye(3),) * 2
    wanted = colour_hdri.matrix_camera_space_to_XYZ(
        camera.white_of(own, white),
        *theirs(*plain),
        *map(np.array, ahead),
        chromatic_adaptation_transform="Bradford",
    )
    wanted = wanted * white  # of colours that white was divided out of
    wanted = wanted / wanted[1].sum()
    found = camera.balanced_to_connection(own, white)
    # White is D50 exactly; the forward matrices of the example miss it by some 1e-4.
    np.testing.assert_allclose(found.sum(axis=1), spaces.xyz(spaces.D50), rtol=1e-12)
    np.testing.assert_allclose(found, wanted, atol=1e-3)


@pytest.mark.parametrize(
    ("space", "name"),
    [
        (spaces.SRGB, "sRGB"),
        (spaces.REC2020, "ITU-R BT.2020"),
        (spaces.PROPHOTO, "ProPhoto RGB"),
    ],
)
def test_spaces(space, name):
    reference = colour.RGB_COLOURSPACES[name]
    np.testing.assert_allclose(space.primaries, reference.primaries, atol=1e-12)
    to_d50 = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(reference.whitepoint), colour.xy_to_XYZ(spaces.D50), transform="Bradford"
    )
    by_primaries = colour.normalised_primary_matrix(reference.primaries, reference.whitepoint)
    np.testing.assert_allclose(spaces.to_connection(space), to_d50 @ by_primaries, atol=5e-5)


def test_daylight_is_what_the_tables_say():
    for white, name in ((spaces.D50, "D50"), (spaces.D55, "D55"), (spaces.D65, "D65")):
        table = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]
        np.testing.assert_allclose(white, table, atol=1e-4)


@examples(60)
@given(x=st.floats(0.25, 0.5), above=st.floats(-0.03, 0.03))
def test_temperatures(x, above):
    y = -3.0 * x * x + 2.87 * x - 0.275 + above  # the daylight locus and beside it (CIE 15)
    uv = colour.UCS_to_uv(colour.XYZ_to_UCS(colour.xy_to_XYZ((x, y))))
    wanted, _ = colour.temperature.uv_to_CCT_Robertson1968(uv)
    assert spaces.temperature((x, y)) == pytest.approx(wanted, rel=1e-6)


@examples(60)
@given(
    neutral=st.tuples(*(st.floats(0.2, 1.0),) * 3),
    space=st.sampled_from(list(spaces.SPACES.values())),
    forward=st.booleans(),
)
def test_white_comes_out_white_in_every_space(neutral, space, forward):
    known = CameraWhite(a_camera(forward), neutral, None)
    how = development(known, "asshot", 1000.0, 950.0, space)
    light = develop(np.array(neutral, np.float32)[:, None, None] * 500, how)[:, 0, 0]
    np.testing.assert_allclose(light, light[1], rtol=2e-5)


def white(as_shot=(0.5, 1.0, 0.7), stars=(0.55, 1.0, 0.6), of=None):
    return CameraWhite(of or a_camera(), as_shot, stars)


@pytest.mark.parametrize(
    ("known", "asked", "neutral", "remark"),
    [
        (white(), "asshot", (0.5, 1.0, 0.7), ""),
        (white(), "stars", (0.55, 1.0, 0.6), ""),
        (white(), (2.0, 1.0, 1.25), (0.5, 1.0, 0.8), ""),
        (white(), (4.0, 2.0, 2.5), (0.5, 1.0, 0.8), ""),
        (white(as_shot=None), "asshot", (0.55, 1.0, 0.6), "does not say"),
        (white(stars=None), "stars", (0.5, 1.0, 0.7), "too few unclipped stars"),
        (white(of=CameraColour(())), "daylight", (0.5, 1.0, 0.7), "colours are not known"),
        (white(None, None, CameraColour(())), "asshot", (1.0, 1.0, 1.0), "left as the sensor"),
    ],
)
def test_which_white(known, asked, neutral, remark):
    how = development(known, asked, 1000.0, 950.0)
    np.testing.assert_allclose(how.neutral, neutral)
    assert remark in how.remark
    assert bool(how.remark) == bool(remark)
    assert (how.kelvin is None) == (not known.colour.known)


def test_daylight():
    how = development(white(), "daylight", 1000.0, 950.0)
    assert how.kelvin == pytest.approx(5503, abs=5)  # D55: CIE 15:2004


@pytest.mark.parametrize(
    "said",
    [(0.0, 1.0, 1.0), (np.nan, 1.0, 1.0), (1e-9, 1.0, 1.0), (np.inf, 1.0, 1.0), (1.0, 1.0), None],
)
def test_a_neutral_that_makes_no_sense_is_none(said):
    assert sensible(said) is None
    found = camera_white(a_camera(), said, None, (2.0, 1.0, 1.5), None)
    assert found.as_shot == pytest.approx((0.5, 1.0, 1 / 1.5))
    by_light = camera_white(a_camera(), said, (0.3457, 0.3585), None, None)
    np.testing.assert_allclose(
        by_light.as_shot, camera.neutral_of(a_camera(), spaces.D50), rtol=1e-9
    )


def test_without_matrices_the_colours_are_taken_for_srgb():
    known = white(of=CameraColour(()))
    how = development(known, "asshot", 1000.0, 950.0)
    np.testing.assert_allclose(how.matrix, np.eye(3), atol=1e-12)
    assert colour_record(how, "asshot", known)["assumed"]
    wide = development(known, "asshot", 1000.0, 950.0, spaces.REC2020)
    wanted = colour.matrix_RGB_to_RGB("sRGB", "ITU-R BT.2020", "Bradford")
    np.testing.assert_allclose(wide.matrix, wanted, atol=1e-3)


def test_which_matrices_a_file_has():
    unknown = ColourProfile(None, COOL, None)
    known = ColourProfile(21, WARM, None)
    first = ColourProfile(17, COOL, None)
    flat = ColourProfile(21, ((1, 1, 1), (2, 2, 2), (3, 3, 3)), None)
    for profiles, table, kelvins in (
        ((known, first), None, (2856, 6504)),
        ((unknown, known), None, (6504,)),
        ((unknown,), None, (0,)),
        ((flat,), None, ()),
        ((), COOL, (6504,)),
        ((known,), COOL, (6504,)),
        ((), None, ()),
    ):
        found = camera_colour(Metadata(colour_profiles=profiles), table)
        assert tuple(kelvin for kelvin, _ in found.calibrations) == kelvins


@pytest.mark.parametrize("spoilt", [((1, 2, 3),) * 3, ((1, 0, 0), (0, 0, 0), (0, 0, 0))])
def test_matrices_that_no_camera_has_are_left_out(spoilt):
    profile = ColourProfile(21, WARM, spoilt, spoilt)
    found = camera_colour(Metadata(colour_profiles=(profile,)), None)
    assert found.calibrations == ((6504.0, ColourProfile(21, WARM, None, None)),)
    assert np.isfinite(development(white(of=found), "asshot", 1000.0, 950.0).matrix).all()


def test_three_lights_are_taken_by_pairs():
    third = ColourProfile(20, FORWARD_COOL, None)
    profiles = (ColourProfile(17, COOL, None), third, ColourProfile(21, WARM, None))
    three = camera_colour(Metadata(colour_profiles=profiles), None)
    np.testing.assert_allclose(camera.xyz_to_camera(three, spaces.D55), FORWARD_COOL, rtol=2e-3)
    np.testing.assert_allclose(camera.xyz_to_camera(three, (0.4476, 0.4074)), COOL, rtol=1e-9)


def test_clipped_light_is_white_and_what_is_beside_it_is_not_purple():
    how = development(white(of=CameraColour(())), "asshot", 1000.0, 950.0, sky=10.0)
    native = np.full((3, 31, 31), 5.0, np.float32) * np.array([0.5, 1.0, 0.7])[:, None, None]
    native[:, 15, 15] = 1000
    native[:, 15, 17] = 300, 350, 420  # balanced: 600, 350, 600
    native[:, 15, 13] = 300, 420, 210  # an orange star's: 600, 420, 300
    native[:, 2, 2] = 300, 350, 420  # far away, as a nebula may be
    light = develop(native.astype(np.float32), how)
    np.testing.assert_allclose(light[:, 15, 15], 2.0, rtol=1e-5)
    np.testing.assert_allclose(light[:, 15, 17], 0.6, rtol=1e-5)
    np.testing.assert_allclose(light[:, 15, 13], (0.6, 0.424264, 0.3), rtol=1e-5)
    np.testing.assert_allclose(light[:, 2, 2], (0.6, 0.35, 0.6), rtol=1e-5)


def test_noise_beside_a_clipped_star_is_left_alone():
    how = development(white((1.0, 1.0, 1.0), of=CameraColour(())), "asshot", 1e3, 950.0, sky=40.0)
    native = np.random.default_rng(5).normal(40, 3, (3, 41, 41)).astype(np.float32)
    without = develop(native, how)
    native[:, 20, 20] = 1000
    light = develop(native, how)
    light[:, 20, 20] = without[:, 20, 20]
    np.testing.assert_allclose(light, without, rtol=1e-6)


def test_a_red_lamp_stays_red():
    how = development(white((0.5, 1.0, 0.7), of=CameraColour(())), "asshot", 1000.0, 950.0)
    native = np.array([1000.0, 200.0, 100.0], np.float32)[:, None, None]
    light = develop(np.broadcast_to(native, (3, 9, 9)), how)[:, 4, 4]
    assert light[0] == pytest.approx(2.0)
    assert light[1] < 0.6


def test_an_unknown_white():
    with pytest.raises(UsageError, match="asshot, daylight, stars"):
        development(white(), "tungsten", 1000.0, 950.0)


def test_an_unknown_space():
    with pytest.raises(UsageError, match="srgb, rec2020, prophoto"):
        spaces.space_named("cmyk")
