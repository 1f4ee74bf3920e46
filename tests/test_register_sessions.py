"""Whole sessions, as tables of stars, through the alignment: what must work, and what must not."""

from __future__ import annotations

from datetime import timedelta
from functools import lru_cache

import numpy as np
import pytest
from grids import corners
from star_sessions import SIZE, clock, map_errors, night, registered, star_tables, table

from stackkit.align.register import CAMERA, register
from stackkit.align.sky_rotation import pushes
from stackkit.geometry.lens import SIDEREAL, Projection
from stackkit.record.geometry import geometry_record
from stackkit.record.run import _of_geometry

FISHEYE = {"k1": 0.0, "k2": 0.0, "altitude": 88.0, "faintest": 6.8}


@lru_cache
def usual():
    """A night with nothing to it, and how it was registered."""
    sky = night(seed=31)
    return sky, registered(sky, times=clock(sky))


def recorded(found, times):
    count = len(found.mappings)
    return geometry_record(found, [str(k) for k in range(count)], times, SIZE, [True] * count)


GRID = {
    "wide": (night(seed=31), 0.02, 0.04),
    "portrait and landscape": (night(seed=32, portrait_frame=5), 0.02, 0.04),
    "a pause": (night(seed=33, pause_frame=6, pause=300.0), 0.02, 0.04),
    "pole": (night(seed=34, azimuth=0.0, altitude=47.0), 0.02, 0.04),
    "zenith": (night(seed=35, altitude=89.0), 0.02, 0.04),
    "south": (night(seed=36, latitude=-33.0, azimuth=180.0), 0.02, 0.04),
    "refocus": (night(seed=37, frames=7, refocus_frame=3, refocus_scale=1.004), 0.02, 0.04),
    "push and wind": (night(seed=38, bump_frame=5, bump_degrees=1.5, wind=0.8), 0.02, 0.04),
    "sinking head": (night(seed=39, sag=1.0), 0.02, 0.04),
    "five frames": (night(seed=40, frames=5), 0.02, 0.04),
    "24 mm": (night(seed=41, focal=550.0, k1=-0.15, k2=0.03), 0.02, 0.04),
    "300 mm": (
        night(seed=42, focal=6900.0, k1=-0.4, k2=0.0, faintest=12.0, cadence=4.0),
        0.02,
        0.04,
    ),
    "equidistant": (
        night(seed=43, focal=420.0, projection=Projection.EQUIDISTANT, **FISHEYE),
        0.03,
        0.06,
    ),
    "equisolid": (
        night(seed=44, focal=550.0, projection=Projection.EQUISOLID, **FISHEYE),
        0.03,
        0.06,
    ),
    "stereographic": (
        night(seed=45, focal=460.0, projection=Projection.STEREOGRAPHIC, **FISHEYE),
        0.03,
        0.06,
    ),
}
OFTEN = (
    *("wide", "portrait and landscape", "pole", "refocus", "push and wind", "five frames"),
    *("300 mm", "stereographic"),
)


@pytest.mark.parametrize("name", corners(GRID, OFTEN))
def test_frames_lie_on_each_other_into_the_corners(name):
    sky, at, out = GRID[name]
    found = usual()[1] if name == "wide" else registered(sky, times=clock(sky))
    centre, corner = map_errors(found, sky)
    assert centre < at
    assert corner < out
    assert found.models == [CAMERA] * sky.frames


CLOCKS = {
    "none": lambda _: None,
    "zone": lambda sky: clock(sky, late=7200.0),
    "backwards": lambda sky: clock(sky)[::-1],
    "all the same": lambda sky: [clock(sky)[0]] * sky.frames,
    "some missing": lambda sky: [None, *clock(sky)[1:-1], None],
    "seconds wrong": lambda sky: [
        t + timedelta(seconds=3.0 * (k % 3)) for k, t in enumerate(clock(sky))
    ],
}


@pytest.mark.parametrize("name", corners(CLOCKS, ["none", "backwards", "some missing"]))
def test_a_clock_that_is_wrong_does_no_harm(name):
    sky = night(seed=51, frames=8)
    centre, corner = map_errors(registered(sky, times=CLOCKS[name](sky)), sky)
    assert centre < 0.02
    assert corner < 0.04


def test_the_order_of_the_frames_does_not_matter():
    sky = night(seed=52, frames=8)
    tables, known = star_tables(sky), clock(sky)
    order = [int(k) for k in np.random.default_rng(3).permutation(sky.frames)]
    shuffled = registered(sky, [tables[k] for k in order], times=[known[k] for k in order])
    assert map_errors(shuffled, sky, order).max() < 0.04


@pytest.mark.parametrize(
    ("seed", "focal"), [(53, 675.0), pytest.param(54, 1500.0, marks=pytest.mark.slow)]
)
def test_a_lens_is_found_from_nothing(seed, focal):
    """Within 0.3 % in focal length where the sky is not seen to turn about the picture's middle."""
    sky = night(seed=seed, focal=focal, faintest=8.5, frames=12, cadence=70.0, altitude=40.0)
    found = registered(sky, focal=None, times=clock(sky))
    assert found.geometry.lens.f == pytest.approx(focal, rel=0.003)


def test_few_stars_are_enough_with_a_known_lens():
    sky = night(seed=55, frames=6)
    found = registered(sky, star_tables(sky, stars=8, false=0.0, seen=1.0), times=clock(sky))
    assert found.models == [CAMERA] * 6
    assert map_errors(found, sky)[0] < 0.1


def test_a_cloudy_frame_is_placed_by_where_its_stars_must_be():
    """Seven stars among nine false ones say nothing by themselves."""
    sky = night(seed=56)
    tables = star_tables(sky)
    rng = np.random.default_rng(4)
    few = tables[7].xy[:80][rng.choice(80, 9, replace=False)]
    tables[7] = table(np.concatenate([few, rng.uniform(0, SIZE, (9, 2))]), rng.uniform(1, 2, 18))
    found = registered(sky, tables, times=clock(sky))
    assert map_errors(found, sky).max() < 0.1
    assert found.chances[7] < 1e-6


def test_a_push_is_told_and_a_shaken_frame_is_none():
    sky = night(seed=57, frames=10, bump_frame=6, bump_degrees=2.0, wind=0.5)
    found = registered(sky, times=clock(sky))
    (push,) = pushes(found.sky_rotation, np.arange(sky.frames))
    assert (push.before, push.after) == (5, 6)
    assert np.degrees(push.angle) == pytest.approx(2.0, rel=0.1)
    calm = registered(night(seed=57, frames=10, wind=0.5), times=clock(sky))
    assert pushes(calm.sky_rotation, np.arange(sky.frames)) == ()


@pytest.mark.parametrize("seed", corners(range(60, 64), [60]))
def test_the_rate_is_the_sidereal_one_within_its_uncertainty(seed):
    """86164.0905 s a turn (IAU)."""
    sky = night(seed=seed, frames=16, clock_noise=0.2)
    sky_rotation = registered(sky, times=clock(sky)).sky_rotation
    assert sky_rotation.trusted
    assert abs(sky_rotation.rate - SIDEREAL) < 4 * sky_rotation.rate_sigma
    assert sky_rotation.rate_sigma < 0.01 * SIDEREAL


def test_a_head_that_sinks_is_not_the_sky():
    """By 2° an hour."""
    sunk = night(seed=60, frames=16, sag=2.0)
    assert not registered(sunk, times=clock(sunk)).sky_rotation.trusted


@pytest.mark.parametrize(
    ("seed", "latitude"), [pytest.param(65, 47.0, marks=pytest.mark.slow), (66, -33.0)]
)
def test_the_latitude_follows_from_axis_and_zenith(seed, latitude):
    sky = night(
        seed=seed, latitude=latitude, altitude=38.0, frames=10, cadence=80.0, faintest=8.5,
        azimuth=100.0,
    )  # fmt: skip
    found = registered(sky, star_tables(sky, stars=400), times=clock(sky))
    axis = recorded(found, clock(sky))["axis"]
    assert axis["latitude_deg"] == pytest.approx(latitude, abs=4 * axis["latitude_sigma_deg"])
    assert axis["latitude_sigma_deg"] < 4


# Bad input


def unplaced(found):
    return [k for k, mapping in enumerate(found.mappings) if mapping is None]


def test_fewer_than_six_stars_are_not_placed():
    sky = night(seed=71, frames=8)
    tables = star_tables(sky)
    tables[4] = table(tables[4].xy[:5])
    assert unplaced(registered(sky, tables, times=clock(sky))) == [4]


@pytest.mark.parametrize(
    "tables",
    [
        [table(np.array([[10.0, 10.0]]))] * 3,
        [table(np.zeros((0, 2))), table(np.zeros((0, 2)))],
        [table(np.zeros((0, 2))), *star_tables(night(seed=79, frames=3))],
        star_tables(night(seed=79, frames=1)),
    ],
    ids=["one star", "none", "one frame empty", "one frame"],
)
def test_next_to_nothing_raises_nothing(tables):
    found = register(tables, SIZE, None)
    assert found.mappings[found.reference] is not None
    assert len(found.mappings) == len(tables)


def test_frames_that_were_all_warped_are_placed_one_by_one():
    sky, rng = night(seed=80, frames=5), np.random.default_rng(1)
    bent = [np.eye(2) + rng.normal(0, 0.01, (2, 2)) for _ in range(5)]
    tables = [
        table(t.xy @ m + rng.normal(0, 15, 2), t.flux)
        for t, m in zip(star_tables(sky, stars=70), bent, strict=True)
    ]
    found = registered(sky, tables, times=clock(sky))
    assert found.models.count(CAMERA) == 1
    assert unplaced(found) == []
    assert np.nanmax(found.residuals) < 0.2


def test_nothing_but_noise():
    sky = night(seed=72)
    rng = np.random.default_rng(5)
    tables = [table(rng.uniform(0, SIZE, (100, 2))) for _ in range(6)]
    assert len(unplaced(registered(sky, tables))) == 5


def test_frames_of_two_nights_and_mirrored_ones_are_told():
    sky, other = night(seed=73), night(seed=74)
    tables = star_tables(sky)
    theirs = star_tables(other)
    tables[2], tables[9] = theirs[2], theirs[9]
    mirrored = tables[5].xy * [-1, 1] + [SIZE[0] - 1, 0]
    tables[5] = table(mirrored, tables[5].flux)
    found = registered(sky, tables, times=clock(sky))
    assert unplaced(found) == [2, 5, 9]
    assert "mirror" in found.unmatched_reasons[5]
    assert "another part of the sky" in found.unmatched_reasons[2]
    assert "another part of the sky" in found.unmatched_reasons[9]


def test_copies_of_one_frame_are_told():
    sky = night(seed=75)
    found = registered(sky, [star_tables(sky)[0]] * 6, times=clock(sky)[:6])
    told = recorded(found, clock(sky)[:6])
    assert told["still"]
    assert "Nothing rotated" in " ".join(_of_geometry(told))
    sky, alive = usual()
    assert not recorded(alive, clock(sky))["still"]


def test_stars_in_one_corner_only_are_doubted_elsewhere():
    sky = night(seed=76, faintest=8.5, frames=8)
    corner = star_tables(sky, stars=400, region=(0, 0, 260, 200))
    few = registered(sky, corner, times=clock(sky))
    told = recorded(few, clock(sky))["uncertainty_px"]
    full = recorded(registered(sky, times=clock(sky)), clock(sky))["uncertainty_px"]
    assert told[1] > 5 * full[1]


def lamps_and(sky_tables, seed, count):
    """Lamps that stay put, brighter than all, under stars."""
    rng = np.random.default_rng(seed)
    lamps = rng.uniform([0, 500], [1000, 745], (count, 2))
    return [
        table(np.concatenate([lamps + rng.normal(0, 0.05, lamps.shape), stars]))
        for stars in sky_tables
    ]


@pytest.mark.parametrize(
    ("count", "frames", "seeds"),
    [
        (10, 4, range(2)),
        (40, 4, range(2)),
        pytest.param(120, 4, range(8), marks=pytest.mark.slow),
        *(pytest.param(count, 7, range(8), marks=pytest.mark.slow) for count in (10, 40, 120)),
    ],
)
def test_lamps_under_skies_that_do_not_match_are_not_followed(count, frames, seeds):
    """Each frame another sky, as with clouds: the lamps alone would match perfectly."""
    tried = 0
    for seed in seeds:
        rng = np.random.default_rng([seed, count])
        skies = [rng.uniform(0, SIZE, (int(rng.integers(20, 100)), 2)) for _ in range(frames)]
        still = count / (count + np.mean([len(s) for s in skies]))
        if still > 0.65:
            continue  # a sky that hardly moves would look the same
        found = registered(night(), lamps_and(skies, seed, count), focal=675.0)
        assert len(unplaced(found)) == frames - 1
        tried += 1
    assert tried >= 1


def test_lamps_do_not_hold_a_sky_that_moves():
    sky = night(seed=77)
    stars = [t.xy for t in star_tables(sky, stars=60)]
    assert map_errors(registered(sky, lamps_and(stars, 1, 150), times=clock(sky)), sky).max() < 0.1


@pytest.mark.slow
def test_three_hundred_frames():
    sky = night(seed=78, frames=300, cadence=8.0, faintest=7.2)
    centre, corner = map_errors(registered(sky, times=clock(sky)), sky)
    assert centre < 0.03
    assert corner < 0.06
