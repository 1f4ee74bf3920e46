"""What a first stack says of samples: held against plain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import (
    PATTERNS,
    examples,
    layout,
    shift,
    sites,
)

from stackkit.grading.photometric import flat_level
from stackkit.integration import prediction
from stackkit.integration.nodes import nodes_of

every_pattern = pytest.mark.parametrize("pattern", PATTERNS)
SHIFTS = st.floats(-2.0, 2.0)


QUADRATIC = st.tuples(st.floats(200, 900), *[st.floats(-3, 3)] * 2, *[st.floats(-0.04, 0.04)] * 3)


def quadratic(terms, x, y):
    return (
        terms[0]
        + terms[1] * x
        + terms[2] * y
        + terms[3] * x * x
        + terms[4] * x * y
        + (terms[5] * y * y)
    )


def expectation(planes, grid, codes, missing, origin, move, level, coding):
    """The window's codes after ``expect``; the sites lie ``move`` px further in the model."""
    sites = np.argwhere(missing)[:, ::-1] + np.array(origin)
    places = shift(*move).from_reference(sites.astype(np.float64))
    codes = codes.copy()
    model = planes.astype(np.float32)
    prediction.expect(codes, sites, coding, origin, grid.layout, model, places, level)
    return codes


@examples(20)
@given(
    terms=st.tuples(QUADRATIC, QUADRATIC, QUADRATIC),
    move=st.tuples(SHIFTS, SHIFTS),
    light=st.floats(0.3, 1.5),
    glow=st.floats(-40, 40),
    pattern=st.sampled_from(PATTERNS),
)
def test_what_is_expected_is_the_model_at_the_sample_s_place(terms, move, light, glow, pattern):
    """Exact for linear and quadratic pictures (Keys 1981: his kernel has third order)."""
    y, x = np.mgrid[:48, :60]
    planes = np.stack([quadratic(t, x, y) for t in terms])
    grid, coding, origin = layout(pattern, (48, 60)), (0.125, 256.0), (10, 6)
    unit = flat_level((60, 48)).unit
    offset = np.outer([1, -0.5, 0.7], [glow, 9, -6, 3, 2, -4])
    codes = np.random.default_rng(1).integers(1, 60000, (30, 36)).astype(np.uint16)
    missing = np.random.default_rng(2).random(codes.shape) < 0.3
    level = (offset, unit, light)
    told = expectation(planes, grid, codes, missing, origin, move, level, coding)
    j, i = np.mgrid[6:36, 10:46]
    s, t = (i - unit[0]) / unit[2], (j - unit[1]) / unit[2]
    away = np.tensordot(offset, np.stack([np.ones_like(s), s, t, s * s, s * t, t * t]), 1)
    there = np.stack([quadratic(v, i + move[0], j + move[1]) for v in terms])
    expected = np.choose(sites(pattern, (48, 60))[6:36, 10:46], light * there + away)
    adu = (told - 1.0) * coding[0] - coding[1]
    # To half a code, and a little for single precision; below the pedestal there are no codes.
    assert np.abs(adu - np.maximum(expected, -256))[missing].max() < 0.5 * 0.125 + 0.01
    assert np.array_equal(told[~missing], codes[~missing])


def test_what_nobody_knows_is_not_expected():
    planes = np.full((3, 40, 40), 500.0)
    planes[1, 20, 20] = np.nan
    grid, level = layout("RGGB", (40, 40)), flat_level((40, 40))
    parts = (level.offset, level.unit, level.transparency)
    codes = np.full((40, 40), 7, np.uint16)
    every = np.ones(codes.shape, dtype=bool)
    told = expectation(planes, grid, codes, every, (0, 0), (0.5, 0.0), parts, (1.0, 0.0))
    y, x = np.mgrid[:40, :40]
    u = x + 0.5
    reach = (u >= 1) & (u < 38) & (y >= 1) & (y < 38)
    hole = (np.abs(u - 19.5) < 2.1) & (y > 17) & (y < 22) & (sites("RGGB", (40, 40)) == 1)
    assert (told[~reach] == 0).all()
    assert (told[reach & ~hole] == 501).all()
    assert (told[20, 18:22][[1, 3]] == 0).all()  # the green ones beside the hole
    # What a code cannot hold is its nearest end.
    for level_there, code in ((1e6, 65535), (-900.0, 1)):
        planes[:] = level_there
        told = expectation(planes, grid, codes, every, (0, 0), (0, 0), parts, (1.0, 0.0))
        assert (told[5:30, 5:30] == code).all()


@every_pattern
def test_deviations_are_those_of_plain_arithmetic(pattern):
    """(sample - prediction) / standard deviation, and where the contrast is a star's."""
    shape, rng = (64, 96), np.random.default_rng(15)
    y, x = np.mgrid[: shape[0], : shape[1]]
    model = np.stack([300 + (4 + c) * x - 2 * y for c in range(3)]).astype(np.float32)
    model[:, 30:40, 50:60] += 800
    spread = rng.uniform(5, 40, (3, 2, 3)).astype(np.float32)
    relief = rng.uniform(1, 3, (3, 2, 3)).astype(np.float32)
    noise, light, steepness, coding = (0.6, 9.0), 0.8, 0.25, (0.5, 100.0)
    codes = rng.integers(1, 3000, shape).astype(np.uint16)
    codes[rng.random(shape) < 0.05] = 0
    unit = flat_level((shape[1], shape[0])).unit
    offset = np.zeros((3, 6))
    offset[:, 0] = (5, 7, -3)
    nodes = nodes_of(shift(2, 1).from_reference, 0, 0, shape[1], shape[0])
    out, starry = np.empty(shape, np.float32), np.zeros(shape, bool)
    level = (offset, unit, light)
    grid = layout(pattern, shape)
    prediction.deviations(
        codes,
        coding,
        grid.layout,
        model,
        spread,
        nodes,
        level,
        noise,
        relief,
        steepness,
        out,
        starry,
    )
    colour = sites(pattern, shape)
    for j, i in rng.integers(4, 60, (400, 2)):
        c = colour[j, i]
        v, u = j + 1, i + 2
        around = model[c, v - 1 : v + 3, u - 1 : u + 3]
        expected = light * model[c, v, u] + offset[c, 0]
        contrast = light * np.ptp(around)
        gain = relief[c, j // 32, i // 32]
        own = gain * (noise[0] * expected + noise[1] * gain)
        beside = spread[c, v // 32, (i // 32 * 32 + 16 + 2) // 32]  # of the block's middle
        whole = own + (steepness * contrast) ** 2 + light**2 * beside
        adu = (codes[j, i] - 1.0) * coding[0] - coding[1]
        told = np.nan if codes[j, i] == 0 else (adu - expected) / np.sqrt(whole)
        assert out[j, i] == pytest.approx(told, rel=1e-3, abs=1e-3, nan_ok=True)
        if codes[j, i] != 0:
            assert starry[j, i] == (contrast > prediction.STARRY * np.sqrt(own))
    assert 0.01 < starry.mean() < 0.2
    # Beyond the model's reach nothing is known.
    assert np.isnan(out[:, -3:]).all()
    assert np.isnan(out[-2:]).all()
