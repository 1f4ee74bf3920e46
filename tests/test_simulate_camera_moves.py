"""What a simulated camera does during the night, and the shape of its lens, seen in the stars."""

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import rawpy

from stackkit.geometry.lens import SIDEREAL, Projection, unproject
from stackkit.geometry.rotation import rotation_angle
from stackkit.output.dng import mosaic_dng
from stackkit.raw.headers.metadata import read_metadata
from stackkit.simulate import Night, frame_lens, frame_matrix, ideal_picture, write_night
from stackkit.simulate.folder import file_tags, truth
from stackkit.simulate.night import camera_matrix, mid_time, times
from stackkit.simulate.scenes import scene_night
from stackkit.simulate.sky import catalogue, pixels

SAMPLE = Path(__file__).parents[1] / "sample_frames"
PLAIN = Night(seed=41, frames=6, width=800, height=600, focal=540.0, faintest=7.5)
MIDDLE = np.array([399.5, 299.5])
#: Few bright stars in a small, dark frame: each can be found in the picture itself.
SPARSE = Night(
    **{"seed": 7, "frames": 4, "width": 240, "height": 180, "focal": 160.0, "faintest": 3.0},
    **{"star_density": 1.5, "zero_rate": 3e3, "sky_rate": 0.05, "milky_way": 0.0},
    **{"satellites": 0, "aircraft": 0, "vignetting": 0.0, "exposure": 1.0},
)


def places(night, k, sky=PLAIN, seconds=None):
    """Pixels (N, 2) of the stars of ``sky`` in frame k of the night; NaN far outside."""
    xy = pixels(
        night, catalogue(sky).direction, k, mid_time(night, k) if seconds is None else seconds
    )
    near = (np.abs(xy - MIDDLE) < [430, 330]).all(axis=1)
    return np.where(near[:, None], xy, np.nan)


def farthest(a, b):
    """Largest distance, px, between places that both frames have; there must be many."""
    both = np.isfinite(a + b).all(axis=1)
    assert both.sum() > 100
    return np.abs(a - b)[both].max()


@pytest.mark.parametrize("k", [0, 2])
def test_nothing_happens_before_its_frame(k):
    moved = replace(
        PLAIN,
        **{"portrait_frame": 3, "refocus_frame": 4, "refocus_scale": 1.02},
        **{"pause_frame": 5, "pause": 300.0},
    )
    assert farthest(places(moved, k), places(PLAIN, k)) == 0
    assert times(moved)[: k + 1] == times(PLAIN)[: k + 1]


@pytest.mark.parametrize("k", [3, 5])
def test_held_upright_the_picture_is_turned_by_a_right_angle_about_its_middle(k):
    upright = places(replace(PLAIN, portrait_frame=3), k) - MIDDLE
    level = pixels(PLAIN, catalogue(PLAIN).direction, k, mid_time(PLAIN, k)) - MIDDLE
    turned = np.stack([level[:, 1], -level[:, 0]], axis=1)
    assert farthest(upright, turned) < 1e-9
    angle = rotation_angle(frame_matrix(replace(PLAIN, portrait_frame=3, refraction=False), k, 2))
    assert np.degrees(angle) == pytest.approx(90.0, abs=0.5)


@pytest.mark.parametrize("scale", [0.98, 1.006])
def test_a_turned_focus_scales_the_picture_about_the_lens_s_centre(scale):
    night = replace(PLAIN, refocus_frame=2, refocus_scale=scale)
    lens = frame_lens(night, 2)
    assert (lens.cx, lens.cy) == tuple(MIDDLE)
    assert lens.f == pytest.approx(scale * PLAIN.focal)
    for k in (2, 5):
        grown = MIDDLE + scale * (places(PLAIN, k) - MIDDLE)
        assert farthest(places(night, k), grown) < 1e-9


def test_a_pause_is_in_the_times_and_in_the_places():
    night = replace(PLAIN, pause_frame=3, pause=417.5)
    late = [(b - a).total_seconds() for a, b in zip(times(PLAIN), times(night), strict=True)]
    assert late == [0, 0, 0, 417.5, 417.5, 417.5]
    assert mid_time(night, 4) == 4 * night.cadence + 417.5 + night.exposure / 2
    # The sky went on turning: what is seen is what a camera without a pause sees at that time.
    assert farthest(places(night, 4), places(PLAIN, 0, seconds=mid_time(night, 4))) < 1e-9
    angle = rotation_angle(frame_matrix(night, 4, 2))
    assert angle == pytest.approx(SIDEREAL * (2 * night.cadence + 417.5), rel=1e-9)


def test_a_pause_is_in_the_files(tmp_path):
    night = replace(SPARSE, frames=3, width=64, height=48, focal=43.0, pause_frame=2, pause=95.0)
    paths = write_night(night, tmp_path)
    starts = [read_metadata(path).time for path in paths]
    assert starts[1] - starts[0] == timedelta(seconds=night.cadence)
    assert starts[2] - starts[1] == timedelta(seconds=night.cadence + 95.0)
    written = json.loads((tmp_path / "truth.json").read_text())
    assert [f["mid_time_s"] for f in written["frames"]] == [mid_time(night, k) for k in range(3)]
    assert written["night"]["pause"] == 95.0


def test_a_head_that_sinks_lets_the_stars_rise_in_the_picture():
    """1.5° an hour over 100 s are 0.0417°, at 540 px focal length 0.39 px in the middle."""
    sinking = replace(PLAIN, sag=1.5)
    for k in (0, 2, 5):
        away = places(sinking, k) - places(PLAIN, k)
        middle = np.hypot(*(places(PLAIN, k) - MIDDLE).T) < 60
        sunk = np.radians(1.5 * k * PLAIN.cadence / 3600)
        assert np.median(away[middle], axis=0) == pytest.approx([0, -540 * sunk], abs=0.005)
        axis, before = camera_matrix(sinking, k)[2], camera_matrix(PLAIN, k)[2]
        assert np.arcsin(before[2]) - np.arcsin(axis[2]) == pytest.approx(sunk, abs=1e-12)


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"portrait_frame": 2},
        {"refocus_frame": 2, "refocus_scale": 1.03},
        {"pause_frame": 2, "pause": 600.0},
        {"sag": 40.0},
        {"projection": Projection.EQUISOLID, "focal": 100.0, "faintest": 2.0},
    ],
    ids=["nothing", "portrait", "refocus", "pause", "sag", "fisheye"],
)
def test_stars_are_drawn_where_they_are_said_to_be(change):
    """The brighter isolated stars of the noiseless picture, by centre of gravity."""
    night, k = replace(SPARSE, **change), 3
    xy = pixels(night, catalogue(night).direction, k, mid_time(night, k))
    bright = catalogue(night).rate[:, 1] > 300
    inside = ((xy > 8) & (xy < [night.width - 9, night.height - 9])).all(axis=1)
    picture = ideal_picture(night, k)[1]
    away = []
    for n in np.nonzero(inside & bright)[0]:
        gap = np.hypot(*(xy - xy[n]).T)
        if np.sort(gap[np.isfinite(gap)])[1] < 14:
            continue
        x, y = np.rint(xy[n]).astype(int)
        v, u = np.mgrid[y - 5 : y + 6, x - 5 : x + 6]
        light = picture[v, u] - np.median(picture[v, u])
        away.append([(light * u).sum(), (light * v).sum()] / light.sum() - xy[n])
    assert len(away) >= 5
    assert np.abs(away).max() < 0.05


def expected_counts(night, k, cells):
    """Stars that the law of ``sky`` puts into each cell (columns, rows), by solid angle.

    log N(<m) = 3.7 + 0.47 (m - 6) over the whole sky: handbook figure, from memory.
    """
    x, y = (np.arange(2, side, 4.0) - 0.5 for side in (night.width, night.height))
    centres = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
    lens = frame_lens(night, k)
    right, down = (
        unproject(lens, centres + step) - unproject(lens, centres - step)
        for step in ([2.0, 0.0], [0.0, 2.0])
    )
    angle = np.linalg.norm(np.cross(right, down), axis=-1)
    per_sr = 10 ** (3.7 + 0.47 * (night.faintest - 6)) / (4 * np.pi)
    return per_sr * angle.reshape(cells[0], len(x) // cells[0], cells[1], -1).sum(axis=(1, 3))


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"portrait_frame": 2},
        {"refocus_frame": 2, "refocus_scale": 0.9},
        {"pause_frame": 2, "pause": 1200.0},
        {"projection": Projection.STEREOGRAPHIC, "focal": 250.0},
        {"projection": Projection.EQUIDISTANT, "focal": 300.0},
        {"projection": Projection.EQUISOLID, "focal": 330.0, "k1": 0.0, "k2": 0.0},
    ],
    ids=["wide", "portrait", "refocus", "pause", "stereographic", "equidistant", "equisolid"],
)
@pytest.mark.parametrize("k", [0, 5])
def test_the_whole_picture_has_its_share_of_stars(change, k):
    """Nowhere an empty rim: each of 5×5 cells holds what its solid angle asks for."""
    night = replace(PLAIN, refraction=False, **change)
    xy = pixels(night, catalogue(night).direction, k, mid_time(night, k))
    xy = xy[np.isfinite(xy).all(axis=1)]
    size = (night.width, night.height)
    counts, _, _ = np.histogram2d(*xy.T, bins=(5, 5), range=[[-0.5, side - 0.5] for side in size])
    expected = expected_counts(night, k, (5, 5))
    assert np.abs((counts - expected) / np.sqrt(expected)).max() < 4.5  # Poisson
    assert counts.sum() == pytest.approx(expected.sum(), rel=0.08)


@pytest.mark.parametrize("family", [p for p in Projection if p != Projection.RECTILINEAR])
def test_fisheyes_reach_beside_and_behind_the_camera(family):
    night = replace(PLAIN, projection=family, focal=230.0, refraction=False)
    stars = catalogue(night)
    seen = np.isfinite(pixels(night, stars.direction, 0, 0.0)).all(axis=1)
    forward = stars.direction @ camera_matrix(night, 0)[2]
    assert seen[forward > np.cos(3.0)].all()
    assert (seen & (forward < -0.05)).sum() > 100


def test_the_shipped_files_are_what_the_simulator_writes_around_their_samples():
    """Byte for byte but for the samples, which a slow test compares: times, tags, layout."""
    night = replace(scene_night("wide", 18, 960), seed=7, height=720)
    for k in (0, 9, 17):
        path = SAMPLE / f"night_{k + 1:04d}.dng"
        with rawpy.imread(str(path)) as raw:
            codes = raw.raw_image_visible.copy()
        assert mosaic_dng(codes, file_tags(night, k)) == path.read_bytes()


def test_the_shipped_truth_is_the_simulator_s():
    """Settings may have come since, at rest by default; what was known then is known still.

    Another processor's sine may differ in its last digit, hence in the last written one.
    """
    night = replace(scene_night("wide", 18, 960), seed=7, height=720)
    shipped = json.loads((SAMPLE / "truth.json").read_text())
    now = json.loads(json.dumps(truth(night)))
    assert {name: now["night"][name] for name in shipped["night"]} == shipped["night"]
    assert [f["mid_time_s"] for f in now["frames"]] == [f["mid_time_s"] for f in shipped["frames"]]
    for ours, theirs in zip(now["frames"], shipped["frames"], strict=True):
        assert ours["stars"]["number"] == theirs["stars"]["number"]
        np.testing.assert_allclose(ours["stars"]["xy"], theirs["stars"]["xy"], atol=2e-4)
        turn = ours["rotation_from_first"], theirs["rotation_from_first"]
        np.testing.assert_allclose(*turn, atol=2e-12)
        for a, b in zip(ours["trails"], theirs["trails"], strict=True):
            np.testing.assert_allclose(a["start"] + a["end"], b["start"] + b["end"], rtol=1e-9)
    assert now["hot_pixels"] == shipped["hot_pixels"]
