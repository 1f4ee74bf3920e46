"""FramePictures at one stretch, and the one frame that lies on the stack."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import imagecodecs
import numpy as np
import pytest
from command_line import good, simulated
from grids import corners
from numpy.typing import NDArray

import stackkit
from stackkit.calibration import mosaic_cache
from stackkit.noise.photon_transfer import Noise
from stackkit.picture.archive import ALONE, STACK, read_pictures
from stackkit.picture.edit import edited
from stackkit.picture.preview import Rendering, render, rendered
from stackkit.picture.thumbnails import OneFrame, opened, picture_name, webp
from stackkit.simulate import Mishap, MishapKind
from stackkit.stars.detect import Stars, detect
from stackkit.stars.photometry import measurable

RGGB = np.array([[0, 1], [1, 2]], dtype=np.uint8)


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> stackkit.Result:
    """Six frames, one of them with the lens covered, one under a bright sky."""
    folder = tmp_path_factory.mktemp("gallery")
    mishaps = (
        Mishap(MishapKind.COVERED, 2, 2, 1.0),
        Mishap(MishapKind.FLOODED, 4, 4, 3.0),
    )
    night = simulated(folder, frames=6, width=640, height=480, focal=520.0, mishaps=mishaps)
    return stackkit.stack([night], stackkit.Options(jobs=1))


@pytest.fixture(scope="module")
def rendering(result: stackkit.Result) -> Rendering:
    return edited(result).rendering


def seen(data: bytes) -> NDArray[np.float64]:
    return np.asarray(imagecodecs.webp_decode(data), dtype=np.float64)


def test_every_light_that_could_be_read_has_a_thumbnail(result: stackkit.Result) -> None:
    rows = [row for row in result.record["frames"] if row["role"] == "light"]
    assert [row["picture"] for row in rows] == [picture_name(k) for k in range(6)]
    assert sorted(result.pictures.thumbnails) == list(range(6))
    for data in result.pictures.thumbnails.values():
        assert seen(data).shape == (120, 160, 3)  # a cell of 2×2 samples, the brightest of four


def test_one_stretch_shows_what_befell_the_frames(result: stackkit.Result) -> None:
    levels = [
        float(np.median(seen(data))) for _, data in sorted(result.pictures.thumbnails.items())
    ]
    usual = np.median(levels)
    assert 0.16 < usual / 255 < 0.3  # dark, and not black
    assert levels[2] < 0.4 * usual
    assert levels[4] > 1.4 * usual
    assert max(abs(levels[k] - usual) for k in (0, 1, 3, 5)) < 0.1 * usual


def test_bilinear_as_another_library_has_it() -> None:
    rng = np.random.default_rng(3)
    codes = rng.integers(200, 4000, (40, 60), dtype=np.uint16)
    coding = mosaic_cache.Coding(1.0, 0.0)
    found = opened(OneFrame(codes, coding, RGGB))
    # OpenCV names a pattern by its second row's second and third sample: RGGB is "BayerBG".
    other = cv2.cvtColor(codes - 1, cv2.COLOR_BayerBG2RGB)
    inside = (slice(None), slice(2, -2), slice(2, -2))
    assert np.abs(found - np.moveaxis(other, -1, 0).astype(float))[inside].max() <= 0.51


def test_rows_are_opened_alike_wherever_they_are_cut() -> None:
    codes = np.random.default_rng(5).integers(200, 4000, (1100, 24), dtype=np.uint16)
    codes[500:530, 7] = 0  # missing samples on either side of the cut
    coding = mosaic_cache.Coding(1.0, 100.0)
    whole = opened(OneFrame(codes, coding, RGGB))
    apart = opened(OneFrame(codes[400:600], coding, RGGB))
    assert np.allclose(whole[:, 420:580], apart[:, 20:-20], equal_nan=True)


def centroids(picture: NDArray[np.float64], xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Centres of light within 3 px of places (N, 2), the median around taken off."""
    found = []
    for x, y in np.rint(xy).astype(int):
        patch = picture[y - 4 : y + 5, x - 4 : x + 5]
        light = np.clip(patch - np.median(patch), 0, None)
        rows, columns = np.mgrid[-4:5, -4:5]
        light = np.where(np.hypot(rows, columns) <= 3.2, light, 0)
        found.append(
            (x + (light * columns).sum() / light.sum(), y + (light * rows).sum() / light.sum())
        )
    return np.array(found)


def bright(result: stackkit.Result) -> Stars:
    """Stars of the reference frame that stand well over its noise."""
    alone = result.pictures.alone
    adu = mosaic_cache.decode(alone.codes, alone.coding)
    stars = measurable(detect(adu, alone.pattern, Noise(0.6, 30.0), np.inf), adu.shape)
    keep = np.argsort(-stars.flux)[:60]
    return replace(stars, **{n: getattr(stars, n)[keep] for n in vars(stars)})


@pytest.mark.parametrize("sampling", corners((1, 2), [1]))
def test_the_frame_lies_on_the_stack_to_a_tenth_of_a_pixel(
    result: stackkit.Result, rendering: Rendering, sampling: int
) -> None:
    stack = result.stack.value.repeat(sampling, axis=1).repeat(sampling, axis=2)
    shown, one = (
        render(stack, rendering),
        render(opened(result.pictures.alone, sampling), rendering),
    )
    assert shown.shape == one.shape == (480 * sampling, 640 * sampling, 3)
    places = (bright(result).xy + 0.5) * sampling - 0.5
    away = centroids(one[..., 1].astype(float), places)
    away -= centroids(shown[..., 1].astype(float), places)
    assert len(places) > 30
    assert np.abs(np.median(away, axis=0)).max() < 0.1 * sampling / 2
    assert np.abs(np.mean(away, axis=0)).max() < 0.1 * sampling


def test_both_have_one_stretch(result: stackkit.Result, rendering: Rendering) -> None:
    shown, one = (
        render(result.stack.value, rendering),
        render(opened(result.pictures.alone), rendering),
    )
    assert np.median(one) == pytest.approx(np.median(shown), abs=6)
    # Means of 4 × 4: between neighbours the frame is opened smoothly.
    grain, less = (
        np.median(np.abs(np.diff(p[..., 1].reshape(120, 4, 160, 4).mean(axis=(1, 3)), axis=0)))
        for p in (one, shown)
    )
    assert grain > 1.2 * less


@pytest.mark.parametrize("level", [0.0, 5.0, np.nan])
@pytest.mark.parametrize("shape", [(2, 2), (1, 2), (40, 60)])
def test_even_pictures_of_any_size_are_shown(
    rendering: Rendering, shape: tuple[int, int], level: float
) -> None:
    plain = np.full((3, *shape), level, dtype=np.float32)
    shown = rendered(plain, rendering.how)[1]
    assert shown.shape == (*shape, 3)
    assert np.ptp(seen(webp(shown, 10_000))) < 12


def test_the_file_of_pictures_holds_them_by_name(small_night, tmp_path, begun) -> None:
    good("stack", small_night, "--out", begun(small_night, tmp_path))
    found = read_pictures(tmp_path / "pictures.zip")
    assert list(found) == [STACK, ALONE, *(picture_name(k) for k in range(6))]


def test_a_large_picture_is_made_to_fit() -> None:
    grain = np.random.default_rng(1).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    with ThreadPoolExecutor(3) as pool:
        made = list(pool.map(lambda most: webp(grain, most), (200_000, 9_000, 900)))
    assert all(len(data) <= most for data, most in zip(made, (200_000, 9_000, 900), strict=True))
    assert seen(made[0]).shape == (300, 400, 3)
