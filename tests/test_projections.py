"""The lens against other people's arithmetic: OpenCV, WCSLIB, and the laws a lens must keep."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from astropy.modeling import projections as wcs
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples
from scipy.spatial.transform import Rotation

from stackkit.geometry.lens import REFRACTION, Lens, Projection, project, reaching, unproject
from stackkit.geometry.mapping import Mapping

SIZE = (2000, 1500)
CRITERIA = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 300, 1e-15)
FISHEYES = [p for p in Projection if p != Projection.RECTILINEAR]
#: Radius over focal length at an angle: Kannala & Brandt 2006, equations 1 to 5 (without 5).
RADIUS = {
    Projection.RECTILINEAR: np.tan,
    Projection.STEREOGRAPHIC: lambda t: 2 * np.tan(t / 2),
    Projection.EQUIDISTANT: lambda t: t,
    Projection.EQUISOLID: lambda t: 2 * np.sin(t / 2),
}
#: The widest angle, degrees, from the axis to a corner: the margin outside still lies before 180°.
WIDEST = {
    Projection.RECTILINEAR: 68.0,
    Projection.STEREOGRAPHIC: 100.0,
    Projection.EQUIDISTANT: 100.0,
    Projection.EQUISOLID: 65.0,
}


def grid(margin=0.0, points=(25, 19)):
    """Places (N, 2) over the picture and ``margin`` of its size around it."""
    x, y = (
        np.linspace(-margin * side, side - 1 + margin * side, n)
        for side, n in zip(SIZE, points, strict=True)
    )
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def rays(polar, azimuth):
    """Directions (..., 3) at angles from the axis and about it."""
    sine = np.sin(polar)
    return np.stack([sine * np.cos(azimuth), sine * np.sin(azimuth), np.cos(polar)], axis=-1)


def camera(lens):
    return np.array([[lens.f, 0, lens.cx], [0, lens.f, lens.cy], [0, 0, 1.0]])


@st.composite
def lenses(draw, families=tuple(Projection)):
    """Lenses of all kinds that fill the picture: bending up to a fifth at the corners, or air."""
    family = draw(st.sampled_from(families))
    corner = np.radians(draw(st.floats(8.0, WIDEST[family])))
    radius = float(RADIUS[family](corner))
    bend = [
        draw(st.floats(-0.12, 0.08)),
        draw(st.floats(-0.03, 0.05)),
        draw(st.floats(-0.01, 0.02)),
    ]
    off = [draw(st.floats(-8e-4, 8e-4)) / radius for _ in range(2)]
    centre = [draw(st.floats(0.48, 0.52)) * side for side in SIZE]
    f = np.hypot(*SIZE) / 2 / radius / (1 + sum(bend))
    k = [b / radius ** (2 * n + 2) for n, b in enumerate(bend)]
    up = Rotation.from_rotvec([draw(st.floats(-3.0, 3.0)) for _ in range(3)]).apply(
        [0.0, -1.0, 0.0]
    )
    air = draw(st.sampled_from([0.0, REFRACTION]))
    lens = Lens(f, *centre, *k, *off, air=air, zenith=tuple(up.tolist()), projection=family)
    return reaching(lens, *SIZE)


turns = st.tuples(*[st.floats(-0.06, 0.06)] * 3)


@pytest.mark.parametrize(
    ("family", "theirs"),
    [
        (Projection.RECTILINEAR, wcs.Sky2Pix_Gnomonic),
        (Projection.STEREOGRAPHIC, wcs.Sky2Pix_Stereographic),
        (Projection.EQUIDISTANT, wcs.Sky2Pix_ZenithalEquidistant),
        (Projection.EQUISOLID, wcs.Sky2Pix_ZenithalEqualArea),
    ],
)
def test_the_four_projections_are_the_zenithal_ones_of_wcslib(family, theirs):
    """Calabretta & Greisen 2002, section 5.1 (TAN, STG, ARC, ZEA), as astropy calls WCSLIB.

    θ there is counted from the rim: 90° less the angle from the axis; x = R sin φ, y = -R cos φ.
    """
    widest = 85.0 if family == Projection.RECTILINEAR else 170.0
    polar, phi = np.meshgrid(np.linspace(0.0, widest, 35), np.linspace(-175.0, 175.0, 23))
    x, y = theirs()(phi, 90.0 - polar)
    lens = Lens(700.0, 999.5, 749.5, projection=family)
    seen = project(lens, rays(np.radians(polar), np.radians(phi - 90)))
    expected = 700.0 * np.radians(np.stack([x, y], axis=-1)) + [999.5, 749.5]
    np.testing.assert_allclose(seen, expected, rtol=1e-12, atol=1e-8)


@pytest.mark.parametrize("family", Projection)
def test_radius_and_scale_are_the_textbook_s(family):
    """Kannala & Brandt 2006, section 2; and what each is known for (handbook, from memory):
    the stereographic keeps shapes, the equisolid areas, the equidistant angles from the axis.
    """
    polar = np.linspace(0.05, 1.3, 26)
    lens = Lens(500.0, 0.0, 0.0, projection=family)
    radius = project(lens, rays(polar, 0 * polar))[:, 0] / lens.f
    np.testing.assert_allclose(radius, RADIUS[family](polar), rtol=1e-13)
    farther, nearer = (project(lens, rays(polar + step, 0 * polar))[:, 0] for step in (1e-4, -1e-4))
    outwards = (farther - nearer) / (2e-4 * lens.f)
    across = radius / np.sin(polar)
    kept = {
        Projection.RECTILINEAR: outwards * np.cos(polar) ** 2,
        Projection.STEREOGRAPHIC: outwards / across,
        Projection.EQUIDISTANT: outwards,
        Projection.EQUISOLID: outwards * across,
    }
    np.testing.assert_allclose(kept[family], 1.0, rtol=1e-6)


FISHEYE = reaching(
    Lens(870.0, 1004.0, 741.0, -0.03, 0.006, -0.001, projection=Projection.EQUIDISTANT), *SIZE
)


def test_an_equidistant_lens_is_opencv_s_fisheye():
    """θ_d = θ (1 + k1 θ² + k2 θ⁴ + k3 θ⁶): Kannala & Brandt 2006, as OpenCV has it."""
    bend = np.array([FISHEYE.k1, FISHEYE.k2, FISHEYE.k3, 0.0])
    directions = unproject(FISHEYE, grid())
    # Up to 88 degrees from the axis; OpenCV's sees no farther than 90.
    assert 0.0 < directions[:, 2].min() < 0.05
    seen = cv2.fisheye.projectPoints(
        directions[:, None], np.zeros(3), np.zeros(3), camera(FISHEYE), bend
    )[0][:, 0]
    np.testing.assert_allclose(project(FISHEYE, directions), seen, atol=1e-8)


def test_undoing_a_fisheye_is_opencv_s_too():
    bend = np.array([FISHEYE.k1, FISHEYE.k2, FISHEYE.k3, 0.0])
    places = grid()
    flat = cv2.fisheye.undistortPoints(places[:, None], camera(FISHEYE), bend, criteria=CRITERIA)[
        :, 0
    ]
    theirs = np.column_stack([flat, np.ones(len(flat))])
    theirs /= np.linalg.norm(theirs, axis=1, keepdims=True)
    np.testing.assert_allclose(unproject(FISHEYE, places), theirs, atol=1e-9)
    back = cv2.fisheye.distortPoints(flat[:, None], camera(FISHEYE), bend)[:, 0]
    np.testing.assert_allclose(project(FISHEYE, theirs), back, atol=1e-8)


@pytest.mark.parametrize(
    "bend",
    [
        (-0.06, 0.02, 0.0, 0.0, 0.0),
        (-0.2, 0.05, 6e-4, -4e-4, -0.004),
        (0.08, -0.01, -5e-4, 3e-4, 0),
    ],
    ids=["phone", "barrel", "cushion"],
)
def test_undoing_a_rectilinear_lens_is_opencv_s(bend):
    """cv2.undistortPoints, whose coefficients stand in the order k1, k2, p1, p2, k3."""
    k1, k2, p1, p2, k3 = bend
    lens = reaching(Lens(1350.0, 1007.0, 744.0, k1, k2, k3, p1, p2), *SIZE)
    places = grid()
    theirs = cv2.undistortPoints(places[:, None], camera(lens), np.array(bend), criteria=CRITERIA)
    ours = unproject(lens, places)
    np.testing.assert_allclose(ours[:, :2] / ours[:, 2:], theirs[:, 0], atol=1e-10)


@examples(60)
@given(lenses())
def test_pixel_to_direction_and_back_is_the_same_pixel(lens):
    """To a millionth of a pixel, in the picture and a tenth of its size around it."""
    places = grid(0.1)
    directions = unproject(lens, places)
    assert np.abs(np.linalg.norm(directions, axis=1) - 1).max() < 1e-12
    assert np.abs(project(lens, directions) - places).max() < 1e-6


@examples(60)
@given(lenses())
def test_direction_to_pixel_and_back_is_the_same_direction(lens):
    directions = unproject(replace(lens, air=0.0), grid())
    again = unproject(lens, project(lens, directions))
    assert np.abs(again - directions).max() < 1e-9


@examples(60)
@given(lenses())
def test_farther_out_is_farther_from_the_axis_up_to_the_edge_and_beyond(lens):
    """Along every spoke, up to a tenth outside the corners, and no place is seen mirrored."""
    reach = np.linspace(0.0, 1.1 * np.hypot(*SIZE) / 2, 80)
    for azimuth in np.linspace(0.0, 2 * np.pi, 12, endpoint=False):
        spoke = np.array([lens.cx, lens.cy]) + reach[:, None] * [np.cos(azimuth), np.sin(azimuth)]
        z = unproject(replace(lens, air=0.0), spoke)[:, 2]
        assert (np.diff(z) < 0).all()
    places = grid(0.1)
    right, down = (
        unproject(lens, places + step) - unproject(lens, places - step)
        for step in ([0.01, 0.0], [0.0, 0.01])
    )
    here = unproject(lens, places)
    assert (np.einsum("ni,ni->n", np.cross(right, down), here) > 0).all()


@pytest.mark.parametrize("family", Projection)
def test_a_polynomial_that_turns_back_in_the_picture_is_not_followed_there(family):
    """r' = r - 0.3 r³ has its top at r = 1.05, and a corner of the margin wants r' = 0.84."""
    f = np.hypot(*SIZE) / 2 / 0.7
    lens = reaching(Lens(f, 999.5, 749.5, -0.3, projection=family), *SIZE)
    assert 0.8 < lens.r_max < 1.0
    places = grid(0.1)
    assert np.abs(project(lens, unproject(lens, places)) - places).max() < 1e-6
    polar = np.linspace(0.0, 1.4, 200)
    assert (np.diff(project(lens, rays(polar, 0 * polar))[:, 0]) > 0).all()


@examples(40)
@given(lenses(), lenses(), turns)
def test_mappings_between_two_lenses_are_inverse(reference, frame, turn):
    """Another focal length, family, bending, and another zenith: the frame was held upright."""
    mapping = Mapping(reference, frame, Rotation.from_rotvec(turn).as_matrix())
    there = mapping.from_reference(grid(points=(15, 11)))
    inside = ((there >= 0) & (there < SIZE)).all(axis=1)
    back = mapping.to_reference(there[inside])
    assert inside.sum() >= 1
    assert np.abs(back - grid(points=(15, 11))[inside]).max() < 1e-6


def test_a_mapping_goes_through_both_airs():
    """What the reference's air lifts, another camera's with another zenith lifts elsewhere."""
    up = np.array([0.0, -0.8, 0.6])
    turn = Rotation.from_euler("zx", [90.0, 3.0], degrees=True)
    lens = reaching(Lens(1350.0, 999.5, 749.5, air=REFRACTION, zenith=tuple(up)), *SIZE)
    turned = replace(lens, zenith=tuple(turn.apply(up)))
    mapping = Mapping(lens, turned, turn.as_matrix())
    airless = Mapping(replace(lens, air=0.0), replace(turned, air=0.0), turn.as_matrix())
    places = grid()
    # Turned together with its air the camera sees what it would see without any.
    there = mapping.from_reference(places)
    np.testing.assert_allclose(there, airless.from_reference(places), atol=1e-6)
    # The zenith left behind, it does not.
    astray = Mapping(lens, lens, turn.as_matrix()).from_reference(places)
    assert np.abs(astray - there).max() > 0.3


@pytest.mark.parametrize("family", FISHEYES)
def test_a_fisheye_sees_to_the_side_and_behind(family):
    lens = Lens(300.0, 1000.0, 750.0, projection=family)
    beside = project(lens, [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [-0.5, 0.5, -0.5]])
    assert np.isfinite(beside).all()
    np.testing.assert_allclose(beside[0], [1000 + 300 * RADIUS[family](np.pi / 2), 750.0])
    np.testing.assert_allclose(beside[1], [1000.0, 750 - 300 * RADIUS[family](np.pi / 2)])
    radius = np.hypot(*(beside[2] - [1000.0, 750.0]))
    assert radius == pytest.approx(300 * RADIUS[family](np.arccos(-np.sqrt(1 / 3))))
    np.testing.assert_allclose(unproject(lens, beside[2]), np.array([-1, 1, -1]) / np.sqrt(3))


def test_a_rectilinear_lens_sees_neither():
    lens = Lens(300.0, 1000.0, 750.0)
    behind = project(lens, [[1.0, 0.0, 0.0], [0.3, 0.1, -1.0], [0.0, 0.0, -1.0]])
    assert np.isnan(behind).all()


@pytest.mark.parametrize("family", Projection)
def test_the_axis_and_the_point_behind(family):
    lens = Lens(300.0, 1000.0, 750.0, -0.1, 0.02, projection=family)
    assert project(lens, [0.0, 0.0, 2.0]).tolist() == [1000.0, 750.0]
    assert unproject(lens, [1000.0, 750.0]).tolist() == [0.0, 0.0, 1.0]
    assert np.isnan(project(lens, [0.0, 0.0, -1.0])).all()
    tiny = project(lens, [1e-9, -1e-9, 1.0]) - [1000.0, 750.0]
    np.testing.assert_allclose(tiny, [3e-7, -3e-7], rtol=1e-3)


@examples(40)
@given(lenses(), st.floats(0.0, 6.28))
def test_nothing_jumps_where_the_polynomial_ends(lens, azimuth):
    """Value and slope across r_max, both ways: it is continued by its tangent."""
    lens = replace(lens, air=0.0, p1=0.0, p2=0.0)
    r = lens.r_max + np.array([-2e-4, -1e-4, 0.0, 1e-4, 2e-4])
    edge = lens.f * r[2] * (1 + lens.k1 * r[2] ** 2 + lens.k2 * r[2] ** 4 + lens.k3 * r[2] ** 6)
    slope = 1 + 3 * lens.k1 * r[2] ** 2 + 5 * lens.k2 * r[2] ** 4 + 7 * lens.k3 * r[2] ** 6
    inverse = {
        Projection.RECTILINEAR: np.arctan,
        Projection.STEREOGRAPHIC: lambda q: 2 * np.arctan(q / 2),
        Projection.EQUIDISTANT: lambda q: q,
        Projection.EQUISOLID: lambda q: 2 * np.arcsin(q / 2),
    }[lens.projection]
    seen = np.hypot(*(project(lens, rays(inverse(r), azimuth)) - [lens.cx, lens.cy]).T)
    assert seen[2] == pytest.approx(edge, abs=1e-6)
    np.testing.assert_allclose(np.diff(seen), lens.f * slope * 1e-4, rtol=2e-2)
    outwards = edge + lens.f * np.array([-2e-4, -1e-4, 0.0, 1e-4, 2e-4])
    spoke = [lens.cx, lens.cy] + outwards[:, None] * [np.cos(azimuth), np.sin(azimuth)]
    z = np.arccos(unproject(lens, spoke)[:, 2])
    np.testing.assert_allclose(z[2], inverse(lens.r_max), atol=1e-7)
    np.testing.assert_allclose(np.diff(z), np.diff(z).mean(), rtol=2e-2)


def test_nothing_jumps_at_the_horizon():
    """Refraction is followed towards the horizon and held below: no star leaps, none is lost."""
    lens = Lens(9000.0, 0.0, 0.0, air=REFRACTION, zenith=(0.0, -1.0, 0.0))
    altitude = np.radians(np.linspace(-6.0, 12.0, 1801))
    v = project(lens, rays(altitude, -np.pi / 2))[:, 1]
    assert (np.diff(v) < 0).all()
    bare = project(replace(lens, air=0.0), rays(altitude, -np.pi / 2))[:, 1]
    lift = np.degrees((bare - v) / lens.f) * 60
    # Arcminutes, a hundredth of a degree further on: at the horizon it changes by 12′ a degree.
    assert np.abs(np.diff(lift)).max() < 0.2
    places = np.column_stack([0 * v, v])
    assert np.abs(project(lens, unproject(lens, places)) - places).max() < 1e-6


@pytest.mark.parametrize("family", Projection)
@pytest.mark.parametrize("air", [0.0, REFRACTION])
def test_no_number_gives_no_number(family, air):
    lens = Lens(500.0, 10.0, 20.0, -0.1, 0.01, air=air, projection=family)
    assert np.isnan(project(lens, [np.nan, 0.0, 1.0])).all()
    assert np.isnan(unproject(lens, [np.nan, 3.0])).all()
