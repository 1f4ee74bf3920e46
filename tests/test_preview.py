"""preview.png: neutral dark sky, stars with colour, nothing clipped flat.

Outside references: OpenCV and Pillow read the file; ``cv2.INTER_AREA`` shrinks; Lupton et al.
2004 (PASP 116:133): channels keep their ratio, and are scaled down together at the top.
"""

from __future__ import annotations

import itertools
import warnings
from functools import cache

import cv2
import numpy as np
import pytest
from grids import corners
from PIL import Image

from stackkit.output.dng import MosaicTags
from stackkit.picture.colour.camera import camera_colour
from stackkit.picture.colour.develop import CameraWhite, Development, development
from stackkit.picture.colour.spaces import SRGB
from stackkit.picture.preview import LONGEST, rendered, upright_picture, write_jpeg, write_png
from stackkit.raw.headers.metadata import ColourProfile, Metadata
from stackkit.simulate import Night, ideal_picture

HEIGHT, WIDTH = 240, 320
WHITE = 3839.0
NOISE = 1.0
BALANCE = (1.92, 1.0, 1.52)


def balanced(balance, white=WHITE):
    """White balance alone, no matrix."""
    gains = np.array(balance or (1.0, 1.0, 1.0))
    return Development((1 / gains) / (1 / gains).max(), np.eye(3), white, white, SRGB, None, "")


def render(value, balance, white):
    return rendered(value, balanced(balance, white))[1]


def mosaic_matrix():
    """XYZ to the simulated camera's colours, of which white is 1, 1, 1."""
    return MosaicTags.__dataclass_fields__["color_matrix"].default


def even_sky(level=40.0, height=HEIGHT, width=WIDTH, seed=4):
    rng = np.random.default_rng(seed)
    sky = np.array([level / b for b in BALANCE])[:, None, None]
    return (sky + rng.normal(0, NOISE, (3, height, width))).astype(np.float32)


def add_star(picture, y, x, excess):
    """A star of σ 1 px whose brightest pixel adds ``excess`` (R, G, B after balance)."""
    rows, columns = np.mgrid[: picture.shape[1], : picture.shape[2]]
    shape = np.exp(-0.5 * ((rows - y) ** 2 + (columns - x) ** 2))
    for channel, amount in enumerate(excess):
        picture[channel] += (amount / BALANCE[channel] * shape).astype(np.float32)


WHITES = ["asshot", "daylight", (1.4, 1.0, 2.2)]
NIGHTS = {
    "plain": {},
    "star-poor": {"star_density": 0.1, "milky_way": 0.0},
    "city": {"sky_rate": 60.0, "milky_way": 0.0},
    "gradient": {"sky_gradient": 2.0, "altitude": 35.0, "milky_way": 0.0},
    "Milky Way": {"milky_way": 1.2, "azimuth": 270.0},
    "low": {"altitude": 30.0, "sky_gradient": 1.2, "extinction": 0.25},
}


@cache
def simulated(name):
    """A picture as a stack of 24 frames would give it, in ADU, and its white balance."""
    size = {"width": WIDTH, "height": HEIGHT, "focal": 216.0, "frames": 1}
    night = Night(seed=3, faintest=9.5, **size, **NIGHTS[name])
    electrons = np.minimum(ideal_picture(night, 0), (night.white - night.black) * night.gain)
    rng = np.random.default_rng(6)
    scatter = np.sqrt((electrons + night.read_noise**2) / 24)
    adu = (electrons + rng.normal(size=electrons.shape) * scatter) / night.gain
    return adu.astype(np.float32), tuple(1 / s for s in night.sensitivity)


def background(picture):
    """Mean R, G, B (0-1) of the pixels without stars: darker than the 70th percentile."""
    light = picture.mean(axis=-1)
    return picture[light <= np.percentile(light, 70)].mean(axis=0) / 255


@cache
def shown(name):
    """The preview of a simulated picture."""
    return render(*simulated(name), WHITE)


every_night = pytest.mark.parametrize("name", corners(NIGHTS, [n for n in NIGHTS if n != "low"]))


@every_night
def test_the_sky_is_dark_and_neutral(name):
    picture = shown(name)
    red, green, blue = background(picture)
    assert 0.09 < green < 0.14
    assert red == pytest.approx(green, rel=0.02)
    assert blue == pytest.approx(green, rel=0.02)


@pytest.mark.parametrize(
    "case",
    corners(
        itertools.product(NIGHTS, WHITES),
        [("city", "asshot"), ("Milky Way", "daylight"), ("plain", WHITES[2])],
    ),
    ids=str,
)
def test_with_a_cameras_matrix_too(case):
    name, white = case
    value, _ = simulated(name)
    night = Night()
    matrix = np.array(mosaic_matrix()).reshape(3, 3) * np.array(night.sensitivity)[:, None]
    profile = ColourProfile(20, tuple(map(tuple, matrix.tolist())), None)
    colour = camera_colour(Metadata(colour_profiles=(profile,)), None)
    known = CameraWhite(colour, night.sensitivity, None)
    sky = float(np.median(value[1]))
    how = development(known, white, WHITE, 0.95 * WHITE, sky=sky)
    picture = rendered(value, how)[1]
    red, green, blue = background(picture)
    assert 0.09 < green < 0.14
    assert (red, blue) == pytest.approx((green, green), rel=0.02)
    assert (picture.min(axis=-1) == 255).mean() < 2e-4  # white, without colour
    assert (picture == 0).mean() < 1e-2


@every_night
def test_nothing_is_clipped_flat(name):
    picture = shown(name)
    assert (picture == 0).mean() < 1e-3
    assert (picture == 255).mean() < 2e-3
    assert picture.max() > 180


@pytest.mark.parametrize("name", ["star-poor", "city", "gradient"])
def test_the_smooth_gradient_is_gone(name):
    value, _ = simulated(name)
    before = np.median(value[1].reshape(6, 40, 8, 40), axis=(1, 3))
    assert before.max() > 1.3 * before.min()
    light = shown(name).mean(axis=-1)
    tiles = np.median(light.reshape(6, 40, 8, 40), axis=(1, 3)) / 255
    assert np.abs(tiles - np.median(tiles)).max() < 0.035


def test_the_milky_way_is_kept():
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    across = ((y - HEIGHT / 2) - 0.5 * (x - WIDTH / 2)) / np.hypot(1, 0.5)
    band = 12 * np.exp(-0.5 * (across / 25) ** 2)
    slope = 1 + 0.4 * x / WIDTH
    value = even_sky() * slope + np.array([band / b for b in BALANCE])
    light = render(value.astype(np.float32), BALANCE, WHITE).mean(axis=-1) / 255
    middle, far = np.abs(across) < 5, np.abs(across) > 80
    kept = np.median(light[middle]) / np.median(light[far])
    alone = even_sky() + np.array([band / b for b in BALANCE])
    reference = render(alone.astype(np.float32), BALANCE, WHITE).mean(axis=-1)
    assert kept > 1.5
    assert kept > 0.85 * np.median(reference[middle]) / np.median(reference[far])


def test_ground_neither_lifts_the_sky_nor_clips():
    value = even_sky()
    y = np.arange(HEIGHT)[:, None]
    value = value * (1 + 0.5 * (y / HEIGHT) ** 2)
    ridge = 180 + 12 * np.sin(np.arange(WIDTH) / 25)
    ground = np.broadcast_to(y > ridge, (HEIGHT, WIDTH))
    value[:, ground] *= 0.3
    picture = render(value.astype(np.float32), BALANCE, WHITE)
    light = picture.mean(axis=-1) / 255
    sky_rows = np.array([np.median(light[r][~ground[r]]) for r in range(0, 165, 15)])
    assert np.abs(sky_rows - 0.12).max() < 0.02
    assert light[ground].min() > 0
    assert light[ground].max() < 0.06


def test_stars_keep_their_colour():
    # Lupton et al. 2004, eq. 2: every channel is multiplied by the same f(I)/I.
    value = even_sky()
    add_star(value, 60, 80, (300, 200, 100))
    add_star(value, 160, 200, (80, 160, 320))
    picture = render(value, BALANCE, WHITE).astype(float)
    warm, cold = picture[60, 80], picture[160, 200]
    np.testing.assert_allclose(warm / warm.max(), np.array([3, 2, 1]) / 3, atol=0.05)
    np.testing.assert_allclose(cold / cold.max(), np.array([1, 2, 4]) / 4, atol=0.05)


def test_the_brightest_channel_is_scaled_down_with_the_others():
    # Lupton et al. 2004, section 2: beyond full scale the colour is kept, not cut.
    value = even_sky()
    add_star(value, 100, 100, (3000, 1500, 600))
    pixel = render(value, BALANCE, WHITE)[100, 100].astype(float)
    assert pixel.max() == 255
    np.testing.assert_allclose(pixel / 255, [1, 0.5, 0.2], atol=0.03)


def test_stars_of_several_hundred_sigma_are_bright_and_not_clipped():
    value = even_sky()
    noise = rendered(value, balanced(BALANCE))[0].noise * WHITE
    places = {300: 100, 500: 150, 800: 200}
    for sigmas, x in places.items():
        add_star(value, 100, x, (sigmas * noise,) * 3)
    picture = render(value, BALANCE, WHITE)
    for sigmas, x in places.items():
        assert picture[100, x].min() > 0.7 * 255, sigmas
        assert picture[100, x].max() < 250, sigmas


def test_clipped_stars_are_white():
    # The sensor clips all channels at the same code: balanced, that would be pink.
    value = even_sky()
    value[:, 100, 100] = WHITE
    assert np.ptp(render(value, BALANCE, WHITE)[100, 100].astype(int)) <= 2


def test_noise_shows_as_grain_without_colour():
    picture = render(even_sky(), BALANCE, WHITE).astype(float)
    assert 1 < picture.mean(axis=-1).std() < 8
    colour = picture - picture.mean(axis=-1, keepdims=True)
    assert colour.std() < 0.5


def test_missing_pixels_are_black_and_a_missing_colour_is_not():
    value = even_sky()
    value[:, :30] = np.nan
    value[0, 100, 100] = np.nan
    picture = render(value, BALANCE, WHITE)
    assert (picture[:30] == 0).all()
    assert picture[31:].min() > 0
    assert picture[100, 100, 0] == pytest.approx(picture[100, 100, 1], abs=6)


@pytest.mark.parametrize(
    "value",
    [
        np.full((3, 50, 60), np.nan),
        np.full((3, 50, 60), 7.0),
        np.zeros((3, 50, 60)),
        np.full((3, 50, 60), -3.0),
        np.full((3, 50, 60), 5000.0),
        np.arange(6.0).reshape(3, 1, 2),
        np.ones((3, 1, 1)),
        np.arange(3.0 * 400).reshape(3, 1, 400),
        np.where(np.arange(60) < 3, 5.0, np.full((3, 50, 60), np.nan)),
    ],
    ids=["missing", "even", "zero", "negative", "white", "two", "one", "line", "sliver"],
)
def test_strange_pictures(tmp_path, value):
    value = value.astype(np.float32)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        write_png(tmp_path / "preview.png", render(value, BALANCE, WHITE))
    picture = cv2.imread(str(tmp_path / "preview.png"))
    assert picture.shape[:2] == value.shape[1:]
    missing = np.isnan(value).all(axis=0)
    assert (picture[missing] == 0).all()
    if not missing.all() and np.ptp(value[:, ~missing]) == 0:
        assert (picture[~missing] == round(0.12 * 255)).all()


@pytest.mark.parametrize(("height", "width"), [(60, 2500), (2500, 60), (100, 2048), (50, 4097)])
def test_the_long_side(height, width):
    picture = render(even_sky(height=height, width=width), BALANCE, WHITE)
    assert max(picture.shape[:2]) == min(LONGEST, max(height, width))
    wanted = height / width
    assert picture.shape[0] / picture.shape[1] == pytest.approx(wanted, rel=0.02)
    assert not (picture == 0).any()


@pytest.mark.parametrize(("orientation", "corner"), [(1, (0, 0)), (3, (-1, -1)), (6, (0, -1))])
def test_the_file_is_upright_rgb(tmp_path, orientation, corner):
    value = even_sky(height=90, width=120)
    value[0, :20, :20] += 300
    shown = upright_picture(render(value, BALANCE, WHITE), orientation)
    write_png(tmp_path / "preview.png", shown)
    write_jpeg(tmp_path / "preview.jpg", shown)
    for name in ("preview.png", "preview.jpg"):
        with Image.open(tmp_path / name) as image:
            assert image.mode == "RGB"
            assert image.info.get("srgb", 0) == 0  # PNG 1.2, 4.2.2.3: perceptual
            picture = np.asarray(image)
        assert picture.shape == ((120, 90, 3) if orientation == 6 else (90, 120, 3))
        red, green, _ = picture[corner].astype(int)
        assert red > green + 50


def test_the_same_stack_gives_the_same_bytes_and_stays_as_it_is(tmp_path):
    value = even_sky(height=120, width=160)
    value.flags.writeable = False
    for name in ("one.png", "two.png"):
        write_png(tmp_path / name, render(value, None, WHITE))
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()
