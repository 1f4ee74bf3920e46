"""The lens to go on from: turns, projection and focal length by the data, and which way is up."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks import truth
from grids import corners
from scipy.spatial.transform import Rotation
from star_sessions import SIZE, clock, map_errors, night, registered, star_tables, table

from stackkit.align.bundle import Observations
from stackkit.align.lens_choice import first_turns
from stackkit.align.register import CAMERA
from stackkit.geometry.lens import Lens, Projection, project, reaching, unproject
from stackkit.geometry.rotation import rotation
from stackkit.simulate.night import camera_matrix, frame_lens

PLAIN = {"k1": 0.0, "k2": 0.0}


def above_horizon(sky, tables, lowest=3.0):
    """Only what stands some degrees high and, in a fisheye, within its circle of 180°."""
    made = []
    for k, one in enumerate(tables):
        rays = unproject(frame_lens(sky, k), one.xy)
        high = rays @ camera_matrix(sky, k)[:, 2] > np.sin(np.radians(lowest))
        kept = np.isfinite(rays).all(axis=1) & (rays[:, 2] > 0) & high
        made.append(table(one.xy[kept], one.flux[kept]))
    return made


def test_first_turns_are_those_of_scipy():
    """scipy.spatial.transform.Rotation.align_vectors solves the same problem (Wahba's)."""
    lens = reaching(Lens(675.0, 499.5, 374.5, -0.06, 0.02), *SIZE)
    rng = np.random.default_rng(1)
    rays = np.concatenate([rng.uniform(-0.5, 0.5, (40, 2)), np.ones((40, 1))], axis=1)
    turns = rotation(np.array([[0, 0, 0], [0.01, -0.02, 0.03], [0, 0, 1.2]]))
    xy = np.concatenate([project(lens, rays @ turn.T) for turn in turns])
    xy += rng.normal(0, 0.3, xy.shape)
    frame, star = np.repeat(np.arange(3), 40), np.tile(np.arange(40), 3)
    seen = Observations(frame, star, xy, np.full(120, 0.3))
    found = first_turns(seen, lens, 4, 0)
    own = unproject(lens, xy[:40])
    for k in (1, 2):
        theirs = Rotation.align_vectors(unproject(lens, xy[frame == k]), own)[0].as_matrix()
        assert np.abs(found[k] - theirs).max() < 1e-9
    assert (found[[0, 3]] == np.eye(3)).all()  # the reference, and a frame without stars


@pytest.mark.parametrize("focal", corners([400.0, 675.0, 2000.0, 6000.0], [400.0]))
def test_a_rectilinear_lens_stays_one_and_is_found_from_nothing(focal):
    """Within 0.3 % in focal length; a longer lens needs fainter stars."""
    faintest = {400.0: 7.2, 675.0: 8.0, 2000.0: 10.0, 6000.0: 12.5}[focal]
    sky = night(seed=94, focal=focal, faintest=faintest, frames=7, altitude=65.0)
    found = registered(sky, above_horizon(sky, star_tables(sky)), focal=None, times=clock(sky))
    assert found.geometry.lens.projection == Projection.RECTILINEAR
    assert found.geometry.lens.f == pytest.approx(focal, rel=0.003)
    assert map_errors(found, sky).max() < 0.05


@pytest.mark.parametrize(
    ("projection", "focal", "known"),
    [
        pytest.param(Projection.EQUIDISTANT, 420.0, True, marks=pytest.mark.slow),
        pytest.param(Projection.EQUIDISTANT, 420.0, False, marks=pytest.mark.slow),
        pytest.param(Projection.EQUISOLID, 470.0, True, marks=pytest.mark.slow),
        (Projection.EQUISOLID, 470.0, False),
        pytest.param(Projection.STEREOGRAPHIC, 420.0, True, marks=pytest.mark.slow),
        pytest.param(Projection.STEREOGRAPHIC, 420.0, False, marks=pytest.mark.slow),
    ],
)
def test_a_fisheye_that_fills_the_picture_is_told_from_a_rectilinear_lens(projection, focal, known):
    sky = night(
        seed=123,
        frames=8,
        focal=focal,
        projection=projection,
        altitude=86.0,
        faintest=7.0,
        **PLAIN,
    )
    tables = above_horizon(sky, star_tables(sky))
    found = registered(sky, tables, focal=0.0 if known else None, times=clock(sky))
    lens, sigma = found.geometry.lens, found.geometry.focal_sigma
    # Radial terms take up what sets the fisheyes apart from each other.
    assert lens.projection != Projection.RECTILINEAR
    assert abs(lens.f / focal - 1) < max(0.003, 3 * sigma)
    assert sigma < 0.01
    assert found.models == [CAMERA] * 8
    assert map_errors(found, sky).max() < 0.06


@pytest.mark.parametrize(
    ("projection", "focal"),
    [
        (Projection.EQUIDISTANT, 230.0),
        pytest.param(Projection.EQUISOLID, 250.0, marks=pytest.mark.slow),
    ],
)
def test_a_fisheye_whose_circle_lies_in_the_picture(projection, focal):
    sky = night(
        seed=43,
        frames=6,
        focal=focal,
        projection=projection,
        altitude=88.0,
        faintest=6.3,
        **PLAIN,
    )
    tables = above_horizon(sky, star_tables(sky, stars=300))
    found = registered(sky, tables, focal=None, times=clock(sky))
    assert found.models == [CAMERA] * sky.frames
    x, y = np.meshgrid(np.linspace(260, 740, 12), np.linspace(135, 615, 12))
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    up = unproject(frame_lens(sky), xy) @ camera_matrix(sky, 0)[:, 2]
    xy = xy[up > np.sin(np.radians(5))]
    for k, mapping in enumerate(found.mappings):
        away = mapping.from_reference(xy) - truth.carry(sky, xy, found.reference, k)
        assert np.median(np.hypot(*away.T)) < 0.04


@pytest.mark.parametrize("wrong", corners([0.85, 1.15], [0.85]))
def test_a_focal_length_that_is_far_off_is_found_again(wrong):
    sky = night(seed=124, faintest=8.0, frames=8)
    found = registered(sky, focal=wrong * sky.focal, times=clock(sky))
    assert found.geometry.lens.f == pytest.approx(sky.focal, rel=0.005)
    assert map_errors(found, sky).max() < 0.05


@pytest.mark.parametrize("up", corners([(0, -1), (1, 0), (0, 1), (-1, 0)], [(0, 1)]))
def test_the_zenith_is_found_whichever_way_the_file_says_is_up(up):
    sky = night(seed=201, altitude=25.0, faintest=8.5, frames=10, cadence=80.0)
    tables = above_horizon(sky, star_tables(sky, stars=200))
    geometry = registered(sky, tables, times=clock(sky), up=up).geometry
    true = camera_matrix(sky, 0)[:, 2]
    sigma = np.sqrt(geometry.covariance[8, 8] + geometry.covariance[9, 9])
    away = np.arccos(np.clip(true @ np.array(geometry.lens.zenith), -1, 1))
    assert sigma < np.radians(4)
    assert away < 4 * sigma
