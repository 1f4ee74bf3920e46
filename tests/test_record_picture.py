"""What the record tells of the picture: coverage by cell, the faintest star, the lens's residue."""

from __future__ import annotations

import numpy as np
import pytest

from stackkit.align.tracks import field_of
from stackkit.record.picture import coverage_record, faintest

SIGMA = 1.1
"""Width of the stars, px."""


def test_cells_hold_the_mean_of_their_pixels() -> None:
    rng = np.random.default_rng(2)
    coverage = rng.integers(0, 30, (90, 120)).astype(np.int16)
    found = coverage_record(coverage)
    assert (found["columns"], found["rows"]) == (24, 18)
    wanted = coverage.reshape(18, 5, 24, 5).mean(axis=(1, 3))
    assert np.allclose(np.reshape(found["frames"], (18, 24)), wanted, atol=0.005)


@pytest.mark.parametrize("shape", [(1, 1), (2, 1), (7, 3), (301, 199)])
def test_every_pixel_is_in_one_cell(shape: tuple[int, int]) -> None:
    found = coverage_record(np.full(shape, 7, np.int16))
    assert len(found["frames"]) == found["columns"] * found["rows"]
    assert set(found["frames"]) == {7.0}


def field_of_stars(noise: float, seed: int, sigma: float = SIGMA):
    """White noise with Gaussian stars on a mesh, and where they are."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[20:380:30, 20:380:30]
    xy = np.stack([x.ravel(), y.ravel()], axis=1) + rng.uniform(-0.5, 0.5, (x.size, 2))
    rows, columns = np.mgrid[:400, :400]
    picture = rng.normal(0, noise, (400, 400))
    for cx, cy in xy:
        r2 = (columns - cx) ** 2 + (rows - cy) ** 2
        picture += 4000 * np.exp(-r2 / (2 * sigma**2)) / (2 * np.pi * sigma**2)
    return picture.astype(np.float32), xy


def test_the_faintest_star_is_the_one_that_a_fit_finds_at_five_sigma() -> None:
    """Against the scatter of least-squares amplitudes of the true profile on pure noise."""
    noise, less = 6.0, 1.5
    alone, xy = field_of_stars(noise, 1)
    stack, _ = field_of_stars(less, 1)
    # Means of 8 × 8 independent pixels scatter by an eighth.
    found = faintest(alone, stack, xy, (noise / 8, less / 8))
    assert found is not None
    rng = np.random.default_rng(7)
    step = np.arange(-8, 9)
    profile = np.exp(-(step[:, None] ** 2 + step**2) / (2 * SIGMA**2)) / (2 * np.pi * SIGMA**2)
    fits = rng.normal(0, noise, (20_000, 17 * 17)) @ profile.ravel() / (profile**2).sum()
    assert found["frame_adu"] == pytest.approx(5 * fits.std(), rel=0.03)
    assert found["gained_mag"] == pytest.approx(2.5 * np.log10(noise / less), abs=0.03)


def test_blur_costs_depth_and_a_finer_grid_none() -> None:
    alone, xy = field_of_stars(3.0, 2)
    soft, _ = field_of_stars(3.0, 2, sigma=2 * SIGMA)
    fine = alone.repeat(2, axis=0).repeat(2, axis=1)
    blurred, doubled = (
        faintest(alone, picture, xy, (0.4, 0.4), sampling)
        for picture, sampling in ((soft, 1), (fine, 2))
    )
    assert blurred is not None
    assert doubled is not None
    assert blurred["gained_mag"] == pytest.approx(-2.5 * np.log10(2), abs=0.05)
    assert abs(doubled["gained_mag"]) < 0.08


@pytest.mark.parametrize("noise", [(None, 1.0), (1.0, None), (0.0, 1.0)])
def test_what_cannot_be_told_is_not(noise: tuple[float | None, float | None]) -> None:
    alone, xy = field_of_stars(1.0, 3)
    assert faintest(alone, alone, xy, noise) is None
    assert faintest(alone, alone, np.zeros((0, 2)), (1.0, 1.0)) is None
    assert faintest(0 * alone, 0 * alone, xy, (1.0, 1.0)) is None


def test_the_lens_s_residue_is_told_by_place() -> None:
    rng = np.random.default_rng(4)
    size = (1200, 900)
    xy = rng.uniform((-0.5, -0.5), (1199.5, 899.5), (30_000, 2))
    true = np.stack([0.02 * (xy[:, 0] / 1200 - 0.5), 0.03 * (xy[:, 1] / 900) ** 2], axis=1)
    away = true + rng.normal(0, 0.05, xy.shape)
    away[::50] += 5.0  # a wrong star now and then
    found = field_of(xy, away, size)
    assert found.shape == (9, 12, 2)
    x, y = (np.arange(12) + 0.5) / 12, (np.arange(9) + 0.5) / 9
    assert np.abs(found[..., 0] - 0.02 * (x - 0.5)).max() < 0.02
    assert np.abs(found[..., 1] - 0.03 * y[:, None] ** 2).max() < 0.02
    assert np.abs(found[..., 0] - 0.02 * (x - 0.5)).mean() < 0.005


def test_where_there_are_few_stars_nothing_is_told() -> None:
    xy = np.array([[10.0, 10.0]] * 7 + [[1100.0, 850.0]] * 8)
    found = field_of(xy, np.ones((15, 2)), (1200, 900))
    assert np.isfinite(found).all(axis=2).sum() == 1
    assert np.isfinite(found[8, 11]).all()
    assert not np.isfinite(field_of(np.zeros((0, 2)), np.zeros((0, 2)), (1200, 900))).any()
