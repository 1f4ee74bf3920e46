"""Gaps in a frame bridged by what a first stack expects there."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import (
    cache_of,
    combined,
    photographed,
    placed,
    shift,
    star_picture,
    summed,
)

from stackkit.calibration import mosaic_cache
from stackkit.integration.methods import METHODS

SHAPE = (72, 88)


MOVES = [(0.0, 0.0), (1.43, 0.71), (-0.62, 2.15), (0.87, -1.34), (-1.71, -0.55)]


def gapped(folder, light, frames_hit, seed):
    """A white star in five noisy frames, some without samples at its heart; stack and first stack.

    Pictures: of all samples, with the gaps filled from around, with them bridged.
    """
    rng = np.random.default_rng(seed)
    xy = np.array([[41.0, 36.0]]) + rng.uniform(0, 1, 2)
    scenes = [star_picture(SHAPE, xy + m, np.array([light]), 0.85, 100.0) for m in MOVES]
    mosaics = [photographed(rng, np.stack([scene] * 3), 1.6, 1.4) for scene in scenes]
    cache = cache_of(folder, mosaics)
    white = (1.0, 1.0, 1.0)
    frames = [placed(cache, k, shift(*m)) for k, m in enumerate(MOVES)]
    for k in range(len(frames)):
        mosaic_cache.put_rejected(cache, k, np.zeros(SHAPE, bool))
    whole, _ = summed(cache, frames, balance=white)
    for k in frames_hit:
        x, y = np.rint(xy[0] + MOVES[k]).astype(int)
        gap = np.zeros(SHAPE, bool)
        gap[y - 1 : y + 1, x : x + 2] = True  # a sample or two of every colour
        mosaic_cache.put_rejected(cache, k, gap)
    first = combined(cache, frames, method=METHODS["median"], balance=white).value
    holed, _ = summed(cache, frames, balance=white)
    bridged, _ = summed(cache, frames, balance=white, first=first)
    at = (slice(None), *(slice(round(v) - 5, round(v) + 6) for v in xy[0, ::-1]))
    return [float((p.value[at] - 100).sum()) for p in (whole, holed, bridged)], (holed, bridged), at


@pytest.mark.parametrize(("hit", "lost"), [((2,), 0.01), ((1, 3), 0.025), (range(5), 0.08)])
def test_a_gap_in_a_star_bridged_by_the_first_stack_keeps_its_light(hit, lost, tmp_path):
    """Unbridged 0.04, 0.10 and 0.32 of it are lost in trials, bridged 0.004, 0.014 and 0.05."""
    with_gap, with_bridge = [], []
    for seed in range(5):
        (whole, holed, bridged), _, _ = gapped(tmp_path, 12000.0, hit, seed)
        with_gap.append(holed / whole - 1)
        with_bridge.append(bridged / whole - 1)
    assert np.abs(with_bridge).max() < lost
    assert np.abs(with_bridge).mean() < 0.25 * np.abs(with_gap).mean()


def test_a_bridge_is_no_measurement(tmp_path):
    """Variance and coverage are those of what was measured, bridged or not."""
    _, (holed, bridged), _ = gapped(tmp_path, 3000.0, (1, 2), 7)
    assert np.array_equal(holed.coverage, bridged.coverage)
    # The noise of these frames is the same everywhere: only confidence can change it.
    np.testing.assert_allclose(holed.variance, bridged.variance, rtol=1e-5)
    away = np.ones(SHAPE, bool)
    away[27:47, 31:52] = False  # a gap's samples, two for opening, three for interpolating
    assert np.array_equal(holed.value[:, away], bridged.value[:, away])
    assert not np.array_equal(holed.value, bridged.value)


def test_a_first_stack_that_knows_nothing_changes_nothing(tmp_path):
    rng = np.random.default_rng(9)
    cache = cache_of(tmp_path, [photographed(rng, np.full((3, *SHAPE), 600.0), 1.6, 3.0)])
    frames, defects = [placed(cache, 0, shift(0.3, -0.6))], rng.random(SHAPE) < 0.03
    nothing = np.full((3, *SHAPE), np.nan, np.float32)
    one, _ = summed(cache, frames, defects=defects)
    other, _ = summed(cache, frames, defects=defects, first=nothing)
    assert np.array_equal(one.value, other.value, equal_nan=True)
    assert np.array_equal(one.variance, other.variance, equal_nan=True)
