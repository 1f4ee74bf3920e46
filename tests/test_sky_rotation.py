"""The sky's turning taken apart: against rotations whose making is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.spatial.transform import Rotation

from stackkit.align.sky_rotation import (
    SIDEREAL,
    SkyRotation,
    expected,
    fit_sky_rotation,
    measured_angles,
    pushes,
    tie,
)
from stackkit.geometry.rotation import rotation

FOCAL = 1350.0
AXIS = np.array([0.3, -0.7, np.sqrt(1 - 0.09 - 0.49)])


def turned(seconds, sway=0.0, clock=0.0, moved=None, seed=0, rate=SIDEREAL):
    """Rotations from the first frame to each; ``sway`` px, ``clock`` s, ``moved`` {frame: vector}
    by which the camera is pushed from that frame on.  By scipy.
    """
    rng = np.random.default_rng(seed)
    late = rng.normal(0, clock, len(seconds)) if clock else np.zeros(len(seconds))
    pose, made = Rotation.identity(), []
    for k, t in enumerate(seconds):
        if moved and k in moved:
            pose = Rotation.from_rotvec(moved[k]) * pose
        shaken = Rotation.from_rotvec(rng.normal(0, sway / FOCAL, 3))
        made.append(shaken * pose * Rotation.from_rotvec(-rate * (t + late[k]) * AXIS))
    first = made[0].inv()
    # The reference's own axes are those it was taken in.
    return np.array([(r * first).as_matrix() for r in made])


def found(turns, seconds, error=1e-6):
    count = len(turns)
    covariance = np.eye(3 * count) * error**2
    return fit_sky_rotation(turns, np.arange(count), seconds, covariance, FOCAL)


def test_the_sidereal_rate_is_the_earth_s():
    """erfa's Earth rotation angle (IAU 2000): the difference of two days, 1e-6 to spare."""
    erfa = pytest.importorskip("erfa")
    day = (erfa.era00(2461000.5, 0.25) - erfa.era00(2461000.5, 0.0)) % (2 * np.pi)
    assert day / 21600 == pytest.approx(SIDEREAL, rel=1e-6)


def test_axis_rate_and_angles_of_a_quiet_night():
    seconds = np.arange(12) * 25.0
    sky_rotation = found(turned(seconds), seconds)
    assert np.abs(sky_rotation.axis - AXIS).max() < 1e-6
    assert sky_rotation.rate == pytest.approx(SIDEREAL, rel=1e-6)
    assert sky_rotation.trusted
    assert np.abs(expected(sky_rotation) - turned(seconds)).max() < 1e-6
    angles = measured_angles(sky_rotation, turned(seconds), 0)
    assert angles == pytest.approx(SIDEREAL * seconds, abs=1e-7)


def test_scatter_of_clock_and_sway_is_measured():
    seconds = np.arange(60) * 20.0
    sky_rotation = found(turned(seconds, sway=0.2, clock=4.0, seed=2), seconds)
    assert sky_rotation.across * FOCAL == pytest.approx(0.2, rel=0.3)
    both = np.hypot(4.0, 0.2 / FOCAL / SIDEREAL)
    assert sky_rotation.along / SIDEREAL == pytest.approx(both, rel=0.3)


@pytest.mark.parametrize("repeats", [20, pytest.param(60, marks=pytest.mark.slow)])
def test_the_rate_s_uncertainty_is_its_scatter(repeats):
    seconds = np.arange(24) * 20.0
    away = []
    for seed in range(repeats):
        sky_rotation = found(turned(seconds, sway=0.4, clock=1.0, seed=seed), seconds)
        away.append((sky_rotation.rate - SIDEREAL) / sky_rotation.rate_sigma)
    assert 0.6 < np.std(away) < 1.4
    assert abs(np.mean(away)) < 0.5


@pytest.mark.parametrize("push", [2.0, 0.4, 90.0])
def test_a_push_begins_a_segment(push):
    """In degrees: a kick, a nudge of ten pixels, a camera turned upright."""
    seconds = np.arange(20) * 20.0
    vector = np.radians(push) * np.array([0.0, 0.0, 1.0])
    sky_rotation = found(turned(seconds, sway=0.3, moved={8: vector}), seconds)
    (told,) = pushes(sky_rotation, np.arange(20))
    assert (told.before, told.after) == (7, 8)
    assert np.degrees(told.angle) == pytest.approx(push, abs=0.05)
    assert np.abs(sky_rotation.axis - AXIS).max() < 0.2


def test_two_pushes_make_three_segments():
    seconds = np.arange(24) * 20.0
    moved = {8: [0.01, 0, 0], 16: [0, -0.02, 0.01]}
    sky_rotation = found(turned(seconds, sway=0.3, moved=moved), seconds)
    assert [p.after for p in pushes(sky_rotation, np.arange(24))] == [8, 16]
    assert sky_rotation.rate == pytest.approx(SIDEREAL, rel=0.15)


def test_one_shaken_frame_is_no_push():
    seconds = np.arange(20) * 20.0
    moved = {9: [0.01, 0.004, 0], 10: [-0.01, -0.004, 0]}
    sky_rotation = found(turned(seconds, sway=0.3, moved=moved), seconds)
    assert pushes(sky_rotation, np.arange(20)) == ()


def test_without_a_clock_a_pause_is_no_push():
    seconds = np.concatenate([np.arange(10) * 20.0, 700 + np.arange(10) * 20.0])
    sky_rotation = found(turned(seconds, sway=0.2), None)
    assert pushes(sky_rotation, np.arange(20)) == ()
    assert sky_rotation.rate is None
    angles = measured_angles(sky_rotation, turned(seconds, sway=0.2), 0)
    assert np.abs(np.abs(angles) - SIDEREAL * seconds).max() < 3 / FOCAL
    sideways = found(turned(seconds, sway=0.2, moved={7: [0.02, 0.01, 0]}), None)
    assert [p.after for p in pushes(sideways, np.arange(20))] == [7]


def test_another_rate_is_not_trusted():
    seconds = np.arange(24) * 20.0
    assert not found(turned(seconds, rate=1.03 * SIDEREAL), seconds).trusted


def test_times_that_say_nothing_say_nothing():
    turns = turned(np.arange(8) * 20.0)
    assert found(turns, np.zeros(8)) is None
    assert found(turns[:2], np.array([0.0, 20.0])) is None
    still = np.tile(np.eye(3), (6, 1, 1))
    assert found(still, np.arange(6) * 20.0) is None


def test_the_tie_s_gradient_is_the_cost_s():
    """tie() adds half the derivative of the cost that it returns; scipy's differences say so."""
    seconds = np.arange(5) * 40.0
    segment = np.array([0, 0, 1, 1, 1])
    poses = rotation(np.array([[0.001, 0, 0.002], [0.02, -0.01, 0.03]]))
    sky_rotation = SkyRotation(
        AXIS, SIDEREAL * seconds, segment, poses, 2e-4, 3e-4, True, SIDEREAL, 0.0, 0.0
    )
    rng = np.random.default_rng(1)
    turns = rotation(rng.normal(0, 2e-4, (5, 3))) @ expected(sky_rotation)
    count = 4 * 5 + 2 + 6

    def cost(step):
        vectors = step[:20].reshape(5, 4)[:, :3]
        h, g = np.zeros((count, count)), np.zeros(count)
        return tie(sky_rotation.moved(step[20:]), rotation(vectors) @ turns, h, g, 0, 4)

    h, g = np.zeros((count, count)), np.zeros(count)
    tie(sky_rotation, turns, h, g, 0, 4)
    numeric = approx_fprime(np.zeros(count), cost, 1e-7)
    assert 2 * g == pytest.approx(numeric, rel=2e-2, abs=2e-2 * np.abs(numeric).max())
    assert np.abs(h - h.T).max() < 1e-6 * np.abs(h).max()
    assert np.linalg.eigvalsh(h).min() > -1e-6 * np.abs(h).max()
