"""Transparency and sky level of one frame against another."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import (
    PATTERNS,
    cache_of,
    combined,
    examples,
    photographed,
    placed,
    shift,
    star_picture,
    star_table,
)

from stackkit.grading.photometric import flat_level, relative_level, relative_transparency
from stackkit.simulate.camera import pattern_indices
from stackkit.stars.sky_mesh import MESH, Sky, measure_sky

SIZE = (960, 704)  # width, height: 15 by 11 boxes
FLAT = flat_level(SIZE)
COLOURS = np.array([0.5, 1.0, 0.7])

box_y, box_x = np.mgrid[: SIZE[1] // MESH, : SIZE[0] // MESH] * MESH + (MESH - 1) / 2


def offset_at(offset, x, y, unit=FLAT.unit):
    """A quadratic per colour, (3, 6), at places of any shape."""
    s, t = (x - unit[0]) / unit[2], (y - unit[1]) / unit[2]
    return np.tensordot(offset, np.stack([np.ones_like(s), s, t, s * s, s * t, t * t]), 1)


def milky_way(x, y):
    """A band across the picture with structure of some hundred px, fixed to the stars."""
    across = (x - 300) * 0.6 + (y - 350) * 0.8
    knots = 1 + 0.3 * np.sin(x / 120) * np.cos(y / 150)
    return 40 * np.exp(-0.5 * (across / 160) ** 2) * knots


def sky(scene, offset=None, transparency=1.0, move=(0, 0)):
    """A frame's mesh: a scene ``move`` px further than in the reference, dimmed, and glow."""
    seen = transparency * scene(box_x - move[0], box_y - move[1]) * COLOURS[:, None, None]
    glow = 0 if offset is None else offset_at(offset, box_x, box_y)
    return Sky((seen + glow).astype(np.float32))


def away(level, offset, move=(0, 0), bottom=SIZE[1] - 1):
    """Largest difference of an offset surface from the true one, where the reference sees too."""
    x, y = np.meshgrid(np.linspace(0, SIZE[0] - 1, 25), np.linspace(0, bottom, 25))
    u, v = x - move[0], y - move[1]
    there = (u >= 0) & (u < SIZE[0]) & (v >= 0) & (v < SIZE[1])
    found = offset_at(level.offset, x, y, level.unit)
    return np.abs(found - offset_at(offset, x, y))[:, there].max()


def even(x, _y):
    return np.full_like(x, 100.0)


COEFFICIENT = st.floats(-30, 30)
OFFSETS = st.lists(COEFFICIENT, min_size=18, max_size=18).map(lambda c: np.reshape(c, (3, 6)))


# Transparency


@examples(30)
@given(light=st.floats(0.05, 3), seed=st.integers(0, 99))
def test_transparency_is_the_light_that_came_through(light, seed):
    rng = np.random.default_rng(seed)
    flux = 10 ** rng.uniform(2, 5, 80)
    order = rng.permutation(80)
    frame = star_table((light * flux * rng.normal(1, 0.03, 80))[order])
    pairs = np.stack([order, np.arange(80)], axis=1)
    assert relative_transparency(star_table(flux), frame, pairs) == pytest.approx(light, rel=0.02)


def test_clipped_and_wrong_stars_do_not_count():
    rng = np.random.default_rng(1)
    flux = 10 ** rng.uniform(3, 5, 60)
    seen = 0.7 * flux
    clipped = flux > 3e4
    seen[clipped] *= 0.5
    seen[5:17] *= 4  # variable, or another star's light
    pairs = np.stack([np.arange(60)] * 2, axis=1)
    found = relative_transparency(star_table(flux), star_table(seen, clipped), pairs)
    assert found == pytest.approx(0.7, rel=1e-6)


def test_without_stars_nothing_is_known_of_transparency():
    none = np.zeros((0, 2), dtype=np.int64)
    assert relative_transparency(star_table([10.0]), star_table([5.0]), none) == 1.0
    both = np.array([[0, 0]])
    assert relative_transparency(star_table([10.0], [True]), star_table([5.0]), both) == 1.0
    assert relative_transparency(star_table([10.0]), star_table([-5.0]), both) == 1.0


# Sky


@pytest.mark.parametrize("pattern", PATTERNS)
def test_the_sky_s_level_is_found_among_stars(pattern):
    rng = np.random.default_rng(2)
    shape = (256, 384)
    y, x = np.mgrid[: shape[0], : shape[1]]
    glow = (60 + 0.1 * x + 0.05 * y) * COLOURS[:, None, None]
    xy = rng.uniform(0, 1, (150, 2)) * [shape[1], shape[0]]
    stars = star_picture(shape, xy, 10 ** rng.uniform(2, 4, 150), 0.9) * COLOURS[:, None, None]
    adu = photographed(rng, glow + stars, 1.6, 1.4, pattern)
    adu[rng.random(shape) < 0.01] = np.nan
    mesh = measure_sky(adu, pattern_indices(pattern)).mesh
    assert mesh.shape == (3, 4, 6)
    cy, cx = np.mgrid[:4, :6] * MESH + (MESH - 1) / 2
    true = (60 + 0.1 * cx + 0.05 * cy) * COLOURS[:, None, None]
    # A box of red or blue has 256 samples of about 7 ADU of noise, and a star or two.
    assert np.abs(mesh - true).max() < 4
    assert np.abs(np.mean(mesh - true, axis=(1, 2))).max() < 1


def test_boxes_without_samples_are_unknown():
    adu = np.full((192, 256), 50, np.float32)
    adu[:64, :64] = np.nan
    found = measure_sky(adu, pattern_indices("RGGB"))
    assert np.isnan(found.mesh[:, 0, 0]).all()
    assert np.isfinite(found.mesh).sum() == 3 * (12 - 1)
    assert found.level == (50, 50, 50)


# Level


@examples(30)
@given(
    offset=OFFSETS,
    light=st.floats(0.2, 1.5),
    move=st.tuples(st.floats(-150, 150), st.floats(-150, 150)),
)
def test_a_quadratic_offset_is_found(offset, light, move):
    reference, frame = sky(even), sky(even, offset, light, move)
    level = relative_level(reference, frame, shift(*move), SIZE, light)
    assert level.transparency == light
    assert away(level, offset) < 0.05


def test_noise_of_the_boxes_is_averaged():
    rng = np.random.default_rng(3)
    offset = rng.uniform(-20, 20, (3, 6))
    reference, frame = sky(even), sky(even, offset, 0.8, (40, -25))
    for one in (reference, frame):
        one.mesh[...] += rng.normal(0, 0.5, one.mesh.shape)
    level = relative_level(reference, frame, shift(40, -25), SIZE, 0.8)
    x, y = np.meshgrid(np.linspace(100, 860, 20), np.linspace(100, 600, 20))
    found = offset_at(level.offset, x, y, level.unit)
    assert np.abs(found - offset_at(offset, x, y)).max() < 0.5


@pytest.mark.parametrize("move", [(0, 0), (20, -5), (90, -50), (-130, 75), (170, 110)])
@pytest.mark.parametrize("light", [1.0, 0.6])
def test_the_milky_way_moves_with_the_stars_and_is_no_offset(move, light):
    def scene(x, y):
        return 100 + milky_way(x, y)

    offset = np.zeros((3, 6))
    offset[:, 0], offset[1, 1], offset[2, 3] = 10, 6, -4
    reference, frame = sky(scene), sky(scene, offset, light, move)
    level = relative_level(reference, frame, shift(*move), SIZE, light)
    # Of 40 ADU a trace is left (1.1 measured), for the mesh is straight between its boxes.
    assert away(level, offset, move) < 1.3
    # Were it taken for glow that stays with the camera, far more would be: the test can fail.
    if move != (0, 0):
        blind = relative_level(reference, frame, shift(0, 0), SIZE, light)
        assert away(blind, offset, move) > 3 * away(level, offset, move)


@pytest.mark.parametrize(("depth", "uneven", "most"), [(1, 10, 0.7), (2, 5, 2.5)])
@pytest.mark.parametrize("seed", range(4))
def test_the_ground_does_not_pull(depth, uneven, most, seed):
    """Dark hills along the lower edge, which do not move, and a lamp; the sky has 85 ADU more."""
    rng = np.random.default_rng(seed)
    offset = rng.uniform(-uneven, uneven, (3, 6))
    move = (50, -90)
    reference, frame = sky(even), sky(even, offset, 0.9, move)
    ground = np.zeros(box_x.shape, bool)
    ground[-depth:] = True
    ground[-depth - 1, 4:9] = True
    for one in (reference, frame):
        one.mesh[:, ground] = 15 * COLOURS[:, None]
        one.mesh[:, -1, 3] = 400
        one.mesh[...] += rng.normal(0, 0.3, one.mesh.shape)
    level = relative_level(reference, frame, shift(*move), SIZE, 0.9)
    assert away(level, offset, move, bottom=SIZE[1] - MESH * (depth + 2)) < most


def test_unknown_boxes_are_passed_over():
    offset = np.zeros((3, 6))
    offset[:, 0], offset[:, 1] = 12, -5
    reference, frame = sky(even), sky(even, offset, 1.0, (30, 20))
    reference.mesh[:, 2:4, 3:6] = np.nan
    frame.mesh[:, 5, 5] = np.nan
    level = relative_level(reference, frame, shift(30, 20), SIZE, 1.0)
    assert away(level, offset) < 0.05


def test_with_little_in_common_the_levels_alone_are_compared():
    offset = np.zeros((3, 6))
    offset[:, 0] = 25
    reference, frame = sky(even), sky(even, offset, 0.8, (900, 0))
    level = relative_level(reference, frame, shift(900, 0), SIZE, 0.8)
    assert level.offset[:, 0] == pytest.approx(25, abs=1e-3)
    assert not level.offset[:, 1:].any()


def test_a_small_picture_has_a_level_too():
    size = (100, 80)
    rng = np.random.default_rng(5)
    pattern = pattern_indices("RGGB")
    adu = np.full((80, 100), 100.0) + rng.normal(0, 2, (2, 80, 100))
    one, other = (measure_sky(a.astype(np.float32), pattern) for a in (adu[0], adu[1] + 30))
    level = relative_level(one, other, shift(0, 0), size, 1.0)
    assert level.offset[:, 0] == pytest.approx(30, abs=1)


def test_the_reference_itself_has_no_offset():
    level = flat_level(SIZE)
    assert not level.offset.any()
    assert level.transparency == 1
    reference = sky(milky_way)
    same = relative_level(reference, reference, shift(0, 0), SIZE, 1.0)
    assert np.abs(same.offset).max() < 1e-6


def test_from_samples_to_one_scale(tmp_path):
    """The whole way: a hazy frame, brought to the reference's scale, shows the reference's sky."""
    rng = np.random.default_rng(6)
    y, x = np.mgrid[: SIZE[1], : SIZE[0]].astype(float)
    offset = np.array([[8, 3, -2, 1, 0, 2], [15, -4, 5, 0, 2, 0], [10, 0, 3, -2, 1, 1.0]])
    move = (20.3, -11.6)
    pattern = pattern_indices("RGGB")

    def scene(u, v):
        return (80 + milky_way(u, v)) * COLOURS[:, None, None]

    hazy = 0.7 * scene(x - move[0], y - move[1]) + offset_at(offset, x, y)
    reference = photographed(rng, scene(x, y), 1.6, 1.4)
    frame = photographed(rng, hazy, 1.6, 1.4)
    skies = [measure_sky(adu, pattern) for adu in (reference, frame)]
    level = relative_level(*skies, shift(*move), SIZE, 0.7)
    cache = cache_of(tmp_path, [reference, frame])
    value = combined(cache, [placed(cache, 1, shift(*move), level=level)]).value
    inner = (slice(None), slice(64, -64), slice(64, -64))
    left = (value - scene(x, y))[inner]
    boxes = left[:, : left.shape[1] // 32 * 32, : left.shape[2] // 32 * 32]
    means = boxes.reshape(3, -1, 32, boxes.shape[2] // 32, 32).mean(axis=(2, 4))
    # Of a sky of 80 to 120 ADU.
    assert np.abs(means).max() < 2.5
    assert np.abs(means.mean(axis=(1, 2))).max() < 0.5
