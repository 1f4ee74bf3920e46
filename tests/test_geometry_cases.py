"""Pushes, clocks and order through the rooms of geometry together, and what once went wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from grids import corners
from scipy.spatial.transform import Rotation
from star_sessions import SIZE, clock, night, registered, star_tables, table
from test_lens_choice import above_horizon
from test_sky_rotation import AXIS, FOCAL, found, turned

from stackkit.align.sky_rotation import fit_sky_rotation, measured_angles, pushes
from stackkit.geometry.jacobians import COUNT, moved, pixel_jacobians, tangents
from stackkit.geometry.lens import SIDEREAL, Lens, Projection, project, reaching
from stackkit.record.geometry import geometry_record, placed_in_order


@pytest.mark.parametrize("seed", range(6))
def test_a_push_of_twenty_pixels_is_told_from_wind(seed):
    """Under a wind of 0.8 px; wind alone is none."""
    seconds = np.arange(24) * 20.0
    vector = np.array([16.0, -12.0, 0.0]) / FOCAL
    sky_rotation = found(turned(seconds, sway=0.8, moved={11: vector}, seed=seed), seconds)
    assert [p.after for p in pushes(sky_rotation, np.arange(24))] == [11]
    calm = found(turned(seconds, sway=0.8, seed=seed), seconds)
    assert pushes(calm, np.arange(24)) == ()


def test_a_clock_that_is_off_by_hours_says_the_same():
    seconds = np.arange(12) * 25.0
    turns = turned(seconds, sway=0.2)
    late = found(turns, seconds - 7200.0)
    assert late.rate == pytest.approx(found(turns, seconds).rate, rel=1e-3)
    angles = measured_angles(late, turns, 0)
    assert angles == pytest.approx(SIDEREAL * seconds, abs=3 / FOCAL)


def test_a_clock_that_runs_backwards_turns_the_axis_round():
    """Which way the sky turns is the clock's word alone."""
    seconds = np.arange(12) * 25.0
    backwards = -seconds
    order = np.argsort(backwards)
    covariance = np.eye(36) * 1e-12
    sky_rotation = fit_sky_rotation(turned(seconds, sway=0.1), order, backwards, covariance, FOCAL)
    assert sky_rotation.axis @ AXIS < -0.99


@pytest.mark.parametrize("timed", corners([True, False], [False]))
def test_from_frame_to_frame_the_order_makes_no_difference(timed):
    sky = night(seed=52, frames=8)
    tables, known = star_tables(sky), clock(sky)
    plain = registered(sky, tables, times=known if timed else None)
    x, y = np.meshgrid(np.linspace(20, 980, 9), np.linspace(20, 730, 7))
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    order = [int(k) for k in np.random.default_rng(2).permutation(8)]
    times = [known[k] for k in order] if timed else None
    shuffled = registered(sky, [tables[k] for k in order], times=times)
    at = {k: j for j, k in enumerate(order)}
    for a, b in ((0, 7), (3, 5), (6, 2)):
        one = plain.mappings[b].from_reference(plain.mappings[a].to_reference(xy))
        back = shuffled.mappings[at[a]].to_reference(xy)
        assert np.abs(shuffled.mappings[at[b]].from_reference(back) - one).max() < 0.01


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_push_is_found_in_whatever_order_the_frames_come(seed):
    seconds = np.arange(20) * 20.0
    made = turned(seconds, sway=0.3, moved={8: np.radians(2) * np.array([0, 0, 1.0])})
    order = np.random.default_rng(seed).permutation(20)
    known = seconds[order]
    placed = np.argsort(known)
    sky_rotation = fit_sky_rotation(made[order], placed, known, np.eye(60) * 1e-12, FOCAL)
    (told,) = pushes(sky_rotation, placed)
    assert (order[told.before], order[told.after]) == (7, 8)
    assert sky_rotation.rate == pytest.approx(SIDEREAL, rel=0.05)


def test_a_shuffled_session_tells_the_same_push():
    sky = night(seed=57, frames=10, bump_frame=6, bump_degrees=2.0, wind=0.5)
    tables, known = star_tables(sky), clock(sky)
    order = [int(k) for k in np.random.default_rng(1).permutation(10)]
    times = [known[k] for k in order]
    found = registered(sky, [tables[k] for k in order], times=times)
    (told,) = pushes(found.sky_rotation, placed_in_order(found, times))
    assert (order[told.before], order[told.after]) == (5, 6)


def test_scatter_that_lies_along_the_axis_alone_does_no_harm():
    """What lies across must not round to the root of a negative number."""
    seconds = np.arange(20) * 20.0
    late = np.random.default_rng(0).normal(0, 1, 20)
    made = Rotation.from_rotvec(-SIDEREAL * (seconds + late)[:, None] * AXIS)
    turns = (made * made[0].inv()).as_matrix()
    sky_rotation = fit_sky_rotation(turns, np.arange(20), seconds, np.eye(60) * 1e-12, FOCAL)
    assert np.isfinite(sky_rotation.across)


def test_the_centre_moves_by_the_shared_focal_length_in_a_refocused_frame():
    """Against differences of the projection itself."""
    lens = reaching(Lens(675.0, 499.5, 374.5, -0.06, 0.02), *SIZE)
    ray, up = np.array([[0.2, -0.3, 0.93]]), np.array(lens.zenith)[None]

    def place(share):
        own = moved(lens, share * np.eye(COUNT)[1], SIZE)
        return project(replace(own, f=own.f * 1.006, r_max=lens.r_max), ray)[0]

    own = replace(lens, f=675.0 * 1.006)
    by_lens, _ = pixel_jacobians(own, 675.0, tangents(up)[0], ray)
    numeric = (place(1e-6) - place(-1e-6)) / 2e-6
    assert by_lens[0, :, 1] == pytest.approx(numeric, rel=1e-4)


@pytest.mark.parametrize("count", [1, 3, 5])
def test_a_few_lamps_under_clouds_are_no_traceback(count):
    """Fewer than six detections, at one place in every frame: nothing is kept, nothing placed."""
    lamps = np.random.default_rng(count).uniform(0, 700, (count, 2))
    found = registered(night(), [table(lamps)] * 6, focal=675.0)
    assert sum(m is not None for m in found.mappings) <= 1


def test_what_a_fisheye_does_not_show_has_no_figure():
    """Corners and edges outside its circle: None, not 0.0 px of uncertainty and not NaN degrees."""
    sky = night(
        seed=44, frames=4, focal=250.0, projection=Projection.EQUISOLID, k1=0.0, k2=0.0,
        altitude=88.0, faintest=6.3,
    )  # fmt: skip
    found = registered(sky, above_horizon(sky, star_tables(sky, stars=160)), times=clock(sky))
    record = geometry_record(found, [str(k) for k in range(4)], clock(sky), SIZE, [True] * 4)
    assert record["uncertainty_px"][1] is None
    assert record["field_deg"] is None
