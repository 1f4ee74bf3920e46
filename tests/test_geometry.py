import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples
from scipy.spatial.transform import Rotation

from stackkit.geometry.lens import REFRACTION, Lens, project, reaching, unproject
from stackkit.geometry.mapping import Mapping, plane_mapping
from stackkit.geometry.rotation import best_rotation, rotation, rotation_angle

SIZE = (2000, 1500)
WIDE = reaching(Lens(900.0, 1003.0, 745.0, -0.22, 0.05, 0.0, 4e-4, -3e-4), *SIZE)
LONG = reaching(Lens(9000.0, 999.5, 749.5, -0.4), *SIZE)


def grid(margin=0.0):
    x = np.linspace(-margin, SIZE[0] - 1 + margin, 41)
    y = np.linspace(-margin, SIZE[1] - 1 + margin, 31)
    return np.stack(np.meshgrid(x, y), axis=-1)


@pytest.mark.parametrize("lens", [WIDE, LONG])
def test_projection_equals_opencv(lens):
    """OpenCV's projectPoints: an independent implementation of the same published model."""
    directions = unproject(lens, grid()).reshape(-1, 3)
    camera = np.array([[lens.f, 0, lens.cx], [0, lens.f, lens.cy], [0, 0, 1.0]])
    bend = np.array([lens.k1, lens.k2, lens.p1, lens.p2, lens.k3])
    theirs = cv2.projectPoints(directions, np.zeros(3), np.zeros(3), camera, bend)[0][:, 0]
    assert np.abs(project(lens, directions) - theirs).max() < 1e-8


@pytest.mark.parametrize("lens", [WIDE, LONG])
@pytest.mark.parametrize("margin", [0.0, 150.0])
def test_unproject_inverts_project_in_and_around_the_picture(lens, margin):
    places = grid(margin)
    assert np.abs(project(lens, unproject(lens, places)) - places).max() < 1e-6


def test_projection_goes_on_rising_outside_the_picture():
    """A barrel polynomial turns back far out; the mapping must not."""
    angle = np.linspace(0, 1.3, 400)
    rays = np.stack([np.sin(angle), 0 * angle, np.cos(angle)], axis=1)
    lens = reaching(Lens(900.0, 1000.0, 750.0, -0.35, 0.02), *SIZE)
    assert (np.diff(project(lens, rays)[:, 0]) > 0).all()


def test_directions_behind_the_camera_have_no_pixel():
    assert np.isnan(project(WIDE, [[0.1, 0.2, -1.0]])).all()


def test_shapes_are_kept_and_wrong_ones_named():
    assert unproject(WIDE, np.zeros((3, 4, 2))).shape == (3, 4, 3)
    with pytest.raises(ValueError, match=r"\(…, 3\)"):
        project(WIDE, np.zeros((5, 2)))


@pytest.mark.parametrize(
    ("altitude", "arcminutes"), [(10, 5.41), (20, 2.74), (30, 1.75), (45, 1.01), (70, 0.37)]
)
def test_refraction_is_saemundsson_s(altitude, arcminutes):
    """Saemundsson 1986 (Meeus, chapter 16); 30° and 70° by the same formula, computed here.

    The tangent of the zenith angle alone is 6 % too much at 10°.
    """
    lens = reaching(Lens(900.0, 1000.0, 750.0, air=REFRACTION, zenith=(0.0, -1.0, 0.0)), *SIZE)
    h = np.radians(altitude)
    v = project(lens, [0.0, -np.sin(h), np.cos(h)])[1]
    lift = np.degrees(np.arctan((lens.cy - v) / lens.f) - h) * 60
    assert lift == pytest.approx(arcminutes, rel=0.07 if altitude < 15 else 0.03)


@pytest.mark.parametrize("up", [(0.0, -0.6, 0.8), (0.3, -0.9, -0.3), (-1.0, 0.0, 0.0)])
def test_unproject_inverts_project_through_the_air(up):
    zenith = tuple(np.array(up) / np.linalg.norm(up))
    lens = reaching(Lens(900.0, 1003.0, 745.0, -0.22, 0.05, air=REFRACTION, zenith=zenith), *SIZE)
    assert np.abs(project(lens, unproject(lens, grid(50.0))) - grid(50.0)).max() < 1e-6
    assert np.abs(np.linalg.norm(unproject(lens, grid()), axis=-1) - 1).max() < 1e-12


@examples(25)
@given(
    st.floats(-0.3, 0.1),
    st.floats(-0.05, 0.05),
    st.tuples(*[st.floats(-0.08, 0.08)] * 3),
)
def test_mappings_are_inverse_to_a_millionth_of_a_pixel(k1, k2, turn):
    lens = reaching(Lens(1200.0, 990.0, 760.0, k1, k2, 0.0, 2e-4, 1e-4), *SIZE)
    mapping = Mapping(lens, lens, rotation(turn))
    places = grid()
    assert np.abs(mapping.to_reference(mapping.from_reference(places)) - places).max() < 1e-6


def test_plane_mapping_is_the_homography():
    matrix = np.array([[1.01, 0.02, 5.0], [-0.015, 0.99, -3.0], [1e-6, -2e-6, 1.0]])
    places = grid().reshape(-1, 2)
    theirs = cv2.perspectiveTransform(places[None], matrix)[0]
    mapping = plane_mapping(matrix)
    assert np.abs(mapping.from_reference(places) - theirs).max() < 1e-9
    assert np.abs(mapping.to_reference(theirs) - places).max() < 1e-6


@examples(50)
@given(st.tuples(*[st.floats(-3.0, 3.0)] * 3))
def test_rotation_equals_scipy(vector):
    assert np.abs(rotation(vector) - Rotation.from_rotvec(vector).as_matrix()).max() < 1e-12


@pytest.mark.parametrize("angle", [0.0, 1e-12, 1e-6, 0.5, 3.0])
def test_rotation_angle_is_accurate_when_small(angle):
    assert rotation_angle(rotation([0.0, angle, 0.0])) == pytest.approx(angle, rel=1e-6, abs=1e-15)


def test_best_rotation_equals_scipy():
    """scipy's Rotation.align_vectors solves the same problem (Kabsch 1976)."""
    rng = np.random.default_rng(5)
    a = rng.normal(size=(40, 3))
    b = a @ rotation([0.3, -0.2, 0.9]).T + rng.normal(size=(40, 3)) * 0.02
    theirs = Rotation.align_vectors(b, a)[0].as_matrix()
    assert np.abs(best_rotation(a, b) - theirs).max() < 1e-9
