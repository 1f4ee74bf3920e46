import json
from dataclasses import replace
from pathlib import Path

import erfa
import numpy as np
import pytest
import rawpy
import tifffile

from stackkit.geometry.lens import SIDEREAL
from stackkit.geometry.rotation import rotation_angle
from stackkit.simulate import Night, expose, frame_matrix, ideal_picture, write_night
from stackkit.simulate.night import refract
from stackkit.simulate.scenes import scene_night
from stackkit.simulate.sky import catalogue

SMALL = Night(seed=3, frames=2, width=160, height=120, focal=110.0, faintest=8.0)
SAMPLE = Path(__file__).parents[1] / "sample_frames"


def test_the_same_night_gives_the_same_bytes(tmp_path):
    for name in "ab":
        (tmp_path / name).mkdir()
    one, other = (write_night(SMALL, tmp_path / name) for name in "ab")
    for a, b in zip(one, other, strict=True):
        assert a.read_bytes() == b.read_bytes()
    assert (tmp_path / "a/truth.json").read_bytes() == (tmp_path / "b/truth.json").read_bytes()
    assert (expose(SMALL, 0).codes != expose(replace(SMALL, seed=4), 0).codes).any()


@pytest.mark.slow
def test_the_sample_frames_are_what_the_simulator_makes():
    """Another processor's sine may differ in its last digit: next to no sample may show it."""
    night = replace(scene_night("wide", 18, 960), seed=7, height=720)
    for k in (0, 9):
        with rawpy.imread(str(SAMPLE / f"night_{k + 1:04d}.dng")) as raw:
            shipped = raw.raw_image_visible.copy()
        assert (expose(night, k).codes != shipped).mean() < 1e-5
    truth = json.loads((SAMPLE / "truth.json").read_text())
    assert truth["night"]["seed"] == 7
    assert len(truth["frames"]) == 18


def test_sample_frames_are_small_enough_to_ship():
    sizes = [path.stat().st_size for path in SAMPLE.iterdir()]
    assert len(list(SAMPLE.glob("*.dng"))) >= 16
    assert sum(sizes) < 14e6


@pytest.mark.parametrize("pattern", ["RGGB", "GRBG", "GBRG", "BGGR"])
def test_files_open_in_libraw_and_tifffile(pattern, tmp_path):
    night = replace(SMALL, pattern=pattern, frames=1)
    (path,) = write_night(night, tmp_path)
    codes = expose(night, 0).codes
    assert (tifffile.imread(path) == codes).all()
    with rawpy.imread(str(path)) as raw:
        assert (raw.raw_image_visible == codes).all()


def test_the_sky_turns_at_the_sidereal_rate():
    """erfa's Earth rotation angle (IAU 2000) as the outside clock."""
    day = 2461000.5
    turned = (erfa.era00(day, 0.5) - erfa.era00(day, 0.5 - 20.0 / 86400)) % (2 * np.pi)
    assert pytest.approx(turned, rel=1e-7) == SIDEREAL * 20.0
    night = replace(SMALL, cadence=20.0)
    assert rotation_angle(frame_matrix(night, 1, 0)) == pytest.approx(
        turned % (2 * np.pi), rel=1e-6
    )


@pytest.mark.parametrize(
    ("altitude", "arcminutes"), [(0, 28.98), (5, 9.67), (10, 5.41), (20, 2.74), (45, 1.01)]
)
def test_refraction_is_saemundsson_s(altitude, arcminutes):
    """Saemundsson 1986, as tabulated from Meeus, chapter 16."""
    h = np.radians(altitude)
    lifted = refract(np.array([[np.cos(h), 0.0, np.sin(h)]]))[0]
    lift = np.degrees(np.arcsin(lifted[2]) - h) * 60
    assert lift == pytest.approx(arcminutes, abs=0.01)


def test_noise_is_poisson_and_gaussian():
    """Photon transfer (EMVA Standard 1288): variance = signal / gain + read noise², in ADU."""
    empty = {"hot_fraction": 0.0, "star_density": 0.0, "satellites": 0, "aircraft": 0}
    even = {"milky_way": 0.0, "sky_gradient": 0.0, "vignetting": 0.0}
    night = replace(SMALL, **empty, **even, frames=1, width=800, height=600)
    green = ideal_picture(night, 0)[1].mean() / night.gain
    codes = expose(night, 0).codes.astype(float) - night.black
    plane = codes[0::2, 1::2]
    expected = green / night.gain + (night.read_noise / night.gain) ** 2 + 1 / 12
    assert plane.mean() == pytest.approx(green, rel=0.01)
    assert plane.var() == pytest.approx(expected, rel=0.02)


def test_star_counts_rise_as_handbooks_say():
    """Ten times fainter is about three times as many: 0.47 in log N a magnitude (from memory)."""
    magnitude = catalogue(replace(SMALL, faintest=9.0, star_density=3.0)).magnitude
    ratio = (magnitude < 8.5).sum() / (magnitude < 6.5).sum()
    assert ratio == pytest.approx(10 ** (0.47 * 2), rel=0.15)


def test_clouds_take_light_and_a_bump_moves_the_camera():
    cloudy = replace(SMALL, clear=(1.0, 0.3), bump_frame=1, bump_degrees=2.0)
    clear = ideal_picture(replace(cloudy, clear=()), 1)
    dimmed = ideal_picture(cloudy, 1)
    assert dimmed.max() < 0.5 * clear.max()
    assert np.degrees(rotation_angle(frame_matrix(cloudy, 1, 0))) > 1.5


@pytest.mark.parametrize("scene", ["wide", "horizon", "town", "rough"])
def test_every_scene_can_be_drawn(scene):
    night = replace(scene_night(scene, 4, 160), height=120, faintest=7.0)
    for k in range(2):
        assert expose(night, k).codes.shape == (120, 160)
